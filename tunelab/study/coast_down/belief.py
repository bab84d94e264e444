"""Whether a fitted road load is one that a rolling car can have."""

from __future__ import annotations

import numpy as np

from tunelab.study.coast_down.result import CoastDownFit, not_shown

# What cars have at the outside; an interval that lies beyond comes of brakes, a gear or a wrong mass. Common practice.
ROLLING = (0.004, 0.03)
DRAG_AREA_M2 = (0.1, 3.0)
LEAST_KNOWN = 0.5  # half-width of the force over the force: a guess by the owner is better than a worse one


def believed(fit: CoastDownFit) -> CoastDownFit:
    """The fit itself, or one that shows nothing and says what is wrong with it."""
    why = _not_a_rolling_car(fit) or _hardly_known(fit)
    return not_shown(why, fit.runs, fit.refused, fit.samples_used + fit.samples_flagged) if why else fit


def _not_a_rolling_car(fit: CoastDownFit) -> str:
    if fit.a_n <= 0 or fit.c_n_s2_m2 <= 0:
        return (
            f"no road load: the runs give A = {fit.a_n:.0f} N and C = {fit.c_n_s2_m2:.2f} N s²/m², and a rolling car "
            "has both above zero; these stretches were braked, driven or in gear, or span too little speed."
        )
    for name, value, (low, high), (least, most), unit in (
        ("a rolling coefficient", fit.rolling_coefficient, fit.rolling_interval, ROLLING, ""),
        ("a drag area", fit.drag_area_m2, fit.drag_area_interval, DRAG_AREA_M2, " m²"),
    ):
        if high < least or low > most:
            return (
                f"no road load: the runs give {name} of {value:.2g}{unit}, which no rolling car has; "
                "a brake, a gear, a wrong mass or speed unit would do that."
            )
    return ""


def _hardly_known(fit: CoastDownFit) -> str:
    low, high = fit.speed_range_km_h
    row = fit.force(np.array([(low + high) / 2])).iloc[0]
    half = (row["upper_n"] - row["lower_n"]) / 2
    if row["force_n"] > 0 and half <= LEAST_KNOWN * row["force_n"]:
        return ""
    return (
        f"no road load: {len(fit.runs)} runs from {high:.0f} to {low:.0f} km/h leave it open "
        f"({row['force_n']:.0f} ± {half:.0f} N at {row['speed_km_h']:.0f} km/h); "
        "roll longer, from a higher speed, without brakes, at least twice each way."
    )
