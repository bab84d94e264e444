"""Tyres, gears, the crankshaft and the road: speeds, torque, power, the mass that an engine feels, and road load."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics import STANDARD_GRAVITY_M_S2, require_between, require_not_negative, require_positive
from tunelab.units import convert

_SIZE = re.compile(r"^[A-Z]{0,2}(\d{3})(?:/(\d{2,3}))?-?Z?[RDB-]?-?(\d{2}(?:\.\d)?)C?(?:\(?\d.*)?$")
_FULL_PROFILE_PCT = "82"
_RATIO = "gearbox ratio times final drive is wanted"
_ROLLING = "metres are wanted; a tyre's rolling radius is about 0.3"
_SPEED = "crankshaft speed is wanted"


def tyre_circumference(size: str) -> float:
    """Nominal circumference of an unloaded tyre from its size code.

    Parameters
    ----------
    size : str
        Metric size code, such as "205/55R16", "205/55 ZR16 91V" or "165R13". Without a profile 82 % is taken, as the
        trade does.

    Returns
    -------
    float
        Circumference from the code's geometry. A loaded tyre rolls 2 to 4 % less far per turn. [m]

    Raises
    ------
    ValueError
        Text that is no metric size code, or a size that no road tyre has.

    Notes
    -----
    Source: ETRTO size code: width in mm, height in per cent of it, rim in inches (by definition).
    """
    found = _SIZE.match(re.sub(r"\s", "", size.upper()))
    if not found:
        raise ValueError(f"tyre size {size!r} is not understood; wanted is a code such as 205/55R16.")
    width, profile, rim = (float(part) for part in (found[1], found[2] or _FULL_PROFILE_PCT, found[3]))
    require_between(width, f"width in {size!r}", 105, 455, hint="millimetres are wanted, such as 205")
    require_between(rim, f"rim in {size!r}", 10, 26, hint="inches are wanted, such as 16")
    diameter_m = convert(rim, "inch", "m") + 2 * convert(width, "mm", "m") * convert(profile, "percent", "1")
    return float(np.pi * diameter_m)


def tyre_radius(size: str) -> float:
    """Nominal radius of an unloaded tyre [m] from its size code; see `tyre_circumference`, also for the errors.

    A loaded tyre rolls on a radius 2 to 4 % smaller: a measured rolling radius is better.
    """
    return tyre_circumference(size) / (2 * np.pi)


def road_speed_km_h(engine_speed_rpm: ArrayLike, overall_ratio: ArrayLike, rolling_radius_m: ArrayLike) -> np.ndarray:
    """Road speed in a gear, without slip.

    Parameters
    ----------
    engine_speed_rpm : array, shape (n,) or scalar
        Engine speed. [rpm]
    overall_ratio : array, shape (n,) or scalar
        Gearbox ratio times final drive.
    rolling_radius_m : array, shape (n,) or scalar
        Rolling radius of the driven tyres. [m]

    Returns
    -------
    array, shape (n,)
        Road speed, NaN wherever an input is NaN. [km/h]

    Raises
    ------
    ValueError
        A speed below zero, a ratio or radius at or below zero.
    """
    speed = require_not_negative(engine_speed_rpm, "engine_speed_rpm", _SPEED)
    ratio = require_positive(overall_ratio, "overall_ratio", _RATIO)
    radius = require_positive(rolling_radius_m, "rolling_radius_m", _ROLLING)
    return convert(convert(speed, "rpm", "rad/s") / ratio * radius, "m/s", "km/h")


def engine_speed_rpm(road_speed_km_h: ArrayLike, overall_ratio: ArrayLike, rolling_radius_m: ArrayLike) -> np.ndarray:
    """Engine speed at a road speed in a gear, clutch closed and no slip: the inverse of `road_speed_km_h`.

    Road speed in km/h gives rpm; otherwise arguments, NaN and errors are those of `road_speed_km_h`.
    """
    speed = require_not_negative(road_speed_km_h, "road_speed_km_h", "forward speed is wanted")
    ratio = require_positive(overall_ratio, "overall_ratio", _RATIO)
    radius = require_positive(rolling_radius_m, "rolling_radius_m", _ROLLING)
    return convert(convert(speed, "km/h", "m/s") / radius * ratio, "rad/s", "rpm")


def overall_ratio(engine_speed_rpm: ArrayLike, road_speed_km_h: ArrayLike, rolling_radius_m: ArrayLike) -> np.ndarray:
    """Ratio between engine and wheels, from the two speeds: which gear it was.

    Engine speed in rpm, road speed in km/h, rolling radius in m, scalars or shape (n,). Turns of the crankshaft per
    turn of the wheel, NaN at standstill and wherever an input is NaN. ValueError for a speed below zero or a radius at
    or below zero.
    """
    speed = require_not_negative(engine_speed_rpm, "engine_speed_rpm", _SPEED)
    travel = require_not_negative(road_speed_km_h, "road_speed_km_h", "forward speed is wanted")
    radius = require_positive(rolling_radius_m, "rolling_radius_m", _ROLLING)
    wheel = convert(convert(travel, "km/h", "m/s") / radius, "rad/s", "rpm")
    return speed / np.where(wheel > 0, wheel, np.nan)


def power_from_torque(torque_nm: ArrayLike, speed_rpm: ArrayLike) -> np.ndarray:
    """Power [kW] of a shaft from its torque [N m, negative when driven] and speed [rpm].

    Shapes broadcast; NaN wherever an input is NaN. ValueError where the speed is below zero.
    """
    speed = require_not_negative(speed_rpm, "speed_rpm", _SPEED)
    return convert(np.asarray(torque_nm, dtype=float) * convert(speed, "rpm", "rad/s"), "W", "kW")


def torque_from_power(power_kw: ArrayLike, speed_rpm: ArrayLike) -> np.ndarray:
    """Torque [N m] of a shaft from its power [kW] and speed [rpm]: the inverse of `power_from_torque`.

    Shapes broadcast; NaN wherever an input is NaN. ValueError where the speed is at or below zero.
    """
    speed = require_positive(speed_rpm, "speed_rpm", _SPEED)
    return convert(power_kw, "kW", "W") / convert(speed, "rpm", "rad/s")


def effective_mass(
    mass_kg: ArrayLike,
    wheel_inertia_kg_m2: ArrayLike,
    engine_inertia_kg_m2: ArrayLike,
    overall_ratio: ArrayLike,
    rolling_radius_m: ArrayLike,
) -> np.ndarray:
    """Mass that resists acceleration in a gear: the car's own, its wheels', and the engine's through the gearing.

    Parameters
    ----------
    mass_kg : array, shape (n,) or scalar
        Mass as driven. [kg]
    wheel_inertia_kg_m2 : array, shape (n,) or scalar
        All wheels, brakes and driven shafts together, about their own axes. [kg m²]
    engine_inertia_kg_m2 : array, shape (n,) or scalar
        Crankshaft, flywheel and clutch; 0 with the clutch open. [kg m²]
    overall_ratio : array, shape (n,) or scalar
        Gearbox ratio times final drive.
    rolling_radius_m : array, shape (n,) or scalar
        Rolling radius of the driven tyres. [m]

    Returns
    -------
    array, shape (n,)
        Effective mass, NaN wherever an input is NaN. [kg]

    Raises
    ------
    ValueError
        A mass, ratio or radius at or below zero, an inertia below zero.

    Notes
    -----
    From the kinetic energy of the turning parts, without slip (closed formula).
    """
    mass = require_positive(mass_kg, "mass_kg", "the mass as driven is wanted")
    wheels = require_not_negative(wheel_inertia_kg_m2, "wheel_inertia_kg_m2", "kg m² are wanted")
    engine = require_not_negative(engine_inertia_kg_m2, "engine_inertia_kg_m2", "kg m² are wanted")
    ratio = require_positive(overall_ratio, "overall_ratio", _RATIO)
    radius = require_positive(rolling_radius_m, "rolling_radius_m", _ROLLING)
    return mass + (wheels + engine * ratio**2) / radius**2


_MASS = "the mass as driven is wanted"
_ROAD_SPEED = "forward speed is wanted"


@dataclass(frozen=True)
class RoadLoadCurve:
    """Road load on the level in still air: F = A + B·v + C·v², with v in m/s."""

    a_n: float
    b_n_s_m: float
    c_n_s2_m2: float


def road_load(speed_m_s: ArrayLike, curve: RoadLoadCurve) -> np.ndarray:
    """Force that holds a rolling car back on the level in still air.

    Parameters
    ----------
    speed_m_s : array, shape (n,) or scalar
        Road speed. [m/s]
    curve : RoadLoadCurve
        Coefficients of a coast-down or of `curve_from_drag`.

    Returns
    -------
    array, shape (n,)
        Force, NaN where the speed is NaN. [N]

    Raises
    ------
    ValueError
        A speed below zero.

    Notes
    -----
    Source: form of 40 CFR 1066.210(d)(3).
    """
    speed = require_not_negative(speed_m_s, "speed_m_s", _ROAD_SPEED)
    return curve.a_n + curve.b_n_s_m * speed + curve.c_n_s2_m2 * speed**2


def curve_from_drag(
    drag_area_m2: float, rolling_coefficient: float, *, mass_kg: float, density_kg_m3: float
) -> RoadLoadCurve:
    """Road load from drag area and rolling coefficient.

    Parameters
    ----------
    drag_area_m2 : float
        Drag coefficient times frontal area. [m²]
    rolling_coefficient : float
        Rolling force over weight, the same at every speed.
    mass_kg : float
        Mass as driven. [kg]
    density_kg_m3 : float
        Air density at the drive. [kg/m³]

    Returns
    -------
    RoadLoadCurve
        A is rolling, C is drag, B is zero; NaN where an input is NaN.

    Raises
    ------
    ValueError
        A mass or density at or below zero, a drag area or coefficient below zero.

    Notes
    -----
    Closed formula; standard gravity.
    """
    area = require_not_negative(drag_area_m2, "drag_area_m2", "m² are wanted, such as 0.65")
    rolling = require_not_negative(
        rolling_coefficient, "rolling_coefficient", "a share of weight is wanted, such as 0.012"
    )
    mass = require_positive(mass_kg, "mass_kg", _MASS)
    density = require_positive(density_kg_m3, "density_kg_m3", "kg/m³ is wanted, such as 1.2")
    return RoadLoadCurve(float(rolling * mass * STANDARD_GRAVITY_M_S2), 0.0, float(density * area / 2))
