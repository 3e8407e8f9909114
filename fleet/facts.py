"""An analysis as rows of the store's tables: what is kept of a recording once its frames are gone."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from estimator.estimate import Drive, Figure, Rest
from fleet.daily import daily_rows, refusal_rows
from fleet.tables import SCHEMA, TABLES, table_of
from idle_stop.account import Standstill
from idle_stop.analysis import Analysis
from idle_stop.decisions import decisions_of
from signal_defs.platform import IdleStopRules

Rows = dict[str, list[dict[str, Any]]]


def recording_key(sources: Iterable[str], platform_sha256: str) -> str:
    """Name of a recording: what logs it is made of, which definition it was read with, by which version of the tables.

    sources: SHA-256 of each log, in any order. Returns 32 hexadecimal digits.
    """
    words = json.dumps([sorted(set(sources)), platform_sha256, SCHEMA])
    return hashlib.sha256(words.encode()).hexdigest()[:32]


def facts(
    analysis: Analysis, *, vehicle: str | None = None, generation: int = 0, keep_names: bool = True
) -> dict[str, Any]:
    """All tables of one recording, by name; empty ones are left out. vehicle: stands for the analysis' own name."""
    rows = fact_rows(analysis, vehicle=vehicle, generation=generation, keep_names=keep_names)
    return {name: table_of(name, rows[name]) for name in TABLES if rows[name]}


def fact_rows(analysis: Analysis, *, vehicle: str | None = None, generation: int = 0, keep_names: bool = True) -> Rows:
    """The same as plain rows, every table named."""
    key = recording_key((one.sha256 for one in analysis.recording.sources), analysis.platform.sha256)
    rows: Rows = {
        "recordings": [_recording(analysis, generation, keep_names=keep_names)],
        "standstills": _standstills(analysis),
        "reasons": _reasons(analysis),
        "starts": _starts(analysis),
        "rests": _rests(analysis),
        "drives": _drives(analysis),
        "daily": [],
        "refusals": [],
        "findings": _findings(analysis),
        "events": _events(analysis),
        "decisions": _decisions(analysis),
    }
    rows["daily"] = daily_rows(rows)
    rows["refusals"] = refusal_rows(rows)
    name = analysis.vehicle if vehicle is None else vehicle
    for of_table in rows.values():
        for row in of_table:
            row["recording"], row["vehicle"] = key, name
    return rows


def _at(analysis: Analysis, time_ns: int) -> dict[str, Any]:
    recording = analysis.recording
    return {
        "time": time_ns // 1000 if recording.absolute_time else None,
        "t_s": round((time_ns - recording.start_ns) / 1e9, 6),
    }


def _of(one: object, *names: str) -> dict[str, Any]:
    """What is kept under the name it has."""
    return {name: getattr(one, name) for name in names}


def _band(name: str, unit: str, figure: Figure) -> dict[str, Any]:
    """A figure and both ends of its band."""
    return {f"{name}{unit}": figure.value, f"{name}_low": figure.low, f"{name}_high": figure.high}


def _seconds(one: Rest | Drive) -> float:
    return (one.end_ns - one.start_ns) / 1e9


def _recording(analysis: Analysis, generation: int, *, keep_names: bool) -> dict[str, Any]:
    recording, estimate, platform = analysis.recording, analysis.estimate, analysis.platform
    sources = sorted(recording.sources, key=lambda one: one.sha256)
    return {
        "platform": platform.id,
        "platform_sha256": platform.sha256,
        "schema": SCHEMA,
        "generation": generation,
        "sources": sorted({one.sha256 for one in sources}),
        "files": [one.name for one in sources] if keep_names else [],
        "bytes": sum(one.bytes for one in sources),
        "formats": [one.format for one in sources],
        "time": recording.start_ns // 1000 if recording.absolute_time else None,
        "end": recording.end_ns // 1000 if recording.absolute_time else None,
        **_of(recording, "duration_s", "frames", "frames_decoded"),
        "coverage": estimate.coverage,
        "gaps": sum(not gap.role for gap in recording.faults.gaps),
        "battery_only": analysis.account.battery_only,
        "battery_type": platform.battery.type,
        "capacity_rated": platform.battery.capacity_nominal,
        "crank_rated_a": platform.battery.cold_cranking_a,
        "soc_limit": soc_limit(platform.idle_stop),
        "idle_l_per_h": platform.idle_stop.idle_fuel_l_per_h,
        "soc_start": estimate.soc_start.value,
        "soc_end": estimate.soc_end.value,
        "soc_min": estimate.soc_min.value,
        **_band("capacity", "_ah", estimate.capacity_ah),
        **_band("resistance", "_mohm", estimate.resistance_mohm),
        "quiescent_ma": estimate.quiescent_ma.value,
        "next_crank_v": estimate.next_crank_min_v.value,
        "conditions": [one.name for one in platform.idle_stop.conditions if one.applies_to != "restart"],
    }


def soc_limit(rules: IdleStopRules) -> float | None:
    """Charge below which the platform refuses a stop [%]; None where it does not say."""
    levels = [
        one.at_least
        for one in rules.conditions
        if one.role == "battery_soc" and one.at_least is not None and one.applies_to != "restart"
    ]
    return max(levels, default=None)


