"""Text logs that python-can writes, read back: whatever was sent comes back, whole or in pieces."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import can
import pytest
from can.io.trc import TRCFileVersion
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.logs import ReadOptions

Reader = Callable[..., Any]
Sent = list[tuple[can.Message, int]]
START_US = 1_436_509_052_249_000


class _Kept(io.TextIOWrapper):
    """A file that keeps its bytes after the writer has closed it."""

    def __init__(self, name: str) -> None:
        self.kept = io.BytesIO()
        super().__init__(self.kept, encoding="utf-8")
        self.kept.name = name

    def close(self) -> None:
        """Stay open."""
        self.flush()


def _messages(*, extended: bool, channels: int, fd: bool = False) -> st.SearchStrategy[can.Message]:
    long = st.sampled_from([bytes(range(n)) for n in (12, 16, 20, 24, 32, 48, 64)])
    return st.builds(
        can.Message,
        is_extended_id=st.just(extended),
        arbitration_id=st.integers(0, 0x1FFFFFFF if extended else 0x7FF),
        data=st.binary(max_size=8) | long if fd else st.binary(max_size=8),
        is_fd=st.just(fd),
        bitrate_switch=st.booleans() if fd else st.just(False),
        error_state_indicator=st.booleans() if fd else st.just(False),
        channel=st.integers(0, channels - 1),
        is_rx=st.booleans(),
    )


def _lists(messages: st.SearchStrategy[can.Message], longest_us: int) -> st.SearchStrategy[Sent]:
    return st.lists(st.tuples(messages, st.integers(0, longest_us)), min_size=1, max_size=60)


def _written(text: _Kept, writer: Any, sent: Sent) -> tuple[bytes, list[int]]:
    """What the writer makes of messages, each so many microseconds after the one before; their times [ns]."""
    time_us, times = START_US, []
    for message, step in sent:
        time_us += step
        times.append(time_us * 1000)
        message.timestamp = time_us / 1e6
        writer.on_message_received(message)
    writer.stop()
    return text.kept.getvalue(), times


def _read(read_bytes: Reader, content: bytes, name: str, buffer: int) -> Any:
    log = read_bytes(content, name=name)
    assert log.frames == read_bytes(content, name=name, options=ReadOptions(buffer_bytes=buffer)).frames
    assert not log.report.dropped
    return log


def _since_first(times: list[int]) -> list[int]:
    return [time - times[0] for time in times]


@settings(max_examples=60, deadline=None)
@given(
    _lists(_messages(extended=True, channels=31) | _messages(extended=False, channels=1, fd=True), 10**9),
    st.integers(8192, 9000),
)
def test_an_asc_log_reads_back_equal(read_bytes: Reader, sent: Sent, buffer: int) -> None:
    text = _Kept("x.asc")
    content, times = _written(text, can.ASCWriter(text), sent)
    log = _read(read_bytes, content, "x.asc", buffer)
    for (message, _), (_, channel, identifier, flags, data) in zip(sent, log.frames, strict=True):
        assert (channel, identifier, data) == (str(message.channel + 1), message.arbitration_id, bytes(message.data))
        assert bool(flags & Flag.EXTENDED) == message.is_extended_id
        assert bool(flags & Flag.FD) == message.is_fd
        assert bool(flags & Flag.BIT_RATE_SWITCH) == message.bitrate_switch
        assert bool(flags & Flag.ERROR_STATE) == message.error_state_indicator
        assert bool(flags & Flag.TRANSMIT) != message.is_rx
    # Its writer rounds each difference from the first in floating point: to the microsecond, give or take one.
    assert _since_first(log.times) == pytest.approx(_since_first(times), abs=1000)


@settings(max_examples=60, deadline=None)
@given(
    _lists(_messages(extended=True, channels=16) | _messages(extended=False, channels=16), 10**8),
    st.integers(8192, 9000),
    st.sampled_from([TRCFileVersion.V1_0, TRCFileVersion.V2_1]),
)
def test_a_trc_log_reads_back_equal(read_bytes: Reader, sent: Sent, buffer: int, version: TRCFileVersion) -> None:
    text = _Kept("x.trc")
    writer = can.TRCWriter(text)
    writer.file_version = version
    content, times = _written(text, writer, sent)
    log = _read(read_bytes, content, "x.trc", buffer)
    old = version == TRCFileVersion.V1_0
    for (message, _), (_, channel, identifier, flags, data) in zip(sent, log.frames, strict=True):
        assert (identifier, data) == (message.arbitration_id, bytes(message.data))
        assert channel == ("1" if old else str(message.channel + 1))
        assert bool(flags & Flag.EXTENDED) == message.is_extended_id
        assert old or bool(flags & Flag.TRANSMIT) != message.is_rx
    # The first version keeps whole milliseconds.
    assert _since_first(log.times) == pytest.approx(_since_first(times), abs=1_000_000 if old else 1000)
