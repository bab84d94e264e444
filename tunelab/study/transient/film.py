"""The wall film: part of the fuel wets the port wall and follows later.

Aquino's model: of the injected fuel flow m a share X goes to the film, the film gives off its mass over a time constant
tau. d(film)/dt = X m - film / tau; into the cylinders go (1 - X) m + film / tau. With X and tau constant the cylinder's
fuel is (1 - X) m + X times m after a first-order lag of tau.

Source: C. F. Aquino, "Transient A/F Control Characteristics of the 5 Liter Central Fuel Injection Engine", SAE 810494
(1981), from memory.
"""

from __future__ import annotations

import numpy as np
import scipy

from tunelab.study.delay_model import follow

REVOLUTION_STEP = 0.25  # of the crank, on which the manifold is followed


def cylinder_fuel(injected: np.ndarray, step_s: float, *, share: float, tau_s: float) -> np.ndarray:
    """Fuel flow into the cylinders, in the unit of `injected`, shape (n,), on an even clock.

    The film is taken to be in balance with the first value. NaN spreads to all later values.

    Raises
    ------
    ValueError
        A share outside 0 to 1 or a time constant at or below zero.
    """
    if not 0.0 <= share <= 1.0 or tau_s <= 0.0:
        raise ValueError(f"the film needs a share from 0 to 1 and a time constant above 0 s: got {share:g}, {tau_s:g}.")
    return (1.0 - share) * injected + share * follow(injected, step_s, tau_s)


def fuel_for(wanted: np.ndarray, step_s: float, *, share: float, tau_s: float) -> np.ndarray:
    """Fuel flow to inject so that `wanted` reaches the cylinders; the inverse of `cylinder_fuel`, shape (n,).

    Negative where the film gives off more than is wanted. Raises as `cylinder_fuel`, and for a share of 1.
    """
    if not 0.0 <= share < 1.0 or tau_s <= 0.0:
        raise ValueError(f"the film needs a share from 0 to below 1 and a time above 0 s: got {share:g}, {tau_s:g}.")
    keep = np.exp(-step_s / tau_s)
    weight = (1.0 - keep) * tau_s / step_s
    # `follow` is the filter [1 - weight, weight - keep] over [1, -keep]; the film mixes it with the direct path.
    mixed = [1.0 - share * weight, share * weight - keep]
    state = [wanted[0] * (1.0 - 1.0 / mixed[0])] if wanted.size else [0.0]
    return scipy.signal.lfilter([1.0, -keep], mixed, wanted, zi=state)[0]


def cylinder_air(meter_kg_h: np.ndarray, speed_rpm: np.ndarray, step_s: float, *, volume_ratio: float) -> np.ndarray:
    """Air that the cylinders draw, from air through the meter: the manifold between them fills and empties. [kg/h]

    Parameters
    ----------
    meter_kg_h, speed_rpm : arrays, shape (n,)
        On an even clock; above zero.
    volume_ratio : float
        Manifold volume over displacement and volumetric efficiency. The manifold follows with a time constant of
        `volume_ratio` engine cycles (two revolutions each).

    Notes
    -----
    Filling and emptying with a charge proportional to manifold pressure: any text on engine modelling, such as
    E. Hendricks, S. C. Sorenson, "Mean Value Modelling of Spark Ignition Engines", SAE 900616 (from memory). In crank
    angle the time constant is fixed, so the charge per revolution is followed there.
    """
    if volume_ratio <= 0.0:
        return meter_kg_h.copy()
    turned = np.append(0.0, np.cumsum(0.5 * (speed_rpm[1:] + speed_rpm[:-1]) / 60.0 * step_s))
    even = np.arange(0.0, turned[-1] + REVOLUTION_STEP, REVOLUTION_STEP)
    charge = np.interp(even, turned, meter_kg_h / speed_rpm)
    return speed_rpm * np.interp(turned, even, follow(charge, REVOLUTION_STEP, 2.0 * volume_ratio))
