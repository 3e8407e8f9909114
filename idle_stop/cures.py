"""What would have helped: refusals that would be gone had a condition, or a set of them, been met."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from idle_stop.account import Cure, Standstill
from signal_defs.text import Text

_EXACT_CONDITIONS = 18  # up to here the smallest set is searched for exactly

Weighted = tuple[frozenset[str], int, float]


def idle_seconds(standstill: Standstill) -> float:
    """Seconds a refused standstill idled after the decision: what a stop would have saved."""
    return max(standstill.end_ns - standstill.decision_ns, 0) / 1e9


def single_cures(refused: Sequence[Standstill]) -> tuple[Cure, ...]:
    """Each condition alone, most refusals freed first: what would be gone had it alone been met."""
    sets = _weighted(refused)
    names = sorted({name for reasons, _, _ in sets for name in reasons})
    cures = [_cure((name,), sets) for name in names]
    return tuple(sorted(cures, key=lambda cure: (-cure.refusals, -cure.idle_s, cure.conditions)))


def smallest_cures(
    refused: Sequence[Standstill], shares: Sequence[float] = (0.8, 1.0)
) -> tuple[tuple[Cure, ...], tuple[Text, ...]]:
    """For each share of the explained refusals the smallest set of conditions that would free it.

    A refusal is freed when all its reasons are in the set. Exact up to 18 conditions; beyond that the set is grown
    condition by condition and may not be the smallest, which the second value says.
    """
    sets = _weighted(refused)
    total = sum(count for _, count, _ in sets)
    if not total:
        return (), ()
    names = sorted({name for reasons, _, _ in sets for name in reasons})
    exact = len(names) <= _EXACT_CONDITIONS
    found = []
    for share in shares:
        needed = math.ceil(share * total - 1e-9)
        if needed >= total:
            found.append(_cure(tuple(names), sets))
        else:
            found.append(_cure(_exact(names, sets, needed) if exact else _grown(sets, needed), sets))
    said = Text(
        "{conditions} conditions failed, too many to search all sets of them; the smallest sets may be smaller still.",
        {"conditions": len(names)},
    )
    return tuple(found), () if exact else (said,)


def _weighted(refused: Sequence[Standstill]) -> list[Weighted]:
    """Refusals with reasons, equal sets of reasons taken together: the set, how many, idle seconds."""
    count: Counter[frozenset[str]] = Counter()
    idle: dict[frozenset[str], float] = {}
    for standstill in refused:
        reasons = frozenset(reason.condition for reason in standstill.reasons)
        if standstill.outcome == "refused" and reasons:
            count[reasons] += 1
            idle[reasons] = idle.get(reasons, 0.0) + idle_seconds(standstill)
    return [(reasons, number, idle[reasons]) for reasons, number in count.items()]


def _cure(names: tuple[str, ...], sets: Sequence[Weighted]) -> Cure:
    chosen = frozenset(names)
    freed = [(number, idle) for reasons, number, idle in sets if reasons <= chosen]
    return Cure(names, sum(number for number, _ in freed), sum(idle for _, idle in freed))


def _exact(names: Sequence[str], sets: Sequence[Weighted], needed: int) -> tuple[str, ...]:
    """The smallest set that frees `needed` refusals; of equals the one that frees most, then most idle time.

    Branch and bound over the conditions: a branch ends where even all conditions left could not free enough.
    """
    place = {name: index for index, name in enumerate(names)}
    masks = [(sum(1 << place[name] for name in reasons), number, idle) for reasons, number, idle in sets]
    best: tuple[int, int, float, int] | None = None

    def search(index: int, chosen: int, size: int) -> None:
        nonlocal best
        open_mask = chosen | ~((1 << index) - 1)
        if sum(number for mask, number, _ in masks if not mask & ~open_mask) < needed:
            return
        freed = sum(number for mask, number, _ in masks if not mask & ~chosen)
        if freed >= needed:
            idle = sum(idle for mask, _, idle in masks if not mask & ~chosen)
            if best is None or (size, -freed, -idle) < best[:3]:
                best = (size, -freed, -idle, chosen)
            return
        if index == len(names) or (best is not None and size + 1 > best[0]):
            return
        search(index + 1, chosen | 1 << index, size + 1)
        search(index + 1, chosen, size)

    search(0, 0, 0)
    assert best is not None
    return tuple(name for name in names if best[3] >> place[name] & 1)


def _grown(sets: Sequence[Weighted], needed: int) -> tuple[str, ...]:
    """A set grown by whichever refusals cost the fewest further conditions each, until enough are freed."""
    chosen: frozenset[str] = frozenset()
    while sum(number for reasons, number, _ in sets if reasons <= chosen) < needed:
        left = [(reasons, number) for reasons, number, _ in sets if not reasons <= chosen]
        reasons, _ = min(left, key=lambda pair: (len(pair[0] - chosen) / pair[1], sorted(pair[0])))
        chosen |= reasons
    return tuple(sorted(chosen))
