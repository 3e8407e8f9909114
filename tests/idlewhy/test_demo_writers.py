"""What the demo writes, read back by the general-purpose libraries of each format."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from decoder.frames import Flag, FrameBatch
from idlewhy.demo.lin_bytes import enhanced_checksum
from idlewhy.demo.make import write_log

N = 400
START_NS = 1_741_640_400_000_000_000


@pytest.fixture(scope="module")
def frames() -> FrameBatch:
    """CAN frames of 11 and 29 bits and LIN frames, of all lengths, in turn."""
    rng = np.random.default_rng(3)
    turn = np.arange(N) % 3
    length = (np.arange(N) % 9).astype(np.uint8)
    length[(turn == 2) & (length == 0)] = 1
    payload = rng.integers(0, 256, (N, 8), np.uint8)
    payload[np.arange(8) >= length[:, None]] = 0
    identifier = np.array([0x0A0, 0x18FEF700, 0x21], np.uint32)[turn]
    flags = np.array([0, Flag.EXTENDED, Flag.LIN], np.uint16)[turn]
    checksum = np.where(turn == 2, enhanced_checksum(identifier, payload), -1).astype(np.int16)
    time_ns = START_NS + np.cumsum(rng.integers(1_000, 90_000_000, N)) // 1000 * 1000
    channel = (turn == 2).astype(np.uint16)
    return FrameBatch(time_ns, channel, ("can0", "lin0"), identifier, flags, length, payload, checksum)


def _can_rows(frames: FrameBatch) -> list[tuple[float, int, bool, bytes]]:
    return [
        (t / 1e9, int(i), bool(f & Flag.EXTENDED), p[:n].tobytes())
        for t, i, f, n, p in zip(
            frames.time_ns, frames.identifier, frames.flags, frames.length, frames.payload, strict=True
        )
        if not f & Flag.LIN
    ]


@pytest.mark.parametrize("name", ["a.log", "a.log.gz", "a.asc", "a.blf"])
def test_the_can_frames_are_what_python_can_reads(frames: FrameBatch, tmp_path: Path, name: str) -> None:
    import can

    write_log(tmp_path / name, frames)
    with can.LogReader(str(tmp_path / name), relative_timestamp=False) as reader:
        read = [m for m in reader if str(m.channel) != "lin0"]
    wanted = _can_rows(frames)
    assert [(m.arbitration_id, m.is_extended_id, bytes(m.data)) for m in read] == [row[1:] for row in wanted]
    # ASC carries no time zone: python-can takes its date as local, so times are compared from the first frame
    since = np.array([m.timestamp for m in read]) - read[0].timestamp
    assert (
        np.abs(since - (np.array([row[0] for row in wanted]) - wanted[0][0])).max() < 2e-6
    )  # [s], a microsecond's step


def test_the_mf4_groups_are_what_asammdf_reads(frames: FrameBatch, tmp_path: Path) -> None:
    import asammdf  # type: ignore[import-untyped, unused-ignore]

    write_log(tmp_path / "a.mf4", frames)
    is_lin = frames.flags & Flag.LIN != 0
    with asammdf.MDF(tmp_path / "a.mf4") as mdf:
        assert int(mdf.header.start_time.timestamp()) == int(frames.time_ns[0]) // 1_000_000_000
        for group, chosen in (("CAN_DataFrame", ~is_lin), ("LIN_Frame", is_lin)):
            identifier = mdf.get(f"{group}.ID")
            assert np.array_equal(identifier.samples, frames.identifier[chosen])
            start_ns = int(frames.time_ns[0]) // 1_000_000_000 * 1_000_000_000
            assert np.allclose(identifier.timestamps, (frames.time_ns[chosen] - start_ns) / 1e9, atol=1e-9)
            assert np.array_equal(mdf.get(f"{group}.DataLength").samples, frames.length[chosen])
            assert np.array_equal(mdf.get(f"{group}.DataBytes").samples, frames.payload[chosen])
        assert np.array_equal(mdf.get("CAN_DataFrame.IDE").samples, frames.flags[~is_lin] & 1)
        assert frames.checksum is not None
        assert np.array_equal(mdf.get("LIN_Frame.Checksum").samples, frames.checksum[is_lin])


@pytest.mark.parametrize("name", ["a.log", "a.log.gz", "a.asc", "a.blf", "a.mf4"])
def test_all_frames_are_what_our_own_readers_read(frames: FrameBatch, tmp_path: Path, name: str) -> None:
    from decoder.logs import open_log

    write_log(tmp_path / name, frames)
    log = open_log(tmp_path / name)
    batches = list(log.batches())
    identifier = np.concatenate([batch.identifier for batch in batches])
    payload = np.concatenate([batch.payload for batch in batches])
    order = np.argsort(np.concatenate([batch.time_ns for batch in batches]), kind="stable")
    assert not log.report.dropped
    assert np.array_equal(identifier[order], frames.identifier)
    assert np.array_equal(payload[order], frames.payload)


def test_asammdf_decodes_the_bus_logging_of_the_mf4_by_the_platforms_own_database(tmp_path: Path) -> None:
    import asammdf  # type: ignore[import-untyped, unused-ignore]

    import signal_defs

    n = 50
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0] = np.arange(n)
    frames = FrameBatch(
        START_NS + np.arange(n) * 50_000_000,
        np.zeros(n, np.uint16),
        ("can0",),
        np.full(n, 0x0A0, np.uint32),
        np.zeros(n, np.uint16),
        np.full(n, 8, np.uint8),
        payload,
    )
    write_log(tmp_path / "a.mf4", frames)
    database = Path(signal_defs.__file__).parent / "platforms" / "example-van" / "body.dbc"
    with asammdf.MDF(tmp_path / "a.mf4") as mdf:
        decoded = mdf.extract_bus_logging({"CAN": [(str(database), 0)]})
        # source: body.dbc, Engine.Speed is 0.25 rpm a bit in the first two bytes
        assert decoded.get("Speed").samples.tolist() == (np.arange(n) * 0.25).tolist()
        decoded.close()
