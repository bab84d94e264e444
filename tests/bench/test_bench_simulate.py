"""How long the simulator takes: prints figures, asserts nothing about time."""

import time

import numpy as np
import pytest

from tunelab.simulate import drive, random_car, steady_sweep


@pytest.mark.bench
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ten_minutes_of_driving(seed, capsys):
    rng = np.random.default_rng(seed)
    _, truth, revision = random_car(rng)
    began = time.perf_counter()
    out = drive(truth, revision, steady_sweep(truth, longest_s=600.0), rng=rng)
    took = time.perf_counter() - began
    rows = out.log(25.0).sizes["time"]
    pace = 1e6 * took / out.time.size
    with capsys.disabled():
        print(f"\n{out.time[-1]:.0f} s driven in {took:.1f} s, {pace:.0f} µs a step, {rows} rows")
    assert rows > 10_000
