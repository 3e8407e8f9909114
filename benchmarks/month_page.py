"""`python -m benchmarks.month_page`: a month of one vehicle as a page: its weight, its making, its first picture.

The first picture is timed in Chromium with the processor slowed down four times, from the navigation's start: its
drawing, and plotly's picture that takes its place.
"""

from __future__ import annotations

import dataclasses
import os
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.month_of_a_battery import START_NS, a_month
from decoder.recording import Recording, Trace
from estimator.battery import estimate_battery
from idle_stop.analysis import Analysis
from idle_stop.attribution import account_for
from idle_stop.findings import find_findings
from reports.vehicle import vehicle_page
from signal_defs.load import load_platform

_DAY_S, _DRIVES_S, _DRIVE_S = 86_400, (28_800, 61_200), 1_800
_SLOWER = 4
_RUNS = 5
_SEEN = """(() => {
  const look = () => document.querySelector("figure.picture .drawing > svg")?.getBoundingClientRect().height > 0
    ? requestAnimationFrame(() => { window.seen = performance.now(); }) : requestAnimationFrame(look);
  look();
})()"""
_WORKS = """() => new Promise((found) => {
  const look = () => document.querySelector("figure.picture .main-svg .scatterlayer .point")
    ? found([window.seen, performance.now()]) : requestAnimationFrame(look);
  look();
})"""


def a_month_of_driving(samples: int = 26_000_000) -> Recording:
    """The battery's month with speed at 1 Hz: a standstill of 20 s every two minutes of a drive."""
    battery = a_month(samples)
    seconds = np.arange(samples // 10)
    day = seconds % _DAY_S
    driving = np.zeros(len(seconds), dtype=bool)
    for begin in _DRIVES_S:
        driving |= (day > begin) & (day < begin + _DRIVE_S)
    time_ns = START_NS + seconds * 1_000_000_000
    valid = np.ones(len(seconds), dtype=bool)
    columns = {
        "vehicle_speed": np.where(driving & (day % 120 < 100), 40.0, 0.0),
        "ignition_on": driving.astype(np.float64),
        "battery_soc": np.full(len(seconds), 72.0),
        "coolant_temperature": np.full(len(seconds), 80.0),
    }
    units = {"vehicle_speed": "km/h", "ignition_on": "bool", "battery_soc": "%", "coolant_temperature": "degC"}
    more = {role: Trace(role, "bench/Message.x", units[role], time_ns, x, valid) for role, x in columns.items()}
    own = {"battery_voltage": "V", "battery_current": "A", "engine_speed": "rpm"}
    traces = {role: dataclasses.replace(trace, unit=own[role]) for role, trace in battery.traces.items()}
    return dataclasses.replace(battery, traces={**traces, **more})


def analysed(samples: int = 26_000_000) -> Analysis:
    """The month, analysed with the example van's rules."""
    recording, platform = a_month_of_driving(samples), load_platform("example-van")
    estimate = estimate_battery(recording, platform.battery, rules=platform.idle_stop)
    account = account_for(recording, estimate, platform.idle_stop)
    findings = find_findings(recording, estimate, account, platform)
    return Analysis("month", platform, recording, estimate, account, findings)


def first_picture_s(file: Path) -> tuple[float, float]:
    """Seconds from the navigation's start until the first picture is drawn, and until it can be worked with."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 1600})
        page.add_init_script(_SEEN)
        page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": _SLOWER})
        page.goto(file.as_uri(), wait_until="commit")
        seen, works = page.evaluate(_WORKS)
        browser.close()
    return float(seen) / 1000, float(works) / 1000


def main() -> None:
    analysis = analysed()
    cpu, wall = time.process_time(), time.perf_counter()
    page = vehicle_page(analysis)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "month.html"
        file.write_text(page, encoding="utf-8")
        runs = [first_picture_s(file) for _ in range(_RUNS)]
    print(f"{analysis.recording.frames:,} samples, {len(analysis.account.standstills)} standstills")
    print(f"page: {len(page.encode()) / 1e6:.2f} MB, made in {cpu:.1f} s CPU, {wall:.1f} s")
    seen, works = (statistics.median(times) for times in zip(*runs, strict=True))
    print(f"on a processor slowed {_SLOWER} times, median of {_RUNS} runs, load {os.getloadavg()[0]:.1f}:")
    print(f"first picture seen after {seen:.2f} s, can be worked with after {works:.2f} s")


if __name__ == "__main__":
    main()
