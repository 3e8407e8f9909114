"""`python -m benchmarks.validation`: make the truths, put a sensor's errors on them, estimate, print the table.

Truths are kept in the user's cache folder (--cache names another) and made anew only if missing; making all takes some
eight minutes of one core. Nothing else is written unless --fixtures asks for the small ones of the tests.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from benchmarks.validation.goals import goals_table
from benchmarks.validation.held_out import HELD_OUT
from benchmarks.validation.measures import run, see
from benchmarks.validation.result import Result
from benchmarks.validation.scenarios import SCENARIOS, Scenario, make_truth
from benchmarks.validation.sensor import every_sign
from benchmarks.validation.table import charge_table, health_table, starts_table
from benchmarks.validation.truth import VERSION, Truth, load_truth, save_truth

FIXTURES = ("agm-mixed", "agm-unknown-start", "flooded-deep", "agm-faded-60", "agm-lost-flat", "agm-sulphated")


def main() -> None:
    import platformdirs

    parser = argparse.ArgumentParser(prog="python -m benchmarks.validation", description=__doc__)
    default = Path(platformdirs.user_cache_dir("idlewhy")) / "truths"
    parser.add_argument("--cache", type=Path, default=default, help="folder of the truths made before")
    parser.add_argument("--only", nargs="*", help="names of truths; all if not given")
    parser.add_argument("--seeds", type=int, default=8, help="how many of the eight sets of sensor errors")
    parser.add_argument("--fixtures", type=Path, help="write the tests' truths into this folder, and no table")
    options = parser.parse_args()
    if options.fixtures:
        for scenario in SCENARIOS:
            if scenario.name in FIXTURES:
                save_truth(_truth(scenario, options.cache), options.fixtures / f"{scenario.name}.npz")
        return
    for title, scenarios in (("Truths that were tuned on", SCENARIOS), ("Held-out truths", HELD_OUT)):
        chosen = [scenario for scenario in scenarios if not options.only or scenario.name in options.only]
        if chosen:
            print(f"# {title}\n")
            _print_tables(chosen, options.cache, options.seeds)


def _print_tables(scenarios: Sequence[Scenario], cache: Path, seeds: int) -> None:
    own, by_type = [], []
    for scenario in scenarios:
        truth = _truth(scenario, cache)
        begin = time.process_time()
        seen = [see(truth, errors) for errors in every_sign()[:seeds]]
        own.append(Result(scenario, truth, tuple(run(one) for one in seen)))
        typical = tuple(run(one, own_curve=False) for one in seen)
        by_type.append(Result(replace(scenario, goal=None), truth, typical))
        print(f"{scenario.name}: estimated in {time.process_time() - begin:.0f} s CPU", file=sys.stderr)
    print("## Goals, and what was found\n")
    print(goals_table(own, by_type))
    print("\n## Charge [points], with the battery's own open-circuit curve\n")
    print(charge_table(own))
    print("\n## Health, with the battery's own curve\n")
    print(health_table(own))
    print("\n## Starts by key and the draw asleep, with the battery's own curve\n")
    print(starts_table(own))
    print("\n## Charge [points], with the battery type's curve (no goals but the band's)\n")
    print(charge_table(by_type))
    print(flush=True)


def _truth(scenario: Scenario, cache: Path) -> Truth:
    """From the cache, or made and put there."""
    path = cache / f"{scenario.name}-v{VERSION}.npz"
    if not path.exists():
        begin = time.process_time()
        save_truth(make_truth(scenario), path)
        print(f"{scenario.name}: made in {time.process_time() - begin:.0f} s CPU", file=sys.stderr)
    return load_truth(path)


if __name__ == "__main__":
    main()
