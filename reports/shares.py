"""Shares of few cases, with the interval that few cases leave."""

from __future__ import annotations

import math
from dataclasses import dataclass

from idle_stop.account import Account

_Z = 1.959963984540054  # two-sided 95 % of the normal distribution


@dataclass(frozen=True, slots=True)
class Share:
    """count of cases, and the 95 % Wilson interval of the true share, 0 to 1."""

    count: int
    of: int
    low: float
    high: float

    @property
    def value(self) -> float:
        return self.count / self.of if self.of else math.nan


def share(count: int, of: int) -> Share:
    """A share with its Wilson interval; 0 to 1 where there is no case.

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
    """
    if not of:
        return Share(0, 0, 0.0, 1.0)
    p, z2 = count / of, _Z * _Z
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z / (1 + z2 / of) * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of))
    return Share(count, of, max(0.0, middle - half), min(1.0, middle + half))


def refused_share(account: Account) -> Share:
    """Refused standstills among those where a stop was to be expected."""
    return share(account.count("refused"), len(account.standstills) - account.count("not_sought"))
