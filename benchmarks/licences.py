"""Under which licence each dependency stands, from the metadata of what is installed.

    python -m benchmarks.licences              core and all extras for users
    python -m benchmarks.licences --extra web  core and that extra

One line a distribution: name, version, licence, and the first that asks for it.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

EXTRAS = ("mf4", "fleet", "web")
LONGEST = 60  # characters of a licence's name; more is its text


def dependencies(root: str, extras: tuple[str, ...]) -> Iterator[tuple[Distribution | str, str]]:
    """Every distribution that root needs with those extras, and who asks first; only the name where none is installed.

    What another system or Python would need is left out.
    """
    left = [(Requirement(f"{root}[{','.join(extras)}]"), "")]
    done: set[tuple[str, str]] = set()
    told: set[str] = set()
    while left:
        wanted, by = left.pop(0)
        name = canonicalize_name(wanted.name)
        new = {extra for extra in ("", *wanted.extras) if (name, extra) not in done}
        done |= {(name, extra) for extra in new}
        if not new:
            continue
        try:
            found = distribution(name)
        except PackageNotFoundError:
            yield name, by
            continue
        if name not in told:
            told.add(name)
            yield found, by
        for line in found.requires or ():
            requirement = Requirement(line)
            if requirement.marker is None or any(requirement.marker.evaluate({"extra": extra}) for extra in new):
                left.append((requirement, name))


def licence(found: Distribution) -> str:
    """The SPDX expression where given, else the first line of the licence field, else the classifiers."""
    facts = found.metadata.json
    if expression := facts.get("license_expression"):
        return str(expression)
    short = str(facts.get("license", "")).strip().partition("\n")[0]
    if short and len(short) < LONGEST:
        return short
    classified = [line.rpartition(" :: ")[2] for line in facts.get("classifier", ()) if line.startswith("License :: ")]
    return ", ".join(classified) or "not told"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--extra", action="append", choices=EXTRAS, help="instead of all of them")
    extras = tuple(parser.parse_args().extra or EXTRAS)
    rows = [("name", "version", "licence", "asked for by")]
    for found, by in dependencies("idlewhy", extras):
        if isinstance(found, str):
            rows.append((found, "-", "not installed", by))
        elif found.name != "idlewhy":
            rows.append((found.name, found.version, licence(found), by))
    rows[1:] = sorted(rows[1:], key=lambda row: row[0].lower())
    widths = [max(len(row[at]) for row in rows) for at in range(3)]
    for name, version, text, by in rows:
        print(f"{name:{widths[0]}}  {version:{widths[1]}}  {text:{widths[2]}}  {by}")


if __name__ == "__main__":
    main()
