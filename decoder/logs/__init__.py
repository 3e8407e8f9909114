"""Readers of log files, one module a format."""
