"""How long the account of one day takes, every signal at 100 Hz: the goal is under two seconds.

Run with: python benchmarks/account_of_a_day.py
"""

from __future__ import annotations

import time

import numpy as np

from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, unknown_figure
from idle_stop.attribution import account_for
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.text import Text

RATE_HZ = 100
HOURS = 24
CYCLE_S = 60.0
RULES = IdleStopRules(
    conditions=(
        Condition("charge", "electrical", "battery_soc", at_least=75.0, hysteresis=3.0, applies_to="both"),
        Condition("battery not cold", "electrical", "battery_temperature", at_least=5.0, hysteresis=2.0),
        Condition("battery not hot", "electrical", "battery_temperature", at_most=55.0, hysteresis=2.0),
        Condition("voltage", "electrical", "battery_voltage", at_least=11.5, hysteresis=0.3, applies_to="restart"),
        Condition("coolant warm", "engine", "coolant_temperature", at_least=60.0, hysteresis=2.0),
        Condition("vacuum", "safety", "brake_vacuum", at_least=35.0, applies_to="both"),
        Condition("hood", "safety", "hood_open", equals=False, applies_to="both"),
        Condition("cabin", "comfort", "cabin_temperature", at_most=28.0, hysteresis=1.0, for_s=5.0),
    )
)


def recording() -> Recording:
    """A day of one-minute cycles: 40 s of drive, 20 s of standing, stopped where everything is met."""
    seconds = np.arange(HOURS * 3600 * RATE_HZ) / RATE_HZ
    time_ns = (seconds * 1e9).astype(np.int64)
    valid = np.ones(len(seconds), dtype=np.bool_)
    in_cycle = seconds % CYCLE_S
    standing = in_cycle > CYCLE_S - 20.0
    charge = 80.0 + 8.0 * np.sin(seconds / 3000.0)
    off = (in_cycle > CYCLE_S - 18.0) & (in_cycle < CYCLE_S - 1.0) & (charge > 78.0)
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 0.5, len(seconds))
    values = {
        "vehicle_speed": np.where(standing, 0.0, 40.0),
        "engine_speed": np.where(off, 0.0, 900.0),
        "brake_pressed": (standing & (in_cycle < CYCLE_S - 1.3)).astype(np.float64),
        "battery_soc": np.round(charge * 2.0) / 2.0,
        "battery_temperature": 20.0 + noise,
        "battery_voltage": 13.5 + noise,
        "battery_current": noise,
        "coolant_temperature": 90.0 + noise,
        "brake_vacuum": 36.0 + 2.0 * noise,
        "hood_open": np.zeros(len(seconds)),
        "cabin_temperature": 27.5 + noise,
    }
    traces = {role: Trace(role, "bus/M.S", "", time_ns, value, valid) for role, value in values.items()}
    return Recording(0, int(time_ns[-1]), False, 0, 0, traces)


def nothing_estimated() -> BatteryEstimate:
    """An estimate that knows nothing."""
    none, empty = unknown_figure(Text("not estimated")), np.empty(0)
    return BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, (), (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip


def main() -> None:
    """Print the seconds the account takes, and what it found."""
    day, estimate = recording(), nothing_estimated()
    begun, used = time.perf_counter(), time.process_time()
    account = account_for(day, estimate, RULES)
    seconds, used = time.perf_counter() - begun, time.process_time() - used
    samples = sum(len(trace) for trace in day.traces.values())
    print(f"{seconds:.2f} s ({used:.2f} s of processor time) for {samples / 1e6:.1f} million samples")
    print(f"{len(account.standstills)} standstills, {account.count('refused')} refused")


if __name__ == "__main__":
    main()
