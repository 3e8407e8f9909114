"""The battery's share of the refusals, and the share that stays unknown beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from estimator.estimate import Figure, unknown_figure
from idle_stop.account import Account
from signal_defs.text import Text

MOST_UNKNOWN = 0.3  # beyond this share no battery share is told; common practice, no source
_Z = 1.959963984540054  # two-sided 95 %


@dataclass(frozen=True, slots=True)
class Shares:
    """Shares of all refusals, 0 to 1. battery: refused for an electrical condition alone and surely. unknown: refused
    with no reason that can be seen, or with one that others not visible may have joined.
    """

    refusals: int
    battery: Figure
    unknown: float


def battery_share(account: Account) -> Shares:
    """The battery's share with its Wilson interval (95 %); none where too much is unknown or nothing was refused."""
    refused = account.refused
    if not refused:
        return Shares(0, unknown_figure(Text("No stop was refused.")), math.nan)
    n = len(refused)
    hidden = sum(one.verdict in {"unknown", "contradicted", "probable"} for one in refused) / n
    if hidden > MOST_UNKNOWN:
        said = Text("{share:.0%} of the refusals are not surely explained: no share is told.", {"share": hidden})
        return Shares(n, unknown_figure(said), hidden)
    sole = sum(one.verdict == "sole" and one.reasons[0].group == "electrical" for one in refused)
    return Shares(n, wilson(sole, n), hidden)


def wilson(hits: float, n: float) -> Figure:
    """A share with its 95 % interval. Source: Wilson, J. Am. Stat. Assoc. 22 (1927) 209, from memory."""
    share = hits / n
    spread = _Z * math.sqrt(share * (1.0 - share) / n + _Z * _Z / (4.0 * n * n))
    centre, scale = share + _Z * _Z / (2.0 * n), 1.0 + _Z * _Z / n
    return Figure(share, max((centre - spread) / scale, 0.0), min((centre + spread) / scale, 1.0))
