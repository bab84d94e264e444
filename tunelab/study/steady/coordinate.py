"""Where a reading lies along the meter's curve, for a smoothness that suits voltage, frequency and counts alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from tunelab.workspace.revision import MeterCurve

MARGIN = 0.02  # of the visited range, on either side


@dataclass(frozen=True)
class Coordinate:
    """Length along the current curve in the plane of reading and log flow, both scaled to their visited range.

    Equal steps are equal steps of reading where the curve is flat in log flow and of log flow where it is steep.
    """

    reading: np.ndarray  # dense, rising, shape (n,)
    place: np.ndarray  # coordinate at each, shape (n,); 0 at the lowest visited reading

    def at(self, reading: np.ndarray) -> np.ndarray:
        """Coordinate of readings; beyond the visited range it goes on in a straight line."""
        low, high = self.reading[[0, -1]]
        slope = (self.place[-1] - self.place[0]) / (high - low)
        beyond = np.minimum(reading - low, 0.0) + np.maximum(reading - high, 0.0)
        return np.interp(reading, self.reading, self.place) + slope * beyond

    def reading_at(self, place: np.ndarray) -> np.ndarray:
        """Reading at coordinates inside the range."""
        return np.interp(place, self.place, self.reading)


def coordinate_of(curve: MeterCurve, visited: np.ndarray) -> Coordinate:
    """Coordinate over the visited readings [lowest, highest] of a curve."""
    low, high = float(np.min(visited)), float(np.max(visited))
    margin = MARGIN * (high - low)
    reading = np.linspace(low - margin, high + margin, 400)
    log_flow = smooth_log_flow(curve, reading)
    scaled = np.diff(reading) / (high - low), np.diff(log_flow) / max(float(np.ptp(log_flow)), 1e-6)
    return Coordinate(reading, np.append(0.0, np.cumsum(np.hypot(*scaled))))


def log_flow_in_force(curve: MeterCurve, reading: np.ndarray) -> np.ndarray:
    """Log of the flow as the ECU interpolates it, in straight lines between breakpoints."""
    flow = np.interp(reading, curve.reading, curve.flow_kg_h)
    return np.log(np.maximum(flow, 1e-3))


def smooth_log_flow(curve: MeterCurve, reading: np.ndarray) -> np.ndarray:
    """Log of the flow by a smooth, monotone curve through the same breakpoints.

    The meter itself bends smoothly, so part of its error is that the ECU's straight lines do not.
    """
    flow = np.asarray(curve.flow_kg_h)
    known = flow > 0
    if known.sum() < 3:
        return log_flow_in_force(curve, reading)
    at = curve.reading[known]
    inside = np.clip(reading, at[0], at[-1])
    smooth = scipy.interpolate.PchipInterpolator(at, np.log(flow[known]))(inside)
    return np.where((reading < at[0]) | (reading > at[-1]), log_flow_in_force(curve, reading), smooth)
