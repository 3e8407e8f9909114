"""A three-valued state over time: met, failing or unknown, kept as the instants where it changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Int64Array

Int8Array = NDArray[np.int8]

UNKNOWN, FAILING, MET = -1, 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """A state that holds from each instant to the next.

    time_ns: (k,) rising. state: (k,), neighbours differ. Before the first instant the state is UNKNOWN (-1).
    """

    time_ns: Int64Array
    state: Int8Array

    def at(self, at_ns: Int64Array) -> Int8Array:
        """The state at each instant. at_ns: (m,) [ns]. Returns (m,)."""
        if not len(self.time_ns):
            return np.full(len(at_ns), UNKNOWN, dtype=np.int8)
        index = np.searchsorted(self.time_ns, at_ns, side="right") - 1
        return np.where(index >= 0, self.state[np.maximum(index, 0)], np.int8(UNKNOWN)).astype(np.int8)

    def now(self, at_ns: int) -> int:
        """The state at one instant."""
        index = int(np.searchsorted(self.time_ns, at_ns, side="right")) - 1
        return int(self.state[index]) if index >= 0 else UNKNOWN

    def since_ns(self, at_ns: int) -> int:
        """When the state that holds at `at_ns` began; `at_ns` itself before the first instant."""
        index = int(np.searchsorted(self.time_ns, at_ns, side="right")) - 1
        return int(self.time_ns[index]) if index >= 0 else at_ns

    def spans(self, state: int, end_ns: int) -> Int64Array:
        """All spans of one state, (m, 2) start and end [ns], none beyond `end_ns`."""
        ends = np.minimum(np.append(self.time_ns[1:], end_ns), end_ns) if len(self.time_ns) else self.time_ns
        chosen = (self.state == state) & (ends > self.time_ns)
        return np.stack([self.time_ns[chosen], ends[chosen]], axis=1).reshape(-1, 2)

    def entered_ns(self, state: int, after_ns: int, until_ns: int) -> int | None:
        """The first instant in (after_ns, until_ns] at which the state becomes `state`; None if there is none."""
        low = int(np.searchsorted(self.time_ns, after_ns, side="right"))
        high = int(np.searchsorted(self.time_ns, until_ns, side="right"))
        found = np.flatnonzero(self.state[low:high] == state)
        return int(self.time_ns[low + found[0]]) if len(found) else None


def merged(time_ns: Int64Array, state: Int8Array) -> Steps:
    """Steps from instants in rising order; of equal instants the last counts, and of equal neighbours the first."""
    if not len(time_ns):
        return Steps(time_ns, state)
    last = np.append(time_ns[1:] != time_ns[:-1], np.True_)
    time_ns, state = time_ns[last], state[last]
    fresh = np.append(np.True_, state[1:] != state[:-1])
    return Steps(time_ns[fresh], state[fresh])


def from_samples(
    time_ns: Int64Array, state: Int8Array, limit_ns: int, cuts_ns: Sequence[int], gaps: Int64Array
) -> Steps:
    """Steps from samples, each of which tells the present for `limit_ns` at most and never across a cut.

    time_ns, state: (n,) samples, rising. cuts_ns: instants after which no earlier sample holds (a clock step, the end
    of a log). gaps: (g,) indices of samples whose successor is later than the limit.
    """
    if not len(time_ns):
        return Steps(time_ns, state)
    changes = np.append(0, np.flatnonzero(state[1:] != state[:-1]) + 1)
    bad = np.int8(UNKNOWN)
    lapses = np.concatenate([time_ns[gaps], time_ns[-1:]]) + limit_ns + 1
    resumed = time_ns[gaps + 1]
    times = [lapses, time_ns[changes], resumed]
    states = [np.full(len(lapses), bad), state[changes], state[gaps + 1]]
    if len(cuts_ns):
        cuts = np.asarray(sorted(cuts_ns), dtype=np.int64)
        times.insert(0, cuts)
        states.insert(0, np.full(len(cuts), bad))
        after = np.searchsorted(time_ns, cuts, side="left")
        after = after[after < len(time_ns)]
        times.append(time_ns[after])
        states.append(state[after])
    when = np.concatenate(times)
    order = np.argsort(when, kind="stable")
    return merged(when[order], np.concatenate(states)[order].astype(np.int8))


def bridged(steps: Steps, state: int, shorter_ns: int) -> Steps:
    """The same without spans of `state` that are shorter than the limit and have one other state on both sides."""
    if len(steps.time_ns) < 3:
        return steps
    short = np.diff(steps.time_ns)[1:] < shorter_ns
    drop = np.zeros(len(steps.time_ns), dtype=np.bool_)
    drop[1:-1] = (steps.state[1:-1] == state) & short & (steps.state[:-2] == steps.state[2:])
    return merged(steps.time_ns[~drop], steps.state[~drop])


def first_known(first: Steps, second: Steps) -> Steps:
    """`first` where it is known, else `second`."""
    time: Int64Array = np.union1d(first.time_ns, second.time_ns)
    if not len(time):
        return first
    mine = first.at(time)
    return merged(time, np.where(mine != UNKNOWN, mine, second.at(time)).astype(np.int8))


def all_of(parts: Sequence[Steps]) -> Steps:
    """FAILING where any part fails, else UNKNOWN where any is unknown, else MET. `parts` is not empty."""
    time: Int64Array = np.unique(np.concatenate([part.time_ns for part in parts]))
    states = np.stack([part.at(time) for part in parts])
    state = np.where(states == FAILING, -2, states).min(axis=0)
    return merged(time, np.where(state == -2, FAILING, state).astype(np.int8))


def joined(spans: Int64Array, gap_ns: int) -> Int64Array:
    """Spans, (m, 2) in any order, made disjoint and rising; those at most `gap_ns` apart become one."""
    if not len(spans):
        return spans
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(spans[:, 1])
    fresh = np.append(np.True_, spans[1:, 0] > reach[:-1] + gap_ns)
    first = np.flatnonzero(fresh)
    last = np.append(first[1:], len(spans)) - 1
    return np.stack([spans[first, 0], reach[last]], axis=1)


def overlap(first: Int64Array, second: Int64Array) -> Int64Array:
    """Where both hold: spans, (m, 2), of two disjoint rising lists of spans."""
    if not len(first) or not len(second):
        return np.empty((0, 2), dtype=np.int64)
    low = np.searchsorted(second[:, 1], first[:, 0], side="right")
    high = np.searchsorted(second[:, 0], first[:, 1], side="left")
    count = np.maximum(high - low, 0)
    mine = np.repeat(np.arange(len(first)), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    other = np.repeat(low, count) + within
    return np.stack(
        [np.maximum(first[mine, 0], second[other, 0]), np.minimum(first[mine, 1], second[other, 1])], axis=1
    )
