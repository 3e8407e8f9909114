"""Databases of every kind, read into one neutral layout."""

from signal_defs.databases.read import SUFFIXES, read_database, read_database_bytes

__all__ = ["SUFFIXES", "read_database", "read_database_bytes"]
