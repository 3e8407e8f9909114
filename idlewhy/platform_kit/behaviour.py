"""What a log says of candidates for roles: how each signal behaves at cranks, at standstill and over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from decoder.frames import FloatArray, Int64Array
from decoder.logs import ReadOptions
from idlewhy.platform_kit.cranks import STEP_A, Cranks, cranks_of, find_dips, slope_by_steps
from idlewhy.platform_kit.series import Series, read_series
from signal_defs.layout import SignalLayout
from signal_defs.platform import Bus
from signal_defs.roles import ROLES
from signal_defs.scaffold_candidate import SIGN_UNKNOWN, Candidate
from signal_defs.text import Text
from signal_defs.units import conversion, is_known_unit

MAX_UNNAMED = 200  # signals that no name speaks for, looked at for the voltage and the current all the same
UNNAMED = Text("its name does not say so")
SLOW_ROLES = ("battery_temperature", "coolant_temperature", "ambient_temperature", "oil_temperature")


def weigh_by_logs(
    found: Sequence[Candidate],
    buses: Sequence[Bus],
    logs: Sequence[str | Path],
    options: ReadOptions | None = None,
) -> tuple[Candidate, ...]:
    """The candidates with what the logs say of each, and candidates for voltage and current that no name speaks for.

    Raises LogError if a log cannot be read, or none holds a message of the databases.
    """
    unnamed = _unnamed(found, buses)
    every = [*found, *unnamed]
    series = read_series(logs, buses, {one.source for one in every}, options)
    scaled = [(one, _in_unit(one, series.get(one.source))) for one in every]
    voltage, current, cranks = _pair(scaled)
    weighed = []
    for one, values in scaled:
        if values is None or not len(values):
            if one.points > 0:
                weighed.append(one.more(-2, Text("no log has a valid sample of it")))
            continue
        weighed.append(_weigh(one, values, voltage, current, cranks))
    return tuple(_with_sign(one, scaled, voltage, cranks) for one in weighed)


def _unnamed(found: Sequence[Candidate], buses: Sequence[Bus]) -> list[Candidate]:
    """Numbers of 8 bits and more as voltage and as current, where the name does not speak for it."""
    have = {(one.role.name, one.source) for one in found}
    fresh: list[Candidate] = []
    for bus in buses:
        for message in bus.messages:
            for signal in message.signals:
                for role in ("battery_voltage", "battery_current"):
                    one = Candidate(ROLES[role], bus.name, message.name, signal, 0.0, ())
                    if (role, one.source) not in have and _may_be(signal, ROLES[role].unit):
                        keys = {"positive": "charge"} if role == "battery_current" else {}
                        fresh.append(one.more(0, UNNAMED, **keys))
    return fresh[: 2 * MAX_UNNAMED]


def _may_be(signal: SignalLayout, unit: str) -> bool:
    named = signal.choices.keys() - {raw for span in signal.invalid for raw in span}
    if signal.is_bytes or signal.is_multiplexer or named:
        return False
    akin = conversion(signal.unit, unit) is not None or not is_known_unit(signal.unit)
    return akin and (signal.is_float or signal.length >= 8)


def _in_unit(one: Candidate, series: Series | None) -> Series | None:
    """The series in the role's unit; not turned round."""
    if series is None or one.role.kind != "number":
        return series
    scale, offset = one.keys.get("scale", 1.0), one.keys.get("offset", 0.0)
    assert isinstance(scale, float | int)
    assert isinstance(offset, float | int)
    return Series(series.time_ns, series.value * scale + offset, series.raw)


def _pair(
    scaled: Sequence[tuple[Candidate, Series | None]],
) -> tuple[Candidate | None, Candidate | None, Cranks | None]:
    """The voltage and the current that tell of the most cranks; then names and depth decide."""
    currents = [
        (one, s)
        for one, s in scaled
        if one.role.name == "battery_current" and s is not None and len(s) > 1 and float(np.ptp(s.value)) >= STEP_A
    ]
    best: tuple[float, ...] = ()
    pair: tuple[Candidate | None, Candidate | None, Cranks | None] = (None, None, None)
    for voltage, values in scaled:
        if voltage.role.name != "battery_voltage" or values is None or not _is_battery_voltage(values):
            continue
        dips = find_dips(values)
        if not len(dips[0]):
            continue
        for current, amps in currents:
            if current.source == voltage.source:
                continue
            cranks = cranks_of(dips, amps)
            together = voltage.bus == current.bus and voltage.message == current.message
            count = len(cranks.with_current)
            rated = (count, voltage.points + current.points + together, float(np.median(dips[1])))
            if count and rated > best:
                best, pair = rated, (voltage, current, cranks)
    return pair


