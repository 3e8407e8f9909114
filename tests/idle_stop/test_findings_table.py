"""The page that says what each finding rests on leaves none out."""

from __future__ import annotations

import re
from pathlib import Path

from idle_stop.findings import RULES

README = Path(__file__).resolve().parents[2] / "idle_stop" / "README.md"


def test_the_table_of_findings_names_every_rule_and_no_other() -> None:
    table = README.read_text(encoding="utf-8").partition("## Findings")[2].partition("\n## ")[0]
    first_cells = [line.split("|")[1] for line in table.splitlines() if line.startswith("| `")]
    named = [code for cell in first_cells for code in re.findall(r"`(\w+)`", cell)]
    assert sorted(named) == sorted(rule.__name__ for rule in RULES)
