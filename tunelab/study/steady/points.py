"""The visited points, and what the ECU and the injectors make of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.steady.posterior import Posterior

UNDISTURBED = 0.005  # log units of pulsation up to which a point counts as undisturbed


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
    disturbed: np.ndarray
    reference_v: float  # that the dead-time error's coefficients refer to


def points_of(blocks: pd.DataFrame, posterior: Posterior, reference_v: float) -> Points:
    """Visited points from the calm blocks."""
    commanded = blocks["lambda_commanded"].to_numpy()
    return Points(
        reading=blocks["reading"].to_numpy(),
        engine_speed_rpm=np.exp(blocks["log_speed"].to_numpy()),
        load=blocks["load"].to_numpy(),
        battery_v=blocks["battery_v"].to_numpy(),
        commanded=np.where(commanded > 0.3, commanded, 1.0),
        log_pressure=blocks["log_pressure"].to_numpy(),
        seconds=blocks["seconds"].to_numpy(),
        hold=blocks["hold"].to_numpy(),
        disturbed=np.abs(posterior.pulsation[0]) > UNDISTURBED,
        reference_v=reference_v,
    )
