"""Cells of engine speed and airflow: their edges, and which of them an engine can be held in."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics.load import absolute_load

# All of this is common practice, no source.
FULL_LOAD_PCT = 85.0  # absolute load at wide-open throttle where neither owner nor log says
MEAN_PRESSURE_KPA_PER_PCT = 13.0  # indicated, for each per cent of absolute load at lambda 1: 37 % of the heat
FRICTION_KPA = 150.0  # mean effective pressure that the engine itself takes, at standstill ...
FRICTION_KPA_PER_RPM = 0.02  # ... and for each rpm
HIGH_LOAD_SHARE = 0.85  # of full load: from here a hold is high load
HIGHEST_SPEED_SHARE = 0.93  # of the rev limit: no hold above
IDLE_LOAD_MOST_PCT = 22.0  # at idle speed; an engine lugs with more
LUGGING_ENDS = 2.2  # times idle speed: from here full load is no lugging
COARSEST_FLOW_RATIO = 1.45  # from one airflow edge to the next
SPEED_WIDTHS_RPM = (250.0, 500.0, 1000.0, 2000.0)
MOST_SPEEDS = 14


def speed_edges(idle_rpm: float, limit_rpm: float) -> np.ndarray:
    """Edges of the speed cells [rpm], shape (speeds + 1,): round, from below idle to the rev limit."""
    width = next((w for w in SPEED_WIDTHS_RPM if limit_rpm / w <= MOST_SPEEDS), SPEED_WIDTHS_RPM[-1])
    first = np.floor(0.8 * idle_rpm / width) * width
    return np.arange(first, limit_rpm + width, width)


def speed_aims(edges_rpm: np.ndarray, idle_rpm: float) -> np.ndarray:
    """Speed to hold in each cell [rpm], shape (speeds,): its middle, but idle speed where that is inside."""
    low, high = edges_rpm[:-1], edges_rpm[1:]
    return np.where((low <= idle_rpm) & (idle_rpm < high), idle_rpm, (low + high) / 2)


def flow_edges(lowest_kg_h: float, highest_kg_h: float, breakpoints_kg_h: ArrayLike) -> np.ndarray:
    """Edges of the airflow cells [kg/h], shape (flows + 1,), rising in about equal ratios.

    Each inner edge moves to the middle between two breakpoints of the meter's curve where one is near, so that a cell
    holds whole breakpoints and what is driven in it speaks for them.
    """
    count = max(1, int(np.ceil(np.log(highest_kg_h / lowest_kg_h) / np.log(COARSEST_FLOW_RATIO))))
    edges = np.linspace(np.log(lowest_kg_h), np.log(highest_kg_h), count + 1)
    flows = np.unique(np.asarray(breakpoints_kg_h, dtype=float))
    logs = np.log(flows[flows > 0])
    middles = (logs[1:] + logs[:-1]) / 2
    if middles.size:
        nearest = middles[np.argmin(np.abs(middles[None, :] - edges[:, None]), axis=1)]
        near = np.abs(nearest - edges) < 0.3 * (edges[1] - edges[0])
        near[[0, -1]] = False
        edges = np.where(near, nearest, edges)
    return np.exp(np.unique(edges))


def flow_at_load(load_pct: ArrayLike, engine_speed_rpm: ArrayLike, *, displacement_l: float) -> np.ndarray:
    """Airflow [kg/h] at an absolute load [%] (SAE J1979) and engine speed [rpm]; shapes broadcast, NaN stays NaN."""
    return np.asarray(load_pct, dtype=float) / absolute_load(1.0, engine_speed_rpm, displacement_l=displacement_l)


def no_load(engine_speed_rpm: ArrayLike) -> np.ndarray:
    """Absolute load [%] of an engine that turns nothing but itself at a speed [rpm]: about; NaN stays NaN."""
    friction = FRICTION_KPA + FRICTION_KPA_PER_RPM * np.asarray(engine_speed_rpm, dtype=float)
    return friction / MEAN_PRESSURE_KPA_PER_PCT


def highest_load(engine_speed_rpm: ArrayLike, full_load_pct: ArrayLike, *, idle_rpm: float) -> np.ndarray:
    """Most load that an engine may be held at [%]: full load, less at speeds where that would lug it."""
    share = np.clip((np.asarray(engine_speed_rpm) / idle_rpm - 1.1) / (LUGGING_ENDS - 1.1), 0.0, 1.0)
    full = np.asarray(full_load_pct, dtype=float)
    return np.minimum(full, IDLE_LOAD_MOST_PCT + share * (full - IDLE_LOAD_MOST_PCT))
