"""What the transient study compares, on one even clock: air by the meter, fuel by the pulse width, lambda as seen."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import add_air_flow, arrival_time, at_rows, exhaust_flow, fresh_readings, has
from tunelab.log.flag import MASKS
from tunelab.log.flag_sample import find_gaps
from tunelab.study.delay_model import KEPT, follow
from tunelab.study.ecu_law import fuel_flow_kg_h, fuel_per_open_ms
from tunelab.study.fuel_cut import no_fuel
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

GRID_S = 0.02
LONGEST_BREAK_S = 4.0  # a longer pause of the log is cut to this on the grid; nothing near it is used
AFTER_GAP_S = 2.5  # after a pause: what hung on the wall and in the pipe is not known
# Of the charge that a plane over pressure leaves: what the meter's curve is off by, what breathing bends it by at most
# over the whole range. Common practice, no source.
USUAL_MISFIT, USUAL_BEND = 0.03, 0.2
STRAIGHT = 2  # columns of the surface that make the plane; the others bend it
MOST_MISFIT = 0.05  # of the charge, left over by the surface
LEAST_STILL_S, LEAST_SPAN_KPA = 10.0, 15.0  # of pressure that stands still: how long, and over which range
LEAST_PRESSURES, SLOWER_BY = 200, 1.5  # readings; times the step between readings of lambda
STILL_KPA_S = 12.0  # the manifold of a car fills at hundreds
AFTER_CUT_S = 1.6
LEAST_AIR_KG_H = 2.0
BELIEVED_DESPITE = MASKS["cold"] | MASKS["fuel_cut"] | MASKS["transient"] | MASKS["rail"]


@dataclass(frozen=True, eq=False)
class TransientSignal:
    """A log as the wall-film model needs it.

    Arrays on the grid have shape (grid,), arrays of readings shape (readings,).
    """

    grid_s: np.ndarray  # even, pauses shortened
    clock_s: np.ndarray  # the log's own time at each grid point
    speed_rpm: np.ndarray
    meter_kg_h: np.ndarray  # air through the meter, by the revision's curve
    ecu_kg_h: np.ndarray  # air that the ECU used: as it logs it, else that of the meter
    pressure_kg_h: np.ndarray | None  # air into the cylinders by manifold pressure, None where the log cannot tell it
    no_pressure: str  # why it cannot, empty where it can
    fuel_kg_h: np.ndarray  # injected, by pulse width less dead time; 0 while cut
    fuel_per_ms_kg_h: np.ndarray  # by how much it changes with 1 ms of dead time; 0 while cut
    exhaust_kg_h: np.ndarray
    throttle_pct: np.ndarray
    coolant_c: np.ndarray  # NaN where not logged
    commanded: np.ndarray
    enrichment_pct: np.ndarray  # as the ECU logs it, NaN where it does not
    cut: np.ndarray  # bool
    reading_s: np.ndarray  # grid time of each usable reading of lambda
    reading: np.ndarray
    at_rail: np.ndarray  # bool: known only to be at or beyond a rail
    after_gap: np.ndarray  # bool, shape (readings,): too soon after a pause
    samples_flagged: int  # fresh readings that were not to be trusted
    stoich_afr: float

    def log_time(self, grid_s: float | np.ndarray) -> np.ndarray:
        """The log's own time at a time on the grid."""
        return np.interp(grid_s, self.grid_s, self.clock_s)

    def grid_time(self, clock_s: float | np.ndarray) -> np.ndarray:
        """Time on the grid of a time of the log."""
        return np.interp(clock_s, self.clock_s, self.grid_s)


class NotInLog(ValueError):
    """The log lacks what the study needs; the message says what."""


