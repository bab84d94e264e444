"""The over-reading from intake pulsation as a map over the speeds and loads that were driven."""

from __future__ import annotations

import numpy as np

from tunelab.study.steady.joint import Joint
from tunelab.study.steady.posterior import Posterior
from tunelab.study.steady.result import PulsationMap

SPEED_STEP_RPM = 400.0
LOAD_STEP = 0.08
LEAST_PCT = 0.5  # an over-reading below it is not worth a word
COUNTED = "It counts in the lambda error; look at the fuel pressure under load and at what the ECU adds or takes there."


def pulsation_map(joint: Joint, posterior: Posterior, disturbed: np.ndarray) -> PulsationMap:
    """Average the fitted over-reading by cells; cells that were not driven are NaN.

    `disturbed`, shape (blocks,), says which blocks were set aside for it.
    """
    blocks = joint.design.blocks
    speed_edges = _edges(np.exp(blocks["log_speed"].to_numpy()), SPEED_STEP_RPM)
    load_edges = _edges(blocks["load"].to_numpy(), LOAD_STEP)
    speed = np.digitize(np.exp(blocks["log_speed"]), speed_edges) - 1
    load = np.digitize(blocks["load"], load_edges) - 1
    shape = (load_edges.size - 1, speed_edges.size - 1)
    cell = load * shape[1] + speed
    over = 100 * np.expm1(-posterior.pulsation)
    count = np.bincount(cell, minlength=shape[0] * shape[1])
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.array([np.bincount(cell, row, count.size) / count for row in over])
    lower, upper = np.quantile(means[1:], [0.025, 0.975], axis=0)
    sure = (count > 0) & (np.abs(means[0]) > LEAST_PCT) & ((lower > 0) | (upper < 0))
    return PulsationMap(
        engine_speed_rpm=(speed_edges[1:] + speed_edges[:-1]) / 2,
        load=(load_edges[1:] + load_edges[:-1]) / 2,
        over_reading_pct=means[0].reshape(shape),
        lower_pct=lower.reshape(shape),
        upper_pct=upper.reshape(shape),
        seconds=np.bincount(cell, blocks["seconds"], count.size).reshape(shape),
        shown=bool(sure.any()),
        because=_because(joint, sure, means[0], bool(disturbed.any())),
    )


def _edges(values: np.ndarray, step: float) -> np.ndarray:
    low, high = np.floor(values.min() / step), np.floor(values.max() / step) + 1
    return step * np.arange(low, high + 1)


def _because(joint: Joint, sure: np.ndarray, mean: np.ndarray, set_aside: bool) -> str:
    never = sum(member.share for member in joint.members if not np.isfinite(member.onset.value))
    if not sure.any():
        if never > 0.5:
            return "Nothing beyond the curve and the dead time shows at high load."
        return f"No cell of the map is clear of its interval and of {LEAST_PCT:g} %."
    rich, lean = max(0.0, float(mean[sure].max())), max(0.0, -float(mean[sure].min()))
    told = []
    if rich and set_aside:
        told.append(
            f"Up to {rich:.1f} % at high load, beyond what the curve says there. A curve of flow against reading "
            "cannot remove it; the curve was fitted without it."
        )
    elif rich:
        told.append(
            f"At high load the mixture is up to {rich:.1f} % richer than curve and dead time say, at high engine speed "
            f"as at low. Pulsation fades as engine speed rises, so this is something else. {COUNTED}"
        )
    if lean:
        told.append(
            f"At high load the mixture is up to {lean:.1f} % leaner than curve and dead time say. A meter in pulsating "
            f"air reads too much, never too little, so this is no pulsation. {COUNTED}"
        )
    return " ".join(told)
