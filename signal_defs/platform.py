"""A platform: what its buses carry, which signal plays which role, its battery, and when idle-stop is allowed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from signal_defs.layout import BusKind, MessageLayout, SignalLayout
from signal_defs.roles import Role

BatteryType = Literal["flooded", "efb", "agm"]
Group = Literal["safety", "engine", "comfort", "electrical", "driver", "fault"]
Scope = Literal["stop", "restart", "both"]
CrankStandard = Literal["EN", "SAE", "IEC", "DIN"]
Profile = Literal["e2e_1", "e2e_2", "e2e_5", "j1850"]
Inclusion = Literal["both", "alternating", "low"]


@dataclass(frozen=True, slots=True)
class Database:
    """A database file as read: name in the platform folder and SHA-256 of its bytes."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus. channels: what loggers call it; empty where the identifiers decide."""

    name: str
    kind: BusKind
    channels: tuple[str, ...]
    messages: tuple[MessageLayout, ...]
    databases: tuple[Database, ...] = ()

    def message(self, name: str) -> MessageLayout:
        """The message of that name; KeyError if there is none."""
        for message in self.messages:
            if message.name == name:
                return message
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Binding:
    """A role and the signal that plays it.

    Role value = sign * (physical * scale + offset); scale and offset come on top of the database's.
    sign: -1 where the platform counts discharge as positive. true_when: names or raw values that mean true (flags).
    invalid: raw values of the signal that mean "not available", beside the database's own.
    """

    role: Role
    bus: str
    message: str
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    sign: int = 1
    true_when: tuple[str | int, ...] = ()
    invalid: tuple[int, ...] = ()

    @property
    def source(self) -> str:
        """As platform.toml writes it: bus/message.signal."""
        return f"{self.bus}/{self.message}.{self.signal}"


def signal_of(binding: Binding, buses: Iterable[Bus]) -> SignalLayout:
    """The layout a binding names, of several messages of one name the first that has it; the loader found it."""
    of_bus = (message for bus in buses if bus.name == binding.bus for message in bus.messages)
    found = (one for message in of_bus if message.name == binding.message for one in message.signals)
    return next(one for one in found if one.name == binding.signal)


@dataclass(frozen=True, slots=True)
class Battery:
    """The battery fitted. capacity_nominal: C/20 at 25 degC [Ah]. cold_cranking_a: rating [A] after the standard.

    ocv_v: (SoC %, V at 25 degC) pairs, rising; empty for the type's own curve.
    """

    type: BatteryType
    capacity_nominal: float
    cold_cranking_a: float | None = None
    cold_cranking_standard: CrankStandard | None = None
    ocv_v: tuple[tuple[float, float], ...] = ()


UNKNOWN_BATTERY = Battery("flooded", math.nan)  # stands in where a platform is needed for its signals alone


@dataclass(frozen=True, slots=True)
class Condition:
    """One rule that must hold for idle-stop. Exactly one of at_least, at_most, equals is given.

    hysteresis: in the role's unit; once not met, the value must pass the threshold by this much to be met again.
    for_s: how long the value must hold before the rule counts as met [s].
    applies_to: "stop" refuses a stop, "restart" ends one, "both" does both.
    source: where the rule comes from, as the platform says; may be empty.
    """

    name: str
    group: Group
    role: str
    at_least: float | None = None
    at_most: float | None = None
    equals: bool | str | None = None
    hysteresis: float = 0.0
    for_s: float = 0.0
    applies_to: Scope = "stop"
    source: str = ""


@dataclass(frozen=True, slots=True)
class IdleStopRules:
    """How this platform decides. Defaults: published examples and common practice, see the README of signal_defs.

    standing_kmh: at or below it the vehicle stands. stop_delay_s: from standing to the decision.
    min_standstill_s: shorter standstills are not opportunities. re_arm_kmh, re_arm_s: speed to be exceeded since the
    last start, and for how long, before a stop is sought again. max_stop_s: longest stop the system allows.
    restart_max_s, restart_min_v: what a good restart keeps to. idle_fuel_l_per_h: fuel burnt at idle. None: not given.
    """

    conditions: tuple[Condition, ...] = ()
    standing_kmh: float = 0.5
    stop_delay_s: float = 1.5
    min_standstill_s: float = 2.0
    re_arm_kmh: float = 4.0
    re_arm_s: float = 2.0
    max_stop_s: float | None = None
    restart_max_s: float | None = None
    restart_min_v: float | None = None
    idle_fuel_l_per_h: float | None = None


@dataclass(frozen=True, slots=True)
class Golden:
    """One frame and what it must decode to: payload `data` of `identifier` on `bus` gives these role values.

    A number is in the role's unit, a flag true or false, a state its text; None means that the value is not available.
    """

    bus: str
    identifier: int
    data: bytes
    roles: Mapping[str, float | bool | str | None]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Protection:
    """How a message is protected in its payload.

    profile: AUTOSAR E2E profile 1, 2 or 5, or a CRC-8 SAE J1850 over all bytes but its own. data_ids: one (16 bits) for
    profiles 1 and 5, sixteen (8 bits) for profile 2, none for j1850. inclusion: how profile 1 takes its data id in.
    crc_byte, counter: for j1850 where the checksum stands, and the signal that counts frames; "" for none.
    max_delta: the largest step of the counter without loss.
    """

    bus: str
    message: str
    profile: Profile
    data_ids: tuple[int, ...] = ()
    inclusion: Inclusion = "both"
    crc_byte: int = 0
    counter: str = ""
    max_delta: int = 1


@dataclass(frozen=True, slots=True)
class Platform:
    """A platform folder, read and validated. sha256: over platform.toml and every database it names.

    extends: the folders laid under this one, nearest first; empty if it stands by itself.
    """

    id: str
    title: str
    buses: tuple[Bus, ...]
    bindings: Mapping[str, Binding]
    battery: Battery
    idle_stop: IdleStopRules = field(default_factory=IdleStopRules)
    version: str = ""
    sha256: str = ""
    folder: Path | None = None
    sources: tuple[str, ...] = ()
    golden: tuple[Golden, ...] = ()
    extends: tuple[str, ...] = ()
    protections: tuple[Protection, ...] = ()

    def bus(self, name: str) -> Bus:
        """The bus of that name; KeyError if there is none."""
        for bus in self.buses:
            if bus.name == name:
                return bus
        raise KeyError(name)
