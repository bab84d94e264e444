"""Do the sensors measure what they should: lambda, clock and speed, fuel pressure."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in
from tunelab.physics import STANDARD_ATMOSPHERE_KPA
from tunelab.study.consistency.air import graded, not_made, statement
from tunelab.study.ecu_law import LEAST_BINS, RUNNING_RPM, calm_rows, in_bins, log_of, metered_air_kg_h, trim_factor
from tunelab.study.finding import Finding, Status
from tunelab.study.gear_trace import against_gearing, expected_log_ratios
from tunelab.study.gearing import estimate_ratios, speed_ratio
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# Bounds of this module are common practice, no source.
CLOCK_WATCH, CLOCK_STOP = 0.1, 0.3  # of the logarithm of seconds driven over seconds logged
GEAR_WATCH = 0.04  # of the logarithm
OFFSET_WATCH = 0.06
IDLE = 1.3  # below this multiple of the idle target the car may roll out of gear
LEAST_DISTANCE_M = 300.0
WINDOW_S = 10.0
MOVING_KM_H = 15.0
EARTH_RADIUS_M = 6_371_000.0  # mean radius, IUGG
MOVED = "moved_m"  # attribute of a log whose positions were taken out: JSON list of what `moved_m` gave before
CLOCK = "The log's clock against the car's motion"
GEARS = "Speed ratios against the gears of car.toml"


def check_clock(log: xr.Dataset) -> Finding:
    """Seconds by the clock against the distance between positions, or acceleration against speed."""
    speed = next((name for name in ("gps_speed_km_h", "road_speed_km_h") if has(log, name)), "")
    if not speed:
        return not_made("clock", CLOCK, "The log has no speed of the car.")
    if moved_m(log) is not None:
        factor, samples, how = _by_position(log, speed)
    elif has(log, "acceleration_m_s2"):
        factor, samples, how = _by_acceleration(log, speed)
    else:
        return not_made("clock", CLOCK, "Needs positions or a measured acceleration beside the speed.")
    if not np.isfinite(factor) or factor <= 0:
        return not_made("clock", CLOCK, f"Too little driving to compare {how} with the speed.")
    off = abs(float(np.log(factor)))
    status = graded(off, CLOCK_WATCH, CLOCK_STOP)
    text = f"By {how} a second of the log's clock lasted {factor:.2f} s."
    text += " The clock runs wrong, or the speed has another unit (km/h, mph)." if status != "met" else ""
    figure = (100 * float(np.expm1(off)), "%", 100 * float(np.expm1(CLOCK_STOP)))
    return statement("clock", CLOCK, text, status=status, figure=figure, samples=samples)


def _by_position(log: xr.Dataset, speed: str) -> tuple[float, int, str]:
    """Distance of window ends apart over the distance by the speed; the largest ratios are the straight roads."""
    time = log["time"].values
    at = np.arange(time[0], time[-1], WINDOW_S)
    rows = np.searchsorted(time, at)
    walked = np.cumsum(np.nan_to_num(at_rows(log, speed)) / 3.6 * np.gradient(time))
    near = np.diff(time[rows]) < 1.5 * WINDOW_S
    by_speed = np.diff(walked[rows])[near]
    moved = moved_m(log)
    by_place = np.full(int(near.sum()), np.nan) if moved is None else moved[near]
    use = np.isfinite(by_place) & (by_speed > convert(MOVING_KM_H, "km/h", "m/s") * WINDOW_S)
    if by_speed[use].sum() < LEAST_DISTANCE_M:
        return float("nan"), 0, "positions"
    return float(np.quantile(by_place[use] / by_speed[use], 0.75)), int(use.sum()), "positions"


def moved_m(log: xr.Dataset) -> np.ndarray | None:
    """Straight distance between the positions at both ends of every window of WINDOW_S; it tells no place. [m]

    Returns
    -------
    array, shape (windows,), or None
        NaN where a position is missing; None where the log has no positions, nor an account of what they gave.
    """
    if has(log, "latitude_deg") and has(log, "longitude_deg"):
        time = log["time"].values
        east, north = _metres(log)
        rows = np.searchsorted(time, np.arange(time[0], time[-1], WINDOW_S))
        return np.hypot(np.diff(east[rows]), np.diff(north[rows]))
    kept = log.attrs.get(MOVED)
    return None if kept is None else np.array(json.loads(kept), dtype=float)


def _metres(log: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    latitude, longitude = (np.radians(at_rows(log, name)) for name in ("latitude_deg", "longitude_deg"))
    return EARTH_RADIUS_M * longitude * np.cos(np.nanmean(latitude)), EARTH_RADIUS_M * latitude


def _by_acceleration(log: xr.Dataset, speed: str) -> tuple[float, int, str]:
    """Slope of the speed's change per logged second over measured acceleration, offset of the sensor aside."""
    rows = rows_in(1.0, row_step_s(log))
    pace = rolling(convert(at_rows(log, speed), "km/h", "m/s"), rows, "mean")
    change = rolling(np.gradient(pace, log["time"].values), rows, "mean")
    felt = rolling(rolling(at_rows(log, "acceleration_m_s2"), rows, "mean"), rows, "mean")
    table = pd.DataFrame({"change": change, "felt": felt})[pace > convert(MOVING_KM_H, "km/h", "m/s")].dropna()
    if len(table) < 20 * rows or table["felt"].std() < 0.2 or table["change"].std() < 1e-3:
        return float("nan"), 0, "acceleration"
    if table.corr().iloc[0, 1] < 0.7:
        return float("nan"), 0, "acceleration"
    return float(table["change"].std() / table["felt"].std()), len(table), "acceleration"


