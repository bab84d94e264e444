"""What the drive can tell apart: dead time from the meter's curve, and dead time's change with voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.study.steady.design import Design
from tunelab.study.steady.evidence import NAMES, columns_of, moments_of
from tunelab.study.steady.joint import Joint, base_weight, hold_weight
from tunelab.study.steady.posterior import local_mean
from tunelab.study.steady.solution import solve

# Taken for granted of no curve: sizes under which only the same airflow at different speeds tells dead time.
FREE_CURVE = {"broad": 0.5, "broad_scale": 0.3, "narrow": 0.02, "narrow_scale": 0.08}
UNKNOWN_DEAD_TIME_MS = 0.15  # standard deviation of an unknown dead-time error; common practice, no source
SHOWN_WITHIN_MS = 0.03  # standard deviation up to which a dead-time error counts as shown
# Log units by which the model may be off from one opening time to another at the same reading, whatever was driven:
# the small wander about one line of speed and load seems to tell dead time, and tells it wrongly. By it drives along
# one line tell the level to 0.06 ms at best, drives over speed and load to about 0.01 ms.
MODEL_ERROR = 0.0005
NEAR = 0.015  # along the curve's coordinate (the visited range is 1 to 1.4): readings that count as one
LEAST_VOLTS = 0.4  # range of battery voltage below which no change with voltage is claimed
SLOPE_WITHIN_MS_V = 0.03  # standard deviation up to which a change with voltage counts as shown

WAY_OUT = (
    "Drive the same airflow at two or more engine speeds at least a third apart, such as 1800 rpm in a high gear and "
    "2700 rpm in a lower one."
)


@dataclass(frozen=True)
class Shown:
    """Whether level and slope of the dead-time error can be shown, and why or why not."""

    level: bool
    level_because: str
    slope: bool
    slope_because: str


def what_is_shown(joint: Joint, *, pressure_known: bool) -> Shown:
    """Judge by contrasts within the drive alone, not by how smooth a curve was taken to be.

    How well the drive tells level and slope is the posterior's own matter, with an error of the model beside it that
    no number of blocks makes smaller.
    """
    level_sd, slope_sd = _contrast_sd(joint)
    blocks = joint.design.blocks
    low, high = np.quantile(blocks["battery_v"], [0.01, 0.99])
    level, level_because = _level(level_sd, model_sd_ms(joint.design), pressure_known)
    moved = high - low >= LEAST_VOLTS
    slope = level and moved and slope_sd <= SLOPE_WITHIN_MS_V
    span = f"The battery voltage ran from {low:.1f} to {high:.1f} V"
    if slope:
        slope_because = f"{span} at steady speed."
    elif not level:
        slope_because = "The level is not shown, so its change with voltage is not either."
    else:
        slope_because = (
            f"{span}: too little to show a change with voltage. Hold one speed with lights, fan and heater off and on."
        )
    return Shown(level, level_because, slope, slope_because)


def model_sd_ms(design: Design) -> float:
    """Standard deviation of the level [ms] from the model's error, by how opening times differ at one reading."""
    place, per_ms = design.coordinate.at(design.blocks["reading"].to_numpy()), np.exp(-design.blocks["log_open"])
    apart = np.asarray(per_ms) - local_mean(place, per_ms, place, width=NEAR)
    return float(MODEL_ERROR / max(np.sqrt(np.mean(apart**2)), 1e-9))


def _level(contrast_sd: float, model_sd: float, pressure_known: bool) -> tuple[bool, str]:
    if not pressure_known:
        return False, (
            "The injectors' flow changes with manifold pressure, which is not logged, and this looks like a dead-time "
            "error. Log manifold_kpa."
        )
    level_sd = float(np.hypot(contrast_sd, model_sd))
    if model_sd > SHOWN_WITHIN_MS:
        return False, (
            "The drive ran along one line of speed and load: the same airflow was hardly driven at different engine "
            f"speeds, so a dead-time error could hide in the curve. {WAY_OUT}"
        )
    if level_sd > SHOWN_WITHIN_MS:
        return False, f"The drive shows the dead time to ±{2 * level_sd:.2f} ms only, which is too wide. {WAY_OUT}"
    return (
        True,
        f"The same airflow was driven at different engine speeds, so the dead time is known to ±{2 * level_sd:.3f} ms.",
    )


def _contrast_sd(joint: Joint) -> tuple[float, float]:
    """Standard deviation of level [ms] and slope [ms/V] with a curve that may bend as it likes."""
    member = joint.members[0]
    blocks = joint.design.blocks
    columns = columns_of(joint.design, member.onset, joint.dead_time_ms, np.array([2.0, 0.5, 1e-3]))
    hold = blocks["hold"].to_numpy()
    moments = moments_of(columns, blocks["y"].to_numpy(), hold, base_weight(blocks) * joint.weight, hold_weight(blocks))
    theta = member.sizes.copy()
    for name, size in FREE_CURVE.items():
        theta[NAMES.index(name)] = np.log(size)
    root = solve(theta, columns, joint.design, moments).root[columns.parts["dead_time"]]
    spread = np.sqrt(np.sum(root**2, axis=1))
    return float(spread[0]), float(spread[1])
