"""The thresholds of a platform as the decisions of the whole fleet show them."""

from __future__ import annotations

from typing import Any

import numpy as np

from fleet.store import Store
from idle_stop.decisions import Decisions
from idle_stop.thresholds import LearnedRules, learn_thresholds
from signal_defs.errors import UsageError
from signal_defs.platform import Platform

_COLUMNS = ("recording", "time", "t_s", "stopped", "value_low", "value_high", "lowest", "highest")


def learn_from_store(store: Store, platform: Platform) -> LearnedRules:
    """Learn from every recording in the store that was read with just this definition.

    Raises UsageError where there is none.
    """
    heads = store.read("recordings", ["recording", "platform_sha256"]).to_pylist()
    wanted = {row["recording"] for row in heads if row["platform_sha256"] == platform.sha256}
    columns = [*_COLUMNS, "state", "told", "hidden", "step"]
    cases: dict[str, list[dict[str, Any]]] = {}
    for row in store.read("decisions", columns).to_pylist():
        if row["recording"] in wanted:
            cases.setdefault(row["recording"], []).append(row)
    if not cases:
        raise UsageError(
            f"No decision in the store was read with this definition of {platform.id}.",
            where=store.url,
            mend="Add logs with it: idlewhy fleet add LOG... --platform FOLDER",
        )
    return learn_thresholds([_decisions(cases[key], platform) for key in sorted(cases)])


def _decisions(rows: list[dict[str, Any]], platform: Platform) -> Decisions:
    conditions = tuple(one for one in platform.idle_stop.conditions if one.applies_to != "restart")

    def numbers(name: str) -> Any:
        return np.array([row[name] for row in rows], dtype=np.float64).reshape(len(rows), len(conditions))

    return Decisions(
        conditions=conditions,
        time_ns=np.array([round(row["t_s"] * 1e9) for row in rows], dtype=np.int64),
        stopped=np.array([row["stopped"] for row in rows], dtype=np.bool_),
        value_low=numbers("value_low"),
        value_high=numbers("value_high"),
        lowest=numbers("lowest"),
        highest=numbers("highest"),
        state=numbers("state").astype(np.int8),
        told=numbers("told").astype(np.bool_),
        hidden=np.array([row["hidden"] for row in rows], dtype=np.bool_),
        step=np.array(rows[0]["step"], dtype=np.float64),
    )
