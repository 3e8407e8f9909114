"""The README's SQL runs on a real store, and its tables are those that are written."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from fleet.compact import compact
from fleet.manifest import read_manifest
from fleet.store import Store
from fleet.tables import TABLES, VEHICLES
from fleet.watch import read_rules

README = Path(__file__).resolve().parents[2] / "fleet" / "README.md"


def _blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", README.read_text("utf-8"), re.DOTALL)


@pytest.fixture
def sql(store: Store, make_facts: Callable[..., dict[str, Any]]) -> Callable[[str], list[tuple[Any, ...]]]:
    for day in range(3):
        store.add([make_facts("van-1", day), make_facts("van-2", day, refused=0)])
    connection = duckdb.connect()

    def run(query: str) -> list[tuple[Any, ...]]:
        rows: list[tuple[Any, ...]] = connection.execute(query.replace("'store/", f"'{store.url}/")).fetchall()
        return rows

    return run


def test_the_sql_examples_answer_what_they_say(sql: Callable[[str], list[tuple[Any, ...]]]) -> None:
    view, by_condition, by_week, cranks = _blocks("sql")
    sql(view)
    # by hand: three days, of van-1 eight standstills a day, two of them refused; of van-2 six
    assert sql("SELECT count(*) FROM standstills") == [(3 * 8 + 3 * 6,)]
    assert sql(by_condition) == [("state of charge", 6, 6, round(6 * 20 / 3600, 2))]
    weeks = sql(by_week)
    assert [(row[0], row[2]) for row in weeks] == [("van-1", 75.0), ("van-2", 100.0)]
    assert [row[3] for row in sql(cranks)] == [4.7] * 6


def test_the_view_counts_nothing_twice_while_a_compaction_is_under_way(
    sql: Callable[[str], list[tuple[Any, ...]]], store: Store
) -> None:
    compact(store)  # within the grace the merged part and those it was made of are all there
    assert len(store.place.entries("standstills")) == 4
    sql(_blocks("sql")[0])
    assert sql("SELECT count(*) FROM standstills") == [(42,)]


def test_the_readme_names_every_table_and_column() -> None:
    text = README.read_text("utf-8")
    for name, columns in {**TABLES, **VEHICLES}.items():
        section = text.split(f"#### {name}\n", 1)[1].split("\n#", 1)[0]
        assert re.findall(r"^\| `(\w+)`", section, re.MULTILINE) == [column.name for column in columns]
        for column in columns:
            assert column.meaning in section


def test_the_examples_of_rules_and_manifest_are_read(tmp_path: Path) -> None:
    rules = tmp_path / "watch.toml"
    rules.write_text(_blocks("toml")[0], encoding="utf-8")
    assert tomllib.loads(rules.read_text("utf-8"))
    assert read_rules(rules)[0].between_c == (-10.0, 10.0)
    manifest = tmp_path / "fleet.csv"
    manifest.write_text(_blocks("csv")[0], encoding="utf-8")
    assert [visit.kind for visit in read_manifest(manifest)[0].visits] == ["battery", "visit"]
