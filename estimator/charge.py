"""State of charge over a whole recording: one weighted least-squares problem over counting, rests and full charges.

Unknowns are those of the counting (`motion`), the errors that anchors share (`measurement`), and the random walk of
what neither explains, its value at each node (a rest, a full charge). Between nodes the walk is a bridge, so that mean
and variance of every row follow from its two neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from estimator.grid import Grid
from estimator.measurement import LIMIT, NOT_SOLVED, SHARED, Anchor, shared_sd
from estimator.motion import COUNTED, PER_AH, Motion, priors
from estimator.ocv import OcvCurve

NODE_EVERY_S = 12 * 3600.0
ITERATIONS = 25
GAS_FROM, FULL = 99.0, 100.0  # from here on gas takes the place of charge; at full all of it [%]. Ours
KNOWN = COUNTED + SHARED  # columns before the walk's
HELD = 1e9  # precision of what is not solved for


@dataclass(frozen=True, slots=True, eq=False)
class Charge:
    """The solution. soc, sd: (n,) for each row of the grid [%], not yet kept within 0 and 100.

    mean, covariance: of the unknowns of `motion`. prior_mean, prior_sd: before the data.
    """

    soc: FloatArray
    sd: FloatArray
    mean: FloatArray
    covariance: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray


def solve_charge(
    grid: Grid, motion: Motion, anchors: Sequence[Anchor], curve: OcvCurve, capacity_nominal: float
) -> Charge:
    """Solve for charge over the whole recording. Without any anchor the answer is as wide as the priors.

    Charge does not pass full: what the counting has beyond it was gas. Each round reckons the charge from where the
    round before had it full, and takes less of an anchor that does not fit. What was charged before it was full tells
    nothing of what comes after: if it did, a battery would seem to fit the better the smaller it is. Where charge ends
    is itself an unknown, since all anchors share the voltage's error: full may read more or less than 100 %.
    """
    counted_mean, counted_sd = priors(capacity_nominal)
    nodes = _nodes(motion, anchors)
    scale = counted_mean[PER_AH] ** 2
    errors_sd = shared_sd(curve)
    base = _prior_precision(np.concatenate((counted_sd, errors_sd)), nodes * scale)
    for error in NOT_SOLVED:
        base[COUNTED + error, COUNTED + error] = HELD
    start = np.zeros(len(base))
    start[:COUNTED] = counted_mean
    counted = _course(motion.design, motion.clock, nodes)
    times = np.concatenate([np.zeros(0), *(anchor.time_s for anchor in anchors)])
    measured = _course(_at_times(motion, times), np.interp(times, motion.time_s, motion.clock), nodes)
    place = np.searchsorted(motion.time_s, times).clip(0, len(motion.time_s) - 1)
    row = np.zeros(len(motion.time_s), dtype=np.int64)
    beyond = np.zeros(len(motion.time_s))
    weight = np.ones(len(anchors))
    rounds, step, change = 0, 1.0, beyond
    while True:
        rounds += 1
        share, gas = _turned_to_gas(beyond)
        level_at_full = share * (GAS_FROM + beyond) - gas
        full = counted.at(row)
        course = counted.since(full, share, level_at_full)
        blocks = _blocks(measured.since(full.at(place), share[place], level_at_full[place]), anchors, scale)
        mean, precision = _solve(base, start, blocks, weight)
        level = counted.charge(mean)
        new_weight = np.array([block.trust(mean) for block in blocks])
        row, found = _last_full(level, GAS_FROM - float(mean[COUNTED + LIMIT]))
        change, before = found - beyond, change
        step = 0.5 * step if float(change @ before) < 0.0 else min(1.3 * step, 1.0)  # smaller where it swings
        beyond = beyond + step * change
        settled = float(np.abs(change).max()) < 0.05 and np.allclose(weight, new_weight, atol=0.02)
        weight = new_weight
        if settled or rounds == ITERATIONS:
            break
    covariance = _with_unsolved(np.asarray(np.linalg.inv(precision)), blocks, weight, errors_sd)
    return Charge(
        soc=_on_rows(grid, motion, level - _turned_to_gas(beyond)[1], float(mean[PER_AH])),
        sd=np.interp(grid.end_s, motion.time_s, course.spread(covariance, scale)),
        mean=mean[:COUNTED],
        covariance=covariance[:COUNTED, :COUNTED],
        prior_mean=counted_mean,
        prior_sd=counted_sd,
    )


def _last_full(level: FloatArray, limit: float) -> tuple[Int64Array, FloatArray]:
    """(m,) row of the highest charge counted so far, and by how much it passes the limit [%]."""
    highest = np.maximum.accumulate(level)
    row = np.maximum.accumulate(np.where(level >= highest, np.arange(len(level)), 0))
    return row, np.maximum(highest - limit, 0.0)


def _turned_to_gas(beyond: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What becomes gas of the next bit of charge, 0 to 1, and what has [%], with so much counted beyond `GAS_FROM`."""
    share = np.minimum(beyond / (2.0 * (FULL - GAS_FROM)), 1.0)
    return share, share * (beyond - share * (FULL - GAS_FROM))


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """How the charge at some instants (k) hangs on the unknowns.

    design: (k, COUNTED). nodes, weights: (k, 2 or 4) of the walk. bridge: (k,) its variance beside its nodes [Ah^2].
    share, known, bridge_full: (k,) where the battery has been full since: how much of what came before that no longer
    counts, the charge that stands for it [%], the walk's variance there.
    """

    design: FloatArray
    nodes: Int64Array
    weights: FloatArray
    bridge: FloatArray
    share: FloatArray
    known: FloatArray
    bridge_full: FloatArray

    def at(self, rows: Int64Array) -> _Course:
        """The same at some of the instants."""
        return _Course(*(getattr(self, name)[rows] for name in self.__slots__))

    def since(self, full: _Course, share: FloatArray, known: FloatArray) -> _Course:
        """Reckoned from where the battery was full."""
        return _Course(
            design=self.design - share[:, None] * full.design,
            nodes=np.hstack((self.nodes, full.nodes)),
            weights=np.hstack((self.weights, -share[:, None] * full.weights)),
            bridge=self.bridge,
            share=share,
            known=known,
            bridge_full=share**2 * full.bridge,
        )

    def charge(self, mean: FloatArray) -> FloatArray:
        """(k,) the charge by the unknowns' means [%]."""
        return np.asarray(self.known + self.design @ mean[:COUNTED] + (self.weights * mean[KNOWN + self.nodes]).sum(1))

    def spread(self, covariance: FloatArray, scale: float) -> FloatArray:
        """(k,) standard deviation of the charge [%]. covariance: of all unknowns. scale: [%^2] for an [Ah^2]."""
        columns = np.append(np.arange(COUNTED), COUNTED + LIMIT)
        design = np.column_stack((self.design, -self.share))
        nodes, weights = KNOWN + self.nodes.T, self.weights.T
        variance = np.einsum("ki,ki->k", design @ covariance[np.ix_(columns, columns)], design)
        variance += (self.bridge + self.bridge_full) * scale
        for node, weight in zip(nodes, weights, strict=True):
            variance += 2.0 * weight * np.einsum("ki,ik->k", design, covariance[columns][:, node])
            for other, its in zip(nodes, weights, strict=True):
                variance += weight * its * covariance[node, other]
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _course(design: FloatArray, clock: FloatArray, nodes: FloatArray) -> _Course:
    """The charge as counted from the beginning, at instants whose walk's clock is given."""
    left = np.clip(np.searchsorted(nodes, clock, side="right") - 1, 0, len(nodes) - 1)
    right = np.minimum(left + 1, len(nodes) - 1)
    width = nodes[right] - nodes[left]
    share = np.where(width > 0, (clock - nodes[left]) / np.where(width > 0, width, 1.0), 0.0)
    bridge = np.where(width > 0, width * share * (1.0 - share), np.maximum(clock - nodes[left], 0.0))
    none = np.zeros(len(clock))
    both = np.stack((left, right), axis=1), np.stack((1.0 - share, share), axis=1)
    return _Course(design, *both, bridge, share=none, known=none, bridge_full=none)


