"""The demo: an invented fleet, simulated and written as log files, with the truth beside them."""

from idlewhy.demo.make import make_logs
from idlewhy.demo.truth import DemoVehicle, Truth

__all__ = ["DemoVehicle", "Truth", "make_logs"]
