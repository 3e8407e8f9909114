"""The chain of objects in a stretch of a BLF file: where each begins, and where the chain is broken.

Every object begins with 16 bytes: "LOBJ", header size (u16), header version (u16), object size (u32), type (u32), all
little-endian. The next object follows after up to seven bytes of padding, not always on a multiple of four.
Source: the openly licensed readers of the format; there is no public specification.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoder.frames import BoolArray, ByteArray, Int64Array

SIGNATURE = b"LOBJ"
HEADER_BYTES = 16
PADDING_BYTES = 8  # fewer than this many bytes may lie between two objects
_SMALL_OBJECT = 4096  # objects larger than this on the average are followed one by one
_SIGNATURE_WORD = int.from_bytes(SIGNATURE, "little")


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """The objects of one stretch of bytes, in order.

    position, kind: (n,) where each begins, and its type. extent: (n,) first byte that belongs to something else.
    consumed: bytes done with; the rest must stand before the next stretch.
    sizeless: (k,) rows of position whose size is impossible; only what tells its own end can be read from them.
    gaps: (start, end) of bytes that belong to no object. cut: start of an object that ends after the last byte, or -1.
    step: bytes from each object to the next where all headers are alike; 0 where they are not.
    """

    position: Int64Array
    kind: Int64Array
    extent: Int64Array
    consumed: int
    sizeless: Int64Array
    gaps: list[tuple[int, int]] = field(default_factory=list)
    cut: int = -1
    step: int = 0


def find_chain(data: ByteArray, sizes: Int64Array, *, largest: int, final: bool, patient: bool = False) -> Chain:
    """Follow the objects from the beginning of data.

    sizes: (m, 2) smallest and largest plausible size by type, a largest of 0 meaning the argument `largest`; the last
    row is for all further types. No object larger than that is waited for. final: nothing follows data.
    patient: an object after which nothing recognisable follows waits for more data.
    """
    simple = _even(data, sizes, largest, final=final) or _by_hops(data, sizes, largest, final=final)
    if simple is not None:
        return simple
    words = data[: len(data) // 4 * 4].view("<u4")
    position = np.flatnonzero(words == _SIGNATURE_WORD) * 4
    position = position[position + HEADER_BYTES <= len(data)]
    if len(position) and position[0] == 0:
        neat = _neat(data, position, sizes, largest=largest, final=final)
        if neat is not None:
            return neat
    return _walk(data, _every_signature(data), sizes, largest=largest, final=final, patient=patient)


def _even(data: ByteArray, sizes: Int64Array, largest: int, *, final: bool) -> Chain | None:
    """The chain where all objects have the same header and follow each other evenly, as most logs have it; else None.

    Less than an object may remain at the end.
    """
    total = len(data)
    if total < HEADER_BYTES:
        return None
    low, high, size, _ = _stated(data, 0, sizes, largest)
    step = _next_signature(data, size) if low <= size <= high else 0
    if not step or (final and total % step >= PADDING_BYTES):
        return None
    count = total // step
    first, second = (np.ndarray((count,), "<u8", data, at, (step,)) for at in (0, 8))
    if not ((first == first[0]).all() and (second == second[0]).all()):
        return None
    position = np.arange(0, count * step, step)
    kind = np.full(count, int(second[0]) >> 32, np.int64)
    consumed = total if final else count * step
    return Chain(position, kind, position + step, consumed, np.empty(0, np.int64), step=step)


def _by_hops(data: ByteArray, sizes: Int64Array, largest: int, *, final: bool) -> Chain | None:
    """The chain of large objects where each is sound and the next follows, the last one cut off; else None."""
    total, at = len(data), 0
    starts, kinds = [], []
    while at + HEADER_BYTES <= total:
        low, high, size, kind = _stated(data, at, sizes, largest)
        if not low <= size <= high:
            return None
        if at + size > total:
            break
        starts.append(at)
        kinds.append(kind)
        if at + size < len(starts) * _SMALL_OBJECT:
            return None
        at = _next_signature(data, at + size)
        if not at:
            return None
    if final or not starts or at + HEADER_BYTES > total:
        return None
    position = np.array(starts)
    return Chain(position, np.array(kinds), np.append(position[1:], at), at, np.empty(0, np.int64))


def _stated(data: ByteArray, at: int, sizes: Int64Array, largest: int) -> tuple[int, int, int, int]:
    """Smallest and largest plausible size of the object at a place, its size and its type; size 0 if none is there."""
    signature, _, size, kind = data[at : at + HEADER_BYTES].view("<u4").tolist()
    low, high = sizes[min(kind, len(sizes) - 1)].tolist()
    return max(low, HEADER_BYTES), high or largest, size if signature == _SIGNATURE_WORD else 0, kind


def _next_signature(data: ByteArray, end: int) -> int:
    """Where the object after one that ends there begins; 0 where none does."""
    behind = data[end : end + PADDING_BYTES - 1 + len(SIGNATURE)].tobytes().find(SIGNATURE)
    return end + behind if behind >= 0 else 0


def _neat(data: ByteArray, position: Int64Array, sizes: Int64Array, *, largest: int, final: bool) -> Chain | None:
    """The chain where every candidate is an object of plausible size that ends before the next; else None."""
    size, kind = _column(data, position, 8), _column(data, position, 12)
    end = position + size
    step = position[1:] - end[:-1]
    low, high = _bounds(kind, sizes, largest)
    if not (np.all(step.view(np.uint64) < PADDING_BYTES) and np.all(size >= low) and np.all(size <= high)):
        return None
    total, last = len(data), int(end[-1])
    is_open = last > total
    if total - last >= PADDING_BYTES or (is_open and final):
        return None
    if is_open:
        rows, extent, consumed = slice(0, -1), position[1:], int(position[-1])
    else:
        rows, extent, consumed = slice(None), np.append(position[1:], total), last
    return Chain(position[rows], kind[rows], extent, consumed, np.empty(0, np.int64))


def _bounds(kind: Int64Array, sizes: Int64Array, largest: int) -> tuple[Int64Array, Int64Array]:
    """Smallest and largest plausible size of each object."""
    if len(kind) and kind.min() == kind.max():
        kind = kind[:1]
    row = np.minimum(kind, len(sizes) - 1)
    low, high = sizes[row, 0], sizes[row, 1]
    return np.maximum(low, HEADER_BYTES), np.where(high > 0, high, largest)


def _every_signature(data: ByteArray) -> Int64Array:
    """Where the signature stands, whatever the alignment; only where a whole header follows."""
    found = []
    for shift in range(4):
        words = data[shift : shift + max(len(data) - shift, 0) // 4 * 4].view("<u4")
        found.append(np.flatnonzero(words == _SIGNATURE_WORD) * 4 + shift)
    position = np.sort(np.concatenate(found))
    return position[position + HEADER_BYTES <= len(data)]


def _column(data: ByteArray, position: Int64Array, offset: int) -> Int64Array:
    """The u32 at offset of each header, as int64."""
    window = np.ndarray((max(len(data) - offset - 3, 0),), "<u4", data, offset, (1,))
    return window[position].astype(np.int64)


def _walk(
    data: ByteArray, position: Int64Array, sizes: Int64Array, *, largest: int, final: bool, patient: bool
) -> Chain:
    """From candidates to the chain. A candidate inside an object that is sound is payload, not an object."""
    total, count = len(data), len(position)
    if not count:
        kept = 0 if final else min(total, HEADER_BYTES + 3)
        gaps = [(0, total - kept)] if total - kept >= PADDING_BYTES else []
        none = np.empty(0, np.int64)
        return Chain(none, none, none, total - kept, none, gaps)
    size, kind = _column(data, position, 8), _column(data, position, 12)
    low, high = _bounds(kind, sizes, largest)
    end = position + size
    after = np.arange(1, count + 1)
    following = np.searchsorted(position, end)
    gap = np.append(position, total)[following] - end  # to the next candidate, or to the end
    open_ended = end > total
    if patient and not final:
        open_ended |= (following == count) & (gap >= PADDING_BYTES) & (total - position < largest)
    bad = (size < low) | (size > high)
    bad |= (following > after) & ((gap >= PADDING_BYTES) | open_ended) & (final | ~open_ended)
    visited = _visit(np.where(bad, after, np.maximum(following, after)))
    stop = np.flatnonzero(visited & open_ended & ~bad)
    return _chain(total, position, kind, end, bad, visited, int(stop[0]) if len(stop) else -1, final=final)


def _visit(following: Int64Array) -> BoolArray:
    """Which candidates the chain meets, going from each to the one it names; runs of neighbours at once."""
    count = len(following)
    visited = np.zeros(count, np.bool_)
    jumps = np.flatnonzero(following != np.arange(count) + 1)
    targets = following[jumps].tolist()
    sources = jumps.tolist()
    at = index = 0
    while at < count:
        while index < len(sources) and sources[index] < at:
            index += 1
        if index == len(sources):
            visited[at:] = True
            break
        visited[at : sources[index] + 1] = True
        at = targets[index]
    return visited


def _chain(
    total: int,
    position: Int64Array,
    kind: Int64Array,
    end: Int64Array,
    bad: BoolArray,
    visited: BoolArray,
    stop: int,
    *,
    final: bool,
) -> Chain:
    if stop >= 0:
        visited[stop:] = False
    rows = np.flatnonzero(visited)
    limit = int(position[stop]) if stop >= 0 else total
    start = position[rows]
    extent = np.append(start[1:], limit)
    true_end = np.where(bad[rows], extent, np.minimum(end[rows], extent))
    loose = np.flatnonzero(extent - true_end >= PADDING_BYTES)
    gaps = [(int(true_end[row]), int(extent[row])) for row in loose]
    first = int(position[0])
    if first >= PADDING_BYTES:
        gaps.insert(0, (0, first))
    consumed, cut = limit, -1
    if stop >= 0 and final:
        consumed, cut = total, limit
    elif stop < 0 and not final:
        last = int(true_end[-1]) if len(rows) else 0
        consumed = last if total - last < HEADER_BYTES + PADDING_BYTES else total - HEADER_BYTES - 3
        if gaps and gaps[-1][1] == total:
            lost = (gaps.pop()[0], consumed)
            gaps += [lost] if lost[1] - lost[0] >= PADDING_BYTES else []
    return Chain(start, kind[rows], extent, consumed, np.flatnonzero(bad[rows]), gaps, cut)
