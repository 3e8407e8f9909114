"""Measured speed and memory. `python -m benchmarks` prints one table; see `benchmarks.__main__`."""
