"""How many requests one caller may make: a bucket that fills steadily."""

from __future__ import annotations

import time
from collections import OrderedDict

_KEPT = 10_000


class Rate:
    """At most `per_s` requests a second on average, `burst` at once, for each caller."""

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s = per_s
        self._burst = burst
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, caller: str, amount: float = 1.0) -> float:
        """Count a request; seconds to wait if it is one too many, else 0."""
        now = time.monotonic()
        level, at = self._buckets.get(caller, (self._burst, now))
        level = min(self._burst, level + (now - at) * self._per_s)
        allowed = level >= amount
        self._buckets[caller] = (level - amount if allowed else level, now)
        self._buckets.move_to_end(caller)
        while len(self._buckets) > _KEPT:
            self._buckets.popitem(last=False)
        return 0.0 if allowed else (amount - level) / self._per_s
