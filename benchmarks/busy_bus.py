"""A busy bus made up for measuring: 42 messages, 349 signals, up to a hundred frames a second each."""

from __future__ import annotations

import struct
import time
from itertools import count
from pathlib import Path

import numpy as np

from decoder.frames import FrameBatch
from signal_defs.databases import read_database
from signal_defs.platform import Battery, Binding, Bus, Platform
from signal_defs.roles import ROLES

MESSAGES = 42
SIGNALS = 349
FIELDS = (16, 16, 8, 8, 4, 4, 2, 6)  # bits of a message's signals; in the last messages the 6 are 3 and 3
SPLIT_FIELDS = (16, 16, 8, 8, 4, 4, 2, 3, 3)
PERIODS_MS = (10,) * 8 + (20,) * 10 + (50,) * 8 + (100,) * 10 + (1000,) * 6  # common practice on a powertrain bus
BY_PYTHON_CAN = (".trc", ".csv", ".db")
START_NS = 1_700_000_000_000_000_000


def identifier(number: int) -> int:
    return 0x80 + 17 * number


def database_text() -> str:
    """The bus as DBC: even messages Intel, odd ones Motorola; every third signal signed; scales of a real bus."""
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: ECU"]
    for number in range(MESSAGES):
        fields = SPLIT_FIELDS if number >= MESSAGES - (SIGNALS - MESSAGES * len(FIELDS)) else FIELDS
        lines.append(f"BO_ {identifier(number)} M{number:02d}: 8 ECU")
        at = 0
        for field, length in enumerate(fields):
            intel = number % 2 == 0
            start = at if intel else 8 * (at // 8) + 7 - at % 8
            sign = "-" if field % 3 == 1 else "+"
            scale, offset = ((0.25, 0), (0.05, -1600), (1, -40), (0.5, 0), (1, 0))[field % 5]
            lines.append(f' SG_ S{field} : {start}|{length}@{int(intel)}{sign} ({scale},{offset}) [0|0] "x" ECU')
            at += length
    return "\n".join(lines) + "\n"


def make_platform(folder: Path) -> Platform:
    """The bus as a platform; writes its database, which the peers read too, as busy.dbc."""
    path = folder / "busy.dbc"
    path.write_text(database_text())
    bus = Bus("busy", "can", ("can0", "1"), read_database(path, "can"))
    bindings = {
        role: Binding(ROLES[role], "busy", "M00", f"S{field}")
        for field, role in enumerate(("battery_voltage", "battery_current"))
    }
    return Platform("busy", "", (bus,), bindings, Battery("agm", 70.0))


def make_frames(frames: int, seed: int = 1) -> FrameBatch:
    """That many frames in order of time, each message on its own raster with up to 5 % jitter; random payloads."""
    rng = np.random.default_rng(seed)
    rate = sum(1000 / period for period in PERIODS_MS)
    seconds = 1.01 * frames / rate + 1
    times, owners = [], []
    for number, period in zip(count(), PERIODS_MS):  # one number a period
        raster = np.arange(0, int(seconds * 1e6), period * 1000, dtype=np.int64)
        times.append(raster + rng.integers(0, period * 50, len(raster)))
        owners.append(np.full(len(raster), number))
    micros, owner = np.concatenate(times), np.concatenate(owners)
    order = np.argsort(micros, kind="stable")[:frames]
    identifiers = np.array([identifier(number) for number in range(MESSAGES)], np.uint32)
    return FrameBatch(
        START_NS + micros[order] * 1000,
        np.zeros(frames, np.uint16),
        ("can0",),
        identifiers[owner[order]],
        np.zeros(frames, np.uint16),
        np.full(frames, 8, np.uint8),
        rng.integers(0, 256, (frames, 8), np.uint8),
        np.full(frames, -1, np.int16),
    )


def write_logs(folder: Path, frames: FrameBatch, suffixes: tuple[str, ...]) -> dict[str, Path]:
    """One log a suffix; those of BY_PYTHON_CAN by python-can, MF4 deflated and transposed by asammdf."""
    from idlewhy.demo.make import write_log

    paths = {}
    for suffix in suffixes:
        path = folder / f"busy{suffix}"
        if suffix in BY_PYTHON_CAN:
            _write_with_python_can(path, frames)
        elif suffix == ".pcap":
            _write_pcap(path, frames)
        else:
            names = ("can0",) if ".log" in suffix else ("1",)
            write_log(path, FrameBatch(**{name: getattr(frames, name) for name in _COLUMNS}, channels=names))
        if suffix == ".mf4":
            _deflate_mf4(path)
        paths[suffix] = path
    return paths


def _write_pcap(path: Path, frames: FrameBatch) -> None:
    """Source: draft-ietf-opsawg-pcap, tcpdump.org/linktypes: LINKTYPE_CAN_SOCKETCAN (227)."""
    form = [("seconds", "<u4"), ("nano", "<u4"), ("size", "<u4", 2), ("id", ">u4"), ("length", "u1"), ("more", "u1", 3)]
    rows = np.zeros(len(frames), [*form, ("data", "u1", 8)])
    rows["seconds"], rows["nano"] = np.divmod(frames.time_ns, 1_000_000_000)
    rows["size"], rows["id"], rows["length"], rows["data"] = 16, frames.identifier, frames.length, frames.payload
    path.write_bytes(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65_535, 227) + rows.tobytes())


def _deflate_mf4(path: Path) -> None:
    from asammdf import MDF

    with MDF(path) as log:
        log.save(path.with_suffix(".deflated.mf4"), compression=2)
    path.with_suffix(".deflated.mf4").replace(path)


_COLUMNS = ("time_ns", "channel", "identifier", "flags", "length", "payload", "checksum")


def _write_with_python_can(path: Path, frames: FrameBatch) -> None:
    import can

    with can.Logger(str(path)) as logger:
        for row in range(len(frames)):
            logger.on_message_received(
                can.Message(
                    timestamp=int(frames.time_ns[row]) / 1e9,
                    arbitration_id=int(frames.identifier[row]),
                    is_extended_id=False,
                    data=frames.payload[row].tobytes(),
                    channel=1,
                )
            )
        while path.suffix == ".db" and logger.num_frames < len(frames):
            time.sleep(0.01)  # its thread would drop what is left when it is stopped
