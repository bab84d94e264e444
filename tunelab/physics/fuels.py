"""Fuels: stoichiometric air-fuel ratio from composition, blends, and the three ways to state a mixture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.constants import CARBON_G_MOL, DRY_AIR_G_MOL, HYDROGEN_G_MOL, OXYGEN_G_MOL, OXYGEN_IN_AIR
from tunelab.physics.arguments import require_between, require_not_negative, require_positive

_COMPOSITION = "atoms per carbon atom are wanted, such as 1.85 for gasoline"
_RATIO = "a mixture is a ratio of two masses; zero is a sensor that is off"


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


def carbon_mass_fraction(hydrogen_to_carbon: ArrayLike, oxygen_to_carbon: ArrayLike) -> np.ndarray:
    """Mass of carbon per mass of fuel.

    Parameters
    ----------
    hydrogen_to_carbon, oxygen_to_carbon : array, shape (n,) or scalar
        Atoms per carbon atom of the fuel.

    Returns
    -------
    array, shape (n,)
        kg of carbon per kg of fuel, NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A ratio below zero.

    Notes
    -----
    Source: 40 CFR 1065.655, the definition of w_C without sulfur and nitrogen.
    """
    hydrogen = require_not_negative(hydrogen_to_carbon, "hydrogen_to_carbon", _COMPOSITION)
    oxygen = require_not_negative(oxygen_to_carbon, "oxygen_to_carbon", _COMPOSITION)
    return CARBON_G_MOL / _molar_mass(hydrogen, oxygen)


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


def lambda_from_afr(afr: ArrayLike, stoich: ArrayLike) -> np.ndarray:
    """Lambda from a logged air-fuel ratio [kg/kg] and the stoichiometric ratio [kg/kg] of the instrument.

    Shapes broadcast; NaN wherever an input is NaN. ValueError where a stoichiometric ratio is at or below zero or an
    air-fuel ratio is below zero. An instrument shows AFR by multiplying lambda with a ratio of its own setting: divide
    by that one, not by the ratio of the fuel in the tank.
    """
    ratio = require_not_negative(afr, "afr", _RATIO)
    return ratio / require_positive(stoich, "stoich", "kg of air per kg of fuel is wanted")


def afr_from_lambda(lambda_ratio: ArrayLike, stoich: ArrayLike) -> np.ndarray:
    """Air-fuel ratio [kg/kg] from lambda [–] and the stoichiometric ratio [kg/kg].

    Shapes broadcast; NaN wherever an input is NaN. ValueError where a stoichiometric ratio is at or below zero or
    lambda is below zero.
    """
    ratio = require_not_negative(lambda_ratio, "lambda_ratio", _RATIO)
    return ratio * require_positive(stoich, "stoich", "kg of air per kg of fuel is wanted")


def lambda_from_phi(phi: ArrayLike) -> np.ndarray:
    """Lambda [–] from the fuel-air equivalence ratio phi [–], or the other way about: each is 1 over the other.

    Any shape; NaN where the input is NaN. ValueError where it is at or below zero.
    """
    return 1.0 / require_positive(phi, "phi", _RATIO)


def brettschneider_lambda(
    exhaust_pct: dict[str, ArrayLike], hydrogen_to_carbon: ArrayLike, oxygen_to_carbon: ArrayLike
) -> np.ndarray:
    """Lambda from dry exhaust gas of a four- or five-gas analyser.

    Parameters
    ----------
    exhaust_pct : dict with the keys "co", "co2", "o2", "hc", and "no" where it was measured
        Volume shares of dry exhaust, arrays of shape (n,) or scalars; hydrocarbons as hexane. [%]
    hydrogen_to_carbon, oxygen_to_carbon : array, shape (n,) or scalar
        Atoms per carbon atom of the fuel.

    Returns
    -------
    array, shape (n,)
        Lambda, NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A missing or unknown gas, a share below zero, or no carbon in the exhaust at all.

    Notes
    -----
    Water-gas constant 3.5 and six carbon atoms per hexane; the constants are the equation's own.

    Source: J. Brettschneider, "Berechnung des Luftverhältnisses λ von Luft-Kraftstoff-Gemischen und des Einflusses
    von Meßfehlern auf λ", Bosch Technische Berichte 6 (1979) no. 4, 177-186, as printed on a public technical page.
    """
    co, co2, o2, hc, no = _gases(exhaust_pct)
    hydrogen = require_not_negative(hydrogen_to_carbon, "hydrogen_to_carbon", _COMPOSITION)
    oxygen = require_not_negative(oxygen_to_carbon, "oxygen_to_carbon", _COMPOSITION)
    carbon = require_positive(co + co2, "co + co2", "there was no combustion, or the probe is out")
    # 3.5 / (3.5 + CO / CO2), written so that it holds without CO2 too
    water_share = 3.5 * co2 / (3.5 * co2 + co)
    oxygen_found = co2 + co / 2 + o2 + no / 2 + (hydrogen / 4 * water_share - oxygen / 2) * carbon
    return oxygen_found / ((1 + hydrogen / 4 - oxygen / 2) * (carbon + 6 * hc))


def _gases(exhaust_pct: dict[str, ArrayLike]) -> list[np.ndarray]:
    wanted = ("co", "co2", "o2", "hc", "no")
    unknown = sorted(set(exhaust_pct) - set(wanted))
    missing = [name for name in wanted[:4] if name not in exhaust_pct]
    if unknown or missing:
        raise ValueError(
            f"exhaust_pct: unknown gases {unknown}, missing {missing}; wanted are {wanted}, 'no' optional."
        )
    return [
        require_not_negative(exhaust_pct.get(name, 0.0), name, "per cent of dry exhaust is wanted") for name in wanted
    ]


def _densities(first: tuple[float, float, float], second: tuple[float, float, float]) -> np.ndarray:
    for fuel in (first, second):
        require_not_negative(fuel[:2], "composition", _COMPOSITION)
    return require_positive([first[2], second[2]], "density_kg_l", "kg/L is wanted, such as 0.745")


def _molar_mass(hydrogen_to_carbon: np.ndarray, oxygen_to_carbon: np.ndarray) -> np.ndarray:
    """Molar mass per carbon atom, g/mol."""
    return CARBON_G_MOL + HYDROGEN_G_MOL * hydrogen_to_carbon + OXYGEN_G_MOL * oxygen_to_carbon
