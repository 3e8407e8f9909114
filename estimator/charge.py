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
from estimator.measurement import NOT_SOLVED, SHARED, SHIFT, Anchor, shared_sd
from estimator.motion import COUNTED, PER_AH, Motion, priors
from estimator.ocv import OcvCurve

NODE_EVERY_S = 12 * 3600.0
ITERATIONS = 15
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

    Charge does not pass full: what the counting has beyond it (`overflow`) was gas. Each round takes the overflow of
    the round before, and less of an anchor that does not fit. Full may read a little above 100 %: all anchors share the
    voltage's error, and with a sensor that reads high the charge is still taken where the anchors already say 100 %.
    Cut there, it would be lost, and a capacity too low would seem to fit. One standard deviation is allowed.
    """
    counted_mean, counted_sd = priors(capacity_nominal)
    nodes = _nodes(motion, anchors)
    scale = counted_mean[PER_AH] ** 2
    errors_sd = shared_sd(curve)
    full = 100.0 + float(errors_sd[SHIFT])
    base = _prior_precision(np.concatenate((counted_sd, errors_sd)), nodes * scale)
    for error in NOT_SOLVED:
        base[COUNTED + error, COUNTED + error] = HELD
    start = np.zeros(len(base))
    start[:COUNTED] = counted_mean
    blocks = _blocks(motion, nodes, anchors, scale)
    everywhere = _walk_at(nodes, motion.clock)
    overflow = np.zeros(len(motion.time_s))
    weight = np.ones(len(blocks))
    mean, precision, level = start, base, overflow
    for _ in range(ITERATIONS):
        beyond = [np.interp(block.time_s, motion.time_s, overflow) for block in blocks]
        mean, precision = _solve(base, start, blocks, beyond, weight)
        level = motion.design @ mean[:COUNTED] + _walk(everywhere, mean[KNOWN:])
        new_weight = np.array([b.trust(mean, extra) for b, extra in zip(blocks, beyond, strict=True)])
        new_overflow = np.maximum(np.maximum.accumulate(level - full), 0.0)
        settled = float(np.abs(new_overflow - overflow).max()) < 0.02 and np.allclose(weight, new_weight, atol=0.02)
        overflow, weight = new_overflow, new_weight
        if settled:
            break
    covariance = _with_unsolved(np.asarray(np.linalg.inv(precision)), blocks, weight, errors_sd)
    return Charge(
        soc=_on_rows(grid, motion, level - overflow, float(mean[PER_AH])),
        sd=np.interp(grid.end_s, motion.time_s, _spread(motion, everywhere, covariance, scale)),
        mean=mean[:COUNTED],
        covariance=covariance[:COUNTED, :COUNTED],
        prior_mean=counted_mean,
        prior_sd=counted_sd,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _WalkAt:
    """left, right: (k,) nodes before and after. share: (k,) of the latter, 0 to 1. bridge: (k,) variance beside both
    [Ah^2].
    """

    left: Int64Array
    right: Int64Array
    share: FloatArray
    bridge: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """An anchor in the big problem: design on the few columns that are not zero, and its inverse covariance."""

    time_s: FloatArray
    soc: FloatArray
    columns: Int64Array
    design: FloatArray
    inverse: FloatArray

    def trust(self, mean: FloatArray, overflow: FloatArray) -> float:
        """1 where the anchor fits as well as its errors allow, less where it does not."""
        error = self.soc + overflow - self.design @ mean[self.columns]
        expected = len(error) + 3.0 * np.sqrt(2.0 * len(error))
        return min(1.0, float(expected / max(float(error @ self.inverse @ error), 1e-9)))


def _solve(
    base: FloatArray,
    start: FloatArray,
    blocks: Sequence[_Block],
    overflow: Sequence[FloatArray],
    weight: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Mean and precision of all unknowns."""
    precision, right = base.copy(), base @ start
    for block, extra, trust in zip(blocks, overflow, weight, strict=True):
        weighted = trust * block.design.T @ block.inverse
        precision[np.ix_(block.columns, block.columns)] += weighted @ block.design
        right[block.columns] += weighted @ (block.soc + extra)
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


def _walk_at(nodes: FloatArray, clock: FloatArray) -> _WalkAt:
    left = np.clip(np.searchsorted(nodes, clock, side="right") - 1, 0, len(nodes) - 1)
    right = np.minimum(left + 1, len(nodes) - 1)
    width = nodes[right] - nodes[left]
    share = np.where(width > 0, (clock - nodes[left]) / np.where(width > 0, width, 1.0), 0.0)
    bridge = np.where(width > 0, width * share * (1.0 - share), np.maximum(clock - nodes[left], 0.0))
    return _WalkAt(left, right, share, bridge)


def _walk(at: _WalkAt, values: FloatArray) -> FloatArray:
    return np.asarray(values[at.left] * (1.0 - at.share) + values[at.right] * at.share)


def _blocks(motion: Motion, nodes: FloatArray, anchors: Sequence[Anchor], scale: float) -> list[_Block]:
    """Every anchor's part of the problem; the motion is read once for all of them."""
    if not anchors:
        return []
    times = np.concatenate([anchor.time_s for anchor in anchors])
    counted = np.stack([np.interp(times, motion.time_s, motion.design[:, k]) for k in range(COUNTED)], axis=1)
    at = _walk_at(nodes, np.interp(times, motion.time_s, motion.clock))
    bounds = np.cumsum([0, *(len(anchor.time_s) for anchor in anchors)])
    blocks = []
    for anchor, first, last in zip(anchors, bounds, bounds[1:], strict=False):
        own = slice(int(first), int(last))
        left, right, share = at.left[own], at.right[own], at.share[own]
        used = np.unique(np.concatenate((left, right)))
        walk = np.zeros((len(left), len(used)))
        np.add.at(walk, (np.arange(len(left)), np.searchsorted(used, left)), 1.0 - share)
        np.add.at(walk, (np.arange(len(left)), np.searchsorted(used, right)), share)
        bridge = np.diag(np.maximum(at.bridge[own] * scale, 1e-9))
        blocks.append(
            _Block(
                time_s=anchor.time_s,
                soc=anchor.soc,
                columns=np.concatenate((np.arange(KNOWN), KNOWN + used)),
                design=np.hstack((counted[own], anchor.shared, walk)),
                inverse=np.asarray(np.linalg.inv(anchor.covariance + bridge)),
            )
        )
    return blocks


def _spread(motion: Motion, at: _WalkAt, covariance: FloatArray, scale: float) -> FloatArray:
    """(m,) standard deviation of the charge on the motion's rows [%]."""
    left, right = KNOWN + at.left, KNOWN + at.right
    cross = covariance[:COUNTED, :]
    design, share = motion.design, at.share
    variance = np.einsum("mi,mi->m", design @ covariance[:COUNTED, :COUNTED], design)
    variance += 2.0 * (1.0 - share) * np.einsum("mi,im->m", design, cross[:, left])
    variance += 2.0 * share * np.einsum("mi,im->m", design, cross[:, right])
    variance += (1.0 - share) ** 2 * covariance[left, left] + share**2 * covariance[right, right]
    variance += 2.0 * share * (1.0 - share) * covariance[left, right] + at.bridge * scale
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _on_rows(grid: Grid, motion: Motion, soc: FloatArray, per_ah: float) -> FloatArray:
    """The charge on every row: the slow part between the motion's rows by straight line, the counted part exactly."""
    counted = per_ah * grid.charge_ah
    slow = soc - counted[motion.row]
    return np.asarray(counted + np.interp(grid.end_s, motion.time_s, slow))
