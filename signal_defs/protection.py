"""The [[protection]] tables: messages that carry a checksum or a counter in their payload."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast, get_args

from signal_defs.definition import Definition
from signal_defs.faults import Faults, suggest
from signal_defs.keys import PROTECTION
from signal_defs.layout import MessageLayout
from signal_defs.platform import Bus, Inclusion, Profile, Protection
from signal_defs.section import Section, show

_IDS = {"e2e_1": ("data_id", 1, 0xFFFF), "e2e_2": ("data_ids", 16, 0xFF), "e2e_5": ("data_id", 1, 0xFFFF)}
_HEAD = {"e2e_1": 2, "e2e_2": 2, "e2e_5": 3, "j1850": 1}  # bytes that checksum and counter take


def read_protections(definition: Definition, buses: Sequence[Bus], faults: Faults) -> tuple[Protection, ...]:
    """Every protection that could be read; what is wrong is among the faults."""
    read: list[Protection] = []
    for section in definition.top(faults).each("protection", "[[protection]]"):
        one = _read_one(section, buses)
        if one is None:
            continue
        if any((one.bus, one.message) == (other.bus, other.message) for other in read):
            section.fault("message", f"{one.message} is protected twice", "Keep one of the two tables.")
            continue
        read.append(one)
    return tuple(read)


def _read_one(section: Section, buses: Sequence[Bus]) -> Protection | None:
    section.check_keys(PROTECTION)
    bus_name = section.choice("bus", [bus.name for bus in buses], required=True)
    message_name = section.text("message", required=True)
    profile = cast("Profile | None", section.choice("profile", get_args(Profile), required=True))
    inclusion = cast("Inclusion | None", section.choice("inclusion", get_args(Inclusion), default="both"))
    max_delta = _whole(section, "max_delta", 1, 1, 254)
    crc_byte = _whole(section, "crc_byte", 0, 0, 63)
    counter = section.text("counter", default="") or ""
    bus = next((bus for bus in buses if bus.name == bus_name), None)
    if bus is None or message_name is None or profile is None:
        return None
    _check_fit(section, profile)
    data_ids = _data_ids(section, profile)
    message = _message(section, bus, message_name)
    if message is None or data_ids is None or max_delta is None or crc_byte is None or inclusion is None:
        return None
    if message.length <= _HEAD[profile] or (profile == "j1850" and crc_byte >= message.length):
        section.fault("profile", f"{message_name} has {message.length} bytes: too short", "Compare with the database.")
        return None
    if counter and not _counts(section, message, counter):
        return None
    return Protection(bus.name, message_name, profile, data_ids, inclusion, crc_byte, counter, max_delta)


def _counts(section: Section, message: MessageLayout, name: str) -> bool:
    """Whether the message has a counter of that name: a whole number that every frame carries."""
    signal = next((signal for signal in message.signals if signal.name == name), None)
    if signal is None:
        names = [signal.name for signal in message.signals]
        mend = suggest(name, names, "Name its counter.")
        section.fault("counter", f"{message.name} has no signal {name!r}", mend)
        return False
    if signal.multiplexed is not None or signal.is_float or signal.is_bytes or signal.signed or signal.length > 32:
        said = f"{name} cannot count: it is signed, multiplexed, over 32 bits, or no whole number"
        section.fault("counter", said, "Name the signal that counts the frames.")
        return False
    return True


def _check_fit(section: Section, profile: str) -> None:
    """Note keys that another profile has."""
    own = {"bus", "message", "profile", "max_delta"}
    own |= {"crc_byte", "counter"} if profile == "j1850" else {_IDS[profile][0]}
    own |= {"inclusion"} if profile == "e2e_1" else set()
    for key in section.table:
        if key in PROTECTION and key not in own:
            section.fault(key, f"{profile} has no {key}", f"Take {key} out.")


def _data_ids(section: Section, profile: str) -> tuple[int, ...] | None:
    if profile not in _IDS:
        return ()
    key, count, most = _IDS[profile]
    value = section.table.get(key)
    values = [value] if key == "data_id" else value
    wanted = f"{count} whole numbers from 0 to {most}" if count > 1 else f"a whole number from 0 to {most}"
    if not isinstance(values, list) or len(values) != count or not all(_is_whole(item, most) for item in values):
        said = f"{key} is missing" if value is None else f"{key} is {show(value)}"
        section.fault(key if value is not None else "", said, f"Write {key} = {wanted}.")
        return None
    return tuple(values)


def _is_whole(value: object, most: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= most


def _whole(section: Section, key: str, default: int, low: int, high: int) -> int | None:
    value = section.table.get(key, default)
    if not _is_whole(value, high) or value < low:
        section.fault(key, f"{key} is {show(value)}", f"Write a whole number from {low} to {high}.")
        return None
    return int(value)


def _message(section: Section, bus: Bus, name: str) -> MessageLayout | None:
    for message in bus.messages:
        if message.name == name:
            return message
    names = [message.name for message in bus.messages]
    if names:
        section.fault("message", f"bus {bus.name!r} has no message {name!r}", suggest(name, names, "Name one it has."))
    return None
