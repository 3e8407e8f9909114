"""Golden frames: checked against what the platform decodes today, and drawn from a log for review."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from decoder.collect import Samples, role_samples
from decoder.frames import ByteArray, FrameBatch, Int64Array
from decoder.logs import ReadOptions
from decoder.route import UNKNOWN, MessageIndex
from decoder.unpack import unpack
from idlewhy.platform_kit.traffic import routed_frames
from signal_defs.check_finding import CheckFinding
from signal_defs.errors import LogError
from signal_defs.golden import NOT_AVAILABLE
from signal_defs.layout import MessageLayout
from signal_defs.platform import Golden, Platform, signal_of
from signal_defs.scaffold_text import comment, quoted
from signal_defs.text import Text

Value = float | bool | str | None
EARLY_FRAMES = 20_000  # of each message; the frames shown are chosen among these


def check_golden(platform: Platform) -> tuple[CheckFinding, ...]:
    """An error for every golden frame that does not give the values written for it."""
    found: list[CheckFinding] = []
    index = MessageIndex(platform.buses)
    for place, golden in enumerate(platform.golden):
        where = f"platform.toml, [[golden]] {place + 1}"
        message = _message_of(index, platform, golden)
        if message is None:
            said = Text("bus {bus} has no message 0x{id:X}", {"bus": golden.bus, "id": golden.identifier})
            found.append(_finding(where, said))
            continue
        values = frame_values(platform, golden.bus, message, golden.data)
        found += [_finding(where, said) for said in _differences(platform, golden, values, message)]
    return tuple(found)


def _finding(where: str, said: Text) -> CheckFinding:
    mend = Text("Compare frame, database and binding with their source; one of them was changed or is wrong.")
    return CheckFinding("golden", "error", where, said, mend)


def _message_of(index: MessageIndex, platform: Platform, golden: Golden) -> MessageLayout | None:
    number = [bus.name for bus in platform.buses].index(golden.bus)
    for extended in (golden.identifier > 0x7FF, True):
        target = index.find(number, golden.identifier, extended, False)
        if target != UNKNOWN:
            return index.targets[target].message
    return None


def _differences(
    platform: Platform, golden: Golden, values: Mapping[str, Value], message: MessageLayout
) -> Iterator[Text]:
    for role, wanted in golden.roles.items():
        if role not in platform.bindings:
            continue
        if role not in values:
            yield Text("{role} is not in message {message}", {"role": role, "message": message.name})
            continue
        got = values[role]
        if not _same(wanted, got, _half_step(platform, role)):
            words = {"role": role, "got": shown(got), "wanted": shown(wanted)}
            yield Text("{role} decodes to {got}, not to {wanted}", words)


def _half_step(platform: Platform, role: str) -> float:
    binding = platform.bindings[role]
    return abs(signal_of(binding, platform.buses).scale * binding.scale) / 2


def _same(wanted: Value, got: Value, half_step: float) -> bool:
    if wanted is None or got is None or isinstance(wanted, str) or isinstance(got, str):
        return wanted == got
    return abs(float(wanted) - float(got)) <= max(half_step, 1e-9 * abs(float(wanted))) * (1 + 1e-9)


def shown(value: Value) -> str:
    """A value as TOML writes it."""
    if value is None:
        return quoted(NOT_AVAILABLE)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    text = f"{value:.9g}"
    return text if any(mark in text for mark in ".en") else f"{text}.0"


def frame_values(platform: Platform, bus: str, message: MessageLayout, data: bytes) -> dict[str, Value]:
    """Every role that a payload of a message carries; None where it is not available."""
    payload = np.frombuffer(data, np.uint8).reshape(1, -1)
    columns = _columns(platform, bus, message, payload, np.array([len(data)], np.uint8))
    return {role: _value(platform, role, samples, 0) for role, samples in columns.items() if _has(samples, 0)}


def _columns(
    platform: Platform, bus: str, message: MessageLayout, payload: ByteArray, length: ByteArray
) -> dict[str, Samples]:
    layouts = {signal.name: signal for signal in message.signals}
    own = {
        role: binding
        for role, binding in platform.bindings.items()
        if (binding.bus, binding.message) == (bus, message.name) and binding.signal in layouts
    }
    unpacked = unpack(message, payload, length, {one.signal for one in own.values()})
    return {role: role_samples(one, layouts[one.signal], unpacked[one.signal]) for role, one in own.items()}


def _row(samples: Samples, frame: int) -> int:
    """The sample of a frame; -1 where the frame carries none."""
    if samples.rows is None:
        return frame if frame < len(samples.value) else -1
    row = int(np.searchsorted(samples.rows, frame))
    return row if row < len(samples.rows) and samples.rows[row] == frame else -1


def _has(samples: Samples, frame: int) -> bool:
    return _row(samples, frame) >= 0


def _value(platform: Platform, role: str, samples: Samples, frame: int) -> Value:
    row = _row(samples, frame)
    if row < 0 or not samples.valid[row]:
        return None
    value, binding = float(samples.value[row]), platform.bindings[role]
    if binding.role.kind == "flag":
        return value > 0
    if binding.role.kind == "state":
        return signal_of(binding, platform.buses).choices.get(int(value), value)
    return value


@dataclass(slots=True)
class _Seen:
    """The first frames of one message."""

    bus: str
    message: MessageLayout
    identifier: int
    time_ns: list[Int64Array] = field(default_factory=list)
    payload: list[ByteArray] = field(default_factory=list)
    length: list[ByteArray] = field(default_factory=list)
    count: int = 0

    def add(self, batch: FrameBatch, rows: Int64Array) -> None:
        """Keep the frames of a batch as long as there are few."""
        early = rows[: EARLY_FRAMES - self.count]
        if len(early):
            self.count += len(early)
            self.time_ns.append(batch.time_ns[early])
            self.payload.append(batch.payload[early])
            self.length.append(batch.length[early])


def golden_frames(
    platform: Platform, logs: Sequence[str | Path], *, each: int = 3, options: ReadOptions | None = None
) -> tuple[Golden, ...]:
    """Frames that show what each bound message can say: the extremes of its roles and what is not available.

    each: frames of a message at most. Raises LogError if a log cannot be read or none holds a bound message.
    """
    entries: list[Golden] = []
    for path in logs:
        for seen in _first_frames(path, platform, options):
            if all((seen.bus, seen.identifier) != (one.bus, one.identifier) for one in entries):
                entries += _chosen(platform, seen, each, Path(path).name)
    if not entries:
        raise LogError(
            "No message with a bound role is in the logs.",
            where=", ".join(Path(path).name for path in logs),
            mend="Look with idlewhy inspect which identifiers they hold.",
        )
    return tuple(entries)


def _first_frames(path: str | Path, platform: Platform, options: ReadOptions | None) -> list[_Seen]:
    index = MessageIndex(platform.buses)
    bound = {(binding.bus, binding.message) for binding in platform.bindings.values()}
    seen: dict[int, _Seen] = {}
    for routed, target, rows in routed_frames(path, index, options):
        found = index.targets[target]
        bus = index.buses[found.bus].name
        if (bus, found.message.name) in bound:
            identifier = int(routed.batch.identifier[rows[0]])
            seen.setdefault(target, _Seen(bus, found.message, identifier)).add(routed.batch, rows)
    return [seen[target] for target in sorted(seen)]


def _chosen(platform: Platform, seen: _Seen, each: int, log: str) -> list[Golden]:
    payload, length = np.concatenate(seen.payload), np.concatenate(seen.length)
    time_ns = np.concatenate(seen.time_ns)
    columns = _columns(platform, seen.bus, seen.message, payload, length)
    golden: list[Golden] = []
    for frame in _telling(columns, each):
        size = min(int(length[frame]), seen.message.length)
        values = {role: _value(platform, role, s, frame) for role, s in columns.items() if _has(s, frame)}
        if values:
            note = f"{log}, {(time_ns[frame] - time_ns[0]) / 1e9:.3f} s after its first; not reviewed yet"
            data = bytes(payload[frame, :size].tolist())
            golden.append(Golden(seen.bus, seen.identifier, data, values, note))
    return golden


def _telling(columns: Mapping[str, Samples], each: int) -> list[int]:
    """Frames with the lowest and the highest value of each role, then those with something not available."""
    ends: list[int] = []
    missing: list[int] = []
    for samples in columns.values():
        frames = np.arange(len(samples.value)) if samples.rows is None else samples.rows
        valid = np.flatnonzero(samples.valid)
        if len(valid):
            values = samples.value[valid]
            ends += [int(frames[valid[int(at)]]) for at in (np.argmin(values), np.argmax(values))]
        missing += [int(frame) for frame in frames[~samples.valid][:1]]
    ordered = dict.fromkeys([*ends[:1], *missing[:1], *ends[1:], *missing])
    return sorted(list(ordered)[:each])


def golden_text(entries: Sequence[Golden]) -> str:
    """[[golden]] tables as TOML."""
    lines = [comment("Golden frames, to be reviewed: compare each value with another source, then keep it.")]
    for one in entries:
        roles = ", ".join(f"{role} = {shown(_plain(value))}" for role, value in one.roles.items())
        lines += ["", "[[golden]]", f"bus = {quoted(one.bus)}", f"identifier = 0x{one.identifier:X}"]
        lines += [f'data = "{one.data.hex(" ").upper()}"', f"roles = {{ {roles} }}", f"note = {quoted(one.note)}"]
    return "\n".join(lines) + "\n"


def _plain(value: Value) -> Value:
    return round(value, 9) if isinstance(value, float) and math.isfinite(value) else value
