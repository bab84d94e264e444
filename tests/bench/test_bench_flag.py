"""Benchmark: flagging an hour at 50 Hz with 40 channels; prints seconds, asserts nothing about them."""

from __future__ import annotations

import time

import numpy as np
import plain_gas
import pytest
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.flag import flag_log


@pytest.mark.bench
def test_flagging_an_hour():
    rng = np.random.default_rng(1)
    rows = 180_000
    names = [name for name in CHANNELS if name not in ("meter_hz", "meter_counts", "barometer_kpa")][:40]
    levels = {"engine_speed_rpm": 2500.0, "meter_v": 2.4, "lambda_measured": 1.0, "coolant_c": 88.0}
    data = {name: ("time", levels.get(name, 20.0) * (1 + 0.003 * rng.normal(size=rows))) for name in names}
    log = xr.Dataset(data, coords={"time": np.arange(rows) * 0.02})
    start = time.perf_counter()
    flagged = flag_log(log, plain_gas.CAR, plain_gas.SESSION, revision=plain_gas.REVISION)
    spent = time.perf_counter() - start
    print(f"{rows} rows x {len(names)} channels flagged in {spent:.3f} s")
    assert len(flagged.data_vars) == 2 * len(names) + 1
