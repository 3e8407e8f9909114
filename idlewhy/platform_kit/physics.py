"""Findings about what a battery cannot do: signs, zeros and scales that a log shows to be wrong.

The limits are common practice, no source, unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from decoder.frames import Int64Array
from decoder.recording import Recording
from idlewhy.platform_kit.cranks import RESISTANCE_OHM, Cranks, cranks_of, find_dips, slope_by_steps
from idlewhy.platform_kit.series import Series
from signal_defs.check_finding import CheckFinding, CheckWeight
from signal_defs.text import Text

BATTERY_V = (8.0, 16.0)  # median of a 12 V battery's voltage over a log
CHARGING_V = 13.2
QUIET_A = 3.0
REST_S, SETTLE_S = 900.0, 300.0
SOAK_S = 6 * 3600.0
ZERO_A = 0.05  # charged at rest by more than this: the zero is off; 50 mA is 8.4 Ah a week
REST_DRAW_A = 1.0
SECOND_SOURCE_V = 0.7
SOAK_K = 10.0


@dataclass(frozen=True, slots=True)
class _Look:
    """A recording to look at, and where its roles stand in platform.toml."""

    recording: Recording
    places: Mapping[str, str]

    def series(self, role: str) -> Series:
        trace = self.recording.traces.get(role)
        if trace is None:
            return Series(np.empty(0, np.int64), np.empty(0), np.empty(0))
        return Series(trace.time_ns[trace.valid], trace.value[trace.valid], trace.value[trace.valid])

    def finding(self, code: str, weight: CheckWeight, role: str, what: Text, mend: str) -> CheckFinding:
        return CheckFinding(code, weight, self.places.get(role, ""), what, Text(mend))

    def skipped(self, role: str, what: str) -> CheckFinding:
        return self.finding("not_checked", "note", role, Text(what), "Give a log that shows it.")


def check_physics(recording: Recording, places: Mapping[str, str]) -> list[CheckFinding]:
    """Findings on voltage, current and temperature, and on engine and vehicle at cranks."""
    look = _Look(recording, places)
    voltage, current = look.series("battery_voltage"), look.series("battery_current")
    if not len(voltage) or not len(current):
        return []
    scale = list(_voltage_scale(look, voltage))
    if scale:
        return scale
    cranks = cranks_of(find_dips(voltage), current)
    found = [*_sign(look, cranks, voltage, current), *_zero(look, current), *_second_source(look, voltage)]
    found += [*_temperatures(look), *_soak(look)]
    if len(cranks.with_current):
        found += _at_cranks(look, cranks.time_ns[np.isin(cranks.step_a, cranks.with_current)])
    return found


def _voltage_scale(look: _Look, voltage: Series) -> Iterator[CheckFinding]:
    middle = float(np.median(voltage.value))
    if not BATTERY_V[0] <= middle <= BATTERY_V[1]:
        values = {"v": round(middle, 3)}
        said = Text("The battery's voltage is {v:g} V in the middle: no 12 V battery has that.", values)
        mend = "Correct the signal's scale or offset, or bind the right one; a healthy battery shows 12 to 15 V."
        yield look.finding("voltage_scale", "error", "battery_voltage", said, mend)


def _sign(look: _Look, cranks: Cranks, voltage: Series, current: Series) -> Iterator[CheckFinding]:
    negative = cranks.drawn_is_negative
    values = {"n": len(cranks.with_current), "of": len(cranks.time_ns)}
    turn = 'Write positive = "discharge" where it is "charge" or left out, "charge" where it is "discharge".'
    if negative is False:
        said = Text("{n} of {of} cranks read as charging the battery: the sign is wrong.", values)
        yield look.finding("sign_wrong", "error", "battery_current", said, turn)
    elif negative is None and len(cranks.with_current):
        said = Text("Of {n} cranks some read as charging, some as discharging.", values)
        mend = "Look whether current and voltage are of one battery and one clock."
        yield look.finding("sign_unclear", "warning", "battery_current", said, mend)
    elif negative is None and len(cranks.time_ns):
        yield _scale_at_cranks(look, cranks)
    elif negative is None:
        slope, count = slope_by_steps(voltage, current)
        if np.isfinite(slope) and slope < -RESISTANCE_OHM[0]:
            said = Text("Over {n} steps the voltage falls when the current charges: the sign is wrong.", {"n": count})
            yield look.finding("sign_wrong", "error", "battery_current", said, turn)
        elif not np.isfinite(slope):
            yield look.skipped("battery_current", "No crank and no step of the current: its sign was not checked.")


def _scale_at_cranks(look: _Look, cranks: Cranks) -> CheckFinding:
    steps = np.abs(cranks.step_a[np.isfinite(cranks.step_a)])
    moved = float(np.median(steps)) if len(steps) else 0.0
    said = Text(
        "The voltage falls by {v:.1f} V at {n} cranks, the current moves by {a:.1f} A only or not as a battery's.",
        {"v": float(np.median(cranks.depth_v)), "n": len(cranks.time_ns), "a": moved},
    )
    mend = "Compare the current's scale and range with their source; a starter draws some hundred amperes."
    return look.finding("current_at_cranks", "warning", "battery_current", said, mend)


def _quiet(look: _Look, least_s: float) -> list[tuple[int, int]]:
    """Spans in which nothing speaks against a parked vehicle [ns]; stretches without any sample are part of them."""
    current, voltage = look.series("battery_current"), look.series("battery_voltage")
    loud = [current.time_ns[np.abs(current.value) >= QUIET_A], voltage.time_ns[voltage.value >= CHARGING_V]]
    engine = look.series("engine_speed")
    loud.append(engine.time_ns[engine.value > 100.0])
    ends = np.array([look.recording.start_ns, look.recording.end_ns])
    edges: Int64Array = np.unique(np.concatenate([*loud, ends]))
    return [(a, b) for a, b in pairwise(edges.tolist()) if (b - a) / 1e9 >= least_s]


def _zero(look: _Look, current: Series) -> Iterator[CheckFinding]:
    asleep = [current.between(a + int(SETTLE_S * 1e9), b) for a, b in _quiet(look, REST_S)]
    values = np.concatenate(asleep) if asleep else np.empty(0)
    if len(values) < 20:
        yield look.skipped("battery_current", "No rest of 15 min: the current's zero was not checked.")
        return
    middle = float(np.median(values))
    if middle > ZERO_A:
        said = Text("At rest the battery reads as charged by {ma:.0f} mA: the zero is off.", {"ma": middle * 1e3})
        mend = "Compare the signal's offset with its source; a known error of the sensor can be taken out with offset."
        yield look.finding("zero_off", "warning", "battery_current", said, mend)
    elif middle < -REST_DRAW_A:
        said = Text("At rest {a:.1f} A are drawn: a load was on, or the zero is off.", {"a": -middle})
        mend = "Compare with a clamp meter at rest."
        yield look.finding("zero_off", "note", "battery_current", said, mend)


def _second_source(look: _Look, voltage: Series) -> Iterator[CheckFinding]:
    role = next((r for r in ("board_voltage", "alternator_voltage") if len(look.series(r))), None)
    if role is None:
        yield look.skipped("battery_voltage", "No second voltage is in the logs: the battery's was not compared.")
        return
    second = look.series(role)
    own = voltage.held(second.time_ns)
    calm = np.abs(look.series("battery_current").held(second.time_ns)) < 30.0
    apart = (second.value - own)[calm & np.isfinite(own)]
    if len(apart) < 20:
        yield look.skipped("battery_voltage", "The two voltages are never seen together: they were not compared.")
        return
    middle = float(np.median(apart))
    if abs(middle) > SECOND_SOURCE_V:
        said = Text("{role} is {v:+.2f} V off the battery's voltage.", {"role": role, "v": middle})
        mend = "Correct scale or offset of the one that disagrees with a voltmeter."
        yield look.finding("second_voltage", "warning", role, said, mend)


def _temperatures(look: _Look) -> Iterator[CheckFinding]:
    for role in ("battery_temperature", "ambient_temperature"):
        series = look.series(role)
        if len(series) and not -45.0 <= float(np.median(series.value)) <= 90.0:
            said = Text("{role} is {t:.0f} degC in the middle.", {"role": role, "t": float(np.median(series.value))})
            yield look.finding("temperature_scale", "error", role, said, "Correct the signal's scale or offset.")


def _soak(look: _Look) -> Iterator[CheckFinding]:
    battery, ambient = look.series("battery_temperature"), look.series("ambient_temperature")
    if not len(battery):
        return
    known = [apart for _, end in _quiet(look, SOAK_S) if np.isfinite(apart := _apart_after(battery, ambient, end))]
    if not known:
        what = "No rest of 6 h with the outside temperature after it: the battery's temperature was not compared."
        yield look.skipped("battery_temperature", what)
    elif abs(float(np.median(known))) > SOAK_K:
        values = {"n": len(known), "k": float(np.median(known))}
        said = Text("After {n} rests of 6 h the battery is {k:+.0f} K from the air outside.", values)
        mend = "Compare both temperatures' scale and offset with their sources."
        yield look.finding("temperature_soak", "warning", "battery_temperature", said, mend)


def _apart_after(battery: Series, ambient: Series, end_ns: int) -> float:
    """Battery less outside temperature [K] around the end of a soak, 5 min either way; NaN where one is not seen."""
    own, other = (one.between(end_ns - 300_000_000_000, end_ns + 300_000_000_000) for one in (battery, ambient))
    return float(np.median(own) - np.median(other)) if len(own) and len(other) else float("nan")


def _at_cranks(look: _Look, at: Int64Array) -> Iterator[CheckFinding]:
    engine, speed, starter = (look.series(role) for role in ("engine_speed", "vehicle_speed", "starter_active"))
    after = engine.held(at + 3_000_000_000)
    missed = int((after < 100.0).sum())
    if missed > 0.5 * len(at):
        said = Text("The engine still stands 3 s after {n} of {of} cranks.", {"n": missed, "of": len(at)})
        mend = "Look whether this is the engine's speed."
        yield look.finding("engine_at_cranks", "warning", "engine_speed", said, mend)
    moving = int((np.abs(speed.held(at)) > 5.0).sum())
    if moving > 0.5 * len(at):
        said = Text("The vehicle moves at {n} of {of} cranks.", {"n": moving, "of": len(at)})
        mend = "Compare the speed's offset with its source."
        yield look.finding("speed_at_cranks", "warning", "vehicle_speed", said, mend)
    if len(starter):
        windows = [starter.between(t - 1_000_000_000, t + 1_000_000_000) for t in at.tolist()]
        unseen = sum(not (window > 0).any() for window in windows if len(window))
        if unseen > 0.5 * len(at):
            said = Text("The starter is not active at {n} of {of} cranks.", {"n": unseen, "of": len(at)})
            mend = "Look whether true_when is right."
            yield look.finding("starter_at_cranks", "warning", "starter_active", said, mend)
