"""A difference between two series of visits whose noise is partly slow drift, weighed over how slow it may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg
from threadpoolctl import threadpool_limits

SHARES = (0.0, 0.15, 0.3, 0.5, 0.7, 0.85)  # of the noise that is drift
TIMES_S = (20.0, 60.0, 180.0)  # over which drift forgets itself; slower is a difference between drives
NO_DRIFT = 0.25  # weight of no drift at all, before the visits are looked at


@dataclass(frozen=True)
class Weighed:
    """An estimate with its standard error and degrees of freedom."""

    value: float
    standard_error: float
    freedom: float


def weigh_drift(
    value: np.ndarray, cell: np.ndarray, side: np.ndarray, session: np.ndarray, time_s: np.ndarray
) -> Weighed | None:
    """Estimate after less before with cells as fixed effects, and noise that is white and drifting within a drive.

    Parameters
    ----------
    value, cell, side, session, time_s : array, shape (visits,)
        Value of each visit; number of its cell; 0 before, 1 after; number of its drive; its start. [s]

    Returns
    -------
    Weighed or None
        None where cells and side use up all visits.

    Notes
    -----
    Each share of drift and each time constant of a grid is judged by its restricted likelihood (H. D. Patterson,
    R. Thompson, Biometrika 58 (1971) 545), and the estimates are averaged by that, so that not knowing the drift widens
    the interval. Drift gives few independent looks at itself: the degrees of freedom shrink with its share.
    """
    design = np.zeros((value.size, int(cell.max()) + 2))
    design[np.arange(value.size), cell] = 1.0
    design[:, -1] = side
    if value.size - design.shape[1] < 1:
        return None
    apart = np.abs(time_s[:, None] - time_s[None, :])
    same = session[:, None] == session[None, :]
    span = sum(float(np.ptp(time_s[session == k])) for k in np.unique(session))
    grid = [(0.0, TIMES_S[0]), *((share, tau) for share in SHARES[1:] for tau in TIMES_S)]
    rows = []
    free = value.size - design.shape[1]
    with threadpool_limits(limits=1):  # the matrices are small: threads only wait for one another
        for share, tau in grid:
            cover = (1 - share) * np.eye(value.size) + share * same * np.exp(-apart / tau)
            looks = min(max(span / tau, 1.0), free)
            rows.append((*_restricted(value, design, cover), 1 / ((1 - share) / free + share / looks)))
    likelihood, estimate, variance, freedom = np.array(rows).T
    before = np.array([NO_DRIFT, *[(1 - NO_DRIFT) / (len(grid) - 1)] * (len(grid) - 1)])
    weight = before * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    mean = float(weight @ estimate)
    total = float(weight @ (variance + (estimate - mean) ** 2))
    return Weighed(mean, float(np.sqrt(total)), float(weight @ freedom))


def _restricted(value: np.ndarray, design: np.ndarray, cover: np.ndarray) -> tuple[float, float, float]:
    """Restricted log-likelihood, the last coefficient and its variance, by generalised least squares."""
    lower = linalg.cholesky(cover, lower=True, check_finite=False)
    white = linalg.solve_triangular(lower, np.column_stack([design, value]), lower=True, check_finite=False)
    inside, response = white[:, :-1], white[:, -1]
    normal = inside.T @ inside
    root = linalg.cholesky(normal, lower=True, check_finite=False)
    coefficients = linalg.cho_solve((root, True), inside.T @ response)
    left = response - inside @ coefficients
    free = value.size - design.shape[1]
    scale = float(left @ left) / free
    likelihood = -np.log(np.diag(lower)).sum() - np.log(np.diag(root)).sum() - 0.5 * free * np.log(max(scale, 1e-300))
    unit = np.zeros(design.shape[1])
    unit[-1] = 1.0
    return float(likelihood), float(coefficients[-1]), scale * float(linalg.cho_solve((root, True), unit)[-1])
