"""`python -m tests.fuzz [NAME ...] --minutes M`: coverage-guided fuzzing (libFuzzer, through atheris), one at a time.

Inputs begin with those under fixtures/fuzz/NAME, which hold what was found before (found-...); what is met on the way
stays under --work, with the inputs that broke something. One line of figures a run goes to standard output.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import subprocess
import sys
import time
from pathlib import Path

SEEDS = Path(__file__).parents[2] / "fixtures" / "fuzz"
SLICE_S, SLICE_INPUTS = 120, 6_000  # of one process, see `run`


def main() -> None:
    from .targets import NAMES

    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("names", nargs="*", default=list(NAMES), metavar="NAME", help=f"of {', '.join(NAMES)}")
    parser.add_argument("--minutes", type=float, default=4.0, help="of each target")
    parser.add_argument("--rounds", type=int, default=1, help="times over all targets")
    parser.add_argument("--work", type=Path, default=Path("fuzz-work"))
    parser.add_argument("--replay", action="store_true", help="only the inputs under fixtures, each once")
    options = parser.parse_args()
    if options.replay:
        sys.exit(replay(options.names))
    found = 0
    for _ in range(options.rounds):
        for name in options.names:
            found += run(name, int(60 * options.minutes), options.work)
    sys.exit(1 if found else 0)


def seeds_of(name: str) -> list[Path]:
    """The folders of inputs that a target begins with; opening a log begins with those of every format."""
    return sorted(folder for folder in SEEDS.iterdir() if name in {folder.name, "opening"})


def replay(names: list[str]) -> int:
    """Every input under fixtures once, without the library; the number of those that break something."""
    from .targets import target

    os.environ["IDLEWHY_CACHE"] = "off"
    broken = 0
    for name in names:
        one = target(name)
        for path in (path for folder in seeds_of(name) for path in sorted(folder.iterdir())):
            try:
                one(path.read_bytes())
            except Exception as error:  # noqa: BLE001  # whatever it is, it is a finding
                sys.stdout.write(f"{name}: {path.name}: {type(error).__name__}: {error}\n")
                broken += 1
    return broken


def run(name: str, seconds: int, work: Path) -> int:
    """One target for so long, a new process every few minutes; 1 if an input broke it (it stops there), else 0.

    The library itself keeps up to 200 kilobytes an input: a process of an hour would reach its bound of memory.
    """
    corpus, broken = work / name, work / f"{name}-broken"
    corpus.mkdir(parents=True, exist_ok=True)
    broken.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-c", f"from tests.fuzz.__main__ import fuzz; fuzz({name!r})", str(corpus)]
    command += [*map(str, seeds_of(name)), f"-artifact_prefix={broken}/"]
    begin, inputs, failed = time.monotonic(), 0, False
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    while not failed and (left := begin + seconds - time.monotonic()) > 1:
        slice_s = min(int(left), SLICE_S)
        run_of_it = [*command, f"-max_total_time={slice_s}", f"-runs={SLICE_INPUTS}"]
        done = subprocess.run(
            run_of_it, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False, errors="replace"
        )
        (work / f"{name}.txt").write_text(done.stdout[-20_000:])
        inputs += int((re.findall(r"^#(\d+)", done.stdout, re.MULTILINE) or ["0"])[-1])
        failed = done.returncode != 0
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    said = f"broken, see {work / name}.txt" if failed else "sound"
    sys.stdout.write(f"{name}: {inputs} inputs in {time.monotonic() - begin:.0f} s ({cpu:.0f} s CPU), {said}\n")
    sys.stdout.flush()
    return int(failed)


def fuzz(name: str) -> None:
    """Fuzz one target in this process; libFuzzer's arguments are those of the command line."""
    import atheris

    os.environ["IDLEWHY_CACHE"] = "off"
    with atheris.instrument_imports(include=["decoder", "signal_defs", "cantools.database", "textparser"]):
        from . import targets

        if name in targets.DATABASES:
            from signal_defs.databases.cantools_part import cantools_database

            cantools_database()
            __import__("signal_defs.databases")
        else:
            from decoder.logs.registry import READERS

            for module in READERS.values():
                __import__(module)
    one = targets.target(name)
    limit = targets.MEMORY_MIB << 20
    resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))
    arguments = [f"-max_len={targets.MAX_INPUT}", "-timeout=60", "-rss_limit_mb=0", "-len_control=20"]
    atheris.Setup([sys.argv[0], *sys.argv[1:], *arguments], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
