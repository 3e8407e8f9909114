"""LDF files turned into layouts.

Source of the rules: LIN 2.2A, section 9 (node capability and description language), from memory of its grammar.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from signal_defs.databases.encodings import Encoding, number, plain, read_encodings
from signal_defs.databases.ldf_text import Statement, parse_ldf
from signal_defs.errors import DefinitionError
from signal_defs.layout import Checksum, MessageLayout, Multiplexed, SignalLayout

DIAGNOSTIC_IDENTIFIERS = (0x3C, 0x3D)


@dataclass(frozen=True, slots=True)
class _Signal:
    length: int
    is_array: bool


@dataclass(slots=True)
class _File:
    """What the sections say, by name."""

    where: str
    version: str = ""
    signals: dict[str, _Signal] = field(default_factory=dict)
    frames: list[Statement] = field(default_factory=list)
    diagnostic_frames: list[Statement] = field(default_factory=list)
    event_frames: list[Statement] = field(default_factory=list)
    encodings: dict[str, Encoding] = field(default_factory=dict)
    encoding_of: dict[str, str] = field(default_factory=dict)
    protocol_of: dict[str, str] = field(default_factory=dict)
    cycle_of: dict[str, float] = field(default_factory=dict)


def read_ldf(text: str, where: str) -> tuple[MessageLayout, ...]:
    """Every frame that has an identifier: unconditional, diagnostic, event-triggered, in this order.

    Sporadic frames have no identifier of their own: what they carry are unconditional frames. An event-triggered frame
    carries the protected identifier of the frame that answered in its first byte; its signals are multiplexed by it.
    Raises DefinitionError with the line.
    """
    file = _sections(parse_ldf(text, where), where)
    frames = [_frame(file, statement, diagnostic=False) for statement in file.frames]
    frames += [_frame(file, statement, diagnostic=True) for statement in file.diagnostic_frames]
    by_name = {frame.name: frame for frame in frames}
    return (*frames, *(_event_frame(file, statement, by_name) for statement in file.event_frames))


def _sections(statements: Sequence[Statement], where: str) -> _File:
    file = _File(where)
    if not any(statement.head == "LIN_description_file" for statement in statements):
        raise DefinitionError(
            'does not say "LIN_description_file"', where=where, mend="Name an LDF, or give the bus the kind it has."
        )
    for statement in statements:
        body = statement.body or ()
        match statement.head:
            case "LIN_protocol_version":
                file.version = statement.items()[-1]
            case "Signals" | "Diagnostic_signals":
                file.signals.update(_signal(file, entry) for entry in body)
            case "Frames":
                file.frames.extend(body)
            case "Diagnostic_frames":
                file.diagnostic_frames.extend(body)
            case "Event_triggered_frames":
                file.event_frames.extend(body)
            case "Node_attributes":
                attributes = ((node.head, entry) for node in body for entry in node.body or ())
                file.protocol_of.update((node, x.items()[-1]) for node, x in attributes if x.head == "LIN_protocol")
            case "Schedule_tables":
                file.cycle_of = _cycles(body, where)
            case "Signal_encoding_types":
                file.encodings.update(read_encodings(body, where))
            case "Signal_representation":
                for entry in body:
                    file.encoding_of.update((signal, entry.head) for signal in entry.items()[1:])
            case _:
                pass
    return file


def _signal(file: _File, entry: Statement) -> tuple[str, _Signal]:
    items = entry.items()
    if len(items) < 3:
        what = f"signal {entry.head!r} needs a size and an initial value"
        raise _fault(file, entry, what, "Write name: bits, value, publisher.")
    length = _integer(file, entry, items[1])
    if not 1 <= length <= 64:
        raise _fault(file, entry, f"signal {entry.head!r} has {length} bits", "Write a size from 1 to 64.")
    return entry.head, _Signal(length, "{" in entry.words)


def _cycles(tables: Sequence[Statement], where: str) -> dict[str, float]:
    """The longest mean period [s] a schedule table gives each frame."""
    longest: dict[str, float] = {}
    for table in tables:
        count: dict[str, int] = defaultdict(int)
        total = 0.0
        for entry in table.body or ():
            words = entry.words
            if "delay" not in words[:-1]:
                continue
            total += number(words[words.index("delay") + 1], f"{where}, line {entry.line}") / 1000.0
            count[entry.head] += 1
        for name, times in count.items():
            longest[name] = max(longest.get(name, 0.0), total / times)
    return {name: period for name, period in longest.items() if period > 0}


def _frame(file: _File, statement: Statement, *, diagnostic: bool) -> MessageLayout:
    items = statement.items()
    if len(items) < 2:
        what = f"frame {statement.head!r} has no identifier"
        raise _fault(file, statement, what, "Write name: identifier, publisher, length.")
    identifier = _integer(file, statement, items[1]) & 0x3F
    signals = tuple(_place(file, entry) for entry in statement.body or ())
    if diagnostic:
        length = 8
    elif len(items) > 3:
        length = _integer(file, statement, items[3])
    else:
        length = legacy_length(identifier)
    if not 0 <= length <= 8:
        what = f"frame {statement.head!r} is {length} bytes long"
        raise _fault(file, statement, what, "A LIN frame has 1 to 8 bytes.")
    publisher = items[2] if len(items) > 2 and not diagnostic else ""
    return MessageLayout(
        name=statement.head,
        identifier=identifier,
        length=length,
        signals=signals,
        checksum=_checksum(file, identifier, publisher),
        cycle_s=file.cycle_of.get(statement.head),
    )


def _place(file: _File, entry: Statement) -> SignalLayout:
    items = entry.items()
    known = file.signals.get(entry.head)
    if known is None:
        raise _fault(file, entry, f"signal {entry.head!r} is not defined", 'Add it to the section "Signals".')
    if len(items) < 2:
        raise _fault(file, entry, f"signal {entry.head!r} has no place", "Write its name, a comma and its first bit.")
    start = _integer(file, entry, items[1])
    if start > 63:
        raise _fault(file, entry, f"signal {entry.head!r} begins at bit {start}", "A LIN frame has the bits 0 to 63.")
    encoding = file.encodings.get(file.encoding_of.get(entry.head, ""))
    if encoding is None:
        return plain(entry.head, start, known.length, is_array=known.is_array)
    return encoding.layout(entry.head, start, known.length, is_array=known.is_array)


def _event_frame(file: _File, statement: Statement, frames: dict[str, MessageLayout]) -> MessageLayout:
    items = statement.items()
    numbers = [place for place, item in enumerate(items) if item[:1].isdigit()]
    if not numbers:
        what = f"frame {statement.head!r} has no identifier"
        raise _fault(file, statement, what, "Write one before the frames it stands for.")
    identifier = _integer(file, statement, items[numbers[0]]) & 0x3F
    responder = f"{statement.head}_responder"
    signals = [replace(plain(responder, 0, 8, is_array=False), is_multiplexer=True)]
    members = [frames[name] for name in items[numbers[0] + 1 :] if name in frames]
    for frame in members:
        by = Multiplexed(responder, ((protected(frame.identifier),) * 2,))
        signals += [replace(signal, multiplexed=by) for signal in frame.signals if signal.start >= 8]
    return MessageLayout(
        name=statement.head,
        identifier=identifier,
        length=max((frame.length for frame in members), default=1),
        signals=tuple(signals),
        checksum=members[0].checksum if members else "unknown",
        cycle_s=None,
        comment="event-triggered: " + ", ".join(frame.name for frame in members),
    )


def _checksum(file: _File, identifier: int, publisher: str) -> Checksum:
    """Classic up to LIN 1.3 and for diagnostic frames, else enhanced (LIN 2.2A, section 2.3.1.5, from memory)."""
    if identifier in DIAGNOSTIC_IDENTIFIERS:
        return "classic"
    version = file.protocol_of.get(publisher) or file.version
    if not version:
        return "unknown"
    return "classic" if version.startswith("1.") else "enhanced"


def legacy_length(identifier: int) -> int:
    """Bytes of a LIN 1.x frame that gives no length: 2, 4 or 8 by the identifier (LIN 1.3, from memory)."""
    return (2, 2, 4, 8)[identifier >> 4 & 3]


def protected(identifier: int) -> int:
    """The identifier with its two parity bits: P0 = 0^1^2^4, P1 = not(1^3^4^5) (LIN 2.2A, section 2.3.1.3)."""
    bit = [identifier >> place & 1 for place in range(6)]
    return identifier | (bit[0] ^ bit[1] ^ bit[2] ^ bit[4]) << 6 | (1 ^ bit[1] ^ bit[3] ^ bit[4] ^ bit[5]) << 7


def _integer(file: _File, entry: Statement, word: str) -> int:
    value = number(word, f"{file.where}, line {entry.line}")
    if not 0 <= value < 1 << 32 or value != int(value):
        raise _fault(file, entry, f"{word} is out of place", "Write a whole number that is not negative.")
    return int(value)


def _fault(file: _File, entry: Statement, what: str, mend: str) -> DefinitionError:
    return DefinitionError(what, where=f"{file.where}, line {entry.line}", mend=mend)
