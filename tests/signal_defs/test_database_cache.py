"""The cache of parsed databases: same layouts back, and never in the way."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

import signal_defs
from signal_defs.databases import can_database, read_database, read_database_bytes
from signal_defs.databases.cache import MAX_ENTRIES, keep, load_cached
from signal_defs.databases.read import decode_text

SHIPPED = Path(signal_defs.__file__).parent / "platforms"
BODY = SHIPPED / "example-van" / "body.dbc"


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("IDLEWHY_CACHE", str(folder))
    return folder


def test_what_comes_back_is_what_was_read(cache: Path, external_logs: Path) -> None:
    for path in (BODY, *sorted((external_logs / "cantools").glob("*.dbc"))):
        first = read_database(path, "can")
        assert load_cached(path.read_bytes(), ".dbc") == first
        assert read_database(path, "can") == first


def test_a_kept_database_is_not_parsed_again(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = read_database(BODY, "can")
    monkeypatch.setattr(can_database, "FORMATS", {})
    assert read_database(BODY, "can") == first


@pytest.mark.parametrize("damage", [b"", b"x", b"\n[]", b"0\n[[1]]", b"\xff" * 100])
def test_a_damaged_entry_is_parsed_anew(cache: Path, damage: bytes) -> None:
    first = read_database(BODY, "can")
    (entry,) = cache.glob("*.json")
    entry.write_bytes(damage)
    assert load_cached(BODY.read_bytes(), ".dbc") is None
    assert read_database(BODY, "can") == first


def test_an_entry_with_one_byte_changed_is_parsed_anew(cache: Path) -> None:
    first = read_database(BODY, "can")
    (entry,) = cache.glob("*.json")
    data = bytearray(entry.read_bytes())
    data[500] ^= 1
    entry.write_bytes(data)
    assert read_database(BODY, "can") == first


def test_a_folder_that_cannot_be_made_is_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("IDLEWHY_CACHE", str(tmp_path / "file" / "cache"))
    assert len(read_database(BODY, "can")) == 28


def test_off_keeps_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("IDLEWHY_CACHE", "off")
    keep(b"x", ".dbc", ())
    assert load_cached(b"x", ".dbc") is None


def test_old_entries_are_dropped(cache: Path) -> None:
    for number in range(MAX_ENTRIES + 5):
        keep(str(number).encode(), ".dbc", ())
    assert len(list(cache.iterdir())) == MAX_ENTRIES


def _many(messages: int) -> bytes:
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: A"]
    for number in range(messages):
        lines.append(f"BO_ {(number + 1) | 0x80000000} M{number}: 8 A")
        lines += [f' SG_ S{at} : {at * 8}|8@1+ (0.5,-40) [-40|87.5] "degC" A' for at in range(8)]
    return "\n".join(lines).encode()


def test_a_database_of_20_000_signals_loads_in_seconds_and_again_in_less(cache: Path) -> None:
    data = _many(2500)
    start = time.process_time()
    first = read_database_bytes(data, "many.dbc", "can")
    parsed = time.process_time()
    assert read_database_bytes(data, "many.dbc", "can") == first
    again = time.process_time() - parsed
    assert sum(len(message.signals) for message in first) == 20_000
    assert parsed - start < 15.0  # [s] CPU; measured 2.1 on a slow core, the rest is room for a loaded machine
    assert again < 3.0  # [s] CPU; measured 0.25


def test_text_is_decoded_whatever_its_bytes() -> None:
    assert decode_text(bytes(range(256)))
