"""Protected identifiers and checksums of LIN frames, for whole columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def protected_identifier(identifier: NDArray[np.uint32]) -> NDArray[np.uint8]:
    """Six identifier bits and their two parity bits. Source: LIN 2.2A, 2.3.1.3 (P0 = 0^1^2^4, P1 = not 1^3^4^5)."""
    bit = [identifier >> place & 1 for place in range(6)]
    p0 = bit[0] ^ bit[1] ^ bit[2] ^ bit[4]
    p1 = 1 ^ bit[1] ^ bit[3] ^ bit[4] ^ bit[5]
    return (identifier & 0x3F | p0 << 6 | p1 << 7).astype(np.uint8)


def enhanced_checksum(identifier: NDArray[np.uint32], payload: NDArray[np.uint8]) -> NDArray[np.int16]:
    """Inverted sum with carry over protected identifier and data (n, width; zero past the frame's length).

    Source: LIN 2.2A, 2.8.3. Diagnostic frames 0x3C and 0x3D use the classic sum, over data alone.
    """
    total = payload.sum(axis=1, dtype=np.int64)
    total += np.where(identifier >= 0x3C, 0, protected_identifier(identifier))
    # Adding each carry back in is arithmetic modulo 255 in which only an empty sum gives 0.
    folded = np.where(total == 0, 0, (total - 1) % 255 + 1)
    return (0xFF - folded).astype(np.int16)