def check_gears(log: xr.Dataset, car: Car) -> Finding:
    """Every speed ratio that held still must be a stated gear, up to one common offset of the speed sensor."""
    if car.gearing is None or car.tyres is None:
        return not_made("gears", GEARS, "car.toml states no gearing or no tyres.")
    if not any(has(log, name) for name in ("road_speed_km_h", "gps_speed_km_h")) or not has(log, "engine_speed_rpm"):
        return not_made("gears", GEARS, "Needs engine speed and the speed of the car.")
    driven = _driven(log, car)
    if not has(driven, "engine_speed_rpm"):
        return not_made("gears", GEARS, "The engine never turned faster than its idle.")
    found, expected = estimate_ratios(driven).gears, expected_log_ratios(car)
    scale, _ = against_gearing(speed_ratio(driven), expected)
    if not found:
        return not_made("gears", GEARS, "No gear was held long enough.")
    offset = float(np.log(scale.factor)) if scale.shown else 0.0
    apart = [float(np.abs(np.log(gear.rpm_per_km_h) - expected - offset).min()) for gear in found]
    worst = int(np.argmax(apart))
    size, samples = max(apart[worst], abs(offset)), sum(gear.samples for gear in found)
    status: Status = "watch" if apart[worst] > GEAR_WATCH or abs(offset) > OFFSET_WATCH else "met"
    text = (
        f"The speed reads {100 * np.expm1(-offset):+.1f} % by the gearing; the gear at "
        f"{found[worst].rpm_per_km_h:.1f} rpm per km/h then lies {100 * apart[worst]:.1f} % off any stated one."
    )
    text += (
        " A ratio, the final drive, the tyre or the unit of the speed is not as stated." if status == "watch" else ""
    )
    return statement("gears", GEARS, text, status=status, figure=(100 * size, "%", 100 * OFFSET_WATCH), samples=samples)


def _driven(log: xr.Dataset, car: Car) -> xr.Dataset:
    """The log without engine speeds near idle: rolling out of gear they pass for a gear."""
    return log.assign(
        engine_speed_rpm=log["engine_speed_rpm"].where(log["engine_speed_rpm"] > IDLE * car.engine.idle_target_rpm)
    )


