"""LIN frames that a log holds as CAN frames: what a LIN interface looks like as a network device."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Final

import numpy as np

from decoder.frames import Flag, FrameBatch
from decoder.lin import MAX_IDENTIFIER, parity_ok

ANSWER_WITHIN_NS: Final = 100_000_000  # a response follows its header within one slot; common practice, no source


def as_lin(batch: FrameBatch, channels: Collection[int]) -> FrameBatch:
    """The batch with the frames on those channels marked as LIN frames.

    There an 11-bit identifier is the LIN identifier, or the protected one where it is over 0x3F (then its parity is
    checked), a remote frame is a header, and an extended identifier configures the interface. A header becomes
    NO_RESPONSE unless the channel's next frame is its response; answered headers stay remote frames.
    Source: the convention of LIN interfaces as network devices, from memory.
    """
    on = np.isin(batch.channel, list(channels)) & ((batch.flags & Flag.LIN) == 0)
    extended = (batch.flags & Flag.EXTENDED) != 0
    on &= extended | (batch.identifier <= 0xFF)
    if not on.any():
        return batch
    flags = batch.flags.copy()
    identifier = batch.identifier.copy()
    flags[on] |= np.uint16(Flag.LIN)
    protected = on & ~extended & (identifier > MAX_IDENTIFIER)
    if protected.any():
        flags[protected & ~parity_ok(identifier & 0xFF)] |= np.uint16(Flag.ERROR | Flag.BAD_PARITY)
        identifier[protected] &= MAX_IDENTIFIER
    header = on & ~extended & ((flags & Flag.REMOTE) != 0)
    for channel in channels if header.any() else ():
        rows = np.flatnonzero(on & ~extended & (batch.channel == channel))
        follows = np.zeros(len(rows), np.bool_)
        follows[:-1] = (
            (identifier[rows[1:]] == identifier[rows[:-1]])
            & ~header[rows[1:]]
            & (np.diff(batch.time_ns[rows]) <= ANSWER_WITHIN_NS)
        )
        mute = rows[header[rows] & ~follows]
        flags[mute] = (flags[mute] & np.uint16(0xFFFF ^ Flag.REMOTE)) | np.uint16(Flag.ERROR | Flag.NO_RESPONSE)
    return replace(batch, flags=flags, identifier=identifier)
