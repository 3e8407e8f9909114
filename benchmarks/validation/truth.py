"""A truth: what a battery really did, on the instants it was computed at, and its file."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from decoder.frames import FloatArray, Int64Array
from signal_defs.platform import Battery

VERSION = 1
ASLEEP, AWAKE, CRANKING, RUNNING, IDLE_STOP = range(5)
BatteryKind = Literal["flooded", "efb", "agm"]


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """One battery's history.

    time_s: (n,) end of each step, rising [s]. current: (n,) mean over the step [A]. voltage: (n,) at its end [V].
    temperature: (n,) of the acid [degC]. soc: (n,) charge left of the present C/20 capacity [%]. phase: (n,) one of
    the constants above. capacity_ah: present C/20 capacity at 25 degC to 10.5 V. resistance_mohm: at 25 degC and full
    charge, of the reference crank. curve: (charge [%], rested voltage [V]) at 25 degC. It is that of
    the battery when new, which a platform would know. cold_cranking_a: the same [A].
    """

    name: str
    kind: BatteryKind
    rated: float
    time_s: FloatArray
    current: FloatArray
    voltage: FloatArray
    temperature: FloatArray
    soc: FloatArray
    phase: Int64Array
    capacity_ah: float
    resistance_mohm: float
    curve: tuple[tuple[float, float], ...]
    cold_cranking_a: float

    def battery(self, *, own_curve: bool = True) -> Battery:
        """As a platform would describe it; cold-cranking current by the rule 2.7 V over the resistance when new."""
        return Battery(
            self.kind,
            self.rated,
            cold_cranking_a=self.cold_cranking_a,
            cold_cranking_standard="EN",
            ocv_v=self.curve if own_curve else (),
        )


STEPS = {"time_s": 1e3, "current": 1e3, "voltage": 1e4, "temperature": 1e2, "soc": 1e3}


def save_truth(truth: Truth, path: Path) -> None:
    """Write a truth, its columns as differences of whole steps (0.1 mV, 1 mA, 1 ms ...), compressed."""
    columns = {
        name: np.diff(np.round(getattr(truth, name) * scale).astype(np.int64), prepend=0).astype(np.int32)
        for name, scale in STEPS.items()
    }
    facts = {
        "version": VERSION,
        "name": truth.name,
        "kind": truth.kind,
        "rated": truth.rated,
        "capacity_ah": truth.capacity_ah,
        "resistance_mohm": truth.resistance_mohm,
        "curve": truth.curve,
        "cold_cranking_a": truth.cold_cranking_a,
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    bytewise = {name: column.view(np.uint8).reshape(-1, 4).T.copy() for name, column in columns.items()}
    facts_bytes = np.frombuffer(json.dumps(facts).encode(), dtype=np.uint8)
    with path.open("wb") as file:
        np.savez_compressed(file, facts=facts_bytes, phase=truth.phase.astype(np.uint8), **bytewise)


def load_truth(path: Path) -> Truth:
    """Read a truth that `save_truth` wrote."""
    with np.load(path, allow_pickle=False) as file:
        facts = json.loads(file["facts"].tobytes())
        columns: dict[str, Any] = {
            name: np.cumsum(np.ascontiguousarray(file[name].T).view(np.int32).ravel().astype(np.int64)) / scale
            for name, scale in STEPS.items()
        }
        phase = file["phase"].astype(np.int64)
    if facts.pop("version") != VERSION:
        raise ValueError(f"{path}: written by another version; remove it and make it anew")
    facts["curve"] = tuple((float(soc), float(volts)) for soc, volts in facts["curve"])
    return Truth(phase=phase, **columns, **facts)


def long_rests(truth: Truth, hours: float = 4.0) -> list[tuple[float, float]]:
    """Begin and end [s] of each stretch with the engine off and nothing but small draw for so many hours."""
    quiet = (truth.phase == ASLEEP).astype(np.int8)
    edges = np.flatnonzero(np.diff(quiet, prepend=0, append=0))
    spans = [(truth.time_s[max(a - 1, 0)], truth.time_s[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [(float(a), float(b)) for a, b in _joined(spans) if b - a >= hours * 3600.0]


def _joined(spans: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans with breaks of up to five minutes (wake-ups) bridged."""
    out: list[tuple[float, float]] = []
    for begin, end in spans:
        if out and begin - out[-1][1] <= 300.0:
            out[-1] = (out[-1][0], end)
        else:
            out.append((begin, end))
    return out
