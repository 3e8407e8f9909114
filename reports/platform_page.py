"""The page of one platform: what it sees, by which rules it judges, what is missing and what that costs."""

from __future__ import annotations

from collections.abc import Sequence

from reports.language import Language
from reports.page import render
from reports.part import Part
from reports.platform_words import rating_words
from reports.role_words import role_words
from reports.rule_cells import rule_cells, rule_columns
from reports.table import Cell, Column, Table, table, word
from signal_defs.costs import missing
from signal_defs.platform import Binding, Condition, Platform


def platform_page(platform: Platform, *, origins: Sequence[tuple[str, str, str]] = (), language: str = "en") -> str:
    """One self-contained HTML page; the same platform gives the same bytes.

    origins: (kind, name, place) of its parts, shown where it extends another. Raises UsageError for a language that is
    not in `reports.language.LANGUAGES`.
    """
    say = Language(language)
    lost = missing(platform.bindings)
    parts = [_sees(platform, say), _rules(platform, say), _missing(platform, say), _buses(platform, say)]
    if platform.extends:
        parts.append(_result(platform, origins, say))
    return render(
        "platform.html.j2",
        say=say,
        title=say("{platform}: platform", platform=say.name(platform.title)),
        foot=platform.sha256[:12],
        with_pictures=False,
        name=say.name(platform.title),
        about=say(
            "{id} · version {version} · definition {hash}",
            id=platform.id,
            version=platform.version or "–",
            hash=platform.sha256[:12],
        ),
        happened=say.many(
            "{roles} roles on {n} bus, {rules} conditions for idle-stop; battery: {battery}.",
            "{roles} roles on {n} buses, {rules} conditions for idle-stop; battery: {battery}.",
            len(platform.buses),
            roles=len(platform.bindings),
            rules=len(platform.idle_stop.conditions),
            battery=rating_words(platform.battery),
        ),
        weight="check" if lost else "calm",
        lost=say("What it lacks most: {cost}", cost=say.text(lost[0].cost))
        if lost
        else say("Nothing that the analysis looks for is missing."),
        parts=parts,
    )


def _sees(platform: Platform, say: Language) -> Part:
    columns = [
        Column(say("Role")),
        Column(say("Meaning")),
        Column(say("Unit")),
        Column(say("Signal")),
        Column(say("How it is read")),
    ]
    rows = [
        [
            word(role),
            word(role_words(role, say)),
            word(binding.role.unit.replace("degC", "°C")),
            word(binding.source),
            word(_reading(binding, say)),
        ]
        for role, binding in platform.bindings.items()
    ]
    answer = say("{n} signals play a role; whatever is not here stays unknown.", n=len(rows))
    return Part("roles", say("What does it see?"), answer, tables=(table("roles", say("Roles"), columns, rows),))


def _reading(binding: Binding, say: Language) -> str:
    words = []
    if binding.role.unit == "A":
        words.append(say("charge is positive") if binding.sign > 0 else say("discharge is positive, turned round"))
    if (binding.scale, binding.offset) != (1.0, 0.0):
        words.append(say("times {scale:g} plus {offset:g}", scale=binding.scale, offset=binding.offset))
    if binding.true_when:
        words.append(say("true when {values}", values=", ".join(str(value) for value in binding.true_when)))
    if binding.invalid:
        words.append(say("not available when {values}", values=", ".join(str(value) for value in binding.invalid)))
    return "; ".join(words) or "–"


def _rules(platform: Platform, say: Language) -> Part:
    rows = [[*rule_cells(one, say), word(_seen(one, platform, say))] for one in platform.idle_stop.conditions]
    columns = [*rule_columns(say), Column(say("Seen"))]
    unseen = sum(row[-1].raw == say("no, stays unknown") for row in rows)
    answer = say("{n} conditions, {m} of them without a signal.", n=len(rows), m=unseen)
    return Part(
        "rules",
        say("When does it allow idle-stop?"),
        answer,
        tables=(table("conditions", say("Conditions"), columns, rows), _figures(platform, say)),
    )


