"""What `ready` and `plan` take with 300 records: processor time and memory, the first time and from then on.

The records are of logs laid down by hand, 20 minutes at 25 Hz each, with a finding for every gate; every third session
is a steady one. Wanted from the second time on: 10 s of processor time and 300 MB each. `BENCH_RECORDS=40` makes fewer.
Run with `pytest -m bench -s tests/bench/test_bench_ready.py`.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tomllib

import numpy as np
import pytest
from held_log import held_log
from plain_workspace import CAR, REVISION, SESSION_NAME, write_workspace
from ready_drives import EVERY, finding
from written_results import write_results

from tunelab.log.store import write_log
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

RECORDS = int(os.environ.get("BENCH_RECORDS", "300"))
HOLDS = [(speed, 0.03 * speed + 20.0 * k, 20.0) for speed in np.linspace(900, 4800, 20) for k in range(3)]
RUN = (
    "import resource, sys\nfrom tunelab.cli import main\ncode = main(sys.argv[1:])\n"
    "used = resource.getrusage(resource.RUSAGE_SELF)\n"
    "(most,) = [line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')]\n"
    "print(code, used.ru_utime + used.ru_stime, int(most) / 1024, file=sys.stderr)"
)
ASKED = (("ready",), ("ready",), ("ready", "--event", "2099-06-10"), ("plan",), ("plan",), ("plan", "full-throttle"))


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    root = write_workspace(tmp_path_factory.mktemp("many"))
    car, revision = Car.model_validate(tomllib.loads(CAR)), Revision.model_validate(tomllib.loads(REVISION))
    log = held_log(car, revision, HOLDS, rate_hz=25.0)
    rng = np.random.default_rng(1)
    for name, spread in (("engine_speed_rpm", 20.0), ("meter_v", 0.004), ("throttle_pct", 1.0), ("battery_v", 0.05)):
        log[name] = log[name] + rng.normal(0, spread, log.sizes["time"])
    path = write_log(log, root / "log.nc")
    for number in range(RECORDS):
        _add(root, f"2026-{1 + number // 28:02d}-{1 + number % 28:02d}-n{number:03d}", number % 3 == 0, path)
    shutil.rmtree(root / "sessions" / SESSION_NAME)
    return root


def _add(root, name, is_steady, log):
    folder = root / "sessions" / name
    folder.mkdir()
    step = "steady" if is_steady else "full-throttle"
    text = f'date = {name[:10]}\nsteps = ["{step}"]\nrevision = "r01"\nfiles = ["log1.csv"]\n'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    shutil.copy(root / "sessions" / SESSION_NAME / "log1.csv", folder)
    write_results(root, name, [finding(i) for i in EVERY])
    place = root / "records" / name
    os.link(log, place / "log.nc")
    data = json.loads((place / "results.json").read_text("utf-8"))
    data["inputs"] = [{"path": "log1.csv", "sha256": "0" * 64, "rows_in": 2, "rows_kept": 2, "rows_set_aside": 0}]
    data["settings"] = [{"path": "car.toml", "sha256": hashlib.sha256((root / "car.toml").read_bytes()).hexdigest()}]
    (place / "results.json").write_text(json.dumps(data), encoding="utf-8")


@pytest.mark.bench
def test_many_records(root, capsys):
    for words in ASKED:
        done = subprocess.run(
            [sys.executable, "-c", RUN, *words, str(root)], capture_output=True, text=True, check=True
        )
        code, seconds, memory = done.stderr.splitlines()[-1].split()
        with capsys.disabled():
            what = f"{RECORDS} records, {' '.join(words):27}"
            print(f"{what}: {float(seconds):6.1f} s, {float(memory):4.0f} MB (exit {code})")
