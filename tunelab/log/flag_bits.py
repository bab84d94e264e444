"""The bits of the flag variables, and the faults of single readings; columns in which nothing is wrong are passed over.

A quick look (the lowest and highest reading, the largest step) tells for most channels that a check has nothing to
find; only then is it left out, so what is flagged does not depend on it.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.channels import channel
from tunelab.log.flag_channel import is_at_rail, may_spike, spike_rows
from tunelab.log.flag_stale import MOVING, Movement, stale_rows
from tunelab.workspace.car import Car

# The same bit means the same reason in every flag variable.
MASKS: dict[str, int] = {
    "missing": 1,
    "stale": 2,
    "spike": 4,
    "out_of_range": 8,
    "rail": 16,
    "warming_up": 32,
    "excluded": 64,
    "gap": 128,
    "cold": 256,
    "fuel_cut": 512,
    "transient": 1024,
}
LAMBDA_SENSORS = ("lambda_measured", "lambda_measured_2")


def reading_faults(log: xr.Dataset, name: str, car: Car, movement: Movement) -> dict[str, np.ndarray]:
    """Rows of a channel, int, at which each reason holds of its own reading; reasons that hold nowhere are left out.

    The reasons: missing, stale, spike, out of range, rail.
    """
    if not log.sizes["time"]:
        return {}
    values, known, rails = log.variables[name].to_numpy(), channel(name), _own_rails(name, car)
    low, high = values.min(), values.max()
    found = {}
    if np.isnan(low):
        found["missing"] = np.flatnonzero(np.isnan(values))
        low, high = np.fmin.reduce(values), np.fmax.reduce(values)
    if low < known.low or high > known.high:
        found["out_of_range"] = np.flatnonzero((values < known.low) | (values > known.high))
    if may_spike(name, high - low):
        fresh = log.variables[f"{name}_fresh"].to_numpy() != 0 if f"{name}_fresh" in log.variables else None
        found["spike"] = spike_rows(name, log.variables["time"].to_numpy(), values, fresh)
    at_rail = is_at_rail(values, *rails) if rails else None
    if name in MOVING:
        stale = stale_rows(log, name, movement)
        found["stale"] = stale if at_rail is None else stale[~at_rail[stale]]  # at its rail a sensor stands by right
    if at_rail is not None:
        found["rail"] = np.flatnonzero(at_rail)
    return {reason: rows for reason, rows in found.items() if rows.size}


def _own_rails(name: str, car: Car) -> tuple[float, float] | None:
    """Rails of a channel that has any: the meter's reading and lambda."""
    if name == car.meter.channel:
        return car.meter.rail_low, car.meter.rail_high
    if name in LAMBDA_SENSORS:
        return car.lambda_sensor.rail_low, car.lambda_sensor.rail_high
    return None
