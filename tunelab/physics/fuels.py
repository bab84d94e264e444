"""Fuels: stoichiometric air-fuel ratio from composition, blends, and the three ways to state a mixture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.constants import CARBON_G_MOL, DRY_AIR_G_MOL, HYDROGEN_G_MOL, OXYGEN_G_MOL, OXYGEN_IN_AIR
from tunelab.physics.arguments import require_between, require_not_negative, require_positive

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
