"""An analysis as one JSON object, as the shipped schema describes it (schema/analysis-1.schema.json)."""

from __future__ import annotations

import math
from typing import Any

from decoder.recording import Recording
from estimator.estimate import Rest, Start
from idle_stop.account import Reason, Standstill
from idle_stop.analysis import Analysis, Finding
from reports.analysis_more import figure, more_of, more_of_battery, rounded
from reports.clock import Clock
from reports.findings import by_urgency
from reports.fitted_wording import finding_title, fitted_wording
from reports.language import Language
from reports.plain import plain
from reports.view import View, view_of

SCHEMA = "idlewhy.analysis/1"

_ALWAYS_COUNTED = {"lin_checksum": 0, "truncated": 0}  # further kinds are there where they occur

_FIGURES = (
    ("soc_start", "SoC at the start", 1),
    ("soc_end", "SoC at the end", 1),
    ("soc_min", "lowest SoC", 1),
    ("capacity_ah", "capacity", 2),
    ("soh_percent", "SoH of capacity", 1),
    ("resistance_mohm", "resistance", 2),
    ("current_offset_a", "offset of the current sensor", 3),
    ("quiescent_ma", "quiescent current", 1),
    ("next_crank_min_v", "lowest voltage of the next crank", 3),
)


# Optional figures, which need their sentence as well.
_MORE_FIGURES = (
    ("load_step_resistance_mohm", "resistance from steps of the load"),
    ("charge_acceptance_a_per_ah", "charge acceptance"),
    ("days_to_idle_stop_limit", "days until idle-stop is refused"),
    ("days_to_no_start", "days until a start is unsure"),
)


def analysis_to_json(analysis: Analysis) -> dict[str, Any]:
    """Everything an analysis says, in plain JSON values: no NaN, no Infinity, times from the first frame [s]."""
    view = view_of(analysis)
    say, clock = view.say, view.clock
    return {
        "schema": SCHEMA,
        "vehicle": plain(analysis.vehicle),
        "platform": analysis.platform.id,
        "recording": _recording(analysis.recording, clock),
        "signals": _signals(analysis.recording),
        "battery": _battery(view),
        "standstills": [_standstill(one, clock) for one in analysis.account.standstills],
        "starts": [_start(one, clock) for one in analysis.estimate.starts],
        "rests": [_rest(one, clock) for one in analysis.estimate.rests],
        "findings": [_finding(one, analysis, say) for one in by_urgency(analysis.findings)],
        "unknown": _unknown(analysis, say),
        **more_of(view),
    }


def _recording(recording: Recording, clock: Clock) -> dict[str, Any]:
    return {
        "sources": [
            {"name": plain(one.name), "sha256": one.sha256, "format": one.format, "bytes": one.bytes}
            for one in recording.sources
        ],
        "start": clock.iso(recording.start_ns),
        "end": clock.iso(recording.end_ns),
        "duration_s": round(recording.duration_s, 3),
        "frames": recording.frames,
        "frames_decoded": recording.frames_decoded,
        "frames_rejected": {
            kind: int(count) for kind, count in sorted((_ALWAYS_COUNTED | dict(recording.faults.rejected)).items())
        },
    }


def _signals(recording: Recording) -> list[dict[str, Any]]:
    rows = []
    for role, trace in sorted(recording.traces.items()):
        gaps = [gap.seconds for gap in recording.faults.gaps if gap.role in {role, ""}]
        period = trace.period_s
        rows.append(
            {
                "role": role,
                "source": plain(trace.source),
                "samples": len(trace),
                "rate_hz": rounded(1.0 / period if period > 0 else math.nan, 3),
                "gaps": len(gaps),
                "longest_gap_s": round(max(gaps, default=0.0), 3),
            }
        )
    return rows


def _battery(view: View) -> dict[str, Any]:
    estimate, battery = view.estimate, view.analysis.platform.battery
    figures = {name: figure(getattr(estimate, name), digits) for name, _, digits in _FIGURES}
    return {
        "type": battery.type,
        "capacity_nominal_ah": battery.capacity_nominal,
        **figures,
        "charged_ah": rounded(estimate.charged_ah, 3),
        "discharged_ah": rounded(estimate.discharged_ah, 3),
        **more_of_battery(view),
    }


def _standstill(one: Standstill, clock: Clock) -> dict[str, Any]:
    return {
        "t_start": clock.seconds(one.start_ns),
        "t_end": clock.seconds(one.end_ns),
        "outcome": one.outcome,
        "ended_by": one.ended_by,
        "reasons": [_reason(reason, clock) for reason in one.reasons],
        "unknown_conditions": [plain(name) for name in one.unknown_conditions],
        "explained": one.explained,
    }


def _reason(reason: Reason, clock: Clock) -> dict[str, Any]:
    return {
        "condition": plain(reason.condition),
        "group": reason.group,
        "role": reason.role,
        "value": _scalar(reason.value),
        "threshold": _scalar(reason.threshold),
        "unit": reason.unit,
        "failing_since_t": clock.seconds(reason.failing_since_ns),
    }


def _start(one: Start, clock: Clock) -> dict[str, Any]:
    return {
        "t": clock.seconds(one.start_ns),
        "kind": one.kind,
        "min_v": rounded(one.min_v, 3),
        "resolved": one.resolved,
        "peak_a": rounded(one.peak_a, 1),
        "crank_s": rounded(one.crank_s, 3),
        "to_idle_s": rounded(one.to_idle_s, 3),
        "resistance_mohm": figure(one.resistance_mohm, 2),
        "resistance_method": one.method,
        "temperature_c": rounded(one.temperature_c, 1),
    }


def _rest(one: Rest, clock: Clock) -> dict[str, Any]:
    return {
        "t_start": clock.seconds(one.start_ns),
        "t_end": clock.seconds(one.end_ns),
        "end_v": rounded(one.end_v, 3),
        "mean_ma": rounded(one.mean_ma, 1),
        "soc_from_ocv": figure(one.soc_from_ocv, 1),
    }


def _finding(one: Finding, analysis: Analysis, say: Language) -> dict[str, Any]:
    words = fitted_wording(one, analysis)
    return {
        "code": one.code,
        "weight": one.weight,
        "title": finding_title(one, analysis, say),
        "evidence": [say.text(line) for line in one.evidence],
        "next_checks": [f"{say.text(check.do)} {say.text(check.decides)}" for check in words.checks],
    }


def _unknown(analysis: Analysis, say: Language) -> list[str]:
    """What the data cannot give: a sentence for every null figure, then what the stages said; each once."""
    estimate = analysis.estimate
    labels = [*((name, label) for name, label, _ in _FIGURES), *_MORE_FIGURES]
    named = [(label, getattr(estimate, name)) for name, label in labels]
    named += [("resistance of a start", one.resistance_mohm) for one in estimate.starts]
    named += [("SoC of a rest", one.soc_from_ocv) for one in estimate.rests]
    bare = say("It could not be told.")
    nulls = [f"{label}: {say.text(one.unknown) if one.unknown else bare}" for label, one in named if not one.is_known]
    stages = (*analysis.unknown, *estimate.unknown, *analysis.account.unknown)
    return list(dict.fromkeys([*nulls, *map(say.text, stages)]))


def _scalar(value: float | str | bool) -> float | str | bool | None:
    if isinstance(value, str):
        return plain(value)
    return value if isinstance(value, bool) else rounded(value, 4)
