"""Numbers out of text, whole columns at a time: eight characters in one 64-bit word.

The first character is the lowest byte of a word (little-endian). Every function returns the values and, beside them,
which rows were well formed; a row that was not has an arbitrary value.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray

Words = NDArray[np.uint64]


def _w(value: int) -> np.uint64:
    return np.uint64(value)


def repeat(byte: int) -> np.uint64:
    """A word of eight times the same byte."""
    return np.uint64(byte * 0x0101010101010101)


ZEROS = repeat(0x30)  # "00000000"
SPACES = repeat(0x20)
_ONES = repeat(1)
# LOW_BYTES[n]: the lowest n bytes of a word.
LOW_BYTES = np.array([(1 << (8 * n)) - 1 for n in range(9)], np.uint64)


def word_at(look: ByteArray, place: int, form: str = "<u8") -> Words:
    """The number of that format at a place of every row. look: (n, w), C-contiguous."""
    return np.ndarray((len(look),), form, look.data, place, (look.strides[0],)).astype(np.uint64)


def hex_words(words: Words) -> tuple[NDArray[np.uint32], BoolArray]:
    """Eight hexadecimal digits -> four bytes, the first two digits in the lowest byte. (n,) or (n, k)."""
    nibble = (words & repeat(0x0F)) + ((words >> _w(6)) & _ONES) * _w(9)
    # Written out again, a digit must give the character it was read from, but for the case of letters.
    again = nibble + ZEROS + (((nibble + repeat(6)) >> _w(4)) & _ONES) * _w(7)
    upper = words & ~((words & repeat(0x40)) >> _w(1))
    good = (again == upper) & ((nibble & repeat(0xF0)) == 0)
    pair = ((nibble << _w(4)) | (nibble >> _w(8))) & _w(0x00FF00FF00FF00FF)
    pair = (pair | (pair >> _w(8))) & _w(0x0000FFFF0000FFFF)
    return (pair | (pair >> _w(16))).astype(np.uint32), good


def hex_number(words: Words) -> tuple[NDArray[np.uint32], BoolArray]:
    """Eight hexadecimal digits -> the number they write."""
    value, good = hex_words(words)
    return value.byteswap(), good


def decimal_words(words: Words) -> tuple[NDArray[np.int64], BoolArray]:
    """Eight decimal digits -> the number they write."""
    high = repeat(0xF0)
    good = ((words & high) == ZEROS) & (((words + repeat(6)) & high) == ZEROS)
    value = words - ZEROS
    value = (value * _w(10) + (value >> _w(8))) & _w(0x00FF00FF00FF00FF)
    value = (value * _w(100) + (value >> _w(16))) & _w(0x0000FFFF0000FFFF)
    value = (value * _w(10_000) + (value >> _w(32))) & _w(0xFFFFFFFF)
    return value.astype(np.int64), good


def shared_decimals(words: Words) -> tuple[NDArray[np.int64], BoolArray]:
    """As `decimal_words`; of one row, for all of them, where all are the same."""
    return decimal_words(words[:1] if (words == words[:1]).all() else words)


def first_of(words: Words, byte: int) -> NDArray[np.int64]:
    """Position (0 to 7) of the first such byte in each word; 8 where there is none."""
    zero = words ^ repeat(byte)
    mark = (zero - _ONES) & ~zero & repeat(0x80)  # exact for the lowest zero byte
    lowest = mark & (~mark + _w(1))
    return np.bitwise_count(lowest - _w(1)).astype(np.int64) >> 3


def pad_left(words: Words, kept: NDArray[np.int64] | int) -> Words:
    """Keep the last `kept` characters of each word and put zeros ("0") in front of them."""
    gone: Words = np.asarray(LOW_BYTES[8 - kept])
    return (words & ~gone) | (ZEROS & gone)


def pad_right(words: Words, kept: NDArray[np.int64] | int) -> Words:
    """Keep the first `kept` characters of each word and put zeros ("0") behind them."""
    keep: Words = np.asarray(LOW_BYTES[kept])
    return (words & keep) | (ZEROS & ~keep)


def spaces_to_zeros(words: Words) -> tuple[Words, BoolArray]:
    """Decimal digits behind spaces: the spaces become zeros. False where something else stands, or a space behind."""
    blank = (~words >> _w(4)) & _ONES
    only_spaces = (words & (blank * _w(0x0F))) == 0
    leading = (blank & ~((blank << _w(8)) | _w(1))) == 0
    return words | repeat(0x10), only_spaces & leading


def _pair_table() -> NDArray[np.int16]:
    table = np.full(65_536, -1, np.int16)
    digits = b"0123456789abcdef"
    for high, first in enumerate(digits):
        for low, second in enumerate(digits):
            for one in {first, bytes([first]).upper()[0]}:
                for two in {second, bytes([second]).upper()[0]}:
                    table[one | two << 8] = high << 4 | low
    return table


_PAIRS = _pair_table()


def hex_pairs(pairs: NDArray[np.uint16]) -> tuple[ByteArray, BoolArray]:
    """Two hexadecimal digits in 16 bits, the first in the low byte -> the byte they write, of any shape."""
    values = _PAIRS[pairs]
    return values.astype(np.uint8), values >= 0


# SPACED_KEEP[n]: which characters of 24, a space in front of each pair of digits, belong to n pairs; others read " 00".
SPACED_KEEP = np.array([[LOW_BYTES[min(max(3 * n - 8 * k, 0), 8)] for k in range(3)] for n in range(9)], np.uint64)
_SPACED_ZEROS = np.frombuffer(b" 00" * 8, "<u8")
_BLANKS = np.frombuffer(b"\xff\0\0" * 8, "<u8")  # where the spaces are


def spaced_hex(text: ByteArray, place: int, length: ByteArray) -> tuple[ByteArray, BoolArray]:
    """Up to eight bytes of two hexadecimal digits, a space in front of each.

    text: (n, w), C-contiguous; the first space is at `place`, and w at least place + 24. length: (n,) bytes, 0 to 8.
    Returns (n, 8) bytes, zero past the length, and which rows were well formed.
    """
    rows = len(text)
    first, second, third = (word_at(text, place + 8 * k) for k in range(3))
    if rows and (length != 8).any():
        keep = SPACED_KEEP[length]
        first = (first & keep[:, 0]) | (_SPACED_ZEROS[0] & ~keep[:, 0])
        second = (second & keep[:, 1]) | (_SPACED_ZEROS[1] & ~keep[:, 1])
        third = (third & keep[:, 2]) | (_SPACED_ZEROS[2] & ~keep[:, 2])
    blank = (first ^ SPACES) & _BLANKS[0]
    blank |= (second ^ SPACES) & _BLANKS[1]
    blank |= (third ^ SPACES) & _BLANKS[2]
    words = np.empty((rows, 2), np.uint64)
    low, high = words[:, 0], words[:, 1]
    np.bitwise_and(first >> _w(8), _w(0xFFFF), out=low)
    low |= (first >> _w(16)) & _w(0xFFFF << 16)
    low |= (first >> _w(56)) << _w(32)
    low |= (second & _w(0xFF)) << _w(40)
    low |= (second << _w(32)) & _w(0xFFFF << 48)
    np.bitwise_and(second >> _w(40), _w(0xFFFF), out=high)
    high |= (third & _w(0xFFFF)) << _w(16)
    high |= (third << _w(8)) & _w(0xFFFF << 32)
    high |= third & _w(0xFFFF << 48)
    values, good = hex_words(words)
    return payload_bytes(values), good[:, 0] & good[:, 1] & (blank == 0)


def payload_bytes(values: NDArray[np.uint32]) -> ByteArray:
    """(n, k) decoded words of `hex_words` -> (n, 4k) bytes."""
    return np.ascontiguousarray(values).astype("<u4", copy=False).view(np.uint8)


BASE64 = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
_SIX_BITS = bytes(BASE64.find(character) & 0xFF for character in range(256))  # 255 for what is none of them


def base64_bytes(words: Words, count: NDArray[np.int64] | int) -> tuple[ByteArray, BoolArray]:
    """Base64 of up to eight bytes: (n, 2) words, of which the first `count` characters are read, twelve at most.

    Returns (n, 8) bytes, all bits of those characters that fit, and which rows were well formed.
    """
    six = np.frombuffer(words.tobytes().translate(_SIX_BITS), "<u8").reshape(-1, 2)
    first = six[:, 0] & LOW_BYTES[np.minimum(count, 8)]
    last = six[:, 1] & LOW_BYTES[np.maximum(count, 8) - 8]
    good = ((first | last) & repeat(0x80)) == 0
    value = _joined_bits(first)
    value = ((value & _w(0xFFFFFF)) << _w(40)) | ((value >> _w(32)) << _w(16)) | (_joined_bits(last) >> _w(8))
    return value.byteswap().view(np.uint8).reshape(-1, 8), good


def _joined_bits(six: Words) -> Words:
    """Eight times six bits -> twice 24, those of the first four in the lower half."""
    pair = ((six & _w(0x003F003F003F003F)) << _w(6)) | ((six >> _w(8)) & _w(0x003F003F003F003F))
    return ((pair & _w(0x00000FFF00000FFF)) << _w(12)) | ((pair >> _w(16)) & _w(0x00000FFF00000FFF))
