"""Fuels and what injectors deliver of them: stoichiometric air-fuel ratio, blends, flow, pulses, dead time, duty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics import (
    CARBON_G_MOL,
    DRY_AIR_G_MOL,
    HYDROGEN_G_MOL,
    OXYGEN_G_MOL,
    OXYGEN_IN_AIR,
    require_between,
    require_not_negative,
    require_positive,
    require_rising,
    require_table,
    table_value,
)
from tunelab.physics.load import cycle_time_ms
from tunelab.units import convert

_COMPOSITION = "atoms per carbon atom are wanted, such as 1.85 for gasoline"


@dataclass(frozen=True)
class FuelBlend:
    """Composition of a blend of two fuels, per carbon atom, with its liquid density."""

    hydrogen_to_carbon: float
    oxygen_to_carbon: float
    density_kg_l: float
    mass_fraction: float  # of the second fuel


def stoich_afr(hydrogen_to_carbon: ArrayLike, oxygen_to_carbon: ArrayLike) -> np.ndarray:
    """Stoichiometric air-fuel ratio by mass, from an elemental balance of complete combustion in dry air.

    Parameters
    ----------
    hydrogen_to_carbon : array, shape (n,) or scalar
        Hydrogen atoms per carbon atom of the fuel.
    oxygen_to_carbon : array, shape (n,) or scalar
        Oxygen atoms per carbon atom of the fuel.

    Returns
    -------
    array, shape (n,)
        kg of dry air per kg of fuel, NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A ratio below zero, or a fuel that carries more oxygen than it can burn.

    Notes
    -----
    Humid air carries less oxygen: at 30 °C and full humidity the true ratio is about 2.7 % higher. Taking air as
    21 % oxygen instead of 20.946 % would lower the ratio by 0.3 %.

    Source: J. B. Heywood, Internal Combustion Engine Fundamentals, section 3.4 (from memory).
    """
    hydrogen = require_not_negative(hydrogen_to_carbon, "hydrogen_to_carbon", _COMPOSITION)
    oxygen = require_not_negative(oxygen_to_carbon, "oxygen_to_carbon", _COMPOSITION)
    oxygen_molecules = require_positive(
        1 + hydrogen / 4 - oxygen / 2, "oxygen demand", "the fuel carries more oxygen than it can burn"
    )
    return oxygen_molecules / OXYGEN_IN_AIR * DRY_AIR_G_MOL / _molar_mass(hydrogen, oxygen)


def blend_by_volume(
    first: tuple[float, float, float], second: tuple[float, float, float], second_volume_fraction: float
) -> FuelBlend:
    """Composition and density of two fuels mixed by volume.

    Parameters
    ----------
    first, second : (hydrogen_to_carbon, oxygen_to_carbon, density_kg_l)
        Atoms per carbon atom, and liquid density at the temperature of mixing. [–, –, kg/L]
    second_volume_fraction : float
        Share of the second fuel by volume before mixing, 0 to 1: E10 is 0.1 of ethanol.

    Returns
    -------
    FuelBlend
        NaN throughout where an input is NaN.

    Raises
    ------
    ValueError
        A share outside 0 to 1, a composition below zero, a density at or below zero.

    Notes
    -----
    Volumes are taken as adding up; ethanol in gasoline expands by some 0.1 %.
    """
    share = float(require_between(second_volume_fraction, "second_volume_fraction", 0, 1, hint="10 % is 0.1"))
    masses = np.array([(1 - share), share]) * _densities(first, second)
    carbon = masses / _molar_mass(*np.array([first[:2], second[:2]], dtype=float).T)
    hydrogen_to_carbon, oxygen_to_carbon = carbon @ np.array([first[:2], second[:2]], dtype=float) / carbon.sum()
    return FuelBlend(
        hydrogen_to_carbon=float(hydrogen_to_carbon),
        oxygen_to_carbon=float(oxygen_to_carbon),
        density_kg_l=float(masses.sum()),
        mass_fraction=float(masses[1] / masses.sum()),
    )


def _densities(first: tuple[float, float, float], second: tuple[float, float, float]) -> np.ndarray:
    for fuel in (first, second):
        require_not_negative(fuel[:2], "composition", _COMPOSITION)
    return require_positive([first[2], second[2]], "density_kg_l", "kg/L is wanted, such as 0.745")


def _molar_mass(hydrogen_to_carbon: np.ndarray, oxygen_to_carbon: np.ndarray) -> np.ndarray:
    """Molar mass per carbon atom, g/mol."""
    return CARBON_G_MOL + HYDROGEN_G_MOL * hydrogen_to_carbon + OXYGEN_G_MOL * oxygen_to_carbon


_FLOW = "the flow of one injector, held open, is wanted"
_PULSES = "1 is sequential, 2 is one pulse per revolution"


def flow_at_pressure(flow_g_min: ArrayLike, rated_kpa: ArrayLike, difference_kpa: ArrayLike) -> np.ndarray:
    """Injector flow at another pressure difference, by the square-root law of an orifice.

    Parameters
    ----------
    flow_g_min : array, shape (n,) or scalar
        Flow at the rated pressure difference. [g/min; any unit of flow holds]
    rated_kpa : array, shape (n,) or scalar
        Pressure difference of the rating. [kPa]
    difference_kpa : array, shape (n,) or scalar
        Rail pressure less the pressure at the nozzle: manifold pressure counts. [kPa]

    Returns
    -------
    array, shape (n,)
        Flow at that difference, in the unit of `flow_g_min`; NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A flow or rated pressure at or below zero, a difference below zero.

    Notes
    -----
    Common practice, no source; follows from Bernoulli with a constant discharge coefficient. Real injectors follow
    it to 1-2 % over ±30 % of pressure, and their dead time changes with pressure too, which this does not cover.
    """
    flow = require_positive(flow_g_min, "flow_g_min", _FLOW)
    rated = require_positive(rated_kpa, "rated_kpa", "the pressure difference of the rating is wanted")
    difference = require_not_negative(difference_kpa, "difference_kpa", "the rail is below the nozzle's pressure")
    return flow * np.sqrt(difference / rated)


def dead_time_at(battery_v: ArrayLike, table_battery_v: ArrayLike, table_dead_time_ms: ArrayLike) -> np.ndarray:
    """Dead time at a supply voltage, from a table, as an ECU reads it.

    Parameters
    ----------
    battery_v : array, shape (n,) or scalar
        Supply voltage. [V]
    table_battery_v : array, shape (breakpoints,)
        Voltages of the table, rising. [V]
    table_dead_time_ms : array, shape (breakpoints,)
        Dead time at each of them. [ms]

    Returns
    -------
    array, shape (n,)
        Linear between breakpoints; outside the table the value at its end is held. NaN where the voltage is NaN. [ms]

    Raises
    ------
    ValueError
        Breakpoints that do not rise, lists of two lengths, a dead time that is negative or not a number.
    """
    volts = require_rising(table_battery_v, "table_battery_v")
    dead_times = require_table(volts, table_dead_time_ms, "table_dead_time_ms", "a dead time is wanted")
    return table_value(battery_v, volts, dead_times)


def delivered_mass(pulse_width_ms: ArrayLike, dead_time_ms: ArrayLike, flow_g_min: ArrayLike) -> np.ndarray:
    """Fuel that one injector delivers in one pulse: flow times what is left of the pulse after the dead time.

    Parameters
    ----------
    pulse_width_ms, dead_time_ms : array, shape (n,) or scalar
        Time energised, and the part of it that delivers nothing. [ms]
    flow_g_min : array, shape (n,) or scalar
        Flow of the injector, held open. [g/min]

    Returns
    -------
    array, shape (n,)
        Fuel per pulse; zero where the pulse is no longer than the dead time. NaN wherever an input is NaN. [mg]

    Raises
    ------
    ValueError
        A time below zero, a flow at or below zero.

    Notes
    -----
    A straight line. Real injectors leave it below about 1 ms past the dead time.

    Source: SAE J1832, linear flow range, slope and offset (from memory).
    """
    pulse = require_not_negative(pulse_width_ms, "pulse_width_ms", "ms are wanted")
    dead = require_not_negative(dead_time_ms, "dead_time_ms", "ms are wanted")
    return slope_mg_ms(flow_g_min) * np.maximum(pulse - dead, 0.0)


def pulse_width_for(fuel_mg: ArrayLike, dead_time_ms: ArrayLike, flow_g_min: ArrayLike) -> np.ndarray:
    """Pulse width that delivers a mass of fuel: the inverse of `delivered_mass`.

    Parameters
    ----------
    fuel_mg : array, shape (n,) or scalar
        Fuel per pulse. [mg]
    dead_time_ms : array, shape (n,) or scalar
        Dead time. [ms]
    flow_g_min : array, shape (n,) or scalar
        Flow of the injector, held open. [g/min]

    Returns
    -------
    array, shape (n,)
        Pulse width; zero, not the dead time, where no fuel is wanted. NaN wherever an input is NaN. [ms]

    Raises
    ------
    ValueError
        A mass or dead time below zero, a flow at or below zero.
    """
    fuel = require_not_negative(fuel_mg, "fuel_mg", "a mass of fuel is wanted")
    dead = require_not_negative(dead_time_ms, "dead_time_ms", "ms are wanted")
    pulse = fuel / slope_mg_ms(flow_g_min) + dead
    return np.where(fuel == 0, 0.0 * pulse, pulse)


def injector_duty(pulse_width_ms: ArrayLike, engine_speed_rpm: ArrayLike, *, injections_per_cycle: int) -> np.ndarray:
    """Share of time that an injector of a four-stroke engine is energised.

    Parameters
    ----------
    pulse_width_ms : array, shape (n,) or scalar
        Time energised per injection. [ms]
    engine_speed_rpm : array, shape (n,) or scalar
        Engine speed. [rpm]
    injections_per_cycle : int
        Injections of one injector per two revolutions; 1 is sequential.

    Returns
    -------
    array, shape (n,)
        Duty; above 100 where pulses would overlap, zero with the engine stopped. NaN wherever an input is NaN. [%]

    Raises
    ------
    ValueError
        A pulse width or speed below zero, fewer than one injection.
    """
    pulse = require_not_negative(pulse_width_ms, "pulse_width_ms", "ms are wanted")
    speed = require_not_negative(engine_speed_rpm, "engine_speed_rpm", "crankshaft speed is wanted")
    injections = require_between(injections_per_cycle, "injections_per_cycle", 1, 8, hint=_PULSES)
    cycles_per_ms = speed / cycle_time_ms(1.0)
    return convert(pulse * injections * cycles_per_ms, "1", "percent")


def required_flow(fuel_flow_kg_h: ArrayLike, *, injectors: int, duty_max_pct: float) -> np.ndarray:
    """Flow that each injector needs so that together they supply an engine without passing a duty.

    Parameters
    ----------
    fuel_flow_kg_h : array, shape (n,) or scalar
        Fuel that the engine takes at its worst point: power times brake-specific consumption. [kg/h]
    injectors : int
        Number of injectors.
    duty_max_pct : float
        Highest duty wanted. [%]

    Returns
    -------
    array, shape (n,)
        Flow of one injector, held open. NaN where the input is NaN. [g/min]

    Raises
    ------
    ValueError
        A flow below zero, fewer than one injector, a duty outside 1 to 100.
    """
    total = require_not_negative(fuel_flow_kg_h, "fuel_flow_kg_h", "a fuel flow is wanted")
    count = require_between(injectors, "injectors", 1, 48, hint="the number of injectors is wanted")
    duty = require_between(duty_max_pct, "duty_max_pct", 1, 100, hint="per cent are wanted, such as 85")
    return convert(total, "kg/h", "g/min") / (count * convert(duty, "percent", "1"))


def slope_mg_ms(flow_g_min: ArrayLike) -> np.ndarray:
    """Injector flow [g/min] as the slope of delivery against pulse width [mg/ms]; any shape, NaN stays NaN.

    ValueError where a flow is at or below zero.
    """
    return convert(require_positive(flow_g_min, "flow_g_min", _FLOW), "g/min", "mg/ms")
