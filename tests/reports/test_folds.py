"""The band begins where the standstills are, and says how much time it leaves out between drives."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from estimator.estimate import Drive
from idle_stop.account import Account, Standstill
from idle_stop.analysis import Analysis
from reports.axis_ticks import time_ticks
from reports.figures.band import rough, standstill_band
from reports.folds import focus
from reports.static_svg import WIDTH, set_time_ticks, static_svg
from reports.vehicle import vehicle_page
from reports.view import view_of

S = 1_000_000_000
HOUR = 3600 * S


def _drive(start_ns: int, end_ns: int) -> Drive:
    return Drive(start_ns, end_ns, 0.0, 0.0, 14.0, 1.0)


def _far_apart(van: Analysis, hours: int = 9) -> Analysis:
    """Two drives of ten minutes with two standstills each, that many hours apart, in a recording two hours longer."""
    start = van.recording.start_ns
    begins = [start + HOUR, start + (1 + hours) * HOUR]
    drives = tuple(_drive(at, at + 600 * S) for at in begins)
    standstills = tuple(
        Standstill(at + s * S, at + (s + 20) * S, at + (s + 2) * S, "refused", "unknown")
        for at in begins
        for s in (60, 500)
    )
    return dataclasses.replace(
        van,
        recording=dataclasses.replace(van.recording, end_ns=start + (2 + hours) * HOUR + 600 * S),
        estimate=dataclasses.replace(van.estimate, drives=drives, phases=()),
        account=Account(standstills),
    )


def test_the_band_begins_at_the_first_standstill_and_ends_at_the_last(van: Analysis) -> None:
    far = _far_apart(van)
    near = focus(view_of(far))
    assert near is not None
    first, last = far.account.standstills[0].start_ns, far.account.standstills[-1].end_ns
    assert first - 120 * S < near.start_ns < first
    assert last < near.end_ns < last + 120 * S


def test_what_is_folded_lies_between_two_drives_and_is_marked_with_its_length(van: Analysis) -> None:
    far = _far_apart(van)
    (fold,) = focus(view_of(far)).folds  # type: ignore[union-attr]
    one, other = far.estimate.drives
    assert one.end_ns < fold.start_ns < fold.end_ns < other.start_ns
    assert fold.seconds == 9 * 3600 - 600  # by hand: nine hours from start to start, the first drive lasts ten minutes
    picture = standstill_band(view_of(far))
    assert "9 h" in [note["text"] for note in picture.layout["annotations"]]
    assert ">9 h</text>" in static_svg(picture, "band")


def test_the_time_left_out_takes_no_room_and_every_standstill_has_its_own(van: Analysis) -> None:
    drawn = static_svg(standstill_band(view_of(_far_apart(van))), "band")
    marks = [float(part.split('"')[1].split(",")[0]) for part in drawn.split("<polygon")[1:] if "points" in part]
    assert len(marks) == 4
    assert min(np.diff(sorted(marks))) > 60  # [px] of 700: by hand 440 s of about 1100 s shown, less the margins


def test_a_recording_of_many_drives_stays_to_scale(van: Analysis) -> None:
    far = _far_apart(van, 200)
    start = far.recording.start_ns
    many = tuple(_drive(start + hour * HOUR, start + hour * HOUR + 600 * S) for hour in range(1, 203, 5))
    near = focus(view_of(dataclasses.replace(far, estimate=dataclasses.replace(far.estimate, drives=many))))
    assert near is None  # by hand: the standstills then reach over 200 of 202 hours


def test_ticks_keep_out_of_what_is_left_out() -> None:
    low, high = np.datetime64("2025-03-10T10:00:00", "ms"), np.datetime64("2025-03-11T10:00:00", "ms")
    cut = tuple(np.array(["2025-03-10T11:00", "2025-03-11T09:00"], "datetime64[ms]").astype(float).tolist())
    ticks = time_ticks(low, high, 8, relative=False, cuts=[cut])
    assert [words for _, words, _ in ticks] == [
        *("10:00", "10:15", "10:30", "10:45", "11:00"),
        *("09:00", "09:15", "09:30", "09:45", "10:00"),
    ]
    assert [day for _, _, day in ticks if day] == ["2025-03-10", "2025-03-11"]


def test_dates_of_neighbouring_days_do_not_write_over_each_other() -> None:
    # ten days, twenty minutes seen of each: a tenth of the width a day, and a date is 76 px wide
    starts = np.datetime64("2025-03-01T08:00", "ms") + np.arange(10) * np.timedelta64(1, "D")
    ends = starts + np.timedelta64(20, "m")
    cuts = [{"bounds": [end, start]} for end, start in zip(ends, starts[1:], strict=False)]
    axis = {
        "type": "date",
        "range": [starts[0], ends[-1]],
        "rangebreaks": cuts,
        "tickformatstops": [{"value": "%H:%M"}],
    }
    layout = {"xaxis": axis, "margin": {"l": 56, "r": 16}}
    set_time_ticks(layout)
    days, within = np.divmod(np.array(axis["tickvals"], "datetime64[ms]") - starts[0], np.timedelta64(1, "D"))
    place = (WIDTH - 56 - 16) / 10 * (days + within / np.timedelta64(20, "m"))
    dated = [at for at, words in zip(place, axis["ticktext"], strict=True) if "<br>" in words]
    assert len(dated) >= 4
    assert min(np.diff(dated)) > 76.0


def test_a_rough_length_has_one_unit(van: Analysis) -> None:
    view = view_of(van)
    assert [rough(s, view) for s in (95, 1750, 3590, 32_400, 259_200)] == ["2 min", "29 min", "1 h", "9 h", "3 d"]


@pytest.mark.parametrize("width", [390, 1280])
def test_ticks_after_zooming_keep_apart_and_name_the_day(
    browser: Browser, van: Analysis, tmp_path: Path, width: int
) -> None:
    file = tmp_path / "far.html"
    file.write_text(vehicle_page(_far_apart(van)), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(file.as_uri())
    band = page.locator("#picture-band")
    band.scroll_into_view_if_needed()
    band.locator(".live .xtick text").first.wait_for()
    for press in ("wider", "closer", "closer"):
        band.locator(f"[data-do={press}]").click()
        page.wait_for_timeout(300)
        ticks = band.locator(".live .xtick text").evaluate_all(
            "all => all.map(it => [it.getBoundingClientRect().left, it.getBoundingClientRect().right, it.textContent])"
        )
        assert len(ticks) >= 2
        assert all(one[1] < other[0] for one, other in itertools.pairwise(ticks)), ticks
        assert "2025-" in ticks[0][2]
    page.close()
