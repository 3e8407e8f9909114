"""The page of one platform: what it sees, by which rules it judges, what is missing and what that costs."""

from __future__ import annotations

from collections.abc import Sequence

from reports.language import Language
from reports.page import render
from reports.part import Part
from reports.platform_words import rating_words
from reports.role_words import role_words
from reports.rule_tables import rule_columns, settings_table
from reports.table import Table, numbers, texts
from signal_defs.costs import missing
from signal_defs.platform import Binding, Platform


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
        heading=say.name(platform.title),
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
    bound = platform.bindings
    columns = [
        texts(say("Role"), bound),
        texts(say("Meaning"), [role_words(role, say) for role in bound]),
        texts(say("Unit"), [one.role.unit.replace("degC", "°C") for one in bound.values()]),
        texts(say("Signal"), [one.source for one in bound.values()]),
        texts(say("How it is read"), [_reading(one, say) for one in bound.values()]),
    ]
    answer = say("{n} signals play a role; whatever is not here stays unknown.", n=len(bound))
    return Part("roles", say("What does it see?"), answer, tables=(Table("roles", say("Roles"), columns),))


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
    rules = platform.idle_stop.conditions
    unseen = say("no, stays unknown")
    seen = [
        say("yes") if one.role in platform.bindings else say("by the estimate") if one.role == "battery_soc" else unseen
        for one in rules
    ]
    answer = say("{n} conditions, {m} of them without a signal.", n=len(rules), m=seen.count(unseen))
    conditions = Table("conditions", say("Conditions"), [*rule_columns(rules, say), texts(say("Seen"), seen)])
    tables = (conditions, settings_table(platform, say))
    return Part("rules", say("When does it allow idle-stop?"), answer, tables=tables)


def _missing(platform: Platform, say: Language) -> Part:
    lost = missing(platform.bindings)
    columns = [
        texts(say("Missing"), [" / ".join(one.any_of) for one in lost]),
        texts(say("What that costs"), [say.text(one.cost) for one in lost]),
    ]
    answer = (
        say.many("{n} thing is missing.", "{n} things are missing.", len(lost))
        if lost
        else say("Nothing that the analysis looks for is missing.")
    )
    question = say("What is missing, and what does that cost?")
    return Part("missing", question, answer, tables=(Table("missing", say("Missing roles"), columns),))


def _buses(platform: Platform, say: Language) -> Part:
    roles: dict[tuple[str, str], list[str]] = {}
    for role, binding in platform.bindings.items():
        roles.setdefault((binding.bus, binding.message), []).append(role)
    used = [(bus, one) for bus in platform.buses for one in bus.messages if (bus.name, one.name) in roles]
    cycles = [None if one.cycle_s is None else one.cycle_s * 1e3 for _, one in used]
    messages = [
        texts(say("Bus"), [bus.name for bus, _ in used]),
        texts(say("Kind"), [bus.kind.upper() for bus, _ in used]),
        texts(say("Channels"), [", ".join(bus.channels) or say("told by identifiers") for bus, _ in used]),
        texts(say("Message"), [one.name for _, one in used]),
        texts(say("Identifier"), [f"0x{one.identifier:X}" for _, one in used]),
        numbers(say, say("Cycle"), cycles, 0, "ms"),
        texts(say("Roles"), [", ".join(roles[bus.name, one.name]) for bus, one in used]),
    ]
    files = [(bus.name, one.name, one.sha256) for bus in platform.buses for one in bus.databases]
    databases = [
        texts(say("Bus"), [bus for bus, _, _ in files]),
        texts(say("File"), [name for _, name, _ in files]),
        texts("SHA-256", [digest for _, _, digest in files]),
    ]
    defined = sum(len(bus.messages) for bus in platform.buses)
    answer = say("{n} of the {m} messages that the databases define are used.", n=len(used), m=defined)
    tables = (Table("messages", say("Messages used"), messages), Table("databases", say("Databases"), databases))
    return Part("buses", say("Where does it look?"), answer, tables=tables, notes=tuple(platform.sources))


def _result(platform: Platform, origins: Sequence[tuple[str, str, str]], say: Language) -> Part:
    columns = [
        texts(say("Part"), [kind for kind, _, _ in origins]),
        texts(say("Name"), [name for _, name, _ in origins]),
        texts(say("Comes from"), [place for _, _, place in origins]),
    ]
    names = ", ".join(folder.replace("\\", "/").rstrip("/").rpartition("/")[2] for folder in platform.extends)
    answer = say("It is laid over {names}; this is the result.", names=names)
    table = Table("origins", say("Origin of each part"), columns)
    return Part("result", say("What comes from where?"), answer, tables=(table,))
