"""Databases turned into one signal layout."""
