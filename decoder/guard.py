"""Messages that are protected in their payload: which of their frames are what was sent, and new."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, ByteArray
from decoder.protection import (
    COUNTER_STATES,
    CRC8_J1850,
    Protected,
    check_profile_1,
    check_profile_2,
    check_profile_5,
    counter_states,
)
from decoder.route import MessageIndex
from decoder.unpack import unpack
from signal_defs.layout import MessageLayout
from signal_defs.platform import Protection

_OK, _REPEATED, _WRONG = (np.uint8(COUNTER_STATES.index(one)) for one in ("ok", "repeated", "wrong"))


def check_protection(protection: Protection, message: MessageLayout, payload: ByteArray) -> Protected:
    """What a message's protection says of its frames. payload: (n, message.length) in order of time."""
    length, ids, delta = message.length, protection.data_ids, protection.max_delta
    if protection.profile == "e2e_1":
        return check_profile_1(payload, length, ids[0], inclusion=protection.inclusion, max_delta=delta)
    if protection.profile == "e2e_2":
        return check_profile_2(payload, length, ids, max_delta=delta)
    if protection.profile == "e2e_5":
        return check_profile_5(payload, length, ids[0], max_delta=delta)
    return _check_j1850(protection, message, payload)


def _check_j1850(protection: Protection, message: MessageLayout, payload: ByteArray) -> Protected:
    """CRC-8 SAE J1850 over all bytes but its own, and the counter where a signal is one."""
    rest = np.delete(payload, protection.crc_byte, axis=1)
    ok = np.asarray(CRC8_J1850.column(rest) == payload[:, protection.crc_byte])
    if not protection.counter:
        return Protected(ok, np.zeros(len(ok), np.int64), np.where(ok, _OK, _WRONG))
    lengths = np.full(len(payload), message.length, np.uint8)
    signal = message.signal(protection.counter)
    counter = unpack(message, payload, lengths, {signal.name})[signal.name].raw.astype(np.int64)
    state = np.full(len(ok), _WRONG)
    state[ok] = counter_states(counter[ok], 1 << signal.length, protection.max_delta)
    return Protected(ok, counter, state)


@dataclass(slots=True)
class Guard:
    """Follows one protected message through a log."""

    protection: Protection
    message: MessageLayout
    _log: int = -1
    _last: ByteArray | None = None

    def sound(self, payload: ByteArray, length: ByteArray, log: int, rejected: Counter[str]) -> BoolArray:
        """Which frames to use: (n,). Others are counted in `rejected`, by why.

        payload, length: of all of the message's frames in a batch, in order. log: number of the log they are of.
        A frame that ends before its definition does cannot be checked; one whose counter stands still holds old values.
        """
        keep: BoolArray = length >= self.message.length
        rows = np.flatnonzero(keep)
        whole = payload[rows, : self.message.length]
        before = self._last if self._log == log and self._last is not None else whole[:0]
        state = check_protection(self.protection, self.message, np.concatenate([before, whole])).state[len(before) :]
        keep[rows[(state == _WRONG) | (state == _REPEATED)]] = False
        good = rows[state != _WRONG]
        if len(good):
            self._log, self._last = log, payload[good[-1:], : self.message.length]
        for kind, count in (
            ("payload_short", len(length) - len(rows)),
            ("payload_checksum", int(np.count_nonzero(state == _WRONG))),
            ("payload_counter", int(np.count_nonzero(state == _REPEATED))),
        ):
            if count:
                rejected[kind] += count
        return keep


def guards_of(index: MessageIndex, protections: Iterable[Protection]) -> dict[int, Guard]:
    """The guard of every protected message, by its number."""
    declared = {(one.bus, one.message): one for one in protections}
    guards = {}
    for number, target in enumerate(index.targets):
        protection = declared.get((index.buses[target.bus].name, target.message.name))
        if protection is not None:
            guards[number] = Guard(protection, target.message)
    return guards
