"""Engine speed and its rate of rise by a local quadratic, with the operators that say how noise passes through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LONGEST_WINDOW_S = 1.4  # raw differences are useless; over about this long a local quadratic holds
SHORTEST_WINDOW_S = 0.7
WINDOW_RPM = 900.0  # a quick pull gets a shorter window, so that the curve's own shape is kept
BLOCK_S = 0.4  # neighbouring residuals are alike over about this long
CALIBRATION = 40  # runs of white noise from which the shortfall of resampled residuals is found


@dataclass(frozen=True)
class Rise:
    """Smoothed engine speed of one pull. Arrays of shape (rows,), operators of shape (rows, rows)."""

    time: np.ndarray  # s
    rpm: np.ndarray
    rise_rpm_s: np.ndarray
    residual_rpm: np.ndarray
    to_rise: np.ndarray  # operator: readings to rate of rise
    window_s: float
    inner: np.ndarray  # bool: far enough from both ends for the window to be whole

    def noise_draws(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Rates of rise that fresh noise would have added, by a moving-block bootstrap; shape (draws, rows). [rpm/s]

        Smoothing takes slow noise out of the residuals, and slow noise is what moves a slope: resampled residuals alone
        fall short. By how much is found with white noise sent the same way, and made up for.
        """
        white = rng.standard_normal((CALIBRATION, self.time.size))
        left = white - white @ self.to_value().T
        direct = (white @ self.to_rise.T)[:, self.inner]
        resampled = np.concatenate([self._resampled(row, 8, rng) for row in left])[:, self.inner]
        short = float(np.sqrt((direct**2).mean() / (resampled**2).mean()))
        return short * self._resampled(self.residual_rpm, draws, rng)

    def _resampled(self, residual: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Slopes of resampled residuals; shape (draws, rows)."""
        n = residual.size
        block = max(2, round(BLOCK_S * (n - 1) / (self.time[-1] - self.time[0])))
        starts = rng.integers(0, max(n - block, 0) + 1, size=(draws, -(-n // block)))
        index = (starts[:, :, None] + np.arange(block)).reshape(draws, -1)[:, :n]
        return (residual - residual.mean())[index] @ self.to_rise.T

    def to_value(self) -> np.ndarray:
        """Operator from readings to smoothed values; shape (rows, rows)."""
        return _operators(self.time, self.window_s)[0]


def window_of(seconds: float, rise_rpm: float) -> float:
    """Window for a pull of so many seconds in which engine speed rises by `rise_rpm`. [s]"""
    pace = abs(rise_rpm) / seconds
    return float(np.clip(WINDOW_RPM / max(pace, 1.0), SHORTEST_WINDOW_S, LONGEST_WINDOW_S))


def smooth_rise(time_s: np.ndarray, engine_speed_rpm: np.ndarray) -> Rise:
    """Smooth the engine speed of one pull.

    Parameters
    ----------
    time_s, engine_speed_rpm : array, shape (rows,)
        Readings of one pull, NaN left out by the caller, time rising. [s], [rpm]

    Raises
    ------
    ValueError
        The window holds fewer than five readings.

    Notes
    -----
    Local quadratic with tricube weights (Cleveland 1979, doi:10.1080/01621459.1979.10481038), one-sided at the ends.
    """
    window = window_of(time_s[-1] - time_s[0], engine_speed_rpm[-1] - engine_speed_rpm[0])
    if time_s.size < 5 or window / np.median(np.diff(time_s)) < 5:
        raise ValueError(f"only {window / np.median(np.diff(time_s)):.0f} readings of engine speed in {window:.1f} s")
    to_value, to_rise = _operators(time_s, window)
    value = to_value @ engine_speed_rpm
    inner = (time_s >= time_s[0] + 0.3 * window) & (time_s <= time_s[-1] - 0.3 * window)
    return Rise(time_s, value, to_rise @ engine_speed_rpm, engine_speed_rpm - value, to_rise, window, inner)


def _operators(time_s: np.ndarray, window_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Linear operators from readings to local value and to local slope; shapes (rows, rows)."""
    apart = time_s[None, :] - time_s[:, None]
    reach = np.maximum(window_s / 2, _reach(time_s, window_s))[:, None]
    weight = np.clip(1 - np.abs(apart / reach) ** 3, 0, None) ** 3
    basis = np.stack([np.ones_like(apart), apart / reach, (apart / reach) ** 2])
    normal = np.einsum("aij,ij,bij->iab", basis, weight, basis)
    right = np.einsum("aij,ij->iaj", basis, weight)
    solved = np.linalg.solve(normal, right)
    return solved[:, 0, :], solved[:, 1, :] / reach


def _reach(time_s: np.ndarray, window_s: float) -> np.ndarray:
    """Half-width at each row that takes in a whole window even at the ends."""
    from_start, to_end = time_s - time_s[0], time_s[-1] - time_s
    nearest = np.minimum(from_start, to_end)
    return np.where(nearest < window_s / 2, window_s - nearest, window_s / 2)
