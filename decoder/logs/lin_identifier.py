"""A LIN identifier as a log writes it: the six bits alone, or protected by its two parity bits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Flag
from decoder.lin import protect


def lin_identifier(number: int) -> tuple[int, Flag]:
    """The six bits of an identifier (0 to 0xFF), and the flags of a wrong parity.

    Up to 0x3F it is taken as unprotected; above that its parity bits are checked.
    """
    identifier = number & 0x3F
    if number in {identifier, protect(identifier)}:
        return identifier, Flag(0)
    return identifier, Flag.ERROR | Flag.BAD_PARITY


def _tables() -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    pairs = [lin_identifier(number) for number in range(256)]
    return np.array([pair[0] for pair in pairs], np.uint32), np.array([int(pair[1]) for pair in pairs], np.uint16)


# By the number as written, 0 to 255.
IDENTIFIERS, PARITY_FLAGS = _tables()