def transient_signal(log: xr.Dataset, car: Car, revision: Revision) -> TransientSignal:
    """Put a flagged log on an even clock.

    Raises
    ------
    NotInLog
        A channel that is needed is missing or holds nothing to be trusted.
    """
    _require(log, car)
    ecu_air = at_rows(log, "air_flow_kg_h") if has(log, "air_flow_kg_h") else None
    log = _metered(log, car, revision)
    time = log["time"].values
    shortened = time[0] + np.append(0.0, np.cumsum(np.minimum(np.diff(time), LONGEST_BREAK_S)))
    grid = np.arange(shortened[0], shortened[-1], GRID_S)
    cut = no_fuel(log, car, revision)
    injected = np.where(cut, 0.0, np.maximum(fuel_flow_kg_h(log, car, revision), 0.0))

    def channel(name: str) -> np.ndarray:
        rows = at_rows(log, name) if has(log, name) else np.full(time.size, np.nan)
        return _on_grid(rows, shortened, grid)

    speed, meter = np.maximum(channel("engine_speed_rpm"), 60.0), np.maximum(channel("air_flow_kg_h"), LEAST_AIR_KG_H)
    why = _why_too_slow(log)
    pressure, why = (None, why) if why else air_by_pressure(channel("manifold_kpa"), speed, meter)
    per_ms = np.where(cut, 0.0, fuel_per_open_ms(log, car, revision))
    fuel, commanded = _on_grid(injected, shortened, grid), channel("lambda_commanded")
    told = None if ecu_air is None else np.maximum(_on_grid(ecu_air, shortened, grid), LEAST_AIR_KG_H)
    return TransientSignal(
        grid_s=grid,
        clock_s=np.interp(grid, shortened, time),
        speed_rpm=speed,
        meter_kg_h=meter,
        ecu_kg_h=meter if told is None else told,
        pressure_kg_h=pressure,
        no_pressure=why,
        fuel_kg_h=fuel,
        fuel_per_ms_kg_h=_on_grid(per_ms, shortened, grid),
        exhaust_kg_h=_on_grid(exhaust_flow(log), shortened, grid) if pressure is None else pressure + fuel,
        throttle_pct=channel("throttle_pct"),
        coolant_c=channel("coolant_c"),
        commanded=np.where(np.isfinite(commanded), commanded, 1.0),
        enrichment_pct=channel("enrichment_pct"),
        cut=_on_grid(cut.astype(float), shortened, grid) > 0.5,
        **_readings(log, shortened),
        stoich_afr=revision.fuelling.stoich_afr,
    )


def _require(log: xr.Dataset, car: Car) -> None:
    """Raise NotInLog where a channel is missing that nothing can stand in for."""
    needed = ("lambda_measured", "pulse_width_ms", "engine_speed_rpm", "throttle_pct", "battery_v")
    absent = [name for name in needed if not has(log, name)]
    if not (has(log, car.meter.channel) or has(log, "air_flow_kg_h")):
        absent.append(car.air_reading)
    if absent:
        raise NotInLog(f"the log has no {in_words(*absent)}")


