"""Whether lambda kept its level: from the first half of a drive to the second, and from session to session.

A sensor that drifts or steps, another fuel or a pressure regulator that sticks shifts all of lambda at once. The joint
fit takes small shifts into its session and drift terms; a large one spoils curve and dead time.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tunelab.study.steady.curve import interval_width
from tunelab.study.steady.evidence import NAMES, Columns, columns_of, moments_of
from tunelab.study.steady.joint import Joint, base_weight
from tunelab.study.steady.result import Levels, LevelShift
from tunelab.study.steady.solution import solve

PARTS = 4  # of a session, of equal steady time
LEAST_HOLDS = 16  # of a session, to be cut into parts
FREE_SD = 0.1  # log units, of a part's level: wide against what sensors do
ALMOST_NOTHING = np.log(1e-5)  # log size of a term that is left out


def level_course(joint: Joint, dead_time_sd: np.ndarray) -> Levels:
    """Level of lambda in the parts of every session, fitted freely beside curve and dead time.

    Parameters
    ----------
    joint : Joint
        The fit; its curve, dead time and pulsation are fitted anew beside the levels, with their sizes.
    dead_time_sd : array, shape (3,)
        Prior spread of the dead-time error's coefficients, as for the fit.

    Returns
    -------
    Levels
        Without halves where no session has LEAST_HOLDS holds, and without sessions where there is but one.
    """
    names, part = _parts(joint)
    level, root = _free_levels(joint, part, dead_time_sd)
    width = interval_width(joint)

    def shift(session: str, contrast: np.ndarray) -> LevelShift:
        value, spread = float(contrast @ level), float(np.linalg.norm(contrast @ root))
        return LevelShift(session, *(float(100 * np.expm1(value + k * spread)) for k in (0.0, -width, width)))

    own = {name: np.flatnonzero(names == name) for name in dict.fromkeys(names)}
    means = {name: np.bincount(at, minlength=len(names)) / at.size for name, at in own.items()}
    everything = np.mean(list(means.values()), axis=0)
    halves = [shift(name, _second_less_first(at, len(names))) for name, at in own.items() if at.size > 1]
    sessions = [shift(name, mean - everything) for name, mean in means.items()] if len(own) > 1 else []
    courses = [100 * float(np.ptp(level[at])) for at in own.values()]
    between = 100 * float(np.ptp([mean @ level for mean in means.values()]))
    return Levels(tuple(halves), tuple(sessions), _apart(means, shift), max(courses), between)


def level_doubt(levels: Levels) -> float:
    """Standard deviation of the curve's level that its shifts leave, log units.

    Half of the way from the lowest to the highest, so that 95 % reach both: from session to session, from half to half
    and, where lambda moved within a drive, from quarter to quarter.
    """
    halves = max((abs(half.shift_pct) for half in levels.halves), default=0.0)
    within = levels.course_pct if levels.moved_within else halves
    return max(within, levels.between_pct) / 2 / 100


def _parts(joint: Joint) -> tuple[np.ndarray, np.ndarray]:
    """Session of each part, shape (parts,), and the part of each block, shape (blocks,), in the order of driving."""
    blocks, names = joint.design.blocks, []
    part = np.zeros(len(blocks), dtype=int)
    for name, own in blocks.groupby("session", sort=False):
        count = PARTS if own["hold"].nunique() >= LEAST_HOLDS else 1
        rank = own["start_s"].rank(method="first").to_numpy() - 1
        part[(blocks["session"] == name).to_numpy()] = len(names) + (rank * count // len(own)).astype(int)
        names += [str(name)] * count
    return np.array(names), part


def _free_levels(joint: Joint, part: np.ndarray, dead_time_sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Log level of each part, and the root of its covariance, with the session and drift terms left out."""
    member, blocks = joint.members[0], joint.design.blocks
    columns = _with_levels(columns_of(joint.design, member.onset, joint.dead_time_ms, dead_time_sd), part)
    hold = blocks["hold"].to_numpy()
    weight = base_weight(blocks) * joint.weight
    moments = moments_of(columns, blocks["y"].to_numpy(), hold, weight, np.ones(hold.max() + 1))
    theta = member.sizes.copy()
    theta[[NAMES.index("session"), NAMES.index("drift")]] = ALMOST_NOTHING
    solution = solve(theta, columns, joint.design, moments)
    return solution.mean[columns.parts["level"]], solution.root[columns.parts["level"]]


def _with_levels(columns: Columns, part: np.ndarray) -> Columns:
    """Add an indicator of each part."""
    indicator = np.eye(part.max() + 1)[part]
    before = columns.matrix.shape[1]
    return replace(
        columns,
        matrix=np.hstack([columns.matrix, indicator]),
        parts=columns.parts | {"level": slice(before, before + indicator.shape[1])},
        fixed_sd=np.append(columns.fixed_sd, np.full(indicator.shape[1], FREE_SD)),
    )


def _second_less_first(at: np.ndarray, count: int) -> np.ndarray:
    contrast = np.zeros(count)
    half = at.size // 2
    contrast[at[half:]], contrast[at[:half]] = 1 / (at.size - half), -1 / half
    return contrast


def _apart(means: dict[str, np.ndarray], shift) -> LevelShift | None:
    """The two sessions that lie furthest apart, the leaner less the other; None where there is but one."""
    pairs = [shift(f"{a} less {b}", means[a] - means[b]) for a in means for b in means if a != b]
    return max(pairs, key=lambda pair: pair.shift_pct, default=None)