# Bounds of this module are common practice, no source.
LEAN_LIMIT = 1.5  # no petrol engine runs a hold leaner than this
FAR_OFF = 0.45  # of the logarithm of measured over commanded
AFR_FROM, AFR_TO = 8.0, 20.0
SHARE_STOP = 0.5
FOLLOWS_LEAST = 0.25  # of the fuel's change; honest sensors show 0.4 to 1 of it, wall film and lag take the rest
QUICK_S, SLOW_S, BLOCK_S = 0.3, 4.0, 5.0
LEAST_MOVE = 0.0015
LATER_S = (-0.15, 0.0, 0.15, 0.3, 0.5)  # than the delay that car.toml states, which may be a guess
DRAWS = 100
LEVEL = "Lambda within the range of an engine that runs"
FOLLOWS = "Lambda follows the fuel"
FOLLOWS_NOT = (
    "It does not measure what these trims act on: free air, a dead sensor, another column, the other bank, or a clock "
    "that runs wrong."
)
OWN_BANK = "Lambda of bank 1 follows the trims of bank 1"


def check_level(log: xr.Dataset) -> Finding:
    """Lambda as read while the engine runs, flagged or not: an AFR, a sensor in free air or at its stop."""
    absent = [name for name in ("lambda_measured", "engine_speed_rpm") if not has(log, name)]
    if absent:
        return not_made("lambda_level", LEVEL, f"{absent[0]} is not in the log.")
    lam = log["lambda_measured"].values
    rows = np.isfinite(lam) & (at_rows(log, "engine_speed_rpm") > RUNNING_RPM) & _fuelled(log)
    if rows.sum() < 100:
        return not_made("lambda_level", LEVEL, "The engine hardly ran with lambda logged.")
    commanded = at_rows(log, "lambda_commanded") if has(log, "lambda_commanded") else np.ones(lam.size)
    off = np.abs(log_of(lam) - log_of(commanded))[rows]
    odd = float(np.mean((lam[rows] > LEAN_LIMIT) | (lam[rows] < channel("lambda_measured").low) | (off > FAR_OFF)))
    middle = float(np.median(lam[rows]))
    text = f"With fuel on, median lambda was {middle:.2f}; {100 * odd:.0f} % of the readings are implausible."
    status: Status = "stop" if odd > SHARE_STOP else "watch" if odd > SHARE_STOP / 2 else "met"
    text += _level_cause(middle) if status != "met" else ""
    figure = (100 * odd, "%", 100 * SHARE_STOP)
    return statement("lambda_level", LEVEL, text, status=status, figure=figure, samples=int(rows.sum()))


def _level_cause(middle: float) -> str:
    if AFR_FROM < middle < AFR_TO:
        return " That is an air-fuel ratio: map the column as AFR, so that it becomes lambda."
    if middle > LEAN_LIMIT:
        return " The sensor sits in free air or is not working, or air leaks into the exhaust ahead of it."
    return " The sensor, its controller's fuel setting or the column's unit is not as stated."


def _fuelled(log: xr.Dataset) -> np.ndarray:
    return at_rows(log, "pulse_width_ms") > 0 if has(log, "pulse_width_ms") else np.ones(log.sizes["time"], dtype=bool)


