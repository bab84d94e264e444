"""Humid air: saturation pressure, density, standard-day correction of power; and its flow through a throat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics import (
    DRY_AIR_GAS_CONSTANT_J_KG_K,
    MOLAR_GAS_CONSTANT_J_MOL_K,
    require_between,
    require_not_negative,
    require_positive,
)
from tunelab.units import convert

_ABSOLUTE = "absolute kPa at the place are wanted; a gauge reading needs barometric pressure added"
_PERCENT = "per cent are wanted: half saturated is 50"
_CELSIUS = "°C are wanted, not °F or K"
_CORRECTION_BAND = (0.93, 1.07)


@dataclass(frozen=True)
class StandardDayFactor:
    """Factor from measured power to power on the standard's reference day, and whether the standard allows it.

    Outside 0.93 to 1.07 the standards do not allow a correction: show the factor with a warning or not at all.
    """

    factor: np.ndarray
    is_within_band: np.ndarray  # False where the factor is NaN too
    standard: str


def saturation_pressure(temperature_c: ArrayLike) -> np.ndarray:
    """Vapour pressure of water, saturated over liquid water (supercooled below 0 °C).

    Parameters
    ----------
    temperature_c : array, shape (n,) or scalar
        Air temperature, or dew point. [°C, -50 to 100]

    Returns
    -------
    array, shape (n,)
        Pressure of water vapour, NaN where the input is NaN. [kPa]

    Raises
    ------
    ValueError
        A temperature outside -50 to 100 °C.

    Notes
    -----
    Within 0.1 % of IAPWS-95 between 0 and 100 °C. Relative humidity is stated over liquid water below freezing too.

    Source: 40 CFR 1065.645, eq. 1065.645-1 (the Goff form of the World Meteorological Organization).
    """
    celsius = require_between(temperature_c, "temperature_c", -50, 100, hint=_CELSIUS)
    t = convert(celsius, "degC", "K") / 273.16
    exponent = (
        10.79574 * (1 - 1 / t)
        - 5.02800 * np.log10(t)
        + 1.50475e-4 * (1 - 10 ** (-8.2969 * (t - 1)))
        + 0.42873e-3 * (10 ** (4.76955 * (1 - 1 / t)) - 1)
        - 0.2138602
    )
    return 10**exponent


def vapour_pressure(temperature_c: ArrayLike, humidity_pct: ArrayLike) -> np.ndarray:
    """Partial pressure of water vapour [kPa] from air temperature [°C, -50 to 100] and relative humidity [%].

    Shapes broadcast; NaN wherever an input is NaN. ValueError where an input is out of its range.
    """
    humidity = require_between(humidity_pct, "humidity_pct", 0, 100, hint=_PERCENT)
    return convert(humidity, "percent", "1") * saturation_pressure(temperature_c)


def dry_pressure(pressure_kpa: ArrayLike, temperature_c: ArrayLike, humidity_pct: ArrayLike) -> np.ndarray:
    """Partial pressure of dry air: what the power corrections take.

    Parameters
    ----------
    pressure_kpa : array, shape (n,) or scalar
        Absolute atmospheric pressure at the place, not reduced to sea level. [kPa]
    temperature_c : array, shape (n,) or scalar
        Temperature at which the humidity was measured. [°C, -50 to 100]
    humidity_pct : array, shape (n,) or scalar
        Relative humidity. [%]

    Returns
    -------
    array, shape (n,)
        Pressure less that of the water vapour, NaN wherever an input is NaN. [kPa]

    Raises
    ------
    ValueError
        An input out of its range, or no dry air left.
    """
    pressure = require_positive(pressure_kpa, "pressure_kpa", _ABSOLUTE)
    dry = pressure - vapour_pressure(temperature_c, humidity_pct)
    return require_positive(dry, "pressure_kpa less vapour", "the vapour pressure passes the air pressure")


def dry_air_density(pressure_kpa: ArrayLike, temperature_c: ArrayLike) -> np.ndarray:
    """Density of dry air from the ideal gas law.

    Parameters
    ----------
    pressure_kpa : array, shape (n,) or scalar
        Absolute static pressure, not gauge. [kPa]
    temperature_c : array, shape (n,) or scalar
        Static air temperature. [°C]

    Returns
    -------
    array, shape (n,)
        Density, NaN wherever an input is NaN. [kg/m³]

    Raises
    ------
    ValueError
        A pressure at or below zero, a temperature at or below absolute zero.

    Notes
    -----
    Neglects compressibility (0.06 % at 1 bar and 0 °C) and humidity: at 30 °C and full humidity the true density is
    about 1.6 % lower. Holds far outside the weather: in a manifold, in an exhaust.
    """
    pressure = require_positive(pressure_kpa, "pressure_kpa", _ABSOLUTE)
    kelvin = require_positive(convert(temperature_c, "degC", "K"), "temperature_c (as K)", _CELSIUS)
    return convert(pressure, "kPa", "Pa") / (DRY_AIR_GAS_CONSTANT_J_KG_K * kelvin)


def moist_air_density(pressure_kpa: ArrayLike, temperature_c: ArrayLike, humidity_pct: ArrayLike) -> np.ndarray:
    """Density of moist air by CIPM-2007, with 400 ppm of carbon dioxide: the weather at the drive.

    Parameters
    ----------
    pressure_kpa : array, shape (n,) or scalar
        Absolute air pressure at the place. [kPa]
    temperature_c : array, shape (n,) or scalar
        Air temperature. [°C, -50 to 60]
    humidity_pct : array, shape (n,) or scalar
        Relative humidity. [%]

    Returns
    -------
    array, shape (n,)
        Density, NaN wherever an input is NaN. [kg/m³]

    Raises
    ------
    ValueError
        An input out of its range.

    Notes
    -----
    The formula's own uncertainty is 22 ppm between 60 and 110 kPa and 15 and 27 °C; outside that it extrapolates
    smoothly and stays within 5e-4 of reference libraries between 5 and 40 °C.

    Source: A. Picard et al., "Revised formula for the density of moist air (CIPM-2007)", Metrologia 45 (2008) 149,
    doi:10.1088/0026-1394/45/2/004; coefficients from memory, checked against a published figure.
    """
    p = convert(require_positive(pressure_kpa, "pressure_kpa", _ABSOLUTE), "kPa", "Pa")
    t = require_between(temperature_c, "temperature_c", -50, 60, hint=_CELSIUS)
    humidity = convert(require_between(humidity_pct, "humidity_pct", 0, 100, hint=_PERCENT), "percent", "1")
    share = humidity * _cipm_saturated_share(p, t)
    kelvin = convert(t, "degC", "K")
    dry_kg_mol, water_kg_mol = convert([28.96546, 18.01528], "g", "kg")
    dry = p * dry_kg_mol / (_cipm_compressibility(p, t, share) * MOLAR_GAS_CONSTANT_J_MOL_K * kelvin)
    return dry * (1 - share * (1 - water_kg_mol / dry_kg_mol))


def iso_1585_factor(dry_kpa: ArrayLike, intake_c: ArrayLike) -> StandardDayFactor:
    """Power correction of ISO 1585 and UN R85 for spark ignition: reference 99 kPa dry and 298 K.

    Parameters
    ----------
    dry_kpa : array, shape (n,) or scalar
        Pressure of the dry air (`dry_pressure`). [kPa]
    intake_c : array, shape (n,) or scalar
        Temperature of the air at the intake. [°C]

    Returns
    -------
    StandardDayFactor
        Factor to multiply measured power with; NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A pressure at or below zero, a temperature at or below absolute zero.

    Notes
    -----
    The standard writes the absolute temperature as °C + 273. Naturally aspirated or not, at full load only.

    Source: UN Regulation 85, annex 5, paragraph 5, the same as ISO 1585 (formula from memory, standard not opened).
    """
    pressure = require_positive(dry_kpa, "dry_kpa", _ABSOLUTE)
    return _factor((99 / pressure) ** 1.2 * (_kelvin_273(intake_c) / 298) ** 0.6, "ISO 1585 / UN R85")


def sae_j1349_factor(dry_kpa: ArrayLike, intake_c: ArrayLike) -> StandardDayFactor:
    """Power correction of SAE J1349 for spark ignition: reference 99 kPa dry and 25 °C, mechanical efficiency 85 %.

    Arguments, result, NaN and errors are those of `iso_1585_factor`.

    Notes
    -----
    Source: SAE J1349, June 1990 form, from a public page; the standard itself was not opened.
    """
    pressure = require_positive(dry_kpa, "dry_kpa", _ABSOLUTE)
    return _factor(1.18 * (99 / pressure) * np.sqrt(_kelvin_273(intake_c) / 298) - 0.18, "SAE J1349")


def _factor(factor: np.ndarray, standard: str) -> StandardDayFactor:
    low, high = _CORRECTION_BAND
    return StandardDayFactor(factor, (factor >= low) & (factor <= high), standard)


def _kelvin_273(temperature_c: ArrayLike) -> np.ndarray:
    """Absolute temperature as the power standards write it."""
    return require_positive(np.asarray(temperature_c, dtype=float) + 273, "intake_c + 273", _CELSIUS)


def _cipm_saturated_share(p: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Share of water in saturated air by amount: CIPM-2007 eqs. A1.1 and A1.2, p in Pa, t in °C."""
    kelvin = convert(t, "degC", "K")
    saturation = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    return require_between(enhancement * saturation / p, "water share", 0, 1, hint="the vapour passes the air pressure")


