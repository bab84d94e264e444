"""The visited points, and what the ECU and the injectors make of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.steady.posterior import Posterior

UNDISTURBED = 0.005  # log units of over-reading up to which a point counts as undisturbed
ODD = 0.01  # log units that the fit may leave of a hold without a word; common practice, no source
FALLS_TO = 0.75  # of what it reaches below half the rev limit: over-reading from pulsation is less above that.
# Common practice, no source: the faster the strokes follow one another, the more evenly the meter is passed.
LEAST_FAST = 3  # blocks at load above half the rev limit, to tell that


@dataclass(frozen=True)
class Points:
    """One per calm block; arrays of shape (blocks,)."""

    reading: np.ndarray
    engine_speed_rpm: np.ndarray
    load: np.ndarray
    battery_v: np.ndarray
    commanded: np.ndarray  # lambda; 1 where not logged
    log_pressure: np.ndarray  # log of the injectors' flow over the one in force
    seconds: np.ndarray
    hold: np.ndarray
    disturbed: np.ndarray  # set aside: the meter over-reads there from intake pulsation
    unexplained: np.ndarray  # log units: what the fit leaves of its hold, beyond the usual; 0 for most
    reference_v: float  # that the dead-time error's coefficients refer to


def points_of(
    blocks: pd.DataFrame, left: np.ndarray, posterior: Posterior, reference_v: float, *, rev_limit_rpm: float
) -> Points:
    """Visited points from the calm blocks; `left`, shape (blocks,), is what the fit leaves of each [log units]."""
    commanded = blocks["lambda_commanded"].to_numpy()
    speed, load = np.exp(blocks["log_speed"].to_numpy()), blocks["load"].to_numpy()
    return Points(
        reading=blocks["reading"].to_numpy(),
        engine_speed_rpm=speed,
        load=load,
        battery_v=blocks["battery_v"].to_numpy(),
        commanded=np.where(commanded > 0.3, commanded, 1.0),
        log_pressure=blocks["log_pressure"].to_numpy(),
        seconds=blocks["seconds"].to_numpy(),
        hold=blocks["hold"].to_numpy(),
        disturbed=is_pulsation(-posterior.pulsation[0], speed, load, rev_limit_rpm),
        unexplained=_unexplained(left, blocks["hold"].to_numpy()),
        reference_v=reference_v,
    )


def _unexplained(left: np.ndarray, hold: np.ndarray) -> np.ndarray:
    """Mean of what is left of each hold, less what is usual: the fit weighs odd holds down, lambda does not."""
    mean = np.bincount(hold, left) / np.maximum(np.bincount(hold), 1)
    usual = max(ODD, 3 * 1.4826 * float(np.median(np.abs(mean))))  # 1.4826: of a normal scatter's median to its sd
    return (np.sign(mean) * np.maximum(np.abs(mean) - usual, 0.0))[hold]


def is_pulsation(over: np.ndarray, speed_rpm: np.ndarray, load: np.ndarray, rev_limit_rpm: float) -> np.ndarray:
    """Where an error that goes with load can be intake pulsation, and so no error of the curve.

    Parameters
    ----------
    over : array, shape (blocks,)
        Fitted error that goes with load, log units: positive where the meter reads more than the air (rich).
    speed_rpm, load : array, shape (blocks,)
        Operating point of each block.
    rev_limit_rpm : float
        Of the engine; its half parts low from high engine speed.

    Returns
    -------
    array of bool, shape (blocks,)

    Notes
    -----
    Pulsation makes a meter over-read and fades as engine speed rises. So an error to the lean side is none, and where
    the error at load is as large above half the rev limit as below it, nothing is: that is fuel, not air.
    """
    rich = over > UNDISTURBED
    if not rich.any():
        return rich
    loaded, slow = load >= np.quantile(load[rich], 0.1), speed_rpm <= rev_limit_rpm / 2
    allowed = FALLS_TO * _high(over[loaded & slow])
    fast = over[loaded & ~slow]
    if fast.size >= LEAST_FAST and _high(fast) > allowed:
        return np.zeros_like(rich)
    return rich & (slow | (over <= allowed))


def _high(over: np.ndarray) -> float:
    """What the upper tenth reaches; 0 where there is nothing."""
    return float(np.quantile(over, 0.9)) if over.size else 0.0
