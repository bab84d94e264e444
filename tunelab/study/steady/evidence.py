"""What the steady model takes from the data: columns, sizes that the data choose, weighted sums by block and hold.

A hold is one experiment: its blocks share an error of their own, which does not shrink with their number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.study.steady.design import (
    CONSTANT_SD,
    DEAD_TIME_SD_MS,
    FILLING_SD,
    FILM_SD_S,
    SCALLOP_MEAN_SD,
    Design,
    Onset,
)

# What the data choose, each with a wide log-normal prior: median and spread of the logarithm.
CHOSEN = {
    "broad": (0.12, 0.6),  # size of the broad meter error, log units
    "broad_scale": (0.5, 0.5),  # its length along the curve's coordinate (the visited range is 1 to 1.4)
    "narrow": (0.012, 0.7),  # size of the narrow meter error
    "narrow_scale": (0.07, 0.4),
    "pulsation": (0.05, 0.7),  # size of the map beyond the onset
    "local": (0.001, 0.3),  # size of the model error over the whole map; held short, or it takes the dead time's place
    "session": (0.003, 0.5),  # one offset per session: weather, fuel, sensor
    "drift": (0.0015, 0.5),  # slow course within a session
    "block": (0.005, 1.0),  # noise of a usual block
    "hold": (0.002, 1.0),  # error that the blocks of a hold share
    "hold_disturbed": (0.006, 1.0),  # the same, in addition, in the pulsation
}
NAMES = tuple(CHOSEN)
MEDIAN = np.log([median for median, _ in CHOSEN.values()])
SPREAD = np.array([spread for _, spread in CHOSEN.values()])


@dataclass(frozen=True)
class Columns:
    """The whole design for one onset of the pulsation, its coefficients standardised where their prior is fixed."""

    matrix: np.ndarray  # shape (blocks, coefficients)
    offset: np.ndarray  # part of y that is not a column's, shape (blocks,)
    parts: dict[str, slice]
    gate: np.ndarray  # shape (blocks,)
    held_ms: np.ndarray  # dead-time coefficients that are held and not fitted, 0 where fitted, shape (3,)
    fixed_sd: np.ndarray  # prior standard deviation of each coefficient whose size the data do not choose, else 1


def columns_of(design: Design, onset: Onset, dead_time_ms: np.ndarray, dead_time_sd: np.ndarray) -> Columns:
    """Assemble the columns, linearised about dead-time coefficients; `dead_time_sd` of zero holds one at its value."""
    gate = design.gate(onset)
    dead, rest = design.dead_time_columns(dead_time_ms)
    n = len(gate)
    blocks = {
        "curve": (design.curve_columns, 1.0),
        "constant": (np.ones((n, 1)), CONSTANT_SD),
        "scallop": (design.scallop[:, None], SCALLOP_MEAN_SD[1]),
        "dead_time": (dead, dead_time_sd),
        "film": (design.dynamic_columns, (*FILM_SD_S, FILLING_SD)),
        "pulsation": (gate[:, None] * design.map_columns, 1.0),
        "local": (design.map_columns, 1.0),
        "session": (design.session_columns, 1.0),
        "drift": (design.drift_columns, 1.0),
    }
    parts, at = {}, 0
    for name, (matrix, _) in blocks.items():
        parts[name] = slice(at, at + matrix.shape[1])
        at += matrix.shape[1]
    held = np.where(np.asarray(dead_time_sd) > 0, 0.0, dead_time_ms)
    offset = rest + dead @ held + SCALLOP_MEAN_SD[0] * design.scallop
    sd = np.concatenate([np.broadcast_to(scale, matrix.shape[1]) for matrix, scale in blocks.values()])
    return Columns(np.hstack([matrix for matrix, _ in blocks.values()]), offset, parts, gate, held, sd)


@dataclass(frozen=True)
class Moments:
    """Weighted sums over blocks and holds: all that the likelihood needs of the data."""

    square: np.ndarray  # columns' W columns
    by_hold: np.ndarray  # columns' w summed by hold, shape (coefficients, holds)
    cross: np.ndarray
    target_by_hold: np.ndarray
    target_square: float
    weight_by_hold: np.ndarray
    log_weight: float
    blocks: int
    hold_gate: np.ndarray  # mean gate of each hold
    hold_weight: np.ndarray  # robust weight of each hold


def moments_of(
    columns: Columns, target: np.ndarray, hold: np.ndarray, weight: np.ndarray, hold_weight: np.ndarray
) -> Moments:
    """Sum up what the likelihood needs; `hold` rising from 0, `weight` shape (blocks,), `hold_weight` (holds,)."""
    left = target - columns.offset
    holds = hold_weight.size
    begins = np.searchsorted(hold, np.arange(holds))  # blocks come hold by hold
    weighted = columns.matrix * weight[:, None]
    return Moments(
        square=weighted.T @ columns.matrix,
        by_hold=np.add.reduceat(weighted, begins, axis=0).T,
        cross=weighted.T @ left,
        target_by_hold=np.bincount(hold, weight * left, holds),
        target_square=float(weight @ left**2),
        weight_by_hold=np.bincount(hold, weight, holds),
        log_weight=float(np.log(weight).sum()),
        blocks=hold.size,
        hold_gate=np.bincount(hold, columns.gate, holds) / np.bincount(hold, minlength=holds),
        hold_weight=hold_weight,
    )


def default_dead_time_sd(*, level: bool, slope: bool) -> np.ndarray:
    """Prior spread of δ's coefficients; zero for what the drive cannot show."""
    return np.array(DEAD_TIME_SD_MS) * np.array([level, level and slope, level and slope])