def check_follows(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Share of the fuel's quick changes (trims, commanded lambda) that lambda shows, airflow held apart."""
    asked = log_of(trim_factor(log))
    if has(log, "lambda_commanded"):
        asked = asked - log_of(at_rows(log, "lambda_commanded"))
    if not has(log, "lambda_measured") or not np.isfinite(metered_air_kg_h(log, car, revision)).any():
        return not_made("lambda_follows", FOLLOWS, "Needs lambda and airflow.", "1")
    moves = _best_moves(log, car, revision, asked)
    if moves["asked"].std() < LEAST_MOVE or moves["block"].nunique() < LEAST_BINS:
        text = (
            "Trims and commanded lambda hardly moved in steady driving: a sensor that does not respond would not show."
        )
        return not_made("lambda_follows", FOLLOWS, text, "1")
    share, upper = _share(moves)
    text = f"Lambda shows {share:.2f} of what trims and commanded lambda change in the fuel (at most {upper:.2f})."
    status: Status = "stop" if upper < FOLLOWS_LEAST else "met"
    text += f" {FOLLOWS_NOT}" * (status == "stop")
    figure = (share, "1", FOLLOWS_LEAST)
    return statement("lambda_follows", FOLLOWS, text, status=status, figure=figure, samples=len(moves))


def _best_moves(log: xr.Dataset, car: Car, revision: Revision, asked: np.ndarray) -> pd.DataFrame:
    """Moves at the lateness at which lambda shows most of what the fuel does."""
    tables = [_moves(log, car, revision, asked, later) for later in LATER_S]
    return max(tables, key=lambda moves: _slope(_sums(moves).sum(axis=0)))


def _moves(log: xr.Dataset, car: Car, revision: Revision, asked: np.ndarray, later_s: float) -> pd.DataFrame:
    """Quick departures of lambda, and of fuel and air at the time that belongs to it."""
    time, air = log["time"].values, metered_air_kg_h(log, car, revision)
    sensor = car.lambda_sensor
    flow = np.maximum(np.nan_to_num(air, nan=np.inf), 1.0)
    back = time - sensor.delay_s - sensor.delay_flow_s_kg_h / flow - sensor.lag_s - later_s
    rows = calm_rows(log, "lambda_measured")
    parts = {"seen": log_of(at_rows(log, "lambda_measured"))}
    parts |= {name: np.interp(back, time, values) for name, values in (("asked", asked), ("air", log_of(air)))}
    step = float(np.median(np.diff(time)))
    quick = {name: _departure(np.where(rows, values, np.nan), step) for name, values in parts.items()}
    return pd.DataFrame(quick | {"block": np.floor(time / BLOCK_S), "later_s": later_s}).dropna()


def _departure(values: np.ndarray, step_s: float) -> np.ndarray:
    series = pd.Series(values)
    short, long = (max(1, round(seconds / step_s)) for seconds in (QUICK_S, SLOW_S))
    means = [series.rolling(n, center=True, min_periods=n // 2 + 1).mean() for n in (short, max(long, 3))]
    return (means[0] - means[1]).to_numpy()


def _share(moves: pd.DataFrame) -> tuple[float, float]:
    """Share that lambda shows, and the upper end of its 95 % interval by blocks of BLOCK_S."""
    sums, rng = _sums(moves), np.random.default_rng(1)
    draws = [_slope(sums[rng.integers(0, len(sums), len(sums))].sum(axis=0)) for _ in range(DRAWS)]
    return _slope(sums.sum(axis=0)), float(np.quantile(draws, 0.975))


def _sums(moves: pd.DataFrame) -> np.ndarray:
    """Sums of products by block, shape (blocks, 5)."""
    asked, air, seen = (moves[name] for name in ("asked", "air", "seen"))
    products = pd.DataFrame(
        {"uu": asked * asked, "ua": asked * air, "aa": air * air, "uy": asked * seen, "ay": air * seen}
    )
    return products.groupby(moves["block"]).sum().to_numpy()


def _slope(sums: np.ndarray) -> float:
    uu, ua, aa, uy, ay = sums
    determinant = uu * aa - ua**2
    return float(-(uy * aa - ay * ua) / determinant) if determinant > 1e-9 * uu * aa else float(-uy / max(uu, 1e-12))


def check_own_bank(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """With trims and lambda of two banks: each must follow its own trims better than the other's."""
    wanted = ("lambda_measured", "lambda_measured_2", "trim_short_pct", "trim_short_2_pct")
    if not all(has(log, name) for name in wanted):
        return not_made("own_bank", OWN_BANK, "Needs lambda and short-term trim of both banks.", "1")
    trims = [log_of(1 + convert(at_rows(log, name), "percent", "1")) for name in wanted[2:]]
    apart = log.assign(lambda_measured=log["lambda_measured"] / log["lambda_measured_2"])
    both = log.assign(lambda_measured=np.sqrt(log["lambda_measured"] * log["lambda_measured_2"]))
    common = _best_moves(both, car, revision, (trims[0] + trims[1]) / 2)  # an exchange does not touch the mean
    later = float(common["later_s"].iloc[0]) if len(common) else 0.0
    moves = _moves(apart, car, revision, trims[0] - trims[1], later)
    if moves["asked"].std() < LEAST_MOVE or moves["block"].nunique() < LEAST_BINS:
        return not_made("own_bank", OWN_BANK, "The trims of the two banks hardly moved apart.", "1")
    share, upper = _share(moves)
    status: Status = "stop" if upper < 0 else "met"
    text = f"The difference of the banks' lambdas shows {share:.2f} of that of their trims."
    text += " It has the wrong sign: the sensors or the trims of the banks are exchanged." if status == "stop" else ""
    return statement("own_bank", OWN_BANK, text, status=status, figure=(share, "1", 0.0), samples=len(moves))


# Bounds of this module are common practice, no source. Flow goes with the root of the pressure across the injector.
FLOW_WATCH, FLOW_STOP = 0.012, 0.025  # by which an injector's flow moves about its middle, from 9 of 10 bins
LEVEL_WATCH = 0.06  # of flow, by which the whole drive is off: it only moves the overall constant
PRESSURE_FOLLOWS_LEAST = (
    0.5  # kPa of fuel pressure for each kPa in the manifold, of a regulator that is on the manifold
)
FOLLOWS_SPAN_KPA = 20.0  # of manifold pressure, to judge that
TITLE = "Injector flow by the logged fuel pressure"
BY_HAND = "A pressure gauge on the rail shows it by hand: at idle, and at full load with a passenger reading it."


def check_fuel_pressure(log: xr.Dataset, car: Car) -> Finding:
    """Root of the pressure across the injector over the one that `car.toml` states, about its middle."""
    if not has(log, "fuel_pressure_kpa"):
        return not_made("fuel_pressure", TITLE, f"No fuel pressure is logged: it is taken as stated. {BY_HAND}")
    if not has(log, "manifold_kpa"):
        return not_made("fuel_pressure", TITLE, f"Needs manifold pressure beside the fuel pressure. {BY_HAND}")
    bins = _bins(log, car)
    if len(bins) < LEAST_BINS:
        return not_made("fuel_pressure", TITLE, f"Too little steady driving with both pressures. {BY_HAND}")
    level = float(bins["off"].median())
    moves = float((bins["off"] - level).abs().quantile(0.9))
    status = graded(moves, FLOW_WATCH, FLOW_STOP)
    if status == "met" and abs(level) > LEVEL_WATCH:
        status = "watch"
    text = (
        f"By the logged pressure the injectors flow {100 * np.expm1(level):+.1f} % against what is stated; "
        f"9 of 10 stretches lie within {100 * moves:.1f} % of that."
    )
    text += f" {_cause(bins, car)} {BY_HAND}" if moves > FLOW_WATCH else ""
    figure = (100 * moves, "%", 100 * FLOW_STOP)
    return statement("fuel_pressure", TITLE, text, status=status, figure=figure, samples=len(bins))


def _bins(log: xr.Dataset, car: Car) -> pd.DataFrame:
    """Medians in bins: `off`, logarithm of flow over flow as stated; `rail` and `manifold` in kPa."""
    air = (
        at_rows(log, "barometer_kpa")
        if has(log, "barometer_kpa")
        else np.full(log.sizes["time"], STANDARD_ATMOSPHERE_KPA)
    )
    rail, manifold = at_rows(log, "fuel_pressure_kpa"), at_rows(log, "manifold_kpa")
    stated = np.full(rail.size, car.injectors.rail_pressure_kpa)
    if car.injectors.pressure == "fixed":
        stated = stated + air - manifold
    off = 0.5 * (log_of(rail + air - manifold) - log_of(stated))
    rows = calm_rows(log, "fuel_pressure_kpa", "manifold_kpa")
    return in_bins(log, rows, off=off, rail=rail, manifold=manifold)


def _cause(bins: pd.DataFrame, car: Car) -> str:
    if car.injectors.pressure == "manifold-referenced" and np.ptp(bins["manifold"]) > FOLLOWS_SPAN_KPA:
        follows = float(np.polyfit(bins["manifold"], bins["rail"], 1)[0])
        if abs(follows) < PRESSURE_FOLLOWS_LEAST:
            return (
                f"The rail follows the manifold by {follows:.2f} kPa for each kPa: the regulator is not on the "
                "manifold, its hose is off, or the sensor measures against the manifold. Put that right, or state "
                'pressure = "fixed" in car.toml.'
            )
    return (
        "Pump, filter, regulator or the pump's wiring does not hold the pressure: mend that before anything is entered."
    )
