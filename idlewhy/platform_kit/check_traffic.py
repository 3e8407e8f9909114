"""Findings about messages: cycle times, lengths, ranges, checksums and counters."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np

from decoder.guard import check_protection
from idlewhy.platform_kit.traffic import Traffic
from signal_defs.check_finding import CheckFinding, CheckWeight
from signal_defs.platform import Platform
from signal_defs.text import Text

SLACK = 1.5  # a cycle time this many times off is told; common practice, no source
TOO_MANY_WRONG = 0.5  # share of wrong checksums from which the declaration is the likelier fault; common practice


def check_traffic(platform: Platform, traffic: Sequence[Traffic]) -> list[CheckFinding]:
    """Findings on what the logs carry; heavier where a bound role is concerned."""
    bound = {(binding.bus, binding.message) for binding in platform.bindings.values()}
    found: list[CheckFinding] = []
    for one in traffic:
        is_bound = (one.bus, one.message.name) in bound
        found += [*_length(one, is_bound=is_bound), *_ranges(one)]
    return found + _cycles(traffic, bound) + _protections(platform, traffic)


def _cycles(traffic: Sequence[Traffic], bound: Collection[tuple[str, str]]) -> list[CheckFinding]:
    """A warning for each message that comes too often, one note for all that come too seldom.

    Too often, it is another message or another version of it. Too seldom tells nothing of the definition: loggers keep
    fewer frames, and a master asks a LIN sensor less often while the vehicle is parked; common practice, no source.
    """
    found: list[CheckFinding] = []
    seldom: list[Text] = []
    for one in traffic:
        defined, seen = one.message.cycle_s, one.periods_s
        if not defined or not seen or any(1 / SLACK <= period / defined <= SLACK for period in seen):
            continue
        values = {"name": one.message.name, "seen": seen[-1] * 1e3, "defined": defined * 1e3}
        if seen[0] > defined:
            seldom.append(Text("{name} every {seen:.0f} instead of {defined:.0f} ms", values))
            continue
        said = Text("It comes every {seen:.0f} ms; the database says {defined:.0f} ms.", values)
        mend = Text("Correct the cycle time in the database, or look whether this is the message that is meant.")
        weight: CheckWeight = "warning" if (one.bus, one.message.name) in bound else "note"
        found.append(CheckFinding("cycle_time", weight, f"{one.bus}/{one.message.name}", said, mend))
    if seldom:
        said = Text(
            "{n} of {of} messages come less often than the databases say: {some}.",
            {"n": len(seldom), "of": len(traffic), "some": ", ".join(str(text) for text in seldom)},
        )
        mend = Text("Let the logger keep every frame: a crank needs 20 a second. If it does, correct these.")
        found.append(CheckFinding("cycle_time", "note", "logs", said, mend))
    return found


def _length(one: Traffic, *, is_bound: bool) -> Iterator[CheckFinding]:
    if one.short:
        said = Text(
            "{n} of {of} frames are shorter than the {bytes} bytes of the database; the shortest has {least}.",
            {"n": one.short, "of": one.frames, "bytes": one.message.length, "least": one.shortest},
        )
        mend = Text("Take the database of this vehicle's version; signals past the end have no value.")
        yield CheckFinding(
            "frame_short", "warning" if is_bound else "note", f"{one.bus}/{one.message.name}", said, mend
        )


def _ranges(one: Traffic) -> Iterator[CheckFinding]:
    for name, (count, low, high) in one.outside.items():
        signal = one.message.signal(name)
        said = Text(
            "{n} of {of} values lie outside {least:g} to {most:g} {unit}, from {low:g} to {high:g}; they count as "
            "not available.",
            {"n": count, "of": one.frames, "least": signal.minimum, "most": signal.maximum}
            | {"unit": signal.unit, "low": low, "high": high},
        )
        mend = Text(
            "Compare range, scale, sign and byte order with the source; widen the range if the values are real."
        )
        yield CheckFinding("out_of_range", "warning", f"{one.bus}/{one.message.name}.{name}", said, mend)


def _protections(platform: Platform, traffic: Sequence[Traffic]) -> list[CheckFinding]:
    found: list[CheckFinding] = []
    for place, protection in enumerate(platform.protections):
        where = f"platform.toml, [[protection]] {place + 1}, {protection.bus}/{protection.message}"
        own = next((t for t in traffic if (t.bus, t.message.name) == (protection.bus, protection.message)), None)
        if own is None or not own.protected:
            said = Text("No whole frame of the message is in the logs: its protection was not checked.")
            found.append(CheckFinding("not_checked", "note", where, said, Text("Give a log that holds it.")))
            continue
        checked = check_protection(protection, own.message, np.concatenate(own.protected))
        frames, wrong = len(checked.crc_ok), int((~checked.crc_ok).sum())
        lost, repeated = checked.count("lost"), checked.count("repeated")
        values = {"n": wrong, "of": frames, "profile": protection.profile}
        if wrong > TOO_MANY_WRONG * frames:
            said = Text("{n} of {of} checksums are wrong by {profile}: the declaration does not fit.", values)
            mend = Text("Compare profile, data id and the place of the checksum with their source.")
            found.append(CheckFinding("checksum_wrong", "error", where, said, mend))
            continue
        if wrong:
            said = Text("{n} of {of} checksums are wrong by {profile}.", values)
            mend = Text("Look at these frames: disturbed on the way, or another sender with the same identifier.")
            found.append(CheckFinding("checksum_wrong", "warning", where, said, mend))
        if lost or repeated:
            said = Text(
                "The counter skips {lost} times and repeats {repeated} times.", {"lost": lost, "repeated": repeated}
            )
            mend = Text(
                "Frames were lost or logged twice; if it is so throughout, raise max_delta or correct the counter."
            )
            weight = "warning" if lost + repeated > 0.01 * frames else "note"
            found.append(CheckFinding("counter", "warning" if weight == "warning" else "note", where, said, mend))
    return found