def _on_grid(rows: np.ndarray, clock: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Values of the rows joined by straight lines, on the grid; NaN throughout where there is none."""
    known = np.isfinite(rows)
    return np.interp(grid, clock[known], rows[known]) if known.any() else np.full(grid.size, np.nan)


def _metered(log: xr.Dataset, car: Car, revision: Revision) -> xr.Dataset:
    """The log with the airflow of the meter's own reading: the ECU's is delayed by its filter."""
    if car.has_meter and has(log, car.meter.channel):
        return add_air_flow(log.drop_vars(["air_flow_kg_h", "air_flow_kg_h_flag"], errors="ignore"), car, revision)
    return log


def _why_too_slow(log: xr.Dataset) -> str:
    """Why the manifold pressure of a log cannot follow a tip-in as lambda does; empty where it can."""
    if not has(log, "manifold_kpa"):
        return "the log has no manifold pressure (manifold_kpa)"
    time, _ = fresh_readings(log, "manifold_kpa")
    if time.size <= LEAST_PRESSURES:
        return f"the log has only {time.size} readings of manifold pressure to be trusted"
    own, usual = float(np.median(np.diff(time))), log_rate_s(log)
    if own <= SLOWER_BY * usual:
        return ""
    return f"manifold pressure is read every {own:.2g} s only, lambda every {usual:.2g} s"


def air_by_pressure(
    manifold_kpa: np.ndarray, speed_rpm: np.ndarray, meter_kg_h: np.ndarray
) -> tuple[np.ndarray | None, str]:
    """Air into the cylinders from manifold pressure and engine speed, on the meter's own scale. [kg/h]

    While the manifold neither fills nor empties, what the meter sees is what the cylinders draw: there the charge per
    revolution is fitted by a surface of second order in pressure and speed, and the surface gives the air everywhere.
    Where nothing was driven it goes back to a straight line over pressure.

    Parameters
    ----------
    manifold_kpa, speed_rpm, meter_kg_h : arrays, shape (n,)
        On an even clock of GRID_S.

    Returns
    -------
    air : array, shape (n,), or None
        None where the pressure hardly moved, or the surface leaves more than MOST_MISFIT over.
    why : str
        Why there is none.
    """
    rate = np.abs(_smooth(np.gradient(manifold_kpa, GRID_S), 15))
    still = (rate < STILL_KPA_S) & (speed_rpm > 600.0) & np.isfinite(manifold_kpa)
    if still.sum() * GRID_S < LEAST_STILL_S:
        why = f"manifold pressure was steady for {still.sum() * GRID_S:.0f} s in all ({LEAST_STILL_S:g} s are wanted)"
        return None, why
    span = float(np.ptp(np.quantile(manifold_kpa[still], (0.02, 0.98))))
    if span < LEAST_SPAN_KPA:
        why = f"manifold pressure covers {span:.0f} kPa where it was steady ({LEAST_SPAN_KPA:g} kPa are wanted)"
        return None, why
    columns = _surface(manifold_kpa, speed_rpm)
    charge = meter_kg_h / speed_rpm
    evenly = _evenly(manifold_kpa[still], speed_rpm[still]) / charge[still]
    bends = np.zeros((columns.shape[1], columns.shape[1]))
    np.fill_diagonal(bends[STRAIGHT:, STRAIGHT:], USUAL_MISFIT / USUAL_BEND / float(np.median(charge[still])))
    weight = evenly
    for _ in range(4):
        rows = np.vstack([columns[still] * weight[:, None], bends])
        best = np.linalg.lstsq(rows, np.append(charge[still] * weight, np.zeros(len(bends))), rcond=None)[0]
        off = columns[still] @ best / charge[still] - 1.0
        weight = evenly / np.sqrt(1.0 + (off / USUAL_MISFIT) ** 2)
    misfit = 1.4826 * float(np.median(np.abs(off)))
    if misfit > MOST_MISFIT:
        why = f"manifold pressure and engine speed give the metered air to {100 * misfit:.1f} % only"
        return None, f"{why} ({100 * MOST_MISFIT:g} % are wanted)"
    return np.maximum(columns @ best, 0.2 * float(np.quantile(charge[still], 0.02))) * speed_rpm, ""


def _evenly(manifold_kpa: np.ndarray, speed_rpm: np.ndarray) -> np.ndarray:
    """Weight of each grid point by which cells of pressure and speed count alike once they hold a fifth of a second.

    Minutes of idling would otherwise outvote the few seconds at high load, where tip-ins end. Shape (n,).
    """
    cell = np.round(manifold_kpa / 8.0) * 1000.0 + np.round(speed_rpm / 250.0)
    _, number, count = np.unique(cell, return_inverse=True, return_counts=True)
    return np.sqrt(10.0 / np.maximum(count, 10))[number]


def _surface(manifold_kpa: np.ndarray, speed_rpm: np.ndarray) -> np.ndarray:
    """A plane over pressure in its first columns, what bends and twists it in the others."""
    p, n = manifold_kpa / 100.0, speed_rpm / 3000.0 - 0.8
    return np.column_stack([np.ones(p.size), p, n, p * n, p * p, n * n, p * n * n, p * p * n])


def _smooth(values: np.ndarray, count: int) -> np.ndarray:
    return np.convolve(values, np.ones(count) / count, mode="same")


def _readings(log: xr.Dataset, shortened: np.ndarray) -> dict[str, Any]:
    value = log["lambda_measured"].values
    own = log["lambda_measured_flag"].values
    bits = own | log["sample_flag"].values
    fresh = np.isfinite(value)
    if "lambda_measured_fresh" in log:
        fresh &= log["lambda_measured_fresh"].values != 0
    good = fresh & ((bits & ~np.int32(BELIEVED_DESPITE)) == 0)
    last_gap = np.full(shortened.size, -np.inf)
    gaps = find_gaps(log)
    last_gap[gaps] = shortened[gaps]
    last_gap[0] = shortened[0]
    since = shortened - np.maximum.accumulate(last_gap)
    return {
        "reading_s": shortened[good],
        "reading": value[good],
        "at_rail": (own[good] & MASKS["rail"]) != 0,
        "after_gap": since[good] < AFTER_GAP_S,
        "samples_flagged": int(fresh.sum() - good.sum()),
    }


def fuelled_at(
    signal: TransientSignal, delay_s: float, delay_flow_s_kg_h: float, before: float, *, lag_s: float
) -> np.ndarray:
    """Grid time at which the gas that a reading shows was fuelled, the sensor being late by `lag_s`, (readings,). [s]

    `before` is the share of the constant delay that passes before the gas enters the pipe (the engine's own cycle);
    the rest passes at the sensor. While the flow is steady it makes no difference; at a tip-in it does.
    """
    return _fuelled(signal, signal.reading_s - lag_s, (delay_s, delay_flow_s_kg_h, before))


def _fuelled(signal: TransientSignal, at_s: np.ndarray, gas: tuple[float, float, float]) -> np.ndarray:
    """Grid time at which the gas that the sensor meets at `at_s` was fuelled; shape as `at_s`."""
    delay_s, delay_flow_s_kg_h, before = max(gas[0], 0.0), max(gas[1], 0.0), gas[2]
    arrives = arrival_time(
        signal.grid_s, signal.exhaust_kg_h, delay_s=delay_s * before, delay_flow_s_kg_h=delay_flow_s_kg_h
    )
    return np.interp(at_s - delay_s * (1.0 - before), arrives, signal.grid_s)


@functools.lru_cache(maxsize=KEPT)
def _fuelled_by_grid(signal: TransientSignal, delay_s: float, delay_flow_s_kg_h: float, before: float) -> np.ndarray:
    """The same for a sensor that looks at every moment of the grid, shape (grid,)."""
    return _fuelled(signal, signal.grid_s, (delay_s, delay_flow_s_kg_h, before))


def at_sensor(signal: TransientSignal, values: np.ndarray, gas: tuple[float, float, float], lag_s: float) -> np.ndarray:
    """What the sensor shows at its readings of something that leaves with the gas; shape (readings,).

    `values` are on the grid, by moment of fuelling; `gas` is delay_s, delay_flow_s_kg_h and before, as `fuelled_at`
    takes them. The gas travels first and the sensor lags in its own time: when the flow changes, what left within a
    tenth of a second may pass the sensor over three tenths, and the other order would take that for a slower sensor.
    """
    tip = np.interp(_fuelled_by_grid(signal, *(float(value) for value in gas)), signal.grid_s, values)
    return np.interp(signal.reading_s, signal.grid_s, follow(tip, GRID_S, lag_s))


def away_from(signal: TransientSignal, busy: np.ndarray, delay_s: float, delay_flow_s_kg_h: float) -> np.ndarray:
    """Readings of gas fuelled neither while `busy` nor within AFTER_CUT_S after; bool, shape (readings,).

    A cut empties the film and drives the sensor to its rail; with the clutch moving, engine speed leaves air and fuel
    out of step. What the sensor does there is no clean test of the film. `busy` is on the grid.
    """
    last = np.maximum.accumulate(np.where(busy, signal.grid_s, -np.inf))
    since = signal.grid_s - last
    clear = np.interp(
        fuelled_at(signal, delay_s, delay_flow_s_kg_h, 0.5, lag_s=0.0), signal.grid_s, np.minimum(since, AFTER_CUT_S)
    )
    return clear >= AFTER_CUT_S - 1e-9


def log_rate_s(log: xr.Dataset) -> float:
    """Usual time between fresh readings of lambda. [s]"""
    time, _ = fresh_readings(log, "lambda_measured")
    return float(np.median(np.diff(time))) if time.size > 2 else float("nan")
