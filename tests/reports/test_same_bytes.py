"""The page does not depend on the process that writes it: no order of a set, no hash, no clock gets into it."""

from __future__ import annotations

import hashlib
import os
import pickle
import subprocess
import sys
from pathlib import Path

from idle_stop.analysis import Analysis

_PROGRAM = """
import hashlib, json, pickle, sys
from reports.analysis_json import analysis_to_json
from reports.vehicle import vehicle_page
with open(sys.argv[1], "rb") as file:
    analysis = pickle.load(file)
written = vehicle_page(analysis, language="de") + json.dumps(analysis_to_json(analysis))
print(hashlib.sha256(written.encode()).hexdigest())
"""


def test_two_processes_write_the_same_page_and_json_whatever_their_hash_seed(van: Analysis, tmp_path: Path) -> None:
    path = tmp_path / "analysis"
    path.write_bytes(pickle.dumps(van))
    digests = set()
    for seed, zone in (("1", "UTC"), ("4711", "Asia/Tokyo")):
        ran = subprocess.run(
            [sys.executable, "-c", _PROGRAM, str(path)],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            check=True,
            capture_output=True,
            text=True,
        )
        digests.add(ran.stdout.strip())
    assert len(digests) == 1
    assert len(digests.pop()) == hashlib.sha256().digest_size * 2