def _standstills(analysis: Analysis) -> list[dict[str, Any]]:
    standstills = analysis.account.standstills
    at = np.array([one.start_ns for one in standstills], dtype=np.int64)
    trace = analysis.recording.traces.get("battery_temperature")
    temperature = trace.held(at, 600.0) if trace is not None else np.full(len(at), np.nan)
    soc = _soc_at(analysis, at)
    begins = np.array([drive.start_ns for drive in analysis.estimate.drives], dtype=np.int64)
    drive = np.searchsorted(begins, at, side="right") - 1
    delay = analysis.platform.idle_stop.stop_delay_s
    return [
        {
            "row": row,
            **_at(analysis, one.start_ns),
            **_of(one, "seconds", "outcome", "ended_by", "verdict", "explained"),
            **_sole(one),
            "reasons": len(one.reasons),
            "hidden": len(one.unknown_conditions),
            "stop_s": 0.0 if math.isnan(one.stop_s) else one.stop_s,
            "lost_idle_s": max(one.seconds - delay, 0.0) if one.outcome == "refused" else 0.0,
            "temperature_c": float(temperature[row]),
            "soc": float(soc[row]),
            "drive": int(drive[row]) if drive[row] >= 0 else None,
        }
        for row, one in enumerate(standstills)
    ]


def _sole(one: Standstill) -> dict[str, Any]:
    """The condition that alone is to blame, if one is."""
    if one.verdict != "sole" or len(one.reasons) != 1:
        return {}
    return {"sole_condition": one.reasons[0].condition, "sole_group": one.reasons[0].group}


def _soc_at(analysis: Analysis, at: Any) -> Any:
    """Charge as estimated, the last value at or before each instant [%]."""
    time, soc = analysis.estimate.time_ns, analysis.estimate.soc
    if not len(time):
        return np.full(len(at), np.nan)
    place = np.searchsorted(time, at, side="right") - 1
    return np.where(place >= 0, soc[np.maximum(place, 0)], np.nan)


def _reasons(analysis: Analysis) -> list[dict[str, Any]]:
    pairs = [(number, one, reason) for number, one in enumerate(analysis.account.standstills) for reason in one.reasons]
    return [
        {
            "row": row,
            **_at(analysis, one.start_ns),
            "standstill": number,
            "outcome": one.outcome,
            **_of(reason, "condition", "group", "role", "unit"),
            **_split("value", reason.value),
            **_split("threshold", reason.threshold),
            "failing_s": max((one.decision_ns - reason.failing_since_ns) / 1e9, 0.0),
            "alone": one.verdict == "sole" and one.reasons == (reason,),
            "told": reason.told_by_vehicle,
        }
        for row, (number, one, reason) in enumerate(pairs)
    ]


def _split(name: str, value: float | str | bool) -> dict[str, Any]:
    """A number in its own column, a word or a flag in the other."""
    if isinstance(value, bool):
        return {f"{name}_text": "true" if value else "false"}
    if isinstance(value, str):
        return {f"{name}_text": value}
    return {name: float(value)}


def _starts(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "row": row,
            **_at(analysis, one.start_ns),
            **_of(one, "kind", "min_v", "peak_a", "crank_s", "to_idle_s", "temperature_c", "soc", "before_v"),
            **_of(one, "resolved", "method"),
            **_band("resistance", "_mohm", one.resistance_mohm),
        }
        for row, one in enumerate(analysis.estimate.starts)
    ]


def _rests(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "row": row,
            **_at(analysis, one.start_ns),
            "seconds": _seconds(one),
            **_of(one, "end_v", "mean_ma", "asleep_ma", "settled", "temperature_c"),
            **_band("soc", "", one.soc_from_ocv),
            "wake_ups": len(one.wake_ups),
            "wake_up_ah": math.fsum(wake.charge_ah for wake in one.wake_ups),
        }
        for row, one in enumerate(analysis.estimate.rests)
    ]


def _drives(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "row": row,
            **_at(analysis, one.start_ns),
            "seconds": _seconds(one),
            **_of(one, "charged_ah", "discharged_ah", "max_v", "coverage", "distance_km"),
        }
        for row, one in enumerate(analysis.estimate.drives)
    ]


def _findings(analysis: Analysis) -> list[dict[str, Any]]:
    start = _at(analysis, analysis.recording.start_ns)
    return [
        {
            "row": row,
            **start,
            **_of(one, "code", "weight", "possible"),
            "evidence": [str(line) for line in one.evidence],
        }
        for row, one in enumerate(analysis.findings)
    ]


def _events(analysis: Analysis) -> list[dict[str, Any]]:
    sensor = analysis.estimate.sensor
    seen: list[tuple[int, str, Sequence[object]]] = []
    if sensor is not None and sensor.reset_ns is not None:
        seen.append((sensor.reset_ns, "sensor_reset", ()))
    seen += [(one.time_ns, "battery_changed", one.evidence) for one in analysis.estimate.battery_changes]
    return [
        {"row": row, **_at(analysis, time_ns), "kind": kind, "evidence": [str(line) for line in evidence]}
        for row, (time_ns, kind, evidence) in enumerate(sorted(seen, key=lambda one: one[:2]))
    ]


def _decisions(analysis: Analysis) -> list[dict[str, Any]]:
    case = decisions_of(analysis.recording, analysis.estimate, analysis.account, analysis.platform.idle_stop)
    return [
        {
            "row": row,
            **_at(analysis, int(case.time_ns[row])),
            "stopped": bool(case.stopped[row]),
            "value_low": case.value_low[row].tolist(),
            "value_high": case.value_high[row].tolist(),
            "lowest": case.lowest[row].tolist(),
            "highest": case.highest[row].tolist(),
            "state": case.state[row].tolist(),
            "told": case.told[row].tolist(),
            "hidden": bool(case.hidden[row]),
            "step": case.step.tolist(),
        }
        for row in range(len(case.time_ns))
    ]
