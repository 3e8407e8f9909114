"""State of charge over a whole recording: one weighted least-squares problem over counting, rests and full charges.

Unknowns are those of `motion` and the random walk of what they do not explain, its value at each node (a rest, a full
charge). Between nodes the walk is a bridge, so that mean and variance of every row follow from its two neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from estimator.grid import Grid
from estimator.motion import PER_AH, SHIFT, START, TILT, UNKNOWNS, Motion, priors
from estimator.ocv import OcvCurve

NODE_EVERY_S = 12 * 3600.0
ITERATIONS = 12
VOLTAGE_SD = 0.009  # a sensor's constant error within +/-15 mV


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """Measurements of charge that share errors: one rest, or one full charge.

    time_s: (m,). soc: (m,) [%]. covariance: (m, m) [%^2]. on_curve: True where they come from the voltage curve, and so
    share its error with all others.
    """

    time_s: FloatArray
    soc: FloatArray
    covariance: FloatArray
    on_curve: bool


@dataclass(frozen=True, slots=True, eq=False)
class Charge:
    """The solution. soc, sd: (n,) for each row of the grid [%], not yet kept within 0 and 100.

    mean, covariance: of the unknowns of `motion`. prior_mean, prior_sd: before the data. residual: (anchors,) mean of
    each anchor's measured minus estimated charge [%]. weight: (anchors,) 1, or less where an anchor does not fit.
    """

    soc: FloatArray
    sd: FloatArray
    mean: FloatArray
    covariance: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray
    residual: FloatArray
    weight: FloatArray


def solve_charge(
    grid: Grid, motion: Motion, anchors: Sequence[Anchor], curve: OcvCurve, capacity_nominal: float
) -> Charge:
    """Solve for charge over the whole recording. Without any anchor the answer is as wide as the priors."""
    shift_sd = float(np.hypot(curve.shift_sd, VOLTAGE_SD / float(curve.slope_at(np.array(70.0)))))
    prior_mean, prior_sd = priors(capacity_nominal, shift_sd, curve.tilt_sd)
    nodes = _nodes(motion, anchors)
    scale = prior_mean[PER_AH] ** 2
    base = _prior_precision(prior_sd, nodes * scale)
    start = np.concatenate((prior_mean, np.zeros(len(nodes))))
    rows = [_rows(motion, nodes, anchor) for anchor in anchors]
    inverse = [
        np.linalg.inv(anchor.covariance + np.diag(np.maximum(row.bridge * scale, 1e-9)))
        for anchor, row in zip(anchors, rows, strict=True)
    ]
    overflow = np.zeros(len(motion.time_s))
    weight = np.ones(len(anchors))
    everywhere = _walk_at(nodes, motion.clock)
    mean: FloatArray = start
    precision = base
    residual = np.zeros(len(anchors))
    for _ in range(ITERATIONS):
        precision, right = base.copy(), base @ start
        for row, anchor, inv, trust in zip(rows, anchors, inverse, weight, strict=True):
            value = anchor.soc + np.interp(anchor.time_s, motion.time_s, overflow)
            precision[np.ix_(row.columns, row.columns)] += trust * row.design.T @ inv @ row.design
            right[row.columns] += trust * row.design.T @ (inv @ value)
        mean = np.asarray(np.linalg.solve(precision, right), dtype=np.float64)
        level = motion.design @ mean[:UNKNOWNS] + _walk(everywhere, mean[UNKNOWNS:])
        new_overflow = np.maximum(np.maximum.accumulate(level - 100.0), 0.0)
        for number, (row, anchor, inv) in enumerate(zip(rows, anchors, inverse, strict=True)):
            value = anchor.soc + np.interp(anchor.time_s, motion.time_s, new_overflow)
            error = value - row.design @ mean[row.columns]
            residual[number] = float(error.mean())
            count = len(error)
            weight[number] = min(1.0, (count + 3.0 * np.sqrt(2.0 * count)) / max(float(error @ inv @ error), 1e-9))
        moved = float(np.abs(new_overflow - overflow).max(initial=0.0))
        overflow = new_overflow
        if moved < 0.01 and not anchors:
            break
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    soc = motion.design @ mean[:UNKNOWNS] + _walk(everywhere, mean[UNKNOWNS:]) - overflow
    sd = _spread(motion, everywhere, covariance, scale)
    return Charge(
        soc=_on_rows(grid, motion, soc, float(mean[PER_AH])),
        sd=np.interp(grid.end_s, motion.time_s, sd),
        mean=mean[:UNKNOWNS],
        covariance=covariance[:UNKNOWNS, :UNKNOWNS],
        prior_mean=prior_mean,
        prior_sd=prior_sd,
        residual=residual,
        weight=weight,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _WalkAt:
    """left: (k,) node before. share: (k,) of the node after, 0 to 1. bridge: (k,) variance beside both [Ah^2]."""

    left: Int64Array
    share: FloatArray
    bridge: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """An anchor's rows of the big design, on the few columns that are not zero."""

    columns: Int64Array
    design: FloatArray
    bridge: FloatArray


