"""The dead-time error as a result: level, change with voltage, and the revision's rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tunelab.study.steady.curve import interval_width
from tunelab.study.steady.identify import Shown
from tunelab.study.steady.joint import Joint
from tunelab.study.steady.posterior import Posterior
from tunelab.study.steady.result import DeadTimeError
from tunelab.workspace.revision import Revision

REACH_V = 0.3  # beyond the visited voltages, up to which a row counts as measured
CARRY_V = 1.0  # beyond the visited voltages, up to which a change with voltage is carried on
UNKNOWN_SLOPE_MS_V = 0.04  # standard deviation of the unknown change with voltage further out; common practice


def dead_time_error(joint: Joint, posterior: Posterior, shown: Shown, revision: Revision) -> DeadTimeError:
    """Dead-time error with intervals; NaN where not shown."""
    z, reference = interval_width(joint), joint.design.reference_v
    mean, spread = posterior.dead_time_ms[0], np.sqrt(np.diag(posterior.dead_time_cov))
    visited = np.quantile(joint.design.blocks["battery_v"], [0.01, 0.99])
    level = (mean[0], mean[0] - z * spread[0], mean[0] + z * spread[0]) if shown.level else (np.nan,) * 3
    slope = (mean[1], mean[1] - z * spread[1], mean[1] + z * spread[1]) if shown.slope else (np.nan,) * 3
    return DeadTimeError(
        shown=shown.level,
        because=shown.level_because,
        slope_shown=shown.slope,
        slope_because=shown.slope_because,
        level_ms=float(level[0]),
        lower_ms=float(level[1]),
        upper_ms=float(level[2]),
        slope_ms_v=float(slope[0]),
        slope_lower_ms_v=float(slope[1]),
        slope_upper_ms_v=float(slope[2]),
        reference_v=reference,
        visited_v=(float(visited[0]), float(visited[1])),
        rows=_rows(posterior, shown, revision, reference, visited, z),
    )


def _rows(
    posterior: Posterior, shown: Shown, revision: Revision, reference_v: float, visited: np.ndarray, z: float
) -> pd.DataFrame:
    """Change at each row of the table; far from the visited voltages the level goes on and the interval opens."""
    table = revision.dead_time
    battery = np.asarray(table.battery_v, dtype=float)
    away = np.maximum(np.maximum(visited[0] - battery, battery - visited[1]), 0.0)
    single = battery.size == 1
    near = (away <= REACH_V) | single
    held = np.clip(battery, visited[0] - CARRY_V, visited[1] + CARRY_V)
    powers = ((reference_v if single else held) - reference_v) * np.ones(battery.size)
    powers = powers[:, None] ** np.arange(3)
    change = powers @ posterior.dead_time_ms[0]
    spread = np.sqrt(np.einsum("ij,jk,ik->i", powers, posterior.dead_time_cov, powers))
    slope_unknown = away if shown.slope else np.abs(battery - reference_v)
    spread = np.hypot(spread, 0.0 if single else UNKNOWN_SLOPE_MS_V * slope_unknown)
    basis = np.where(near, "measured", "extended") if shown.level else np.full(battery.size, "unchanged")
    known = shown.level
    return pd.DataFrame(
        {
            "battery_v": battery,
            "dead_time_in_force_ms": np.asarray(table.dead_time_ms, dtype=float),
            "change_ms": change if known else np.nan,
            "change_lower_ms": change - z * spread if known else np.nan,
            "change_upper_ms": change + z * spread if known else np.nan,
            "basis": basis,
        }
    )
