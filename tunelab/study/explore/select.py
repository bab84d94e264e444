"""Which samples lie in a box that was drawn over two readings."""

from __future__ import annotations

import numpy as np

Box = tuple[float, float, float, float]  # left, bottom, right, top, in the units of what it lies over


def samples_inside(across: np.ndarray, up: np.ndarray, box: Box) -> np.ndarray:
    """Tell which samples lie in a box, its edges included.

    Parameters
    ----------
    across, up : arrays, shape (time,)
        What the box was drawn over: two channels, time and a channel, engine speed and load.
    box : tuple of float
        Left, bottom, right, top, in their units.

    Returns
    -------
    bool array, shape (time,)
        A sample with a missing reading of either lies outside.
    """
    left, bottom, right, top = box
    return (across >= left) & (across <= right) & (up >= bottom) & (up <= top)