def _nodes(motion: Motion, anchors: Sequence[Anchor]) -> FloatArray:
    """(k,) the walk's clock at its nodes, rising, the first at the beginning [Ah^2]."""
    times = [np.zeros(1)]
    times.extend(np.append(a.time_s[0], a.time_s[_new_node(a.time_s)]) for a in anchors)
    clock = np.unique(np.interp(np.concatenate(times), motion.time_s, motion.clock))
    keep = np.concatenate(([True], np.diff(clock) > 1e-6))
    return np.asarray(clock[keep])


def _new_node(time_s: FloatArray) -> BoolArray:
    """Where a long rest passes another half day."""
    return np.asarray(np.diff((time_s - time_s[0]) // NODE_EVERY_S, prepend=0.0) > 0)


def _prior_precision(prior_sd: FloatArray, node_variance: FloatArray) -> FloatArray:
    size = UNKNOWNS + len(node_variance)
    precision = np.zeros((size, size))
    precision[np.arange(UNKNOWNS), np.arange(UNKNOWNS)] = 1.0 / prior_sd**2
    precision[UNKNOWNS, UNKNOWNS] += 1e6  # the walk begins at zero
    place = np.arange(UNKNOWNS, size - 1)
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
    return _WalkAt(left, share, bridge)


def _walk(at: _WalkAt, values: FloatArray) -> FloatArray:
    right = np.minimum(at.left + 1, len(values) - 1)
    return np.asarray(values[at.left] * (1.0 - at.share) + values[right] * at.share)


def _rows(motion: Motion, nodes: FloatArray, anchor: Anchor) -> _Rows:
    count = len(anchor.time_s)
    known = np.stack([np.interp(anchor.time_s, motion.time_s, column) for column in motion.design.T], axis=1)
    if anchor.on_curve:
        known[:, SHIFT] = 1.0
        known[:, TILT] = (np.clip(anchor.soc, 0.0, 105.0) - 75.0) / 50.0
    at = _walk_at(nodes, np.interp(anchor.time_s, motion.time_s, motion.clock))
    right = np.minimum(at.left + 1, len(nodes) - 1)
    used = np.unique(np.concatenate((at.left, right)))
    walk = np.zeros((count, len(used)))
    np.add.at(walk, (np.arange(count), np.searchsorted(used, at.left)), 1.0 - at.share)
    np.add.at(walk, (np.arange(count), np.searchsorted(used, right)), at.share)
    columns = np.concatenate((np.arange(UNKNOWNS), UNKNOWNS + used))
    return _Rows(columns, np.hstack((known, walk)), at.bridge)


def _spread(motion: Motion, at: _WalkAt, covariance: FloatArray, scale: float) -> FloatArray:
    """(m,) standard deviation of the charge on the motion's rows [%]."""
    left = UNKNOWNS + at.left
    right = np.minimum(left + 1, len(covariance) - 1)
    own, cross = covariance[:UNKNOWNS, :UNKNOWNS], covariance[:UNKNOWNS, :]
    design, share = motion.design, at.share
    variance = np.einsum("mi,ij,mj->m", design, own, design, optimize=True)
    projected = design @ cross
    rows = np.arange(len(left))
    variance += 2.0 * ((1.0 - share) * projected[rows, left] + share * projected[rows, right])
    variance += (1.0 - share) ** 2 * covariance[left, left] + share**2 * covariance[right, right]
    variance += 2.0 * share * (1.0 - share) * covariance[left, right] + at.bridge * scale
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _on_rows(grid: Grid, motion: Motion, soc: FloatArray, per_ah: float) -> FloatArray:
    """The charge on every row: the slow part between the motion's rows by straight line, the counted part exactly."""
    counted = per_ah * grid.charge_ah
    slow = soc - counted[motion.row]
    return np.asarray(counted + np.interp(grid.end_s, motion.time_s, slow))


def start_is_known(charge: Charge) -> bool:
    """Did the data say anything of the charge at the beginning?"""
    return bool(charge.covariance[START, START] < 0.5 * charge.prior_sd[START] ** 2)