def _seen(condition: Condition, platform: Platform, say: Language) -> str:
    """Whether the platform has a signal for it."""
    if condition.role in platform.bindings:
        return say("yes")
    return say("by the estimate") if condition.role == "battery_soc" else say("no, stays unknown")


def _figures(platform: Platform, say: Language) -> Table:
    rules = platform.idle_stop
    figures = [
        (say("Stands at or below"), rules.standing_kmh, "km/h"),
        (say("Delay from standing to the decision"), rules.stop_delay_s, "s"),
        (say("Shortest standstill that counts"), rules.min_standstill_s, "s"),
        (say("Speed that arms it again"), rules.re_arm_kmh, "km/h"),
        (say("for"), rules.re_arm_s, "s"),
        (say("Longest stop"), rules.max_stop_s, "s"),
        (say("A good restart takes at most"), rules.restart_max_s, "s"),
        (say("A good restart keeps at least"), rules.restart_min_v, "V"),
        (say("Fuel at idle"), rules.idle_fuel_l_per_h, "l/h"),
    ]
    rows = [
        [word(name), Cell("–", "") if value is None else Cell(say.number(value, 2), value), word(unit)]
        for name, value, unit in figures
    ]
    columns = [Column(say("Figure")), Column(say("Value"), numeric=True), Column(say("Unit"))]
    return table("figures", say("How it decides"), columns, rows)


def _missing(platform: Platform, say: Language) -> Part:
    lost = missing(platform.bindings)
    columns = [Column(say("Missing")), Column(say("What that costs"))]
    rows = [[word(" / ".join(one.any_of)), word(say.text(one.cost))] for one in lost]
    answer = (
        say.many("{n} thing is missing.", "{n} things are missing.", len(rows))
        if rows
        else say("Nothing that the analysis looks for is missing.")
    )
    return Part(
        "missing",
        say("What is missing, and what does that cost?"),
        answer,
        tables=(table("missing", say("Missing roles"), columns, rows),),
    )


def _buses(platform: Platform, say: Language) -> Part:
    columns = [
        Column(say("Bus")),
        Column(say("Kind")),
        Column(say("Channels")),
        Column(say("Message")),
        Column(say("Identifier")),
        Column(say("Cycle"), "ms", numeric=True),
        Column(say("Roles")),
    ]
    rows = []
    for bus in platform.buses:
        roles: dict[str, list[str]] = {}
        for role, binding in platform.bindings.items():
            if binding.bus == bus.name:
                roles.setdefault(binding.message, []).append(role)
        for message in bus.messages:
            if message.name in roles:
                cycle = (
                    Cell("–", "")
                    if message.cycle_s is None
                    else Cell(say.number(message.cycle_s * 1e3, 0), message.cycle_s * 1e3)
                )
                channels = ", ".join(bus.channels) or say("told by identifiers")
                words = [
                    word(text)
                    for text in (bus.name, bus.kind.upper(), channels, message.name, f"0x{message.identifier:X}")
                ]
                rows.append([*words, cycle, word(", ".join(roles[message.name]))])
    files = [
        [word(bus.name), word(database.name), word(database.sha256)]
        for bus in platform.buses
        for database in bus.databases
    ]
    defined = sum(len(bus.messages) for bus in platform.buses)
    answer = say("{n} of the {m} messages that the databases define are used.", n=len(rows), m=defined)
    tables = (
        table("messages", say("Messages used"), columns, rows),
        table("databases", say("Databases"), [Column(say("Bus")), Column(say("File")), Column("SHA-256")], files),
    )
    return Part("buses", say("Where does it look?"), answer, tables=tables, notes=tuple(platform.sources))


def _result(platform: Platform, origins: Sequence[tuple[str, str, str]], say: Language) -> Part:
    columns = [Column(say("Part")), Column(say("Name")), Column(say("Comes from"))]
    rows = [[word(kind), word(name), word(place)] for kind, name, place in origins]
    names = ", ".join(folder.replace("\\", "/").rstrip("/").rpartition("/")[2] for folder in platform.extends)
    answer = say("It is laid over {names}; this is the result.", names=names)
    return Part(
        "result",
        say("What comes from where?"),
        answer,
        tables=(table("origins", say("Origin of each part"), columns, rows),),
    )
