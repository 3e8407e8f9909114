"""The page of analysis.json's keys is the schema's, and says something of each."""

from __future__ import annotations

from pathlib import Path

from reports.schema_page import page

README = Path(__file__).resolve().parents[2] / "reports" / "schema" / "README.md"


def test_the_page_is_what_the_schema_says_today() -> None:
    assert README.read_text(encoding="utf-8") == page()  # mended by: python -m reports.schema_page > that file


def test_every_key_of_value_is_described() -> None:
    rows = [line.split(" | ") for line in page().splitlines() if line.startswith("| `")]
    bare = [row[0] for row in rows if row[-1] == "|" or not row[2].strip(" |")]
    # by hand: lists and objects whose keys are described, and instants under a heading that says what they are
    assert {name.strip("| `") for name in bare} <= {
        "recording",
        "recording.sources",
        "signals",
        "battery",
        "standstills",
        "starts",
        "rests",
        "findings",
    }
