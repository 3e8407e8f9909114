"""The faster ways of the readers of text; every test of these readers reads each log both ways, see conftest."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.logs import ReadOptions, compiled
from decoder.logs.source import open_stream

Reader = Callable[..., Any]
ROOT = Path(__file__).parents[2]
BYTES = b"0f9a.,#xXT R\t\r\x80\xff(:g@`/"
LOGS = {
    "x.log": (b"", b"(1436509052.2497%02d) vcan0 044#2A366C2B%02d\n"),
    "y.log": (b"", b"(12.2497%02d) can1 1ABCDEF0#2A366C2B112233%02d T\n"),
    "x.asc": (
        b"base hex timestamps absolute\n",
        b"   0.0002%02d 1  18FEF700x       Tx   d 8 00 11 22 33 44 55 66 %02d  Length = 10\n",
    ),
    "y.asc": (b"base hex timestamps absolute\n", b"   0.0002%02d 1     108  Rx   d 2 00 %02d\n"),
    "x.csv": (b"timestamp,arbitration_id,extended,remote,error,dlc,data\n", b"12.3%02d,0x1%02d,0,0,0,8,kFEjEZfJHWw=\n"),
    "y.csv": (b"time;channel;id;dlc;data\n", b"0,3%02d;1;1%02d;3;00 01 02\n"),
    "z.csv": (b"time [ms],id (dec),dlc,data\n", b"12.3%02d,1%02d,3,000102\n"),
    "x.trc": (
        b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n",
        b"      1       175.4%02d DT 1      0100 Tx -  8    00 01 02 03 04 05 06 %02d\n",
    ),
}


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(sorted(LOGS)),
    changes=st.lists(
        st.tuples(st.integers(0, 89), st.integers(0, 80), st.sampled_from(b"0f9a.,#xXT R\t\r\x80\xff(:g@`/")),
        max_size=12,
    ),
    cut=st.integers(1, 60),
)
def test_lines_with_any_bytes_changed_are_read_alike_both_ways(
    read_bytes: Reader, name: str, changes: list[tuple[int, int, int]], cut: int
) -> None:
    head, line = LOGS[name]
    lines = [bytearray(line % (number, number)) for number in range(90)]
    for number, place, byte in changes:
        lines[number][place % len(lines[number])] = byte
    read_bytes(head + b"".join(lines)[:-cut], name=name)  # both ways: they must agree


@pytest.mark.parametrize("name", sorted(LOGS))
def test_the_loops_take_every_regular_line(read_bytes: Reader, name: str) -> None:
    head, line = LOGS[name]
    loops = compiled.load()
    assert loops is not None
    taken: list[int] = []

    def counting(loop: Callable[..., int]) -> Callable[..., int]:
        def counted(*arguments: object) -> int:
            taken.append(loop(*arguments))
            return taken[-1]

        return counted

    with (
        patch.object(loops, "candump_lines", counting(loops.candump_lines)),
        patch.object(loops, "spaced_lines", counting(loops.spaced_lines)),
        patch.object(loops, "table_lines", counting(loops.table_lines)),
    ):
        log = read_bytes(head + b"".join(line % (number, number) for number in range(90)), name=name)
    assert len(log.frames) == sum(taken) == 90


@pytest.mark.fault
def test_no_kept_input_makes_a_loop_read_outside_its_arrays(tmp_path: Path) -> None:
    # numba checks every index when told so; what was compiled without is kept elsewhere.
    environment = os.environ | {"NUMBA_BOUNDSCHECK": "1", "NUMBA_CACHE_DIR": str(tmp_path)}
    command = [sys.executable, "-m", "tests.fuzz", "--replay", "candump", "asc", "trc", "csv"]
    done = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stdout + done.stderr
    assert any(tmp_path.rglob("*.nbc")), "nothing was compiled"


def test_a_short_log_does_without_and_a_long_one_loads_them(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    path.write_bytes(b"(1436509052.249713) vcan0 044#2A366C2B\n")
    others = {name: module for name, module in sys.modules.items() if name != compiled.LOOPS}
    with patch.dict(sys.modules, others, clear=True), open_stream(path, ReadOptions()) as stream:
        assert compiled.loops(stream) is None
        with patch.object(compiled, "WORTH_BYTES", 10):
            assert compiled.loops(stream) is not None


def test_without_numba_there_are_no_loops() -> None:
    others = {name: module for name, module in sys.modules.items() if name != compiled.LOOPS}
    with patch.dict(sys.modules, {**others, "numba": None}, clear=True):
        assert compiled.load.__wrapped__() is None
