"""How long a frame of the exploring figures takes with two million rows."""

import time

import holoviews as hv
import holoviews.plotting.bokeh
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from tunelab.chart.explore import explore_scatter, explore_traces
from tunelab.study.explore_cells import EngineLoad, distribute, map_channel

ROWS = 2_000_000
CHANNELS = ("engine_speed_rpm", "manifold_kpa", "lambda_measured", "battery_v")
FRAME_MS = 200


@pytest.fixture(scope="module")
def log():
    rng = np.random.default_rng(1)
    drift = np.cumsum(rng.normal(0, 1, ROWS))
    drift = (drift - drift.min()) / np.ptp(drift)
    levels = {"engine_speed_rpm": 6000, "manifold_kpa": 90, "lambda_measured": 0.4, "battery_v": 2}
    data = {name: ("time", size * (0.2 + drift + 0.02 * rng.normal(size=ROWS))) for name, size in levels.items()}
    flags = {f"{name}_flag": ("time", (rng.random(ROWS) < 0.001).astype(np.int32)) for name in levels}
    flags["sample_flag"] = ("time", np.zeros(ROWS, dtype=np.int32))
    return xr.Dataset(data | flags, {"time": np.arange(ROWS) / 50.0}, {"session": "made"})


def median_frame(event, count=7):
    """Median of one frame, an event until the figure's data is new: time on the clock, of the processor. [ms]"""
    taken = []
    for number in range(count):
        clock, processor = time.perf_counter(), time.process_time()
        event(number)
        taken.append((1e3 * (time.perf_counter() - clock), 1e3 * (time.process_time() - processor)))
    return np.median(taken[1:], axis=0)


def words(frame):
    return f"{frame[0]:.0f} ms ({frame[1]:.0f} of the processor)"


def streams_of(plot):
    return [s for part in plot.traverse(lambda one: one) for s in getattr(part, "streams", [])]


@pytest.mark.bench
def test_frames_of_two_million_rows(log):
    hv.Store.set_current_backend("bokeh")
    none = pd.DataFrame(columns=["start_s", "end_s", "channel", "reason", "samples", "note"])
    begin = time.perf_counter()
    plot = hv.renderer("bokeh").get_plot(explore_traces(log, CHANNELS, flagged=none))
    first = time.perf_counter() - begin
    ranges = list({id(s): s for s in streams_of(plot) if type(s).__name__ == "RangeX"}.values())
    end = ROWS / 50.0
    shown = {}
    for share in (1.0, 0.3, 0.03, 0.001):
        shown[share] = median_frame(
            lambda k, w=share * end: [s.event(x_range=(100.0 * k, 100.0 * k + w)) for s in ranges]
        )
    scatter = hv.renderer("bokeh").get_plot(explore_scatter(log, *CHANNELS[:2], colour="lambda_measured"))
    box = next(s for s in streams_of(scatter) if type(s).__name__ == "BoundsXY")
    zoom = next(s for s in streams_of(scatter) if type(s).__name__ == "RangeXY")
    chosen = median_frame(lambda k: box.event(bounds=(2000.0, 20.0, 4000.0 + 100 * k, 80.0)))
    zoomed = median_frame(lambda k: zoom.event(x_range=(1000.0, 6000.0 - 100 * k), y_range=(10.0, 90.0)))
    load = EngineLoad(log["manifold_kpa"].to_numpy(), "load", np.ones(ROWS, dtype=bool))
    begin = time.perf_counter()
    map_channel(log, "lambda_measured", load, speed_step_rpm=250.0, loads=20)
    mapped = time.perf_counter() - begin
    begin = time.perf_counter()
    distribute(log, "lambda_measured")
    counted = time.perf_counter() - begin
    print(f"\n{ROWS} rows, {len(CHANNELS)} traces: first drawing {first:.2f} s")
    for share, frame in shown.items():
        print(f"frame of all traces, {share:g} of the log: {words(frame)}")
    print(f"selection {words(chosen)}, zoom of the points {words(zoomed)}")
    print(f"map over speed and load {mapped:.2f} s, distribution {counted:.2f} s")
    slowest = np.max([*shown.values(), chosen, zoomed], axis=0)
    print(f"slowest frame {words(slowest)}, aim {FRAME_MS} ms on two idle cores")
