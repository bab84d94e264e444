"""What the delay study compares: lambda that the fuel promises and lambda that the sensor shows, on one clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.log.align import LEAST_FLOW_KG_H
from tunelab.log.flag import MASKS, trusted
from tunelab.log.flag_sample import find_gaps
from tunelab.study.ecu_law import injector_flow_g_min
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

GRID_S = 0.02  # grid on which the gas is followed
LONGEST_BREAK_S = 4.0  # longer pauses are cut to this; nothing next to them is used
AIR_SMOOTHING_S = 0.25  # on either side; what is faster is ripple, and hardly real air
CHARGE_SMOOTHING_S = 0.1  # on either side; a pressure sensor sees the strokes
SLOW_AIR_S = 1.0  # on either side; what is slower is mostly real
USUAL_BATTERY_V = 13.8  # where the log has no battery voltage
# Usual relative errors before anything was measured; common practice, no source.
METER_ERROR = 0.12
INJECTOR_ERROR = 0.04
DEAD_TIME_ERROR_MS = 0.08
LEAST_OPEN_MS = 0.05  # at which a pulse still counts as injecting
SHORTEST_BLOCK_S = 2.5
LONGEST_BLOCK_S = 10.0


class NothingTrusted(ValueError):
    """A channel holds no reading to be trusted; the message names it."""


@dataclass(frozen=True, eq=False)
class DelaySignal:
    """Promised lambda on a grid and measured lambda at the sensor's own fresh readings."""

    grid_s: np.ndarray  # shape (grid,)
    exhaust_kg_h: np.ndarray  # with the dead time of the revision, shape (grid,)
    fuel_share: np.ndarray  # how much of it rests on the fuel rather than the meter, 0 to 1, shape (grid,)
    fuel: np.ndarray  # fuel flow by the revision [kg/h], cuts bridged, shape (grid,)
    open_ms: np.ndarray  # time a pulse holds the injectors open by the revision, shape (grid,)
    air: np.ndarray  # logarithm of the airflow in bands, slow, middle and ripple, up to a constant, shape (3, grid)
    by_pressure: np.ndarray  # logarithm of pressure times speed less the first two bands, 0 without pressure, (grid,)
    time_s: np.ndarray  # of the readings used, shape (readings,)
    measured: np.ndarray  # logarithm of lambda, shape (readings,)
    block: np.ndarray  # number of the steady stretch of each reading, rising from 0, shape (readings,)
    step_s: float  # usual time between fresh readings, of fuel or lambda, whichever is slower
    flow_error: float  # usual relative error of the exhaust flow where pulses are short, and the delay is long
    samples_flagged: int  # readings of the sensor that were left out

    @property
    def blocks(self) -> int:
        """Number of steady stretches."""
        return int(self.block[-1]) + 1 if self.block.size else 0


def delay_signal(log: xr.Dataset, car: Car, revision: Revision) -> DelaySignal:
    """Prepare a flagged log for the delay study.

    Raises
    ------
    ValueError
        The log lacks lambda, pulse width, engine speed or the meter, or was not flagged.
    """
    absent = [name for name in ("lambda_measured", "pulse_width_ms", "engine_speed_rpm") if name not in log]
    if absent:
        raise ValueError(f"the log has no {' and no '.join(absent)}: lambda has to be compared with the fuel.")
    clock = _without_pauses(log)
    fuel, air = _fuel(log, car, revision), _log_air(log, car, revision)
    smooth, slow = _smoothed(clock, air, AIR_SMOOTHING_S), _smoothed(clock, air, SLOW_AIR_S)
    charge = _log_charge(log, clock)
    grid = np.arange(clock[0], clock[-1] + GRID_S, GRID_S)
    rows, seen = _usable_rows(log)
    block, keep = _blocks(log, clock, rows)
    exhaust, flow_error = _exhaust(log, revision, np.exp(air), fuel)
    measured = np.log(log["lambda_measured"].to_numpy()[rows[keep]])
    steps = [_own_step(log, name, clock) for name in ("lambda_measured", "pulse_width_ms")]
    return DelaySignal(
        grid_s=grid,
        exhaust_kg_h=np.interp(grid, clock, exhaust),
        fuel_share=np.interp(grid, clock, 1.0 - (flow_error / METER_ERROR) ** 2),
        fuel=np.interp(grid, clock, fuel),
        open_ms=np.interp(grid, clock, np.maximum(_open_ms(log, revision), LEAST_OPEN_MS)),
        air=np.stack([np.interp(grid, clock, band) for band in (slow, smooth - slow, air - smooth)]),
        by_pressure=np.zeros(grid.size) if charge is None else np.interp(grid, clock, charge - smooth),
        time_s=clock[rows[keep]],
        measured=_blurred(measured, block, *steps),
        block=block,
        step_s=max(steps),
        flow_error=float(np.quantile(flow_error[rows[keep]], 0.9)) if keep.any() else METER_ERROR,
        samples_flagged=seen - int(keep.sum()),
    )


