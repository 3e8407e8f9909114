"""How often vehicles in order get a finding: none may ask for action. `python -m benchmarks.healthy_recordings`."""

from __future__ import annotations

import argparse
import time
from collections import Counter

from estimator.battery import estimate_battery
from idle_stop.attribution import account_for
from idle_stop.findings import Finding, find_findings
from idlewhy.demo.healthy import Healthy, healthy


def findings_of(vehicle: Healthy) -> tuple[Finding, ...]:
    rules = vehicle.platform.idle_stop
    estimate = estimate_battery(vehicle.recording, vehicle.platform.battery, rules=rules)
    account = account_for(vehicle.recording, estimate, rules)
    return find_findings(vehicle.recording, estimate, account, vehicle.platform)


def main() -> None:
    """Print every finding of every vehicle, and how many of each weight there were."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.healthy_recordings", description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    begun = time.perf_counter()
    tally: Counter[tuple[str, str, bool]] = Counter()
    silent = 0
    for seed in range(options.first, options.first + options.count):
        vehicle = healthy(seed)
        found = findings_of(vehicle)
        silent += not found
        for one in found:
            tally[one.weight, one.code, one.possible] += 1
            marks = f"{one.weight}{', possible' if one.possible else ''}"
            print(f"{vehicle.about} | {one.code} ({marks}): {' '.join(map(str, one.evidence))}", flush=True)
    print(f"{options.count} vehicles in order, {silent} without any finding, {time.perf_counter() - begun:.0f} s")
    for (weight, code, possible), count in sorted(tally.items()):
        print(f"{weight:>6} {code}{' (possible)' if possible else ''}: {count}")
    print(f"asking for action: {sum(count for (weight, *_), count in tally.items() if weight == 'act')}")


if __name__ == "__main__":
    main()
