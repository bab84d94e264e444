"""How long reading and mapping takes, held against the bare parse of the fastest general reader on the same file.

Wanted: 1 h at 50 Hz with 40 columns (180,000 rows) read, mapped and flagged in at most twice the bare parse, with a
peak of at most four times the columns as float64. Run with `pytest -m bench -s tests/bench/test_bench_read.py`.
"""

import gc
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tunelab.log.map import map_raw
from tunelab.log.read import read_raw
from tunelab.workspace import ChannelMap

ROWS, COLUMNS = 180_000, 40

_HEADINGS = (
    "Time (s),RPM,MAF [V],Air flow (kg/h),TPS (%),Pedal (%),MAP (kPa),Baro (kPa),PW (ms),Duty (%),Lambda,Lambda 2,"
    "Target lambda,STFT (%),LTFT (%),STFT 2 (%),LTFT 2 (%),Accel enrichment (%),Battery (V),Coolant (°C),IAT (°C),"
    "Ambient (°C),Oil temp (°C),EGT (°C),Spark (deg),Knock retard (deg),Speed (km/h),GPS speed (km/h),"
    "Fuel pressure (kPa),Oil pressure (kPa),Idle valve (%),Idle target (rpm),Gear,Acceleration (m/s2),Latitude (deg),"
    "Longitude (deg),Altitude (m),Spare 1,Spare 2,Spare 3"
)
_MIDDLES = (
    "0 2500 2 90 25 25 60 99 5 1 1 1 1 1 2 1 2 3 13.8 85 30 20 90 700 25 1 80 80 350 300 20 900 3 1 47 8 500 1 2 3"
)
HEADINGS = _HEADINGS.split(",")
MIDDLES = [float(text) for text in _MIDDLES.split()]


@pytest.fixture(scope="module")
def big_file(tmp_path_factory):
    rng = np.random.default_rng(1)
    path = tmp_path_factory.mktemp("bench") / "hour.csv"
    columns = {}
    for heading, middle in zip(HEADINGS, MIDDLES, strict=True):
        noise = np.convolve(rng.normal(0, 1, ROWS), np.ones(20) / 20, "same")
        columns[heading] = np.round(middle * (1 + 0.2 * noise) + 0.001 * rng.normal(0, 1, ROWS), 4)
    columns["Time (s)"] = np.round(np.arange(ROWS) / 50 + rng.uniform(0, 0.004, ROWS), 3)
    columns["Gear"] = np.full(ROWS, 3.0)
    pl.DataFrame(columns).write_csv(path)
    return path


def _best(action, repeats=5):
    times = []
    for _ in range(repeats):
        gc.collect()
        start = time.perf_counter()
        result = action()
        times.append(time.perf_counter() - start)
        del result
    return min(times)


@pytest.mark.bench
def test_reading_and_mapping_against_the_bare_parse(big_file):
    bare = _best(lambda: pl.read_csv(big_file))
    read = _best(lambda: read_raw(big_file))
    raw = read_raw(big_file)
    mapped = _best(lambda: map_raw(raw, None, ChannelMap()))
    log = map_raw(raw, None, ChannelMap())
    assert log.sizes["time"] == ROWS
    assert len([name for name in log if not name.endswith("_fresh")]) >= 36
    size = big_file.stat().st_size / 1e6
    sys.stdout.write(f"\n{ROWS} rows x {COLUMNS} columns, {size:.0f} MB")
    sys.stdout.write(
        f"bare parse {bare:.3f} s, read {read:.3f} s, map {mapped:.3f} s, both {(read + mapped) / bare:.2f} x bare\n"
    )


PEAK = """
import sys, threading
from pathlib import Path
import polars as pl, numpy as np, xarray
from tunelab.log.map import map_raw
from tunelab.log.read import read_raw
from tunelab.workspace import ChannelMap

def status(key):
    line = next(l for l in Path("/proc/self/status").read_text().splitlines() if l.startswith(key))
    return int(line.split()[1]) / 1024

Path("/proc/self/clear_refs").write_text("5")
before = status("VmRSS")
log = map_raw(read_raw(Path(sys.argv[1])), None, ChannelMap())
print(status("VmHWM") - before)
"""


@pytest.mark.bench
@pytest.mark.skipif(not os.path.exists("/proc/self/clear_refs"), reason="peak memory is read from Linux's /proc")
def test_peak_memory(big_file):
    ran = subprocess.run([sys.executable, "-c", PEAK, str(big_file)], capture_output=True, text=True, check=True)
    peak = float(ran.stdout)
    columns = ROWS * COLUMNS * 8 / 2**20
    sys.stdout.write(
        f"\npeak {peak:.0f} MB above the start, {peak / columns:.1f} x the columns as float64 ({columns:.0f} MB)\n"
    )
    assert Path(big_file).exists()
