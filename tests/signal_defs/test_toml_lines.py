"""The line of every key."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import signal_defs
from signal_defs.toml_lines import key_lines

TEXT = '''# a comment = 1
schema = 1
"quoted key" = """
not = a key
[not a table]
"""
dotted.inner = [ # [no table]
    1,
    "]",
]

[[bus]]
name = "a # no comment"
[[bus]]
name = 'b'
[bus.more]
deep = { inline = 1, "x" = [2] }
[[idle_stop.condition]]
name = "x"
[[ idle_stop . condition ]]
name = "y"
  indented = \'\'\'
literal " \\\'\'\'
last = 1'''


def test_every_key_and_table_has_its_line() -> None:
    assert tomllib.loads(TEXT)["schema"] == 1
    lines = key_lines(TEXT)
    assert lines == {
        ("schema",): 2,
        ("quoted key",): 3,
        ("dotted",): 7,
        ("dotted", "inner"): 7,
        ("bus",): 12,
        ("bus", 0): 12,
        ("bus", 0, "name"): 13,
        ("bus", 1): 14,
        ("bus", 1, "name"): 15,
        ("bus", 1, "more"): 16,
        ("bus", 1, "more", "deep"): 17,
        ("idle_stop", "condition"): 18,
        ("idle_stop", "condition", 0): 18,
        ("idle_stop", "condition", 0, "name"): 19,
        ("idle_stop", "condition", 1): 20,
        ("idle_stop", "condition", 1, "name"): 21,
        ("idle_stop", "condition", 1, "indented"): 22,
        ("idle_stop", "condition", 1, "last"): 24,
    }


@pytest.mark.parametrize("name", ["example-van", "example-hatch", "open-standard"])
def test_every_key_of_the_shipped_platforms_is_where_its_line_says(name: str) -> None:
    file = Path(signal_defs.__file__).parent / "platforms" / name / "platform.toml"
    text = file.read_text(encoding="utf-8")
    rows = text.splitlines()
    for keys, line in key_lines(text).items():
        last = [key for key in keys if isinstance(key, str)][-1]
        assert last in rows[line - 1]


@given(st.text(alphabet="ab=[]{}.\"'#\n\\ ,1", max_size=60))
def test_any_text_is_scanned_to_its_end(text: str) -> None:
    lines = key_lines(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
