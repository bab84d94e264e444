"""What a small exhaust leak would do to the curve: no steady log tells it from a meter that reads low at little air.

Air that leaks into the exhaust ahead of the lambda sensor is taken for air that the engine drew. The same flow is much
of the air at idle and little of it at speed, so the curve rises toward its low end as 1 over the air.
"""

from __future__ import annotations

import numpy as np

HIDDEN = (
    0.12  # log units at the least air: a leak that a meter falling off there would hide; common practice, no source
)
MUCH = 4.0  # times the least air, from where a leak hardly shows


def leak_allowance(
    log_flow: np.ndarray, log_factor: np.ndarray, at_log_flow: np.ndarray, *, suspected: bool = False
) -> np.ndarray:
    """How far below the fitted curve the true one may lie because of a leak that this log would not show.

    Parameters
    ----------
    log_flow, log_factor : array, shape (n,)
        Apparent air and log factor of the curve where it was measured; NaN elsewhere.
    at_log_flow : array, shape (m,)
        Apparent air at which it is wanted; below the least that was measured it is held.
    suspected : bool
        Only what the curve itself gives reason to suspect: without a rise nothing, else as much again hidden at most.

    Returns
    -------
    array, shape (m,)
        Log units, at least 0; all 0 where nothing was measured.

    Notes
    -----
    All of the curve's rise toward its least air may be a leak, over the level of the rest or over the straight line
    that the rest would go on with, and HIDDEN more behind a meter that falls off there.
    """
    known = np.isfinite(log_factor) & np.isfinite(log_flow)
    if not known.any():
        return np.zeros(np.shape(at_log_flow))
    least = log_flow[known].min()
    away = known & (log_flow >= least + np.log(MUCH))
    low = log_factor[known][np.argmin(log_flow[known])]
    rise = _rise(log_flow[away], log_factor[away], least, low)
    hidden = min(rise, HIDDEN) if suspected else HIDDEN
    share = -np.expm1(-(rise + hidden))  # of the apparent air there
    return -np.log1p(-share * np.exp(least - np.maximum(at_log_flow, least)))


def _rise(log_flow: np.ndarray, log_factor: np.ndarray, least: float, low: float) -> float:
    """How far the curve's low end stands above what the rest of it leads one to expect; 0 where below, or no rest."""
    if log_flow.size < 2 or np.ptp(log_flow) == 0:
        return 0.0
    _slope, level = np.polyfit(log_flow - least, log_factor, 1)
    return max(0.0, float(low - level), float(low - np.median(log_factor)))
