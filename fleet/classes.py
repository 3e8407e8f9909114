"""Values in classes (of temperature): what may be compared with what, and levels within each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.frames import FloatArray
from fleet.intervals import middle

_CLASS_K = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Classes:
    """code: (n,) number of the class of each value, from 0, none empty. size: (k,) values in each."""

    code: NDArray[np.int64]
    size: NDArray[np.int64]

    def __getitem__(self, kept: Any) -> Classes:
        """Of some of the values."""
        return classes_of(self.code[kept])

    def medians(self, values: FloatArray) -> FloatArray:
        """(k,) median of each class; values: (n,) without NaN."""
        ordered = values[np.lexsort((values, self.code))]
        first = np.cumsum(self.size) - self.size
        medians: FloatArray = (ordered[first + (self.size - 1) // 2] + ordered[first + self.size // 2]) / 2
        return medians

    def about_medians(self, values: FloatArray) -> FloatArray:
        """(n,) values less the median of their class."""
        return values - self.medians(values)[self.code]

    def about_means(self, values: FloatArray) -> FloatArray:
        """(n,) values less the mean of their class."""
        return values - (np.bincount(self.code, values) / self.size)[self.code]


def classes_of(labels: NDArray[np.int64] | Sequence[int]) -> Classes:
    """Labels from 0 as classes, those that do not occur left out."""
    code = np.asarray(labels, dtype=np.int64)
    size = np.bincount(code)
    there = size > 0
    if there.all():
        return Classes(code, size)
    return Classes((np.cumsum(there) - 1)[code], size[there])


def temperature_classes(temperature: FloatArray) -> Classes:
    """Classes of 10 K, the middle one around the median [degC]; what is unknown is a class of its own."""
    known = np.isfinite(temperature)
    if not known.any():
        return classes_of(np.zeros(len(temperature), dtype=np.int64))
    offset = np.where(known, temperature, np.inf) - middle(temperature[known])
    label = np.floor(offset / _CLASS_K + 0.5)
    lowest = label.min()
    return classes_of(np.where(known, label - lowest + 1, 0).astype(np.int64))
