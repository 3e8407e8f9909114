"""How often a real fault is flagged in three weeks, and a healthy vehicle in twelve, looked at every week."""

from __future__ import annotations

import sys
import time

import pandas as pd

from benchmarks.fleet_simulated import Fault, fleet_drawn, simulate
from fleet.ranking import rank


def flagged(frames: dict[str, pd.DataFrame], days: int) -> dict[str, str]:
    """Vehicles that need attention by the data of the first `days`, and the first reason of each."""
    first = frames["daily"]["day"].min()
    end = first + pd.Timedelta(days=days)
    recordings = frames["recordings"][frames["recordings"]["time"] < end.tz_localize("UTC")]
    daily = frames["daily"][frames["daily"]["day"] < end]
    ranked = rank(fleet_drawn({"recordings": recordings, "daily": daily}))
    return {one.vehicle: str(one.reasons[0].what) for one in ranked if one.standing == "attention"}


def shares(vehicles: int, healthy: int, seed: int = 1) -> dict[str, float]:
    """Share flagged by day 21 of each kind of fault, and of healthy vehicles at any weekly look in twelve weeks."""
    found = {}
    for name, fault in (("rise", Fault(rise=0.10)), ("drain", Fault(drain_a=0.100))):
        fleet = simulate({f"{name}-{n}": fault for n in range(vehicles)}, 21, seed=seed)
        looks = [flagged(fleet, day) for day in (7, 14, 21)]
        found[name] = len({vehicle for look in looks for vehicle in look}) / vehicles
    fleet = simulate({f"well-{n}": Fault() for n in range(healthy)}, 84, seed=seed + 1)
    false: dict[str, str] = {}
    for day in range(7, 85, 7):
        for vehicle, why in flagged(fleet, day).items():
            false.setdefault(vehicle, f"day {day}: {why}")
    found["healthy"] = len(false) / healthy
    for vehicle, why in false.items():
        print("  falsely flagged:", vehicle, why)
    return found


def main() -> None:
    vehicles, healthy = (int(word) for word in (sys.argv[1:3] or ("200", "500")))
    begun = time.perf_counter()
    found = shares(vehicles, healthy)
    print(f"resistance +10 %/month flagged within three weeks: {found['rise']:.1%} of {vehicles}   (goal 95 %)")
    print(f"drain of 100 mA flagged within three weeks:        {found['drain']:.1%} of {vehicles}   (goal 95 %)")
    print(f"healthy, flagged in twelve weeks with a cold snap: {found['healthy']:.2%} of {healthy}   (goal under 1 %)")
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
