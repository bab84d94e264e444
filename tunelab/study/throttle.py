"""What throttle gives an airflow, learned from the log itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.constants import AIR_HEAT_CAPACITY_RATIO
from tunelab.physics.orifice import flow_coefficient

FEWEST_SAMPLES = 200
STEPS = 24
NEAR_FULL = 0.95  # of full load: nearer the throttle says little


@dataclass(frozen=True)
class ThrottleLine:
    """Throttle position against the flow that it would pass choked, both rising, shape (steps,)."""

    throttle_pct: np.ndarray
    choked_flow_kg_h: np.ndarray
    spread_pct: float  # 80 % of the samples that it was learned from lie within so much of it, in points of throttle
    samples: int

    def throttle_for(self, flow_kg_h: ArrayLike, full_flow_kg_h: ArrayLike) -> np.ndarray:
        """Throttle [%] for an airflow at a speed whose full-load flow is given; NaN outside what was driven."""
        choked = choked_flow(flow_kg_h, full_flow_kg_h)
        return np.interp(choked, self.choked_flow_kg_h, self.throttle_pct, left=np.nan, right=np.nan)


def choked_flow(flow_kg_h: ArrayLike, full_flow_kg_h: ArrayLike) -> np.ndarray:
    """Flow that the same opening would pass choked [kg/h]: it depends on the throttle alone, not on engine speed.

    The pressure ratio across the throttle is taken as the share of full load, which is right to about a tenth. NaN
    near full load, where the throttle hardly matters.
    """
    share = np.asarray(flow_kg_h, dtype=float) / np.asarray(full_flow_kg_h, dtype=float)
    ratio = np.where((share > 0) & (share < NEAR_FULL), share, np.nan)
    choked = flow_coefficient(0.0, AIR_HEAT_CAPACITY_RATIO, 0.0)
    return np.asarray(flow_kg_h) * choked / flow_coefficient(ratio, AIR_HEAT_CAPACITY_RATIO, 0.0)


def counted_quantile(values: np.ndarray, count: np.ndarray, share: ArrayLike) -> np.ndarray:
    """Quantile of values of which each stands `count` times, as of all of them written out; shape of `share`.

    Between two of them it goes in a straight line (R. J. Hyndman, Y. Fan, American Statistician 50 (1996) 361,
    definition 7, which numpy's own takes too).
    """
    order = np.argsort(values, kind="stable")
    ends = np.cumsum(count[order])
    at = np.asarray(share) * (ends[-1] - 1)
    low, high = (
        values[order][np.minimum(np.searchsorted(ends, edge, side="right"), values.size - 1)]
        for edge in (np.floor(at), np.ceil(at))
    )
    return low + (at - np.floor(at)) * (high - low)


def learn_throttle(
    throttle_pct: np.ndarray, flow_kg_h: np.ndarray, full_flow_kg_h: np.ndarray, count: np.ndarray | None = None
) -> ThrottleLine | None:
    """Learn the line from steady samples, shape (n,) each; None where they are too few or the throttle never moved.

    `count` says of how many samples each is the mean; None: of one.
    """
    count = np.ones(np.shape(throttle_pct)) if count is None else count
    choked = choked_flow(flow_kg_h, full_flow_kg_h)
    known = np.isfinite(choked) & np.isfinite(throttle_pct)
    throttle, choked, count = throttle_pct[known], choked[known], count[known]
    samples = int(count.sum())
    if samples < FEWEST_SAMPLES:
        return None
    edges = np.unique(counted_quantile(throttle, count, np.linspace(0, 1, STEPS + 1)))
    if edges.size < 4 or edges[-1] - edges[0] < 2.0:
        return None
    step = np.clip(np.searchsorted(edges, throttle, side="right") - 1, 0, edges.size - 2)
    steps = [step == k for k in range(edges.size - 1) if count[step == k].sum() >= 5]
    middle = np.array([counted_quantile(throttle[inside], count[inside], 0.5) for inside in steps])
    flow = np.maximum.accumulate([counted_quantile(choked[inside], count[inside], 0.5) for inside in steps])
    rising = np.append(True, np.diff(flow) > 0)
    line = ThrottleLine(middle[rising], flow[rising], np.nan, samples)
    miss = np.abs(np.interp(choked, line.choked_flow_kg_h, line.throttle_pct) - throttle)
    return ThrottleLine(
        line.throttle_pct, line.choked_flow_kg_h, float(counted_quantile(miss, count, 0.8)), line.samples
    )
