"""One hold: its cell of engine speed and airflow, the throttle it takes, and in which gear and at what road speed it
can be driven.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics import AIR_HEAT_CAPACITY_RATIO, STANDARD_GRAVITY_M_S2
from tunelab.physics.air import flow_coefficient
from tunelab.physics.driveline import (
    RoadLoadCurve,
    curve_from_drag,
    power_from_torque,
    road_load,
    road_speed_km_h,
    tyre_radius,
)
from tunelab.physics.load import absolute_load
from tunelab.units import convert
from tunelab.workspace.car import Car

# All of this is common practice, no source.
FULL_LOAD_PCT = 85.0  # absolute load at wide-open throttle where neither owner nor log says
MEAN_PRESSURE_KPA_PER_PCT = 13.0  # indicated, for each per cent of absolute load at lambda 1: 37 % of the heat
FRICTION_KPA = 150.0  # mean effective pressure that the engine itself takes, at standstill ...
FRICTION_KPA_PER_RPM = 0.02  # ... and for each rpm
HIGH_LOAD_SHARE = 0.85  # of full load: from here a hold is high load
HIGHEST_SPEED_SHARE = 0.93  # of the rev limit: no hold above
IDLE_LOAD_MOST_PCT = 22.0  # at idle speed; an engine lugs with more
LUGGING_ENDS = 2.2  # times idle speed: from here full load is no lugging
COARSEST_FLOW_RATIO = 1.45  # from one airflow edge to the next
SPEED_WIDTHS_RPM = (250.0, 500.0, 1000.0, 2000.0)
MOST_SPEEDS = 14


def speed_edges(idle_rpm: float, limit_rpm: float) -> np.ndarray:
    """Edges of the speed cells [rpm], shape (speeds + 1,): round, from below idle to the rev limit."""
    width = next((w for w in SPEED_WIDTHS_RPM if limit_rpm / w <= MOST_SPEEDS), SPEED_WIDTHS_RPM[-1])
    first = np.floor(0.8 * idle_rpm / width) * width
    return np.arange(first, limit_rpm + width, width)


def speed_aims(edges_rpm: np.ndarray, idle_rpm: float) -> np.ndarray:
    """Speed to hold in each cell [rpm], shape (speeds,): its middle, but idle speed where that is inside."""
    low, high = edges_rpm[:-1], edges_rpm[1:]
    return np.where((low <= idle_rpm) & (idle_rpm < high), idle_rpm, (low + high) / 2)


def flow_edges(lowest_kg_h: float, highest_kg_h: float, breakpoints_kg_h: ArrayLike) -> np.ndarray:
    """Edges of the airflow cells [kg/h], shape (flows + 1,), rising in about equal ratios.

    Each inner edge moves to the middle between two breakpoints of the meter's curve where one is near, so that a cell
    holds whole breakpoints and what is driven in it speaks for them.
    """
    count = max(1, int(np.ceil(np.log(highest_kg_h / lowest_kg_h) / np.log(COARSEST_FLOW_RATIO))))
    edges = np.linspace(np.log(lowest_kg_h), np.log(highest_kg_h), count + 1)
    flows = np.unique(np.asarray(breakpoints_kg_h, dtype=float))
    logs = np.log(flows[flows > 0])
    middles = (logs[1:] + logs[:-1]) / 2
    if middles.size:
        nearest = middles[np.argmin(np.abs(middles[None, :] - edges[:, None]), axis=1)]
        near = np.abs(nearest - edges) < 0.3 * (edges[1] - edges[0])
        near[[0, -1]] = False
        edges = np.where(near, nearest, edges)
    return np.exp(np.unique(edges))


def flow_at_load(load_pct: ArrayLike, engine_speed_rpm: ArrayLike, *, displacement_l: float) -> np.ndarray:
    """Airflow [kg/h] at an absolute load [%] (SAE J1979) and engine speed [rpm]; shapes broadcast, NaN stays NaN."""
    return np.asarray(load_pct, dtype=float) / absolute_load(1.0, engine_speed_rpm, displacement_l=displacement_l)


def no_load(engine_speed_rpm: ArrayLike) -> np.ndarray:
    """Absolute load [%] of an engine that turns nothing but itself at a speed [rpm]: about; NaN stays NaN."""
    friction = FRICTION_KPA + FRICTION_KPA_PER_RPM * np.asarray(engine_speed_rpm, dtype=float)
    return friction / MEAN_PRESSURE_KPA_PER_PCT


def highest_load(engine_speed_rpm: ArrayLike, full_load_pct: ArrayLike, *, idle_rpm: float) -> np.ndarray:
    """Most load that an engine may be held at [%]: full load, less at speeds where that would lug it."""
    share = np.clip((np.asarray(engine_speed_rpm) / idle_rpm - 1.1) / (LUGGING_ENDS - 1.1), 0.0, 1.0)
    full = np.asarray(full_load_pct, dtype=float)
    return np.minimum(full, IDLE_LOAD_MOST_PCT + share * (full - IDLE_LOAD_MOST_PCT))


FEWEST_SAMPLES = 200
STEPS = 24
NEAR_FULL = 0.95  # of full load: nearer the throttle says little


@dataclass(frozen=True)
class ThrottleLine:
    """Throttle position against the flow that it would pass choked, both rising, shape (steps,)."""

    throttle_pct: np.ndarray
    choked_flow_kg_h: np.ndarray
    spread_pct: float  # 80 % of the samples that it was learned from lie within so much of it, in points of throttle
    samples: int

    def throttle_for(self, flow_kg_h: ArrayLike, full_flow_kg_h: ArrayLike) -> np.ndarray:
        """Throttle [%] for an airflow at a speed whose full-load flow is given; NaN outside what was driven."""
        choked = choked_flow(flow_kg_h, full_flow_kg_h)
        return np.interp(choked, self.choked_flow_kg_h, self.throttle_pct, left=np.nan, right=np.nan)


def choked_flow(flow_kg_h: ArrayLike, full_flow_kg_h: ArrayLike) -> np.ndarray:
    """Flow that the same opening would pass choked [kg/h]: it depends on the throttle alone, not on engine speed.

    The pressure ratio across the throttle is taken as the share of full load, which is right to about a tenth. NaN
    near full load, where the throttle hardly matters.
    """
    share = np.asarray(flow_kg_h, dtype=float) / np.asarray(full_flow_kg_h, dtype=float)
    ratio = np.where((share > 0) & (share < NEAR_FULL), share, np.nan)
    choked = flow_coefficient(0.0, AIR_HEAT_CAPACITY_RATIO, 0.0)
    return np.asarray(flow_kg_h) * choked / flow_coefficient(ratio, AIR_HEAT_CAPACITY_RATIO, 0.0)


def counted_quantile(values: np.ndarray, count: np.ndarray, share: ArrayLike) -> np.ndarray:
    """Quantile of values of which each stands `count` times, as of all of them written out; shape of `share`.

    Between two of them it goes in a straight line (R. J. Hyndman, Y. Fan, American Statistician 50 (1996) 361,
    definition 7, which numpy's own takes too).
    """
    order = np.argsort(values, kind="stable")
    ends = np.cumsum(count[order])
    at = np.asarray(share) * (ends[-1] - 1)
    low, high = (
        values[order][np.minimum(np.searchsorted(ends, edge, side="right"), values.size - 1)]
        for edge in (np.floor(at), np.ceil(at))
    )
    return low + (at - np.floor(at)) * (high - low)


def learn_throttle(
    throttle_pct: np.ndarray, flow_kg_h: np.ndarray, full_flow_kg_h: np.ndarray, count: np.ndarray | None = None
) -> ThrottleLine | None:
    """Learn the line from steady samples, shape (n,) each; None where they are too few or the throttle never moved.

    `count` says of how many samples each is the mean; None: of one.
    """
    count = np.ones(np.shape(throttle_pct)) if count is None else count
    choked = choked_flow(flow_kg_h, full_flow_kg_h)
    known = np.isfinite(choked) & np.isfinite(throttle_pct)
    throttle, choked, count = throttle_pct[known], choked[known], count[known]
    samples = int(count.sum())
    if samples < FEWEST_SAMPLES:
        return None
    edges = np.unique(counted_quantile(throttle, count, np.linspace(0, 1, STEPS + 1)))
    if edges.size < 4 or edges[-1] - edges[0] < 2.0:
        return None
    step = np.clip(np.searchsorted(edges, throttle, side="right") - 1, 0, edges.size - 2)
    steps = [step == k for k in range(edges.size - 1) if count[step == k].sum() >= 5]
    middle = np.array([counted_quantile(throttle[inside], count[inside], 0.5) for inside in steps])
    flow = np.maximum.accumulate([counted_quantile(choked[inside], count[inside], 0.5) for inside in steps])
    rising = np.append(True, np.diff(flow) > 0)
    line = ThrottleLine(middle[rising], flow[rising], np.nan, samples)
    miss = np.abs(np.interp(choked, line.choked_flow_kg_h, line.throttle_pct) - throttle)
    return ThrottleLine(
        line.throttle_pct, line.choked_flow_kg_h, float(counted_quantile(miss, count, 0.8)), line.samples
    )


# For the choice of gear and brake alone, never a result. Common practice, no source.
DRIVELINE_SHARE = 0.87  # crank to wheels, where the car does not say
AIR_DENSITY_KG_M3 = 1.2
LOADED_TYRE_SHARE = 0.97  # rolling radius over that of the size code
SLOWEST_KM_H = 12.0  # slower than this with the clutch closed no hold is smooth
BALANCE_KW = 1.5  # below so much surplus or lack, the slope of the road decides
LIGHT_BRAKE_KW = 8.0
BRAKE_FORCE_SHARE = 0.25  # of the weight, at most
BRAKE_ENERGY_KJ = 250.0  # in the brakes at any time, at most; half of what a stop from 100 km/h puts in
COOLING_KW = 4.0  # what the brakes give off while the car rolls
STANDING_SPEED_SHARE = 0.5  # of the rev limit: no standing hold above
STANDING_LOAD = 1.45  # times the usual load of an engine that turns only itself: more it does not take in neutral


@dataclass(frozen=True)
class Way:
    """A way to drive a hold; NaN where the car's description does not say."""

    gear: int | None  # 0 is neutral, standing; None where the gearing is not known
    road_speed_km_h: float
    surplus_kw: float  # engine power over road load on the level: the brake takes it; negative: it wants a slope down

    @property
    def brake(self) -> str:
        """What the brake has to do: `none`, `light`, `firm`, or `as needed` where the road load is not known."""
        if self.gear == 0:
            return "none"
        if np.isnan(self.surplus_kw):
            return "as needed"
        return "none" if self.surplus_kw < BALANCE_KW else "light" if self.surplus_kw < LIGHT_BRAKE_KW else "firm"


def rolling_radius_m(car: Car) -> float:
    """Rolling radius [m]: measured, else from the size code; NaN where the car gives neither."""
    if car.tyres is None:
        return np.nan
    if car.tyres.rolling_radius_m is not None:
        return car.tyres.rolling_radius_m
    return LOADED_TYRE_SHARE * tyre_radius(car.tyres.size) if car.tyres.size else np.nan


def road_load_curve(car: Car) -> RoadLoadCurve | None:
    """Road load of the car; None where it is not known."""
    load = car.road_load
    if load is None:
        return None
    if load.a_n is not None and load.b_n_s_m is not None and load.c_n_s2_m2 is not None:
        return RoadLoadCurve(load.a_n, load.b_n_s_m, load.c_n_s2_m2)
    if load.drag_area_m2 is None or load.rolling_coefficient is None or car.vehicle is None:
        return None
    mass = car.vehicle.mass_kg
    return curve_from_drag(load.drag_area_m2, load.rolling_coefficient, mass_kg=mass, density_kg_m3=AIR_DENSITY_KG_M3)


def wheel_power_kw(speed_rpm: float, flow_kg_h: float, car: Car) -> float:
    """Rough power at the wheels [kW] at an engine speed and airflow, to choose gear and brake by."""
    load = flow_kg_h / float(flow_at_load(1.0, speed_rpm, displacement_l=car.engine.displacement_l))
    pressure = MEAN_PRESSURE_KPA_PER_PCT * (load - float(no_load(speed_rpm)))
    torque = pressure * car.engine.displacement_l / (4 * np.pi)  # kPa · L = J
    loss = car.vehicle.driveline_loss_pct if car.vehicle else None
    share = DRIVELINE_SHARE if loss is None else 1 - float(convert(loss, "percent", "1"))
    return float(power_from_torque(torque * (share if torque > 0 else 1.0), speed_rpm))


def ways(
    speed_rpm: float, flow_kg_h: float, car: Car, *, top_speed_km_h: float, standing_share: float = 1.0
) -> list[Way]:
    """All ways to hold a cell within the top speed, the best first; empty where there is none.

    `standing_share`: load of this engine when it turns only itself, over the usual one.
    """
    load = flow_kg_h / float(flow_at_load(1.0, speed_rpm, displacement_l=car.engine.displacement_l))
    idles = bool(load <= STANDING_LOAD * standing_share * no_load(speed_rpm))
    stands = idles and speed_rpm <= STANDING_SPEED_SHARE * car.limits.rev_limit_rpm
    standing = [Way(0, 0.0, 0.0)] if stands else []
    radius = rolling_radius_m(car)
    if car.gearing is None or np.isnan(radius):
        return standing or [Way(None, np.nan, np.nan)]
    power, curve = wheel_power_kw(speed_rpm, flow_kg_h, car), road_load_curve(car)
    moving = []
    for gear, ratio in enumerate(car.gearing.ratios, start=1):
        speed = float(road_speed_km_h(speed_rpm, ratio * car.gearing.final_drive, radius))
        if SLOWEST_KM_H <= speed <= top_speed_km_h:
            moving.append(Way(gear, speed, _surplus(power, speed, curve)))
    return standing + sorted(moving, key=lambda way: _awkwardness(way, load))


def seconds_against_brake(way: Way, car: Car) -> float:
    """Longest that a hold may last for the brakes' sake [s]; infinite where they do little, zero where it cannot be."""
    if np.isnan(way.surplus_kw) or way.surplus_kw < BALANCE_KW or way.gear == 0:
        return np.inf
    if car.vehicle is not None:
        force = convert(way.surplus_kw, "kW", "W") / convert(way.road_speed_km_h, "km/h", "m/s")
        if force > BRAKE_FORCE_SHARE * car.vehicle.mass_kg * STANDARD_GRAVITY_M_S2:
            return 0.0
    return BRAKE_ENERGY_KJ / way.surplus_kw


def brake_heat_kj(way: Way, seconds: float) -> float:
    """Heat that a hold puts into the brakes [kJ]; 0 where that is little, or not known."""
    return 0.0 if np.isnan(way.surplus_kw) or way.surplus_kw < BALANCE_KW else way.surplus_kw * seconds


def _surplus(power_kw: float, speed_km_h: float, curve: RoadLoadCurve | None) -> float:
    if curve is None:
        return np.nan
    metres = float(convert(speed_km_h, "km/h", "m/s"))
    return power_kw - float(convert(float(road_load(metres, curve)) * metres, "W", "kW"))


def _awkwardness(way: Way, load_pct: float) -> float:
    """Least first: little brake, and a slope down counts double, as a road has few; without road load, by the load."""
    if np.isnan(way.surplus_kw):
        return -way.road_speed_km_h if load_pct > 45 else way.road_speed_km_h
    return way.surplus_kw if way.surplus_kw >= 0 else -2 * way.surplus_kw
