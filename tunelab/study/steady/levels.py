"""Does it hold: half against half, session against session, bank against bank, and lean at load as it was measured.

A sensor that drifts or steps, another fuel or a pressure regulator that sticks shifts all of lambda at once. The
joint fit takes small shifts into its session and drift terms; a large one spoils curve and dead time.

A lean mixture at load burns pistons and valves whether the meter, the injectors or the fuel pump make it. The joint
fit may explain it away; this does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import scipy

from tunelab.study.steady.curve import LEAST_SECONDS, interval_width, reach_seconds
from tunelab.study.steady.findings import APART_PCT
from tunelab.study.steady.joint import Joint, Member, base_weight, hold_weight, solve
from tunelab.study.steady.model import NAMES, Columns, columns_of, moments_of
from tunelab.study.steady.posterior import draw_posterior
from tunelab.study.steady.result import BankDifference, LeanAtLoad, Levels, LevelShift, SplitHalf
from tunelab.workspace.car import Car

HALF_HOLDS = 16
NOTHING = 1e-9  # weight of a block that is left out


def split_half(joint: Joint, reading: np.ndarray, dead_time_sd: np.ndarray) -> SplitHalf | None:
    """Fit the first halves of all drives and the second halves apart, with the sizes of the whole.

    Halves by time, so that a slow change shows; None if there are too few holds.
    """
    blocks = joint.design.blocks
    if blocks["hold"].max() + 1 < HALF_HOLDS:
        return None
    numbers = blocks.groupby("session")["hold"]
    second = (blocks["hold"] > (numbers.transform("min") + numbers.transform("max")) / 2).to_numpy()
    curves, spreads, dead_times = [], [], []
    for kept in (~second, second):
        posterior = draw_posterior(_refit(joint, kept, dead_time_sd), reading, np.random.default_rng(0))
        seconds = reach_seconds(replace(joint.design, blocks=joint.design.blocks[kept]), reading)
        curves.append(np.where(seconds >= LEAST_SECONDS / 2, posterior.log_factor[0], np.nan))
        spreads.append(posterior.log_factor_sd)
        dead_times.append(float(posterior.dead_time_ms[0, 0]) if dead_time_sd[0] > 0 else np.nan)
    both = np.isfinite(curves[0]) & np.isfinite(curves[1])
    apart = (curves[0] - curves[1])[both]
    return SplitHalf(
        reading=reading,
        factor_first=np.exp(curves[0]),
        factor_second=np.exp(curves[1]),
        dead_time_first_ms=dead_times[0],
        dead_time_second_ms=dead_times[1],
        difference_rms_pct=100 * float(np.sqrt(np.mean(apart**2))) if both.any() else np.nan,
        expected_rms_pct=100 * float(np.sqrt(np.mean((spreads[0] ** 2 + spreads[1] ** 2)[both])))
        if both.any()
        else np.nan,
    )


def _refit(joint: Joint, kept: np.ndarray, dead_time_sd: np.ndarray) -> Joint:
    """Posterior from the kept blocks alone, for the onset with most evidence."""
    blocks = joint.design.blocks
    member = joint.members[0]
    columns = columns_of(joint.design, member.onset, joint.dead_time_ms, dead_time_sd)
    weight = np.where(kept, base_weight(blocks) * joint.weight, NOTHING)
    hold = blocks["hold"].to_numpy()
    moments = moments_of(columns, blocks["y"].to_numpy(), hold, weight, hold_weight(blocks))
    solution = solve(member.sizes, columns, joint.design, moments)
    return replace(joint, members=(Member(1.0, member.onset, member.sizes, columns, solution),))


PARTS = 4  # of a session, of equal steady time
LEVEL_HOLDS = 16  # of a session, to be cut into parts
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
    blocks = joint.design.blocks
    names: list[str] = []
    part = np.zeros(len(blocks), dtype=int)
    for name, own in blocks.groupby("session", sort=False):
        count = PARTS if own["hold"].nunique() >= LEVEL_HOLDS else 1
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


def _apart(means: dict[str, np.ndarray], shift: Callable[[str, np.ndarray], LevelShift]) -> LevelShift | None:
    """The two sessions that lie furthest apart, the leaner less the other; None where there is but one."""
    pairs = [shift(f"{a} less {b}", means[a] - means[b]) for a in means for b in means if a != b]
    return max(pairs, key=lambda pair: pair.shift_pct, default=None)


# From here on a hold is at load: share of a filled cylinder (SAE J1979 absolute load), or manifold over barometric
# pressure. Common practice, no source.
LOADED = 0.55
LOADED_PRESSURE_RATIO = 0.7
LEAST_BLOCKS = 2  # steady blocks of about a second: one may be a gust of the wall film
LOADED_HOLDS = 5  # at load; fewer do not say that nothing at load is leaner
HOLD_SD_PCT = 0.4  # by which lambda differs from hold to hold, beside its noise; common practice, no source
NAN = float("nan")


def lean_at_load(blocks: pd.DataFrame | None) -> LeanAtLoad:
    """Find the leanest hold at load.

    Parameters
    ----------
    blocks : DataFrame or None
        The study's steady blocks, before any fit; `y` is NaN where the meter cannot be believed.

    Returns
    -------
    LeanAtLoad
        NaN values, and the reason, where no hold at load lasted; NaN ends where fewer than LEAST_HOLDS did.

    Notes
    -----
    Each hold counts twice: lambda over commanded as it was driven, and as it would be with the trims at zero (from the
    pulse width, by the revision that all is referred to). The leaner counts. The upper end is the highest of all holds
    at load, so that nothing at load is leaner than it says.
    """
    if blocks is None or blocks.empty:
        return _nothing("There is no steady driving.")
    loaded = blocks[(blocks["load"] >= LOADED) | (blocks["pressure_ratio"] >= LOADED_PRESSURE_RATIO)]
    count = loaded.groupby("hold")["y"].transform("size")
    loaded = loaded[count >= LEAST_BLOCKS]
    if loaded.empty:
        return _nothing(
            f"No hold at a load of {100 * LOADED:.0f} % or a manifold pressure of {100 * LOADED_PRESSURE_RATIO:.0f} % "
            f"of the barometer's lasted {LEAST_BLOCKS} steady seconds."
        )
    driven, free = _by_hold(loaded, loaded["driven"]), _by_hold(loaded, loaded["y"])
    if driven.empty and free.empty:
        return _nothing("Commanded lambda is not logged.")
    holds = pd.concat([driven.assign(as_driven=True), free.assign(as_driven=False)], ignore_index=True)
    worst = holds.loc[holds["mean"].idxmax()]
    own, many = loaded[loaded["hold"] == worst["hold"]], loaded["hold"].nunique() >= LOADED_HOLDS
    return LeanAtLoad(
        lean_pct=float(worst["mean"]),
        lower_pct=float(worst["mean"] - worst["reach"]) if many else NAN,
        upper_pct=float((holds["mean"] + holds["reach"]).max()) if many else NAN,
        as_driven=bool(worst["as_driven"]),
        engine_speed_rpm=float(np.exp(own["log_speed"].mean())),
        load=float(own["load"].mean()),
        session=str(own["session"].iloc[0]),
        start_s=float(own["start_s"].iloc[0]),
        holds=int(loaded["hold"].nunique()),
        seconds=float(loaded["seconds"].sum()),
        samples=int(loaded["samples"].sum()),
        because="",
    )


def _by_hold(loaded: pd.DataFrame, log_error: pd.Series) -> pd.DataFrame:
    """Mean error of each hold [%], positive lean, and half of its 95 % interval; the noise is that of all holds."""
    groups = (100 * np.expm1(log_error.dropna())).groupby(loaded["hold"])
    mean, count = groups.mean(), groups.size()
    free = float((count - 1).sum())
    within = np.sqrt(float((groups.var(ddof=1) * (count - 1)).sum()) / free) if free else NAN
    reach = scipy.special.stdtrit(max(free, 1.0), 0.975) * np.sqrt(within**2 / count + HOLD_SD_PCT**2)
    return pd.DataFrame({"hold": mean.index, "mean": mean.to_numpy(), "reach": reach.to_numpy()})


def _nothing(because: str) -> LeanAtLoad:
    return LeanAtLoad(NAN, NAN, NAN, False, NAN, NAN, "", NAN, 0, 0.0, 0, because)


BANK_HOLDS = 5


def bank_difference(blocks: pd.DataFrame, car: Car) -> BankDifference | None:
    """Difference of the sensors, hold by hold; None where there is no second one or it was hardly read."""
    placement = car.lambda_sensor.second
    both = blocks[np.isfinite(blocks["log_lambda_2"])]
    if placement == "none" or both["hold"].nunique() < BANK_HOLDS:
        return None
    apart = 100 * (both["log_lambda_2"] - both["log_lambda_1"]).groupby(both["hold"]).mean().to_numpy()
    half = float(scipy.special.stdtrit(apart.size - 1, 0.975) * apart.std(ddof=1) / np.sqrt(apart.size))
    mean = float(apart.mean())
    clear = abs(mean) > half
    if placement == "same pipe":
        disagrees = abs(mean) > APART_PCT
        because = f"Two sensors in one pipe read {mean:+.1f} % apart; up to {APART_PCT:g} % is common."
    else:
        disagrees = clear
        side = "leaner" if mean > 0 else "richer"
        because = f"The second bank reads {abs(mean):.1f} % {side}; the fit uses the mean of both banks."
        because = (
            because if clear else f"The banks do not differ by more than the interval; up to {APART_PCT:g} % is common."
        )
    return BankDifference(placement, mean, mean - half, mean + half, len(both), disagrees, because)
