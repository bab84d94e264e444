"""How long a log takes to be read, mapped and flagged, against the bare parse of the fastest general reader on it.

Wanted: 1 h at 50 Hz with 40 columns (180,000 rows) read, mapped and flagged in at most 1.5 times the bare parse on the
clock, with a peak of at most four times the columns as float64; and 3 h at 100 Hz with 60 columns (a file of half a
gigabyte; BENCH_LONG=1) at all. Run with `pytest -m bench -s tests/bench/test_bench_read.py`.
"""

import gc
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import plain_gas
import polars as pl
import pytest

from tunelab.log.flag import flag_log
from tunelab.log.map import map_raw
from tunelab.log.read import read_raw
from tunelab.workspace import ChannelMap

ROWS, COLUMNS = 180_000, 40
ROUNDS = int(os.environ.get("BENCH_ROUNDS", "15"))

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
    return _write_log(tmp_path_factory.mktemp("bench") / "hour.csv", ROWS, COLUMNS, 50)


def _write_log(path, rows, columns, rate_hz):
    rng = np.random.default_rng(1)
    made = {}
    headings = [*HEADINGS, *(f"Spare {number}" for number in range(4, 4 + columns - COLUMNS))]
    for heading, middle in zip(headings, [*MIDDLES, *[2.0] * (columns - COLUMNS)], strict=True):
        noise = np.convolve(rng.normal(0, 1, rows), np.ones(20) / 20, "same")
        made[heading] = np.round(middle * (1 + 0.2 * noise) + 0.001 * rng.normal(0, 1, rows), 4)
    made["Time (s)"] = np.round(np.arange(rows) / rate_hz + rng.uniform(0, 0.2 / rate_hz, rows), 4)
    made["Gear"] = np.full(rows, 3.0)
    for heading, middle in (("Latitude (deg)", 47.0), ("Longitude (deg)", 8.0)):  # some kilometres of road
        made[heading] = np.round(middle + np.cumsum(rng.normal(0, 2e-6, rows)), 7)
    pl.DataFrame(made).write_csv(path)
    return path


def _once(action):
    """Wall seconds, processor seconds and result of one call."""
    gc.collect()
    wall, cpu = time.perf_counter(), time.process_time()
    result = action()
    return time.perf_counter() - wall, time.process_time() - cpu, result


def _one_round(path):
    """(wall, processor) of the bare parse, reading, mapping and flagging, one after another; and the flagged log."""
    *bare, _ = _once(lambda: pl.read_csv(path))
    *read, raw = _once(lambda: read_raw(path))
    *mapped, log = _once(lambda: map_raw(raw, plain_gas.CAR, ChannelMap()))
    *flagged, log = _once(lambda: flag_log(log, plain_gas.CAR, plain_gas.SESSION, revision=plain_gas.REVISION))
    return np.array([bare, read, mapped, flagged]), log


@pytest.mark.bench
def test_reading_mapping_and_flagging_against_the_bare_parse(big_file):
    rounds = []
    for _ in range(ROUNDS):  # interleaved, so that what else the machine does hits all alike
        spent, log = _one_round(big_file)
        rounds.append(spent)
    assert log.sizes["time"] == ROWS
    assert sum(name.endswith("_flag") for name in log) >= 37
    least = np.min(rounds, axis=0)
    size = big_file.stat().st_size / 1e6
    sys.stdout.write(f"\n{ROWS} rows x {COLUMNS} columns, {size:.0f} MB, least of {ROUNDS} rounds\n")
    for kind, name in enumerate(("wall", "processor")):
        bare, read, mapped, flagged = least[:, kind]
        of_rounds = [spent[1:, kind].sum() / spent[0, kind] for spent in rounds]
        sys.stdout.write(
            f"{name} seconds: bare parse {bare:.3f}, read {read:.3f}, map {mapped:.3f}, flag {flagged:.3f}: "
            f"{(read + mapped + flagged) / bare:.2f} x bare, {(read + mapped) / bare:.2f} x without flags; "
            f"of each round by itself {np.median(of_rounds):.2f} x in the median, the middle half "
            f"{np.quantile(of_rounds, 0.25):.2f} to {np.quantile(of_rounds, 0.75):.2f} x\n"
        )
    sys.stdout.write(f"load {os.getloadavg()[0]:.1f}\n")


PEAK = """
import sys, time
from pathlib import Path
import plain_gas, polars as pl, numpy as np, xarray
from tunelab.log.flag import flag_log
from tunelab.log.map import map_raw
from tunelab.log.read import read_raw
from tunelab.workspace import ChannelMap

def status(key):
    line = next(l for l in Path("/proc/self/status").read_text().splitlines() if l.startswith(key))
    return int(line.split()[1]) / 1024

Path("/proc/self/clear_refs").write_text("5")
before = status("VmRSS")
raw = read_raw(Path(sys.argv[1]))
log = flag_log(map_raw(raw, plain_gas.CAR, ChannelMap()), plain_gas.CAR, plain_gas.SESSION)
print(status("VmHWM") - before, time.process_time(), log.sizes["time"])
"""


@pytest.mark.bench
@pytest.mark.skipif(not os.path.exists("/proc/self/clear_refs"), reason="peak memory is read from Linux's /proc")
def test_peak_memory(big_file):
    _say_peak(big_file, ROWS, COLUMNS)


@pytest.mark.bench
@pytest.mark.skipif("BENCH_LONG" not in os.environ, reason="half a gigabyte: asked for by BENCH_LONG=1")
def test_three_hours_at_100_hz_with_60_columns(tmp_path):
    rows, columns = 3 * 3600 * 100, 60
    _say_peak(_write_log(tmp_path / "three-hours.csv", rows, columns, 100), rows, columns)


def _say_peak(path, rows, columns):
    command = [sys.executable, "-c", PEAK, str(path)]
    tests = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    begin = time.perf_counter()
    ran = subprocess.run(command, capture_output=True, text=True, check=True, env=tests)
    wall = time.perf_counter() - begin
    peak, processor, kept = map(float, ran.stdout.split())
    as_float = rows * columns * 8 / 2**20
    sys.stdout.write(
        f"\n{rows} rows x {columns} columns, {path.stat().st_size / 1e6:.0f} MB: peak {peak:.0f} MB above the start, "
        f"{peak / as_float:.1f} x the columns as float64 ({as_float:.0f} MB); {wall:.0f} s on the clock, "
        f"{processor:.0f} s of the processor, imports and all; load {os.getloadavg()[0]:.1f}\n"
    )
    assert kept == rows
