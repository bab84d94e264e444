"""Several tests at once: how sure each may be when any false alarm among them counts."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

# A comparison may raise any false alarm with a chance of 5 % in all; what it looks at shares that.
FINDINGS_LEVEL, LOGS_LEVEL, POINTS_LEVEL = 0.02, 0.02, 0.01


def holm(p_values: ArrayLike) -> np.ndarray:
    """Adjust p-values so that the chance of any false alarm among them stays below the level each is compared with.

    Parameters
    ----------
    p_values : array, shape (n,)
        Between 0 and 1; NaN: not tested, stays NaN and counts for nothing.

    Returns
    -------
    array, shape (n,)
        Adjusted p-values, at most 1.

    Notes
    -----
    Source: S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Statist. 6 (1979) 65.
    """
    values = np.asarray(p_values, dtype=float)
    if np.any((values < 0) | (values > 1)):
        raise ValueError("p_values: wanted numbers from 0 to 1.")
    adjusted = np.full(values.shape, np.nan)
    known = np.flatnonzero(np.isfinite(values))
    order = known[np.argsort(values[known])]
    steps = values[order] * np.arange(order.size, 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted
