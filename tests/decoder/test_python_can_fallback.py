"""What the plug-ins of python-can read, frame by frame."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from decoder.frames import Flag, ReadReport
from decoder.logs import ReadOptions, python_can
from signal_defs.errors import LogError


class Messages:
    """A reader as a plug-in of python-can would bring it."""

    def __init__(self, messages: list[can.Message], error: Exception | None) -> None:
        self._messages, self._error = messages, error

    def __iter__(self) -> Iterator[can.Message]:
        yield from self._messages
        if self._error is not None:
            raise self._error

    def stop(self) -> None:
        self._messages = []


def test_a_plug_in_that_fails_half_way_keeps_what_it_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    messages = [
        can.Message(timestamp=1.7e9 + row, arbitration_id=row, channel=f"bus{row % 2}", data=[row], is_fd=row == 3)
        for row in range(10)
    ]
    messages[4].timestamp = float("nan")
    monkeypatch.setattr(can, "LogReader", lambda _: Messages(messages, RuntimeError("broken")))
    path = tmp_path / "log.own"
    path.write_bytes(bytes(1000))
    report = ReadReport("python-can")
    with path.open("rb") as stream:
        batches = list(python_can.read(stream, report, ReadOptions()))
    identifiers = [int(number) for batch in batches for number in batch.identifier]
    assert identifiers == [0, 1, 2, 3, 5, 6, 7, 8, 9]
    assert batches[0].channels == ("bus0", "bus1")
    assert int(batches[0].flags[3]) == Flag.EXTENDED | Flag.FD
    assert report.dropped == {"impossible_time": 1, "unreadable_rest": 1}


def test_a_file_that_python_can_refuses_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.own"
    path.write_bytes(bytes(1000))
    with path.open("rb") as stream, pytest.raises(LogError, match="cannot be read"):
        list(python_can.read(stream, ReadReport("python-can"), ReadOptions()))