def _without_pauses(log: xr.Dataset) -> np.ndarray:
    """The log's clock with long pauses shortened, shape (time,)."""
    time = log["time"].to_numpy()
    return time[0] + np.append(0.0, np.cumsum(np.minimum(np.diff(time), LONGEST_BREAK_S)))


def _fuel(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Fuel flow by the settings of the revision [kg/h], shape (time,)."""
    injectors = car.injectors
    pulses_h = 60.0 * injectors.count * injectors.injections_per_cycle / 2.0
    speed = _bridged(log, "engine_speed_rpm", log["engine_speed_rpm"].to_numpy())
    open_ms = _open_ms(log, revision)
    flow_g_min = _bridged(log, "", injector_flow_g_min(log, car, revision))
    running = _bridged(log, "", np.where((open_ms > LEAST_OPEN_MS) & (speed > 200), open_ms * speed, np.nan))
    return running * flow_g_min / 60e3 * pulses_h / 1000.0


def _log_charge(log: xr.Dataset, clock: np.ndarray) -> np.ndarray | None:
    """Logarithm of manifold pressure times engine speed, up to a constant, shape (time,); None without a pressure.

    What the cylinders draw follows it within one stroke, and its noise has nothing to do with the meter's, which the
    fuel shares.
    """
    if "manifold_kpa" not in log or not np.isfinite(log["manifold_kpa"].to_numpy()).any():
        return None
    pressure = _bridged(log, "manifold_kpa", log["manifold_kpa"].to_numpy())
    speed = _bridged(log, "engine_speed_rpm", log["engine_speed_rpm"].to_numpy())
    return _smoothed(clock, np.log(np.maximum(pressure, 5.0) * np.maximum(speed, 200.0)), CHARGE_SMOOTHING_S)


def _open_ms(log: xr.Dataset, revision: Revision) -> np.ndarray:
    """Pulse width less the dead time of the revision [ms], shape (time,)."""
    table = revision.dead_time
    pulse = _bridged(log, "pulse_width_ms", log["pulse_width_ms"].to_numpy())
    if "battery_v" not in log:
        return pulse - float(np.interp(USUAL_BATTERY_V, table.battery_v, table.dead_time_ms))
    battery = _bridged(log, "battery_v", log["battery_v"].to_numpy())
    return pulse - np.interp(battery, table.battery_v, table.dead_time_ms)


def _exhaust(
    log: xr.Dataset, revision: Revision, air_kg_h: np.ndarray, fuel_kg_h: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Exhaust flow [kg/h] and its usual relative error, shape (time,) each.

    The meter and fuel times lambda both tell the air; each is weighted by its usual error.
    An untried meter curve is off by more than injectors of known flow, but at short pulses the dead time may be off.
    """
    good = np.isfinite(log["lambda_measured"].to_numpy()) & (log["lambda_measured_flag"].to_numpy() == 0)
    good &= (log["sample_flag"].to_numpy() & MASKS["fuel_cut"]) == 0
    if not good.any():
        return air_kg_h + fuel_kg_h, np.full(air_kg_h.size, METER_ERROR)
    time = log["time"].to_numpy()
    lambda_ = _smoothed(time, np.interp(time, time[good], log["lambda_measured"].to_numpy()[good]), 0.75)
    open_ms = np.maximum(_open_ms(log, revision), LEAST_OPEN_MS)
    by_fuel = 1.0 / (INJECTOR_ERROR**2 + (DEAD_TIME_ERROR_MS / open_ms) ** 2)
    share = by_fuel / (by_fuel + METER_ERROR**-2.0)
    from_fuel = fuel_kg_h * lambda_ * revision.fuelling.stoich_afr
    air = np.exp(share * np.log(from_fuel) + (1.0 - share) * np.log(np.maximum(air_kg_h, LEAST_FLOW_KG_H)))
    flow = np.maximum(_smoothed(time, air + fuel_kg_h, AIR_SMOOTHING_S), LEAST_FLOW_KG_H)
    return flow, 1.0 / np.sqrt(by_fuel + METER_ERROR**-2.0)


def _log_air(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Logarithm of the airflow by the revision's curve, or as logged where there is no reading, shape (time,)."""
    meter = car.meter.channel
    if meter in log:
        curve = revision.meter_curve
        air = np.interp(_bridged(log, meter, log[meter].to_numpy()), curve.reading, curve.flow_kg_h)
    else:
        air = _bridged(log, "air_flow_kg_h", log["air_flow_kg_h"].to_numpy())
    return np.log(np.maximum(air, 0.5))


def _bridged(log: xr.Dataset, name: str, values: np.ndarray) -> np.ndarray:
    """Values with what is missing, flagged or held replaced by the line between its neighbours, shape (time,)."""
    good = np.isfinite(values)
    if f"{name}_flag" in log:
        good &= log[f"{name}_flag"].to_numpy() == 0
    if f"{name}_fresh" in log:
        good &= log[f"{name}_fresh"].to_numpy() != 0
    if not good.any():
        raise NothingTrusted(f"{name or 'pulse_width_ms'} holds no reading to be trusted")
    time = log["time"].to_numpy()
    return np.interp(time, time[good], values[good])


def _smoothed(time: np.ndarray, values: np.ndarray, reach_s: float) -> np.ndarray:
    """Mean within `reach_s` on either side, shape (n,)."""
    total = np.append(0.0, np.cumsum(values))
    first = np.searchsorted(time, time - reach_s)
    last = np.searchsorted(time, time + reach_s, side="right")
    return (total[last] - total[first]) / (last - first)


def _usable_rows(log: xr.Dataset) -> tuple[np.ndarray, int]:
    """Rows with a fresh, trusted reading of lambda in steady running, and how many fresh readings there are in all."""
    fresh = log["lambda_measured_fresh"].to_numpy() != 0 if "lambda_measured_fresh" in log else True
    fresh = fresh & np.isfinite(log["lambda_measured"].to_numpy())
    good = trusted(log, "lambda_measured", "pulse_width_ms", allow=("cold",)).to_numpy()
    return np.flatnonzero(fresh & good), int(np.sum(fresh))


def _blocks(log: xr.Dataset, clock: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number of the steady stretch of each kept row, and which of the rows are kept: stretches that are long enough."""
    stretch = np.zeros(clock.size, dtype=int)
    stretch[find_gaps(log)] = 1
    stretch = np.cumsum(stretch)[rows]
    time = clock[rows]
    if rows.size < 10:
        return np.empty(0, dtype=int), np.zeros(rows.size, dtype=bool)
    apart = (np.diff(time) > 3.0 * np.median(np.diff(time))) | (np.diff(stretch) != 0)
    number = np.append(0, np.cumsum(apart))
    begin = np.append(0, np.flatnonzero(apart) + 1)
    number = number * 100000 + ((time - time[begin][number]) // LONGEST_BLOCK_S).astype(int)
    _, number, count = np.unique(number, return_inverse=True, return_counts=True)
    span = np.bincount(number, weights=np.gradient(time)) if time.size > 1 else np.zeros(1)
    keep = ((span >= SHORTEST_BLOCK_S) & (count >= 8))[number]
    return np.unique(number[keep], return_inverse=True)[1], keep


def _own_step(log: xr.Dataset, name: str, clock: np.ndarray) -> float:
    """Usual time between fresh readings of a channel [s]."""
    fresh = log[f"{name}_fresh"].to_numpy() != 0 if f"{name}_fresh" in log else np.ones(clock.size, dtype=bool)
    return float(np.median(np.diff(clock[fresh])))


def _blurred(measured: np.ndarray, block: np.ndarray, own_step_s: float, fuel_step_s: float) -> np.ndarray:
    """Readings blurred as much as drawing lines between samples of the fuel blurs the fuel, shape (readings,).

    A line between samples is a triangle of spread step / sqrt(6) on average. Left out, a slow log would make the lag
    look shorter and the delay longer. The ends of blocks stay as they are.
    """
    if measured.size < 3:
        return measured
    weight = min(fuel_step_s**2 / (12.0 * own_step_s**2), 0.25)
    inner = (block[1:-1] == block[:-2]) & (block[1:-1] == block[2:])
    bend = np.where(inner, measured[2:] - 2.0 * measured[1:-1] + measured[:-2], 0.0)
    return measured + weight * np.r_[0.0, bend, 0.0]
