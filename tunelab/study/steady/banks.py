"""The second lambda sensor against the first."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy

from tunelab.study.steady.findings import APART_PCT
from tunelab.study.steady.result import BankDifference
from tunelab.workspace.car import Car

LEAST_HOLDS = 5


def bank_difference(blocks: pd.DataFrame, car: Car) -> BankDifference | None:
    """Difference of the sensors, hold by hold; None where there is no second one or it was hardly read."""
    placement = car.lambda_sensor.second
    both = blocks[np.isfinite(blocks["log_lambda_2"])]
    if placement == "none" or both["hold"].nunique() < LEAST_HOLDS:
        return None
    apart = 100 * (both["log_lambda_2"] - both["log_lambda_1"]).groupby(both["hold"]).mean().to_numpy()
    half = float(scipy.special.stdtrit(apart.size - 1, 0.975) * apart.std(ddof=1) / np.sqrt(apart.size))
    mean = float(apart.mean())
    clear = abs(mean) > half
    if placement == "same pipe":
        disagrees = abs(mean) > APART_PCT
        because = f"Two sensors in one pipe read {mean:+.1f} % apart; up to {APART_PCT:g} % is common."
    else:
        disagrees = clear
        side = "leaner" if mean > 0 else "richer"
        because = f"The second bank reads {abs(mean):.1f} % {side}; the fit uses the mean of both banks."
        because = (
            because if clear else f"The banks do not differ by more than the interval; up to {APART_PCT:g} % is common."
        )
    return BankDifference(placement, mean, mean - half, mean + half, len(both), disagrees, because)
