"""The demo: an invented fleet, simulated and written as log files."""
