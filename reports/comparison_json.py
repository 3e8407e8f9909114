"""A comparison of before and after as one JSON object, for `compare --json`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from idle_stop.analysis import Analysis
from idle_stop.comparison import compare
from reports.analysis_more import figure
from reports.findings import wording
from reports.language import Language
from reports.plain import plain
from signal_defs.text import Text

SCHEMA = "idlewhy.comparison/1"
_DIGITS = 4


def comparison_to_json(before: Analysis, after: Analysis) -> dict[str, Any]:
    """What a repair changed, in plain JSON values; a figure is its value with its 95 % band, or null.

    Refusals are shares of the standstills, 0 to 1, over temperatures that both recordings hold; difference: after
    minus before. The figures' names and units are those of analysis.json's battery.
    """
    say = Language("en")
    found = compare(before, after)
    refusals = found.refusals
    sides = ("before", "after")
    return {
        "schema": SCHEMA,
        "vehicle": plain(before.vehicle),
        "platform": before.platform.id,
        "verdict": found.verdict,
        "reasons": _sentences(found.reasons, say),
        "refusals": {
            **{name: figure(getattr(refusals, name), _DIGITS) for name in (*sides, "difference")},
            "standstills": dict(zip(sides, refusals.counted, strict=True)),
            "left_out": dict(zip(sides, refusals.left_out, strict=True)),
        },
        "figures": [
            {
                "name": one.name,
                **{name: figure(getattr(one, name), _DIGITS) for name in sides},
                "change": one.change,
                "why": say.text(one.why) if one.why else None,
            }
            for one in found.figures
        ],
        "findings": [
            {
                "code": one.code,
                "title": say.text(wording(one.code).title),
                "state": one.state,
                "sure": one.sure,
                "why": say.text(one.why) if one.why else None,
            }
            for one in found.findings
        ],
        "cautions": _sentences(found.cautions, say),
    }


def _sentences(texts: Sequence[Text], say: Language) -> list[str]:
    return [say.text(text) for text in texts]
