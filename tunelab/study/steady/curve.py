"""The meter's error as a result: dense, with its evidence, and at the revision's breakpoints."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy

from tunelab.study.steady.coordinate import Coordinate, log_flow_in_force
from tunelab.study.steady.design import Design, hat_matrix
from tunelab.study.steady.joint import Joint
from tunelab.study.steady.leak import leak_allowance
from tunelab.study.steady.posterior import Posterior, local_mean
from tunelab.study.steady.result import MeterError, OverallConstant
from tunelab.workspace.revision import MeterCurve, Revision

GRID = 160  # readings of the dense result, beside the breakpoints
NEAR = 0.03  # along the curve's coordinate (the visited range is 1 to 1.4): how far a block speaks for a reading
LEAST_SECONDS = 3.0  # of calm driving within reach, for a reading to count as measured
WIDEST = 0.06  # half width of the interval, log units, beyond which a breakpoint is left as it is
BLEND = 0.12  # along the coordinate: within it, an unmeasured breakpoint follows its measured neighbour


def dense_readings(coordinate: Coordinate, curve: MeterCurve) -> np.ndarray:
    """Readings of the dense result over the visited range, the breakpoints in it included."""
    low, high = coordinate.reading[[0, -1]]
    inside = curve.reading[(curve.reading > low) & (curve.reading < high)]
    even = coordinate.reading_at(np.linspace(coordinate.place[0], coordinate.place[-1], GRID))
    return np.unique(np.concatenate([even, inside]))


def interval_width(joint: Joint) -> float:
    """Multiplier of a standard deviation for 95 %, wider where there are few holds (Student's t)."""
    holds = int(joint.design.blocks["hold"].max()) + 1
    return float(scipy.stats.t.ppf(0.975, max(holds - 12, 3)))


def reach_seconds(design: Design, reading: np.ndarray) -> np.ndarray:
    """Seconds of calm driving within reach of each reading."""
    blocks = design.blocks
    return reach_of(design.coordinate, blocks["reading"].to_numpy(), float(blocks["seconds"].mean()), reading)


def reach_of(coordinate: Coordinate, visited: np.ndarray, each_s: float, reading: np.ndarray) -> np.ndarray:
    """Seconds within reach of each reading, from visited readings of `each_s` seconds each."""
    place, at = coordinate.at(reading), np.sort(coordinate.at(visited))
    return each_s * (np.searchsorted(at, place + NEAR, side="right") - np.searchsorted(at, place - NEAR))


def meter_error(
    joint: Joint, posterior: Posterior, channel: str, revision: Revision, lean_sd: np.ndarray
) -> MeterError:
    """Meter error with its interval; `lean_sd` is what an unknown dead time adds to it at each reading, log units."""
    design, curve, reading = joint.design, revision.meter_curve, posterior.reading
    width = interval_width(joint) * np.hypot(posterior.log_factor_sd, lean_sd)
    measured = reach_seconds(design, reading) >= LEAST_SECONDS
    log_factor = np.where(measured, posterior.log_factor[0], np.nan)
    edges = np.concatenate([[-np.inf], (reading[1:] + reading[:-1]) / 2, [np.inf]])
    counted, _ = np.histogram(design.blocks["reading"], edges, weights=design.blocks["seconds"])
    return MeterError(
        channel=channel,
        reading=reading,
        flow_in_force_kg_h=np.exp(log_flow_in_force(curve, reading)),
        factor=np.exp(log_factor),
        lower=np.exp(log_factor - width),
        upper=np.exp(log_factor + width),
        seconds=counted,
        points=_points(design, curve, reading, log_factor, width),
    )


def _points(
    design: Design, curve: MeterCurve, reading: np.ndarray, log_factor: np.ndarray, width: np.ndarray
) -> pd.DataFrame:
    """What is known at each breakpoint."""
    at = curve.reading
    good = np.isfinite(log_factor) & (width <= WIDEST)
    visited = design.blocks["reading"].to_numpy()
    target, basis = _blended(design.coordinate, at, reading, np.where(good, log_factor, np.nan), visited)
    spread = np.interp(at, reading, width)
    away = _distance(design.coordinate, at, reading[good]) if good.any() else np.full(at.size, np.inf)
    spread = np.hypot(spread, np.where(basis == "extended", 0.5 * np.abs(target) + 0.1 * np.minimum(away, 1.0), 0.0))
    log_flow = log_flow_in_force(curve, reading) + log_factor
    leak = leak_allowance(log_flow, log_factor, log_flow_in_force(curve, at) + target)
    known = basis != "unchanged"
    return pd.DataFrame(
        {
            "reading": at,
            "flow_in_force_kg_h": curve.flow_kg_h,
            "factor": np.where(known, np.exp(target), np.nan),
            "factor_lower": np.where(known, np.exp(target - np.hypot(spread, leak)), np.nan),
            "factor_upper": np.where(known, np.exp(target + spread), np.nan),
            "seconds": hat_matrix(at, visited).T @ design.blocks["seconds"].to_numpy(),
            "basis": basis,
        }
    )


def _distance(coordinate: Coordinate, at: np.ndarray, measured: np.ndarray) -> np.ndarray:
    place, known = coordinate.at(at), coordinate.at(measured)
    return np.abs(place[:, None] - known).min(axis=1)


def _blended(
    coordinate: Coordinate, at: np.ndarray, reading: np.ndarray, log_factor: np.ndarray, visited: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Log factor at breakpoints: measured, or fading to none within BLEND of what is, or none; and its basis.

    Inside a gap both neighbours speak. A breakpoint from which the ECU draws a straight line into a visited stretch
    follows its neighbour in full, the next one beyond by half at least.
    """
    known = np.isfinite(log_factor)
    if not known.any():
        return np.zeros(at.size), np.full(at.size, "unchanged")
    bridged = np.interp(at, reading[known], log_factor[known])
    away = _distance(coordinate, at, reading[known])
    basis = np.where(away <= NEAR, "measured", np.where(away <= BLEND, "extended", "unchanged"))
    touching = np.zeros(at.size, dtype=bool)
    right = np.clip(np.searchsorted(at, visited), 0, at.size - 1)
    touching[right] = touching[np.maximum(right - 1, 0)] = True
    touching &= away <= 2 * BLEND
    beside = np.convolve(touching | (basis == "measured"), [1, 1, 1], mode="same") > 0
    basis = np.where((touching | beside) & (basis == "unchanged"), "extended", basis)
    fade = 0.5 * (1 + np.cos(np.pi * np.clip((away - NEAR) / (BLEND - NEAR), 0, 1)))
    fade = np.where(touching, 1.0, np.where(beside, np.maximum(fade, 0.5), fade))
    return np.where(basis == "unchanged", 0.0, bridged * fade), basis


def overall_constant(joint: Joint, posterior: Posterior) -> OverallConstant:
    """The mean level of the measured curve, weighted by where was driven."""
    at = joint.design.blocks["reading"].to_numpy()
    level = np.array([np.interp(at, posterior.reading, row).mean() for row in posterior.log_factor])
    width = interval_width(joint) * level[1:].std()
    return OverallConstant(
        factor=float(np.exp(level[0])),
        lower=float(np.exp(level[0] - width)),
        upper=float(np.exp(level[0] + width)),
        because=(
            "Injector flow, the scale of the meter, the gain of the lambda sensor and the fuel's own stoichiometric "
            "ratio all multiply lambda alike: no log can tell which of them is off. Applied to the curve it sets "
            "lambda right in any case."
        ),
    )


def unknown_dead_time_lean(design: Design, reading: np.ndarray, spread_ms: float) -> np.ndarray:
    """What a dead-time error of `spread_ms` would move the curve by at each reading, log units."""
    at = design.coordinate.at(design.blocks["reading"].to_numpy())
    return spread_ms * local_mean(at, np.exp(-design.blocks["log_open"]), design.coordinate.at(reading))