def _is_battery_voltage(series: Series) -> bool:
    return len(series) > 10 and 9.0 < float(np.median(series.value)) < 16.0


def _weigh(
    one: Candidate, values: Series, voltage: Candidate | None, current: Candidate | None, cranks: Cranks | None
) -> Candidate:
    role = one.role.name
    if role == "battery_voltage":
        return _weigh_voltage(one, values, voltage, cranks)
    if role == "battery_current":
        return _weigh_current(one, values, current, cranks)
    if role in SLOW_ROLES:
        return _weigh_temperature(one, values)
    if cranks is None or not len(cranks.with_current):
        return one
    at = cranks.time_ns[np.isin(cranks.step_a, cranks.with_current)]
    if role == "engine_speed":
        return _weigh_engine(one, values, at)
    if role == "vehicle_speed":
        return _weigh_speed(one, values, at)
    if role in {"starter_active", "engine_running"}:
        return _weigh_flag(one, values, at)
    return one


def _weigh_voltage(one: Candidate, values: Series, voltage: Candidate | None, cranks: Cranks | None) -> Candidate:
    middle = float(np.median(values.value))
    if not 9.0 < middle < 16.0:
        return one.more(-6, Text("but its median in the log is {v:g} V, no 12 V battery's", {"v": round(middle, 3)}))
    if voltage is None or cranks is None:
        return one.more(1, Text("its median in the log is {v:.2f} V", {"v": middle}))
    depth = np.array([_fall_at(values, instant) for instant in cranks.time_ns.tolist()])
    fell = int((depth > 0.4).sum())
    said = {"n": fell, "of": len(depth), "v": float(np.nanmedian(depth)) if np.isfinite(depth).any() else 0.0}
    if fell < len(depth) / 2:
        return one.more(-3, Text("but it falls at {n} of {of} cranks only", said))
    found = one.more(5, Text("it falls at {n} of {of} cranks, by {v:.1f} V", said))
    return found.more(1, Text("with the current it tells the most cranks")) if one.source == voltage.source else found


def _fall_at(values: Series, instant: int) -> float:
    """How far a voltage fell around an instant [V]."""
    before = values.held(np.array([instant - 1_000_000_000]), 3.0)[0]
    around = values.between(instant - 500_000_000, instant + 500_000_000)
    return float(before - around.min()) if len(around) else float("nan")


def _weigh_current(one: Candidate, values: Series, current: Candidate | None, cranks: Cranks | None) -> Candidate:
    if current is None or cranks is None:
        return one
    mine = cranks_of((cranks.time_ns, cranks.depth_v), values)
    steps = mine.with_current
    if not len(steps):
        said = Text("but it does not move as a starter's current at the {n} cranks", {"n": len(mine.time_ns)})
        return one.more(-3, said)
    moved = {"a": float(np.median(np.abs(steps))), "n": len(steps), "of": len(mine.time_ns)}
    said = Text("it moves by {a:.0f} A at {n} of {of} cranks, while the voltage falls", moved)
    return one.more(5 * len(steps) / max(len(mine.time_ns), 1), said)


