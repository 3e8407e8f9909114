"""LIN's own safeguards: identifier parity and the two kinds of checksum, one frame or a whole column at a time.

Source: LIN 2.2A §2.3.1 (protected identifier, checksum), as quoted by public documentation of an open LIN codec and by
public microcontroller manuals; the clause numbers are from memory.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray
from signal_defs.layout import Checksum

DIAGNOSTIC: Final = (0x3C, 0x3D)  # commander request and responder response: always classic
MAX_IDENTIFIER: Final = 0x3F

# What a frame's checksum byte says of it.
NEITHER: Final = 0
CLASSIC: Final = 1
ENHANCED: Final = 2
NOT_LOGGED: Final = 3  # the log has no checksum byte: nothing to object to


def protect(identifier: int) -> int:
    """The protected identifier: six identifier bits, P0 in bit 6, P1 in bit 7. Raises ValueError outside 0..0x3F."""
    if not 0 <= identifier <= MAX_IDENTIFIER:
        raise ValueError(f"a LIN identifier has six bits, {identifier:#x} has more")
    bit = [(identifier >> n) & 1 for n in range(6)]
    p0 = bit[0] ^ bit[1] ^ bit[2] ^ bit[4]
    p1 = 1 ^ bit[1] ^ bit[3] ^ bit[4] ^ bit[5]
    return identifier | p0 << 6 | p1 << 7


PROTECTED: Final[ByteArray] = np.array([protect(identifier) for identifier in range(64)], np.uint8)


def protect_column(identifier: NDArray[np.integer]) -> ByteArray:
    """The protected identifier of each identifier (only its six lowest bits count): (n,) uint8."""
    return np.asarray(PROTECTED[identifier & MAX_IDENTIFIER])


def parity_ok(pid: NDArray[np.integer]) -> BoolArray:
    """Whether each protected identifier has the right parity: (n,)."""
    return np.asarray(PROTECTED[pid & MAX_IDENTIFIER] == pid)


def checksum_classic(data: bytes) -> int:
    """Inverted eight-bit sum with carry over the data bytes."""
    return _inverted(sum(data))


def checksum_enhanced(pid: int, data: bytes) -> int:
    """Inverted eight-bit sum with carry over protected identifier and data bytes."""
    return _inverted(pid + sum(data))


def _inverted(total: int) -> int:
    # adding with carry keeps the sum modulo 255, and is 0 only if every byte is 0
    return 0xFF - (total and 1 + (total - 1) % 255)


def checksum_classic_column(payload: ByteArray) -> ByteArray:
    """Classic checksum of each row: (n,) uint8. payload: (n, width), zero past the frame's length."""
    return _inverted_column(payload.sum(axis=1, dtype=np.uint32))


def checksum_enhanced_column(pid: ByteArray, payload: ByteArray) -> ByteArray:
    """Enhanced checksum of each row: (n,) uint8. payload: (n, width), zero past the frame's length."""
    return _inverted_column(payload.sum(axis=1, dtype=np.uint32) + pid)


def _inverted_column(total: NDArray[np.uint32]) -> ByteArray:
    carried = np.where(total > 0, 1 + (total.astype(np.int64) - 1) % 255, 0)
    return (0xFF - carried).astype(np.uint8)


def checksum_verdicts(
    identifier: NDArray[np.integer], payload: ByteArray, checksum: NDArray[np.integer] | None
) -> ByteArray:
    """Which checksum each frame keeps: NEITHER, CLASSIC, ENHANCED or NOT_LOGGED, (n,) uint8.

    identifier: (n,) six bits. payload: (n, width), zero past length. checksum: (n,) the byte, -1 where not logged; None
    if the log has none. The two kinds never agree on one frame: no protected identifier is a multiple of 255.
    """
    if checksum is None:
        return np.full(len(identifier), NOT_LOGGED, np.uint8)
    classic = checksum_classic_column(payload) == checksum
    enhanced = checksum_enhanced_column(protect_column(identifier), payload) == checksum
    verdict = np.where(classic, CLASSIC, np.where(enhanced, ENHANCED, NEITHER))
    return np.where(checksum < 0, NOT_LOGGED, verdict).astype(np.uint8)


def settle_kind(identifier: int, classic: int, enhanced: int, defined: Checksum = "unknown") -> Checksum:
    """The checksum kind of one identifier, from its frames that keep either kind and the definition.

    classic, enhanced: frames of each. The majority decides; the definition settles a tie, and so does the LIN 2
    standard (enhanced) where the definition is silent. Diagnostic identifiers are always classic.
    """
    if identifier in DIAGNOSTIC:
        return "classic"
    if classic != enhanced:
        return "classic" if classic > enhanced else "enhanced"
    if defined != "unknown":
        return defined
    return "enhanced" if classic else "unknown"


def keeps(verdict: ByteArray, kind: Checksum) -> BoolArray:
    """Whether each frame is sound when its identifier uses that kind: (n,)."""
    good = verdict == NOT_LOGGED
    if kind != "enhanced":
        good |= verdict == CLASSIC
    if kind != "classic":
        good |= verdict == ENHANCED
    return np.asarray(good)
