"""Straight-line fits with priors, outliers held back."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from decoder.frames import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A straight-line fit with priors. mean: (k,). covariance: (k, k). scatter: deviation of one more point."""

    mean: FloatArray
    covariance: FloatArray
    scatter: float

    def at(self, row: FloatArray) -> tuple[float, float]:
        """Expected value for one row of regressors, and its standard deviation without the scatter."""
        return float(row @ self.mean), float(np.sqrt(row @ self.covariance @ row))


def fit_with_prior(
    design: FloatArray, value: FloatArray, sd: FloatArray, prior: tuple[FloatArray, FloatArray], floor: float
) -> Fit:
    """Least squares with Gaussian priors on the coefficients, outliers held back (Huber at two deviations).

    design: (n, k). value, sd: (n,). prior: means and standard deviations, (k,) each. floor: scatter beyond sd that is
    expected before any data; the data then tell, as six points' worth of belief against n.
    """
    prior_mean, prior_sd = prior
    scatter = floor
    weight = np.ones(len(value))
    mean: FloatArray = prior_mean
    covariance: FloatArray = np.diag(prior_sd**2)
    for _ in range(8):
        inverse = weight / (sd**2 + scatter**2)
        precision = np.diag(1.0 / prior_sd**2) + (design.T * inverse) @ design
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        mean = covariance @ (prior_mean / prior_sd**2 + (design.T * inverse) @ value)
        error = value - design @ mean
        size = np.abs(error) / np.sqrt(sd**2 + scatter**2)
        weight = np.minimum(1.0, 2.0 / np.maximum(size, 1e-9))
        excess = float((weight * np.maximum(error**2 - sd**2, 0.0)).sum())
        scatter = math.sqrt((6.0 * floor**2 + excess) / (6.0 + len(value)))
    return Fit(mean, covariance, scatter)
