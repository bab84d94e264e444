"""Rolling radius of the driven tyres, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

from tunelab.physics.driveline import tyre_radius
from tunelab.workspace.car import Car

# A loaded tyre rolls on a radius 2 to 4 % below that of its size code. Common practice, no source.
LOADED_OVER_NOMINAL = 0.97
UNCERTAINTY_MEASURED_PCT = 0.5  # one standard deviation, where the owner states none. Common practice, no source.
UNCERTAINTY_FROM_CODE_PCT = 1.0
ASSUMED = "assumed (tyres.rolling_radius_uncertainty_pct is not stated)"


@dataclass(frozen=True)
class RollingRadius:
    """Rolling radius with one standard deviation, and where it comes from."""

    radius_m: float
    uncertainty_m: float
    source: str
    is_stated: bool = True  # whether the uncertainty is the owner's own, or what such a radius is usually good for

    @property
    def doubt(self) -> str:
        """How well the radius is known, and who says so."""
        return (
            f"{100 * self.uncertainty_m / self.radius_m:.2g} %, {'stated in car.toml' if self.is_stated else ASSUMED}"
        )


def rolling_radius(car: Car) -> RollingRadius:
    """Rolling radius from `car.toml`: the measured one, or that of the size code less 3 % for the load.

    Raises
    ------
    ValueError
        `car.toml` has no tyres.
    """
    if car.tyres is None:
        raise ValueError("car.toml has no [tyres]: add `rolling_radius_m`, or `size` as printed on the tyre.")
    stated = car.tyres.rolling_radius_uncertainty_pct
    if car.tyres.rolling_radius_m is not None:
        radius, usual, source = car.tyres.rolling_radius_m, UNCERTAINTY_MEASURED_PCT, "car.toml: rolling_radius_m"
    else:
        radius = LOADED_OVER_NOMINAL * float(tyre_radius(car.tyres.size))
        usual, source = UNCERTAINTY_FROM_CODE_PCT, f"car.toml: {car.tyres.size}, less 3 % for the load (assumed)"
    return RollingRadius(radius, radius * (usual if stated is None else stated) / 100, source, stated is not None)
