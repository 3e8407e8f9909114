"""What is in a log without definitions."""

from __future__ import annotations

from pathlib import Path

import pytest

from decoder import lin
from decoder.inspect import inspect_logs
from signal_defs.errors import LogError, UsageError

T = 1_700_000_000


def test_identifiers_are_told_with_rate_periods_and_lengths(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    times = [0.0, 0.1, 0.2, 0.5, 0.6]
    lines = [f"({T + t:.6f}) can0 123#{'00' * (2 + n % 3)}\n" for n, t in enumerate(times)]
    lines += [f"({T + 0.3:.6f}) can1 00000123#00\n", f"({T + 0.7:.6f}) can0 20000080#0000000000000000\n"]
    path.write_text("".join(sorted(lines)))
    found = inspect_logs([path]).logs[0]
    assert (found.format, found.frames, found.absolute_time) == ("candump", 7, True)
    assert found.start_ns == T * 10**9
    assert found.errors == {"error_frame": 1}
    one, other = found.identifiers
    assert (one.channel, one.identifier, one.extended, one.frames, one.lengths) == ("can0", 0x123, False, 5, (2, 4))
    assert one.rate_hz == pytest.approx(4 / 0.6)
    assert one.period_min_s == pytest.approx(0.1)
    assert one.period_max_s == pytest.approx(0.3)
    assert one.period_mean_s == pytest.approx(0.15)
    assert (other.channel, other.extended, other.frames, other.rate_hz) == ("can1", True, 1, None)
    assert [(c.name, c.frames, c.identifiers, c.errors) for c in found.channels] == [
        ("can0", 5, 1, {"error_frame": 1}),
        ("can1", 1, 1, {}),
    ]


def test_gaps_and_clock_steps_are_told(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    times = [0, 1, 2, 62, 63, 30, 31]
    path.write_text("".join(f"({T + t}.000000) can0 123#00\n" for t in times))
    found = inspect_logs([path]).logs[0]
    assert [gap.seconds for gap in found.gaps] == [60.0]
    assert len(found.clock_steps_ns) == 1


@pytest.mark.parametrize(
    ("times", "backward", "widest", "steps"),
    [
        ([0.0, 0.1, 0.2], (0, None), 0.0, 0),
        ([0.0, 0.5, 0.3, 0.6, 0.59, 0.7], (2, 0.5), 0.2, 0),  # below a second: told, but no jump of the clock
        ([0.0, 50.0, 20.0, 20.5], (1, 50.0), 30.0, 1),
    ],
)
def test_a_clock_that_runs_backward_is_told_however_little(
    tmp_path: Path, times: list[float], backward: tuple[int, float | None], widest: float, steps: int
) -> None:
    path = tmp_path / "a.log"
    path.write_text("".join(f"({T + t:.6f}) can0 123#00\n" for t in times))
    found = inspect_logs([path]).logs[0]
    at = None if found.backward_at_ns is None else (found.backward_at_ns - T * 10**9) / 1e9
    assert (found.backward, at) == backward
    assert found.backward_s == pytest.approx(widest, abs=1e-9)
    assert len(found.clock_steps_ns) == steps


def test_figures_run_on_across_batches(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with path.open("w") as file:
        for n in range(300_000):
            file.write(f"({T + n // 1000}.{n % 1000:03d}000) can0 {0x100 + n % 3:03X}#00\n")
    found = inspect_logs([path]).logs[0]
    assert [one.frames for one in found.identifiers] == [100_000] * 3
    assert {one.period_min_s for one in found.identifiers} == {0.003}
    assert {one.period_max_s for one in found.identifiers} == {0.003}


def test_the_kind_of_a_lin_checksum_is_told(tmp_path: Path) -> None:
    data = bytes.fromhex("4A5593E5")
    lines = ["date Tue Nov 14 22:13:20.000 2023\n", "base hex  timestamps absolute\n", "internal events logged\n"]
    for n, (identifier, check) in enumerate(
        [
            (0x11, lin.checksum_enhanced(lin.protect(0x11), data)),
            (0x11, 0),
            (0x3C, lin.checksum_classic(data)),
        ]
    ):
        lines.append(f"   {n}.100000 Li {identifier:x} Rx 4 4a 55 93 e5 checksum = {check}\n")
    path = tmp_path / "a.asc"
    path.write_text("".join(lines))
    found = {one.identifier: one for one in inspect_logs([path]).logs[0].identifiers}
    assert found[0x11].lin
    assert (found[0x11].checksum, found[0x11].bad_checksums) == ("enhanced", 1)
    assert (found[0x3C].checksum, found[0x3C].bad_checksums) == ("classic", 0)


def test_every_real_log_is_told_frame_by_frame(external_logs: Path) -> None:
    # source: counted with python-can, whose readers agree on these
    expected = {
        "issue_1256.asc": 1457,
        "test_CanFdMessage.asc": 3,
        "test_CanMessage.asc": 2,
        "test_CanMessage.asc.gz": 2,
        "test_CanMessage.blf": 2,
        "test_CanErrorFrameExt.blf": 2,
        "test_CanMessage_V1_1.trc": 11,
    }
    for name, frames in expected.items():
        assert inspect_logs([external_logs / "python-can" / name]).frames == frames, name


def test_what_is_no_log_is_refused(tmp_path: Path, external_logs: Path) -> None:
    with pytest.raises(UsageError):
        inspect_logs([])
    with pytest.raises(LogError):
        inspect_logs([external_logs / "mf4-gnss" / "gnss.dbc"])
