"""A new platform.toml as text: what is known is in force, what is proposed is a comment with its reasons."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping, Sequence

from signal_defs.platform import Bus
from signal_defs.roles import REQUIRED_ROLES, ROLES
from signal_defs.scaffold import Proposals
from signal_defs.scaffold_candidate import Candidate
from signal_defs.scaffold_rules import example_conditions

_HOW = """\
# A line that begins with # and no blank is a proposal: take the # away to accept it, correct it, or delete it.
# Nothing is in force that you did not accept. Then: idlewhy platform check {folder}
"""


def platform_text(
    platform_id: str,
    title: str,
    buses: Sequence[Bus],
    proposals: Proposals,
    *,
    folder: str = ".",
    channels: Mapping[str, Sequence[str]] | None = None,
    remarks: Sequence[str] = (),
) -> str:
    """The text of a platform.toml.

    channels: for each bus, what the log calls the channels where its identifiers were seen. remarks: lines for the
    head of the file, such as what a log holds.
    """
    lines = [*_HOW.format(folder=folder).splitlines(), *(comment(line) for line in remarks), "", "schema = 1"]
    lines += [f"id = {quoted(platform_id)}", f"title = {quoted(title)}"]
    lines += ['#version = "1"', '#sources = ["where the databases and the thresholds come from"]']
    for bus in buses:
        lines += _bus(bus, (channels or {}).get(bus.name, ()))
    if not buses:
        lines += ["", "#[[bus]]", '#name = "sensor"', '#kind = "lin"', '#databases = ["sensor.ldf"]']
    lines += ["", "[signals]"]
    for role in dict.fromkeys((*REQUIRED_ROLES, *proposals)):
        lines += _role(role, proposals.get(role, ()))
    lines += ["", "[battery]", "# Its label tells these; no database does.", '#type = "agm"  # flooded, efb or agm']
    lines += ["#capacity_ah = 70", "#cold_cranking_a = 760", '#cold_cranking_standard = "EN"  # EN, SAE, IEC or DIN']
    rules = example_conditions({*proposals, "battery_soc"})
    lines += [
        "",
        "# When the vehicle allows idle-stop. Examples to begin with; `idlewhy platform learn` corrects them.",
    ]
    return "\n".join([*lines, *rules]) + "\n"


def _bus(bus: Bus, channels: Sequence[str]) -> list[str]:
    names = ", ".join(quoted(database.name) for database in bus.databases)
    lines = ["", "[[bus]]", f"name = {quoted(bus.name)}", f'kind = "{bus.kind}"', f"databases = [{names}]"]
    if channels:
        lines.append(comment("the log has its identifiers on:"))
        lines.append(f"#channels = [{', '.join(quoted(name) for name in channels)}]")
    return lines


def _role(role: str, ranked: Sequence[Candidate]) -> list[str]:
    meaning = f"{role}: {ROLES[role].meaning}"
    if not ranked:
        return [
            "",
            comment(f"{meaning}. Required; nothing in the databases looks like it."),
            f'#{role} = "bus/message.signal"',
        ]
    best, *others = ranked
    lines = ["", comment(meaning), *_folded(f"{best.strength}: {_why(best)}"), f"#{entry(best)}"]
    for other in others:
        lines += [comment(f"or {entry(other)}"), *_folded(f"{other.strength}: {_why(other)}", "   ")]
    return lines


def _folded(text: str, indent: str = "") -> list[str]:
    return [comment(indent + line) for line in textwrap.wrap(text, 110, break_long_words=False)]


def _why(one: Candidate) -> str:
    return "; ".join(str(reason) for reason in one.reasons)


def entry(one: Candidate) -> str:
    """A candidate as a line of [signals]."""
    if not one.keys:
        return f"{one.role.name} = {quoted(one.source)}"
    parts = [f"from = {quoted(one.source)}", *(f"{key} = {_value(value)}" for key, value in one.keys.items())]
    return f"{one.role.name} = {{ {', '.join(parts)} }}"


def _value(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(item) for item in value)}]"
    if isinstance(value, str):
        return quoted(value)
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def quoted(text: str) -> str:
    """A TOML basic string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def comment(text: str) -> str:
    """A comment line; signs that TOML forbids there become blanks."""
    return "# " + re.sub(r"[\x00-\x1f\x7f\x85\u2028\u2029]", " ", text)
