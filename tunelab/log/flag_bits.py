"""The bits of the flag variables, and those of single readings; columns in which nothing is wrong are passed over.

A quick look (the lowest and highest reading, the largest step) tells for most channels that a check has nothing to
find; only then is it left out, so what is flagged does not depend on it.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.channels import channel
from tunelab.log.flag_channel import is_at_rail, spike_rows
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


def reading_bits(log: xr.Dataset, name: str, car: Car, movement: Movement) -> np.ndarray:
    """Bits of one channel's own readings, int32, shape (time,): missing, stale, spike, out of range, rail."""
    values = log.variables[name].to_numpy()
    bits = np.zeros(values.size, dtype=np.int32)
    if not values.size:
        return bits
    low, high = _ends(values)
    known, rails = channel(name), _own_rails(name, car)
    if np.isnan(values.min()):
        bits[np.isnan(values)] |= MASKS["missing"]
    if low < known.low or high > known.high:
        bits[(values < known.low) | (values > known.high)] |= MASKS["out_of_range"]
    fresh = log.variables[f"{name}_fresh"].to_numpy() != 0 if f"{name}_fresh" in log.variables else None
    bits[spike_rows(name, log.variables["time"].to_numpy(), values, fresh)] |= MASKS["spike"]
    at_rail = is_at_rail(values, *rails) if rails else None
    if name in MOVING:
        stale = stale_rows(log, name, movement)
        stale = stale if at_rail is None else stale[~at_rail[stale]]  # a sensor at its rail stands still by right
        bits[stale] |= MASKS["stale"]
    if at_rail is not None:
        bits[at_rail] |= MASKS["rail"]
    return bits


def _ends(values: np.ndarray) -> tuple[float, float]:
    """Lowest and highest reading, NaN left aside; NaN where there is none."""
    return float(np.fmin.reduce(values)), float(np.fmax.reduce(values))


def _own_rails(name: str, car: Car) -> tuple[float, float] | None:
    """Rails of a channel that has any: the meter's reading and lambda."""
    if name == car.meter.channel:
        return car.meter.rail_low, car.meter.rail_high
    if name in LAMBDA_SENSORS:
        return car.lambda_sensor.rail_low, car.lambda_sensor.rail_high
    return None