def _at_times(motion: Motion, times: FloatArray) -> FloatArray:
    """(k, COUNTED) the counting's design at any instants."""
    return np.stack([np.interp(times, motion.time_s, motion.design[:, k]) for k in range(COUNTED)], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """An anchor in the big problem: design on the few columns that are not zero, and its inverse covariance.

    soc: what is measured beyond the charge that is known [%].
    """

    soc: FloatArray
    columns: Int64Array
    design: FloatArray
    inverse: FloatArray

    def trust(self, mean: FloatArray) -> float:
        """1 where the anchor fits as well as its errors allow, less where it does not."""
        error = self.soc - self.design @ mean[self.columns]
        expected = len(error) + 3.0 * np.sqrt(2.0 * len(error))
        return min(1.0, float(expected / max(float(error @ self.inverse @ error), 1e-9)))


def _blocks(course: _Course, anchors: Sequence[Anchor], scale: float) -> list[_Block]:
    """Every anchor's part of the problem. course: at all of their instants, one anchor after the other."""
    bounds = np.cumsum([0, *(len(anchor.time_s) for anchor in anchors)])
    blocks = []
    for anchor, first, last in zip(anchors, bounds, bounds[1:], strict=False):
        own = course.at(np.arange(first, last))
        used, column = np.unique(own.nodes, return_inverse=True)
        walk = np.zeros((last - first, len(used)))
        np.add.at(walk, (np.arange(last - first)[:, None], column.reshape(own.nodes.shape)), own.weights)
        shared = anchor.shared.copy()
        shared[:, LIMIT] = -own.share
        common = np.sqrt(own.bridge_full)
        bridge = np.diag(own.bridge) + np.outer(common, common)
        blocks.append(
            _Block(
                soc=anchor.soc - own.known,
                columns=np.concatenate((np.arange(KNOWN), KNOWN + used)),
                design=np.hstack((own.design, shared, walk)),
                inverse=np.asarray(np.linalg.inv(anchor.covariance + bridge * scale)),
            )
        )
    return blocks


def _solve(
    base: FloatArray,
    start: FloatArray,
    blocks: Sequence[_Block],
    weight: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Mean and precision of all unknowns."""
    precision, right = base.copy(), base @ start
    for block, trust in zip(blocks, weight, strict=True):
        weighted = trust * block.design.T @ block.inverse
        precision[np.ix_(block.columns, block.columns)] += weighted @ block.design
        right[block.columns] += weighted @ block.soc
    return np.asarray(np.linalg.solve(precision, right), dtype=np.float64), precision


def _with_unsolved(
    covariance: FloatArray, blocks: Sequence[_Block], weight: FloatArray, errors_sd: FloatArray
) -> FloatArray:
    """The covariance, with what errors of the curve's tilt and of its temperature coefficient would do to the solution.

    They are not solved for: over many rests they would be made to explain every small fault of the counting. Their
    uncertainty is carried through instead ("consider" parameters, as in orbit determination).
    """
    total = covariance.copy()
    for error in NOT_SOLVED:
        pull = np.zeros(len(covariance))
        for block, trust in zip(blocks, weight, strict=True):
            pull[block.columns] += trust * block.design.T @ (block.inverse @ block.design[:, COUNTED + error])
        pull[[COUNTED + held for held in NOT_SOLVED]] = 0.0
        moved = float(errors_sd[error]) * (covariance @ pull)
        total += np.outer(moved, moved)
    return total


def _nodes(motion: Motion, anchors: Sequence[Anchor]) -> FloatArray:
    """(k,) the walk's clock at its nodes, rising, the first at the beginning [Ah^2]."""
    times = [np.zeros(1)]
    times.extend(np.append(anchor.time_s[0], anchor.time_s[_new_node(anchor.time_s)]) for anchor in anchors)
    clock = np.unique(np.interp(np.concatenate(times), motion.time_s, motion.clock))
    return np.asarray(clock[np.concatenate(([True], np.diff(clock) > 1e-6))])


def _new_node(time_s: FloatArray) -> BoolArray:
    """Where a long rest passes another half day."""
    return np.asarray(np.diff((time_s - time_s[0]) // NODE_EVERY_S, prepend=0.0) > 0)


def _prior_precision(prior_sd: FloatArray, node_variance: FloatArray) -> FloatArray:
    size = KNOWN + len(node_variance)
    precision = np.zeros((size, size))
    precision[np.arange(KNOWN), np.arange(KNOWN)] = 1.0 / prior_sd**2
    precision[KNOWN, KNOWN] += 1e6  # the walk begins at zero
    place = np.arange(KNOWN, size - 1)
    step = 1.0 / np.diff(node_variance)
    precision[place, place] += step
    precision[place + 1, place + 1] += step
    precision[place, place + 1] -= step
    precision[place + 1, place] -= step
    return precision


def _on_rows(grid: Grid, motion: Motion, soc: FloatArray, per_ah: float) -> FloatArray:
    """The charge on every row: the slow part between the motion's rows by straight line, the counted part exactly."""
    counted = per_ah * grid.charge_ah
    slow = soc - counted[motion.row]
    return np.asarray(counted + np.interp(grid.end_s, motion.time_s, slow))
