"""Flagged logs of nothing but holds, laid down by hand, so that the seconds in every cell are known beforehand."""

import numpy as np
import xarray as xr

from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

CHANNELS = ("engine_speed_rpm", "meter_v", "lambda_measured", "lambda_commanded", "throttle_pct", "battery_v")


def held_log(car: Car, revision: Revision, holds, *, rate_hz: float = 20.0) -> xr.Dataset:
    """Log of holds, rows (engine speed [rpm], airflow [kg/h], seconds) or (..., throttle [%], battery [V]).

    The meter reads what the revision's curve needs to give that airflow; nothing is flagged.
    """
    rows = [(*hold, 20.0, 14.0) if len(hold) == 3 else hold for hold in holds]
    counts = [round(row[2] * rate_hz) for row in rows]
    speed, flow, _, throttle, battery = (np.repeat([row[k] for row in rows], counts).astype(float) for k in range(5))
    reading = np.interp(flow, revision.meter_curve.flow_kg_h, revision.meter_curve.reading)
    values = (speed, reading, np.ones(speed.size), np.ones(speed.size), throttle, battery)
    data = {name: ("time", array) for name, array in zip(CHANNELS, values, strict=True)}
    flags = {f"{name}_flag": ("time", np.zeros(speed.size, dtype=np.int32)) for name in CHANNELS}
    flags["sample_flag"] = ("time", np.zeros(speed.size, dtype=np.int32))
    data["episode"] = ("time", np.zeros(speed.size, dtype=np.int32))
    return xr.Dataset(data | flags, coords={"time": np.arange(speed.size) / rate_hz}, attrs={"session": "by hand"})
