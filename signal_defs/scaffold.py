"""Proposes which signal plays which role, from the names, units and ranges in databases; a person decides."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from signal_defs.platform import Bus
from signal_defs.roles import ROLES
from signal_defs.scaffold_candidate import Candidate, judge

LEAST = 4.0  # points below which a signal is not shown
ALTERNATIVES = 3
Proposals = Mapping[str, tuple[Candidate, ...]]


def candidates(buses: Iterable[Bus]) -> tuple[Candidate, ...]:
    """Every signal with every role that something speaks for, in the order of the databases."""
    found: list[Candidate] = []
    for bus in buses:
        seen: set[tuple[str, str]] = set()
        for message in bus.messages:
            for signal in message.signals:
                if (message.name, signal.name) in seen:
                    continue
                seen.add((message.name, signal.name))
                judged = (judge(role, bus.name, bus.kind, message.name, signal) for role in ROLES)
                found += [one for one in judged if one is not None]
    return tuple(found)


def rank(found: Sequence[Candidate], least: float = LEAST) -> Proposals:
    """For each role its candidates, the best first; no signal is first for two roles.

    Roles are served by the points of their best candidate. The order of the databases decides between equals.
    """
    ordered = sorted((one for one in found if one.points >= least), key=lambda one: -one.points)
    first: dict[str, Candidate] = {}
    taken: set[str] = set()
    for one in ordered:
        if one.role.name not in first and one.source not in taken:
            first[one.role.name] = one
            taken.add(one.source)
    ranked: dict[str, tuple[Candidate, ...]] = {}
    for role in ROLES:
        if role in first:
            others = [one for one in ordered if one.role.name == role and one is not first[role]]
            ranked[role] = (first[role], *others[:ALTERNATIVES])
    return ranked


def propose_roles(
    buses: Sequence[Bus], weigh: Callable[[Sequence[Candidate]], Sequence[Candidate]] | None = None
) -> Proposals:
    """The proposals for a platform with these buses. weigh: adds what a log says to the candidates."""
    found = candidates(buses)
    return rank(found if weigh is None else weigh(found))
