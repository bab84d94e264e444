"""Joint posterior of the steady fit as draws, so that everything derived from it carries the same uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Posterior:
    """Draws of what was fitted; the first row of each array is the posterior mean.

    Shapes: (draws, grid), (draws, 2), (draws, blocks). Logarithms are natural.
    """

    reading: np.ndarray  # grid of meter readings, shape (grid,)
    log_factor: np.ndarray  # log of true flow over flow in force, shape (draws, grid)
    dead_time_ms: np.ndarray  # level at the reference voltage and slope per volt, shape (draws, 2)
    pulsation: np.ndarray  # log of true flow over what the corrected curve says, at each block, shape (draws, blocks)
