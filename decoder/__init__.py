"""From log files to a recording."""