def _cipm_compressibility(p: np.ndarray, t: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Compressibility factor: CIPM-2007 eq. A1.4, p in Pa, t in °C."""
    reduced = p / convert(t, "degC", "K")
    linear = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * share
        + (1.9898e-4 - 2.376e-6 * t) * share**2
    )
    return 1 - reduced * linear + reduced**2 * (1.83e-11 - 0.765e-8 * share**2)


_GAMMA = "air is 1.4, exhaust about 1.385"


def critical_pressure_ratio(heat_capacity_ratio: ArrayLike, diameter_ratio: ArrayLike) -> np.ndarray:
    """Throat pressure over inlet pressure at which the flow chokes.

    Parameters
    ----------
    heat_capacity_ratio : array, shape (n,) or scalar
        Ratio of heat capacities of the gas.
    diameter_ratio : array, shape (n,) or scalar
        Throat over inlet diameter, 0 for air drawn from a large space. [0 to 0.95]

    Returns
    -------
    array, shape (n,)
        Pressure ratio, NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A ratio of heat capacities outside 1.01 to 1.67, a diameter ratio outside 0 to 0.95.

    Notes
    -----
    Solves r^((1−γ)/γ) + (γ−1)/2 · β⁴ · r^(2/γ) = (γ+1)/2 by bisection to 1e-12.

    Source: 40 CFR 1065.640, eq. 1065.640-8.
    """
    gamma = require_between(heat_capacity_ratio, "heat_capacity_ratio", 1.01, 1.67, hint=_GAMMA)
    beta = require_between(diameter_ratio, "diameter_ratio", 0, 0.95, hint="throat over inlet diameter is wanted")
    low = np.full(np.broadcast_shapes(gamma.shape, beta.shape), 0.3)
    high = np.ones_like(low)
    for _ in range(40):
        middle = (low + high) / 2
        left = middle ** ((1 - gamma) / gamma) + (gamma - 1) / 2 * beta**4 * middle ** (2 / gamma)
        is_low = left > (gamma + 1) / 2
        low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
    return (low + high) / 2 + 0 * gamma * beta


def flow_coefficient(
    pressure_ratio: ArrayLike, heat_capacity_ratio: ArrayLike, diameter_ratio: ArrayLike
) -> np.ndarray:
    """Flow through a throat as a share of area · pressure / √(R·T), choked or not.

    Parameters
    ----------
    pressure_ratio : array, shape (n,) or scalar
        Pressure behind the throat over the pressure before it; above 1 nothing flows. [≥ 0]
    heat_capacity_ratio, diameter_ratio : array, shape (n,) or scalar
        As for `critical_pressure_ratio`.

    Returns
    -------
    array, shape (n,)
        Coefficient, 0.685 for choked air; NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A pressure ratio below zero, other inputs out of their range.

    Notes
    -----
    Source: 40 CFR 1065.640, eqs. 1065.640-6 to -8.
    """
    behind = require_not_negative(pressure_ratio, "pressure_ratio", "absolute pressures are wanted")
    gamma = np.asarray(heat_capacity_ratio, dtype=float)
    beta = np.asarray(diameter_ratio, dtype=float)
    r = np.clip(behind, critical_pressure_ratio(gamma, beta), 1.0)
    expansion = 2 * gamma / (gamma - 1) * (r ** (2 / gamma) - r ** ((gamma + 1) / gamma))
    return np.sqrt(np.maximum(expansion, 0.0) / (1 - beta**4 * r ** (2 / gamma)))
