"""From stories to log files: simulate each vehicle, write what its logger would have written, keep the truth."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np

from decoder.frames import FrameBatch
from idlewhy.candump import write_candump
from idlewhy.demo.battery_model import POLARISATION
from idlewhy.demo.emit import carried_roles, emit
from idlewhy.demo.fleet import SOC_BIAS, STORIES, Story
from idlewhy.demo.samples import Samples
from idlewhy.demo.simulate import Park, Simulation, Vehicle
from idlewhy.demo.truth import DemoVehicle, Truth
from idlewhy.demo.write_asc import write_asc
from idlewhy.demo.write_blf import write_blf
from idlewhy.demo.write_mf4 import write_mf4
from signal_defs.load import load_platform
from signal_defs.platform import Platform


def make_logs(folder: Path, *, seed: int = 7, only: tuple[str, ...] = ()) -> tuple[DemoVehicle, ...]:
    """Write the fleet's logs and truth.json into a folder that exists, and say what they are.

    seed: of all noise; the same seed gives the same bytes. only: ids of the vehicles wanted; empty for all.
    """
    platforms: dict[str, Platform] = {}
    vehicles = []
    for number, story in enumerate(STORIES):
        if only and story.id not in only:
            continue
        platform = platforms.get(story.platform) or load_platform(story.platform)
        platforms[story.platform] = platform
        vehicles.append(_make(folder, story, platform, np.random.default_rng((seed, number))))
    truth = {v.id: {"story": v.story, "platform": v.platform, **v.truth.as_json()} for v in vehicles}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return tuple(vehicles)


def _make(folder: Path, story: Story, platform: Platform, rng: np.random.Generator) -> DemoVehicle:
    simulation = _simulation(story, platform)
    paths, times, shares = [], [], []
    for name, plan in story.parts.items():
        samples = simulation.live(plan)
        write_log(folder / name, emit(platform, samples, rng, story.hidden, _channels(name, platform)))
        paths.append(folder / name)
        minute = _once_a_minute(samples)
        times.append(samples.time_ns[minute])
        shares.append(100.0 * samples.share[minute])
    truth = Truth(
        tuple(simulation.standstills),
        tuple(simulation.starts),
        np.concatenate(times),
        np.concatenate(shares),
        story.make.capacity_ah,
        1000.0 * (1.0 + POLARISATION) * story.make.resistance_ohm,
        1000.0 * story.loads.asleep,
        story.findings,
        story.may_find,
    )
    return DemoVehicle(story.id, story.platform, tuple(paths), story.title, truth, story.after)


def _simulation(story: Story, platform: Platform) -> Simulation:
    first = next(part for parts in story.parts.values() for part in parts if isinstance(part, Park))
    vehicle = Vehicle(
        make=story.make,
        share=story.share,
        celsius=first.ambient + 1.0,
        rules=platform.idle_stop,
        starter=story.starter,
        loads=story.loads,
        soc_bias=SOC_BIAS,
        soc_shown=story.soc_shown,
        values=story.values,
        hidden=story.hidden,
    )
    start_ns = int(datetime.fromisoformat(story.start).timestamp()) * 1_000_000_000
    return Simulation(vehicle, start_ns, carried_roles(platform, story.hidden), ambient=first.ambient)


def _once_a_minute(samples: Samples) -> np.ndarray:
    minutes = samples.time_ns // 60_000_000_000
    return np.flatnonzero(np.diff(minutes, prepend=-1))


def _channels(name: str, platform: Platform) -> tuple[str, ...]:
    if ".log" in name:
        return tuple("can0" if bus.kind == "can" else "lin0" for bus in platform.buses)
    return ("1",) * len(platform.buses)


def write_log(path: Path, frames: FrameBatch) -> None:
    """Write frames in the format that the file's name asks for: .log, .log.gz, .blf, .asc or .mf4."""
    writers = {".blf": write_blf, ".asc": write_asc, ".mf4": write_mf4}
    writers.get(path.suffix, write_candump)(path, frames)
