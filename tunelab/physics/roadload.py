"""Road load: what the road and the air hold against a car, and how long it coasts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.constants import STANDARD_GRAVITY_M_S2
from tunelab.physics.arguments import require_not_negative, require_positive

_MASS = "the mass as driven is wanted"
_SPEED = "forward speed is wanted"
# Gauss-Legendre nodes for the coast-down integral; the integrand is smooth, so its error is far below a microsecond.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


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
    speed = require_not_negative(speed_m_s, "speed_m_s", _SPEED)
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


def drag_area(c_n_s2_m2: ArrayLike, density_kg_m3: ArrayLike) -> np.ndarray:
    """Drag area [m²] behind the C of a road load [N s²/m²] at an air density [kg/m³].

    Shapes broadcast; NaN wherever an input is NaN. ValueError where the density is at or below zero.
    """
    return 2 * np.asarray(c_n_s2_m2, dtype=float) / require_positive(density_kg_m3, "density_kg_m3", "kg/m³ is wanted")


def rolling_coefficient(a_n: ArrayLike, mass_kg: ArrayLike) -> np.ndarray:
    """Rolling coefficient [N/N] behind the A of a road load [N] at a mass [kg], with standard gravity.

    Shapes broadcast; NaN wherever an input is NaN. ValueError where the mass is at or below zero.
    """
    return np.asarray(a_n, dtype=float) / (require_positive(mass_kg, "mass_kg", _MASS) * STANDARD_GRAVITY_M_S2)


def coast_down_time(
    from_m_s: ArrayLike, to_m_s: ArrayLike, effective_mass_kg: ArrayLike, curve: RoadLoadCurve
) -> np.ndarray:
    """Time that a car takes to coast from one speed to a lower one on the level: mass times the integral of dv / F.

    Parameters
    ----------
    from_m_s, to_m_s : array, shape (n,) or scalar
        Speed at the start and at the end. [m/s]
    effective_mass_kg : array, shape (n,) or scalar
        Mass with its turning parts (`driveline.effective_mass`). [kg]
    curve : RoadLoadCurve
        Road load.

    Returns
    -------
    array, shape (n,)
        Time, NaN wherever an input is NaN. [s]

    Raises
    ------
    ValueError
        A speed below zero, an end above the start, a mass at or below zero, a road load that is zero or less on the
        way.

    Notes
    -----
    Gauss-Legendre quadrature with 48 nodes.

    Source: 40 CFR 86.529-98, where the same integral underlies figure F98-9.
    """
    start = require_not_negative(from_m_s, "from_m_s", _SPEED)
    end = require_not_negative(to_m_s, "to_m_s", _SPEED)
    half = require_not_negative((start - end) / 2, "from_m_s less to_m_s", "a coasting car gets slower")
    mass = require_positive(effective_mass_kg, "effective_mass_kg", _MASS)
    speeds = ((start + end) / 2)[..., np.newaxis] + half[..., np.newaxis] * _NODES
    force = require_positive(road_load(speeds, curve), "road load", "with no force against it a car never slows down")
    return mass * half * (_WEIGHTS / force).sum(axis=-1)
