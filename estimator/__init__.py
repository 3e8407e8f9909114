"""Charge and health of the battery over a recording."""
