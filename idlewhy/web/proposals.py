"""Proposals in a platform.toml: lines that begin with # and no blank, as `idlewhy platform new` writes them.

People accept them one by one on a page; what is accepted loses its #. The rest of the file stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass

_PROPOSAL = re.compile(r"#(?P<key>[a-z_][a-z0-9_]*) = (?P<value>.+)")
_REMARK = re.compile(r"# +(?P<text>.+)")
_BATTERY = {"type": re.compile(r"flooded|efb|agm"), "cold_cranking_standard": re.compile(r"EN|SAE|IEC|DIN")}
_NUMBER = re.compile(r"[0-9]{1,4}(\.[0-9]{1,3})?")
BATTERY_KEYS = ("type", "capacity_ah", "cold_cranking_a", "cold_cranking_standard")


@dataclass(frozen=True, slots=True)
class Proposal:
    """One role's proposal. line: its number, from 0. why: what speaks for it; is_likely: enough to be ticked."""

    line: int
    role: str
    value: str
    why: str

    @property
    def is_likely(self) -> bool:
        return self.why.startswith(("strong", "fair"))


def proposals(text: str) -> list[Proposal]:
    """What is proposed for roles; without those that name a place to fill in."""
    found: list[Proposal] = []
    remarks: list[str] = []
    for number, line, section in _lines(text):
        remark, proposal = _REMARK.fullmatch(line), _PROPOSAL.fullmatch(line)
        if remark:
            remarks.append(remark["text"])
        elif proposal and section == "signals" and "bus/message.signal" not in line:
            found.append(Proposal(number, proposal["key"], proposal["value"], " ".join(remarks[1:])))
        if not remark:
            remarks = []
    return found


def open_battery_keys(text: str) -> list[str]:
    """Figures of the battery that are proposals still."""
    found = [_PROPOSAL.fullmatch(line) for _, line, section in _lines(text) if section == "battery"]
    return [one["key"] for one in found if one and one["key"] in BATTERY_KEYS]


def accepted(text: str, lines: Collection[int], battery: Mapping[str, str]) -> str:
    """The file with these proposals in force. battery: figures by key; what does not look like one is left out."""
    changed = []
    offered = {one.line for one in proposals(text)}.intersection(lines)
    for number, line, section in _lines(text):
        proposal = _PROPOSAL.fullmatch(line)
        given = battery.get(proposal["key"], "").strip() if proposal and section == "battery" else ""
        if proposal and section == "battery" and _is_figure(proposal["key"], given):
            value = given if _NUMBER.fullmatch(given) else f'"{given}"'
            changed.append(f"{proposal['key']} = {value}")
        else:
            changed.append(line[1:] if proposal and number in offered else line)
    return "\n".join(changed) + "\n"


def _is_figure(key: str, given: str) -> bool:
    return key in BATTERY_KEYS and _BATTERY.get(key, _NUMBER).fullmatch(given) is not None


def _lines(text: str) -> list[tuple[int, str, str]]:
    """Number, text and table of each line."""
    found, section = [], ""
    for number, line in enumerate(text.splitlines()):
        if line.lstrip("#").startswith("["):
            section = line.strip("#[] ")
        found.append((number, line, section))
    return found