def _with_sign(
    one: Candidate, scaled: Sequence[tuple[Candidate, Series | None]], voltage: Candidate | None, cranks: Cranks | None
) -> Candidate:
    """For a current: what is positive, from the cranks, else from how the voltage follows it."""
    if one.role.name != "battery_current" or one.points <= 0:
        return one
    by_source = {(c.role.name, c.source): series for c, series in scaled}
    values = by_source[one.role.name, one.source]
    if values is None:
        return one
    if cranks is not None:
        negative = cranks_of((cranks.time_ns, cranks.depth_v), values).drawn_is_negative
        if negative is not None:
            said = Text("the cranks draw {way} current", {"way": "negative" if negative else "positive"})
            return _sign_said(one, "charge" if negative else "discharge", said)
    likely = voltage or max(
        (c for c, s in scaled if c.role.name == "battery_voltage" and s is not None and _is_battery_voltage(s)),
        key=lambda c: c.points,
        default=None,
    )
    volts = by_source.get(("battery_voltage", likely.source)) if likely is not None else None
    if volts is None or likely is None:
        return one
    slope, count = slope_by_steps(volts, values)
    if np.isfinite(slope) and abs(slope) > 0.001:
        way = {"n": count, "voltage": likely.source, "way": "rises" if slope > 0 else "falls"}
        said = Text("over {n} steps {voltage} {way} with it", way)
        return _sign_said(one, "charge" if slope > 0 else "discharge", said)
    return one


def _sign_said(one: Candidate, positive: str, said: Text) -> Candidate:
    """The candidate with its sign told by a log; against the name where that says otherwise."""
    unknown = SIGN_UNKNOWN in one.reasons or one.reasons[:1] == (UNNAMED,)
    known = replace(one, reasons=tuple(reason for reason in one.reasons if reason != SIGN_UNKNOWN))
    against = not unknown and one.keys.get("positive") != positive
    template = "{said}: {positive} is positive, whatever the name says" if against else "{said}: {positive} is positive"
    return known.more(1, Text(template, {"said": said, "positive": positive}), positive=positive)


def _weigh_temperature(one: Candidate, values: Series) -> Candidate:
    grid = np.arange(values.time_ns[0], values.time_ns[-1], 60_000_000_000)
    if len(grid) < 3:
        return one
    fastest = float(np.nanmax(np.abs(np.diff(values.held(grid, 30.0))), initial=0.0))
    if not np.isfinite(fastest) or fastest > 15.0:
        return one.more(-3, Text("but it changes by {k:.0f} K in a minute", {"k": fastest}))
    return one.more(1, Text("it changes slowly, {k:.1f} K a minute at most", {"k": fastest}))


def _weigh_engine(one: Candidate, values: Series, at: Int64Array) -> Candidate:
    before, after = values.held(at - 1_000_000_000), values.held(at + 3_000_000_000)
    follows = int(((before < 100.0) & (after > 400.0)).sum())
    return _by_share(one, follows, len(at), 5, "it goes from rest to over 400 rpm at {n} of {of} cranks")


def _weigh_speed(one: Candidate, values: Series, at: Int64Array) -> Candidate:
    standing = values.held(at)
    still = int((np.abs(standing) < 1.0).sum())
    if float(values.value.max()) < 5.0:
        return one.more(0, Text("it never leaves standstill in the log"))
    return _by_share(one, still, len(at), 4, "it is zero at {n} of {of} cranks, and moves between them")


def _weigh_flag(one: Candidate, values: Series, at: Int64Array) -> Candidate:
    true = _truth(one, values)
    flag = Series(values.time_ns, true, values.raw)
    if one.role.name == "engine_running":
        fits = (flag.held(at - 1_000_000_000) < 0.5) & (flag.held(at + 3_000_000_000) > 0.5)
        return _by_share(one, int(fits.sum()), len(at), 4, "it becomes true at {n} of {of} cranks")
    seen = sum(bool((flag.between(t - 700_000_000, t + 700_000_000) > 0.5).any()) for t in at.tolist())
    if float(true.mean()) > 0.2:
        return one.more(-3, Text("but it is true for {share:.0%} of the time", {"share": float(true.mean())}))
    return _by_share(one, seen, len(at), 4, "it is true at {n} of {of} cranks, and seldom else")


def _truth(one: Candidate, values: Series) -> FloatArray:
    wanted = one.keys.get("true_when")
    if not isinstance(wanted, list):
        return np.asarray(values.raw != 0, dtype=np.float64)
    named = [raw for raw, name in one.signal.choices.items() if name in wanted]
    return np.isin(values.raw, [*named, *(raw for raw in wanted if isinstance(raw, int))]).astype(np.float64)


def _by_share(one: Candidate, fits: int, of: int, points: float, said: str) -> Candidate:
    values = {"n": fits, "of": of}
    if fits >= 0.5 * of:
        return one.more(points, Text(said, values))
    return one.more(-points, Text("but: " + said, values))
