"""Clocks that jump, and logs on one line of time."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Int64Array
from decoder.timeline import MAX_STEPS, SECOND, LogClock, place

DAY = 86_400 * SECOND
T = 1_700_000_000 * SECOND


def ticks(start: int, seconds: int, step: int = SECOND // 10) -> Int64Array:
    return np.arange(start, start + seconds * SECOND, step, dtype=np.int64)


def clock(*batches: Int64Array) -> LogClock:
    made = LogClock()
    for one in batches:
        made.follow(one)
    return made


def test_a_clock_that_runs_on_is_one_segment() -> None:
    one = clock(ticks(T, 10), ticks(T + 10 * SECOND, 5))
    line = place([one])
    assert len(one.segments) == 1
    assert (line.start_ns, line.end_ns) == (T, T + 15 * SECOND - SECOND // 10)
    assert line.absolute
    assert line.steps_ns == ()
    assert line.gaps == ()


def test_a_long_silence_is_a_gap_not_a_step() -> None:
    line = place([clock(ticks(T, 10), ticks(T + 30 * DAY, 10))])
    assert line.steps_ns == ()
    assert [round(gap.seconds / 86_400) for gap in line.gaps] == [30]


def test_a_gap_is_only_where_no_log_has_a_frame() -> None:
    night = clock(ticks(T, 10), ticks(T + 100 * SECOND, 10))
    other = clock(ticks(T + 5 * SECOND, 50))
    line = place([night, other])
    assert [(gap.start_ns, gap.end_ns) for gap in line.gaps] == [
        (T + 55 * SECOND - SECOND // 10, T + 100 * SECOND),
    ]


def test_a_clock_set_back_joins_the_shorter_part_to_the_longer() -> None:
    one = clock(np.concatenate([ticks(T, 10), ticks(T + 5 * SECOND, 100)]))
    line = place([one])
    first, second = one.segments
    assert second.shift == 0
    assert first.end + first.shift < second.start
    assert line.steps_ns == (second.start,)


def test_parts_in_the_wrong_order_stay_where_their_date_is() -> None:
    one = clock(np.concatenate([ticks(T + DAY, 10), ticks(T, 10)]))
    line = place([one])
    assert [segment.shift for segment in one.segments] == [0, 0]
    assert line.end_ns - line.start_ns > DAY


def test_a_clock_set_forward_by_years_is_a_step() -> None:
    one = clock(np.concatenate([ticks(0, 5), ticks(T, 50)]))
    line = place([one])
    assert len(line.steps_ns) == 1
    assert line.absolute
    assert line.end_ns - line.start_ns < 60 * SECOND


def test_logs_without_a_date_follow_in_the_order_given() -> None:
    dated, one, other = clock(ticks(T, 10)), clock(ticks(0, 10)), clock(ticks(3 * SECOND, 10))
    line = place([one, dated, other])
    starts = [c.segments[0].start + c.segments[0].shift for c in (dated, one, other)]
    assert starts == sorted(starts)
    assert line.steps_ns == tuple(starts[1:])
    assert len(line.notes) == 1


def test_one_log_without_a_date_keeps_its_time() -> None:
    line = place([clock(ticks(3 * SECOND, 10))])
    assert (line.start_ns, line.absolute, line.steps_ns, line.notes) == (3 * SECOND, False, (), ())


def test_a_single_wild_time_is_an_outlier_wherever_it_stands() -> None:
    run = ticks(T, 10)
    for at in (1, 50, 98):
        wild = run.copy()
        wild[at] += 5000 * DAY
        found = clock().outliers(wild)
        assert found is not None
        assert np.flatnonzero(found).tolist() == [at]
    assert clock().outliers(run) is None
    wild = run.copy()
    wild[0] = 2**62
    found = clock(ticks(T - 10 * SECOND, 10)).outliers(wild)
    assert found is not None
    assert np.flatnonzero(found).tolist() == [0]


def test_a_clock_that_jumps_without_end_is_held() -> None:
    rng = np.random.default_rng(3)
    one = clock(*(T + rng.integers(0, 400, 5000) * DAY for _ in range(4)))
    assert len(one.segments) <= MAX_STEPS
    assert place([one]).absolute


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-(10**10), 10**10), min_size=1, max_size=60), st.integers(1, 60))
def test_batches_of_any_size_give_the_same_segments(steps: list[int], size: int) -> None:
    times = T + np.cumsum(np.array(steps, np.int64))
    whole = clock(times)
    cut = clock(*(times[first : first + size] for first in range(0, len(times), size)))
    assert [(s.start, s.end, s.frames) for s in whole.segments] == [(s.start, s.end, s.frames) for s in cut.segments]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-(10**10), 10**10), min_size=1, max_size=60))
def test_parts_cover_every_row_once(steps: list[int]) -> None:
    times = T + np.cumsum(np.array(steps, np.int64))
    parts = LogClock().follow(times)
    assert [part.first for part in parts] == [0, *(part.last for part in parts[:-1])]
    assert parts[-1].last == len(times)
