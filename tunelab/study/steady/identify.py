"""What the drive can tell apart: dead time from the meter's curve, and dead time's change with voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.study.steady.design import Design
from tunelab.study.steady.evidence import NAMES, columns_of, moments_of
from tunelab.study.steady.joint import Joint, base_weight
from tunelab.study.steady.solution import solve

# Taken for granted of no curve: sizes under which only the same airflow at different speeds tells dead time.
FREE_CURVE = {"broad": 0.5, "broad_scale": 0.3, "narrow": 0.02, "narrow_scale": 0.08}
UNKNOWN_DEAD_TIME_MS = 0.15  # standard deviation of an unknown dead-time error; common practice, no source
SHOWN_WITHIN_MS = 0.03  # standard deviation up to which a dead-time error counts as shown
CONTRAST = 1.2  # ratio of injector opening times at one reading from which on they count as different
NEAR = 0.03  # along the curve's coordinate (the visited range is 1 to 1.4): readings that count as one
LEAST_CONTRASTED = 0.2  # share of the blocks whose reading was also driven with such another opening time
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

    Along one line of speed and load the small wander about it would seem to tell dead time, and tells it wrongly: so
    the same reading must have been driven with clearly different opening times.
    """
    level_sd, slope_sd = _contrast_sd(joint)
    blocks = joint.design.blocks
    low, high = np.quantile(blocks["battery_v"], [0.01, 0.99])
    level, level_because = _level(level_sd, contrasted_share(joint.design), pressure_known)
    moved = high - low >= LEAST_VOLTS
    slope = level and moved and slope_sd <= SLOPE_WITHIN_MS_V
    span = f"The battery voltage ran from {low:.1f} to {high:.1f} V"
    if slope:
        slope_because = f"{span} at calm speed."
    elif not level:
        slope_because = "The level is not shown, so its change with voltage is not either."
    else:
        slope_because = (
            f"{span}: too little to tell a change with voltage. Hold one speed with lights, fan and heater off and on."
        )
    return Shown(level, level_because, slope, slope_because)


def contrasted_share(design: Design) -> float:
    """Share of the blocks whose reading was also driven with a clearly different opening time of the injectors."""
    place = design.coordinate.at(design.blocks["reading"].to_numpy())
    opened = design.blocks["log_open"].to_numpy()[np.argsort(place)]
    place = np.sort(place)
    first, last = np.searchsorted(place, place - NEAR), np.searchsorted(place, place + NEAR, side="right")
    farthest = [np.abs(opened[a:b] - own).max() for own, a, b in zip(opened, first, last, strict=True)]
    return float(np.mean(np.array(farthest) > np.log(CONTRAST)))


def _level(level_sd: float, contrasted: float, pressure_known: bool) -> tuple[bool, str]:
    if not pressure_known:
        return False, (
            "The injectors' flow changes with manifold pressure, which is not logged, and this looks like a dead-time "
            "error. Log manifold_kpa."
        )
    if contrasted < LEAST_CONTRASTED:
        return False, (
            "The drive ran along one line of speed and load: the same airflow was hardly driven at different engine "
            f"speeds (at {100 * contrasted:.0f} % of the calm blocks), so a dead-time error could hide in the curve. "
            f"{WAY_OUT}"
        )
    if level_sd > SHOWN_WITHIN_MS:
        return False, f"The drive tells the dead time to ± {2 * level_sd:.2f} ms only, which is too wide. {WAY_OUT}"
    return True, f"The same airflow was driven at different engine speeds, which tells it to ± {2 * level_sd:.3f} ms."


def _contrast_sd(joint: Joint) -> tuple[float, float]:
    """Standard deviation of level [ms] and slope [ms/V] with a curve that may bend as it likes."""
    member = joint.members[0]
    blocks = joint.design.blocks
    columns = columns_of(joint.design, member.onset, joint.dead_time_ms, np.array([2.0, 0.5, 1e-3]))
    hold = blocks["hold"].to_numpy()
    moments = moments_of(
        columns, blocks["y"].to_numpy(), hold, base_weight(blocks) * joint.weight, np.ones(hold.max() + 1)
    )
    theta = member.sizes.copy()
    for name, size in FREE_CURVE.items():
        theta[NAMES.index(name)] = np.log(size)
    root = solve(theta, columns, joint.design, moments).root[columns.parts["dead_time"]]
    spread = np.sqrt(np.sum(root**2, axis=1))
    return float(spread[0]), float(spread[1])
