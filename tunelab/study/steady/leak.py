"""What a small exhaust leak would do to the curve: no steady log tells it from a meter that reads low at little air.

Air that leaks into the exhaust ahead of the lambda sensor is taken for air that the engine drew. The same flow is much
of the air at idle and little of it at speed, so the curve rises toward its low end as 1 over the air.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tunelab.study.steady.joint import Joint, Solution, base_weight, hold_weight, solve
from tunelab.study.steady.model import Columns, Design, log_flow_in_force, moments_of
from tunelab.study.steady.posterior import Posterior, curve_rows

HIDDEN = (
    0.12  # log units at the least air: a leak that a meter falling off there would hide; common practice, no source
)
MUCH = 4.0  # times the least air, from where a leak hardly shows
# Before a drive: share of self-built cars with a leak ahead of the sensor; its size is exponential with a mean of
# HIDDEN, in log units of the air at idle. Common practice, no source.
CHANCE = 0.05
CAM_CHANCE = 0.5  # with a long-overlap camshaft, whose fresh air in the exhaust reads the same
SIZES = np.linspace(0.0025, 0.7, 280)
# Filling by fuel and lambda at the least air over filling at much, of engines that do not leak: 95 of 100 lie between.
# Burnt gas that stays behind takes the place of air at idle. Common practice, no source.
HONEST_FILLING = (0.6, 0.95)
LEAST_SPAN = 4.0  # of the air that speed and manifold pressure offer, largest over least, to tell filling by
LEAST_CHANCE = 0.025  # a leak less likely than this is not worth a word, and a leak is shown when none is less likely
# Times by which the drive has to raise the odds of a leak for an interval to hold one; less is hardly worth a mention.
# Source: R. E. Kass and A. E. Raftery, "Bayes Factors", JASA 90 (1995) 773, section 3.2: positive from 3 on.
SPEAKS_FOR = 3.0
LARGEST_LEFT = 0.5  # log units of lean that may be left for a leak


def leak_allowance(
    log_flow: np.ndarray, log_factor: np.ndarray, at_log_flow: np.ndarray, *, suspected: bool = False
) -> np.ndarray:
    """How far below the fitted curve the true one may lie because of a leak that this log would not show.

    Parameters
    ----------
    log_flow, log_factor : array, shape (n,)
        Apparent air and log factor of the curve where it was measured; NaN elsewhere.
    at_log_flow : array, shape (m,)
        Apparent air at which it is wanted; below the least that was measured it is held.
    suspected : bool
        Only what the curve itself gives reason to suspect: without a rise nothing, else as much again hidden at most.

    Returns
    -------
    array, shape (m,)
        Log units, at least 0; all 0 where nothing was measured.

    Notes
    -----
    All of the curve's rise toward its least air may be a leak, over the level of the rest or over the straight line
    that the rest would go on with, and HIDDEN more behind a meter that falls off there.
    """
    known = np.isfinite(log_factor) & np.isfinite(log_flow)
    if not known.any():
        return np.zeros(np.shape(at_log_flow))
    least = log_flow[known].min()
    away = known & (log_flow >= least + np.log(MUCH))
    low = log_factor[known][np.argmin(log_flow[known])]
    rise = _rise(log_flow[away], log_factor[away], least, low)
    hidden = min(rise, HIDDEN) if suspected else HIDDEN
    share = -np.expm1(-(rise + hidden))  # of the apparent air there
    return -np.log1p(-share * np.exp(least - np.maximum(at_log_flow, least)))


def _rise(log_flow: np.ndarray, log_factor: np.ndarray, least: float, low: float) -> float:
    """How far the curve's low end stands above what the rest of it leads one to expect; 0 where below, or no rest."""
    if log_flow.size < 2 or np.ptp(log_flow) == 0:
        return 0.0
    _slope, level = np.polyfit(log_flow - least, log_factor, 1)
    return max(0.0, float(low - level), float(low - np.median(log_factor)))


@dataclass(frozen=True)
class LeakBelief:
    """What the drive says of a leak into the exhaust ahead of the lambda sensor, as a share of the least air."""

    chance: float  # that there is one, 0 to 1
    weight: np.ndarray  # of each of SIZES [log units at the least air], if there is one; sums to 1
    log_factor: np.ndarray  # by how much the curve lies lower for each log unit of leak, shape (grid,)
    dead_time_ms: np.ndarray  # the same of the dead-time error's coefficients, shape (3,)
    pulsation: np.ndarray  # the same of the two maps, shape (blocks,)
    local: np.ndarray
    because: str  # what shows it

    @property
    def possible(self) -> bool:
        """Whether it is worth a word."""
        return self.chance > LEAST_CHANCE

    @property
    def suspected(self) -> bool:
        """Whether the drive speaks for one, so that every interval holds it; else they are those without one."""
        return self.chance * (1 - CHANCE) >= SPEAKS_FOR * CHANCE * (1 - self.chance)

    @property
    def shown(self) -> bool:
        """Whether a 95 % interval of its size leaves none out."""
        return 1 - self.chance < LEAST_CHANCE

    @property
    def mean(self) -> float:
        """Expected size if there is one, log units at the least air."""
        return float(self.weight @ SIZES)

    def left_lean(self, error_now: np.ndarray, *, right: float) -> np.ndarray:
        """Least log lambda error, as it is read, to leave at each reading for a leak to make nothing worse.

        `error_now`, shape (grid,), is the log error as it is read now. With a leak the expected error is then no larger
        than it is now, or than `right`.
        """
        size = np.maximum(self.log_factor, 0.0)[:, None] * SIZES
        allowed = np.maximum(np.abs(error_now[:, None] - size) @ self.weight, right)
        steps = np.linspace(0.0, LARGEST_LEFT, 101)
        then = np.array([np.abs(left - size) @ self.weight for left in steps])
        fits = then <= allowed
        return steps[np.where(fits.any(axis=0), fits.argmax(axis=0), then.argmin(axis=0))]

    def between(self, error_now: np.ndarray) -> np.ndarray:
        """Log lambda error, as it is read, to leave at each reading: as it is now, up to that of the expected leak."""
        return np.clip(error_now, 0.0, self.mean * np.maximum(self.log_factor, 0.0))

    def drawn(self, count: int, chance: float) -> np.ndarray:
        """Sizes of `count` drives, in rising order: none for 1 - `chance` of them, else spread as `weight` says."""
        at = (np.arange(count) + 0.5) / count
        beyond = (at - (1 - chance)) / max(chance, 1e-12)
        return np.where(beyond > 0, np.interp(beyond, np.cumsum(self.weight), SIZES), 0.0)


def leak_belief(
    joint: Joint, posterior: Posterior, *, least_reading: float, unknown_dead_time_ms: float, chance: float = CHANCE
) -> LeakBelief:
    """Weigh by this drive whether air leaks into the exhaust, and how much.

    Parameters
    ----------
    joint : Joint
        The fit, which takes lambda as it was read.
    posterior : Posterior
        Its draws.
    least_reading : float
        Meter reading at the least air that the engine ran on, steady or not.
    unknown_dead_time_ms : float
        Standard deviation of a dead-time error that was held and not fitted; 0 where it was fitted.
    chance : float
        That there is one, before the drive.

    Notes
    -----
    Two things speak for or against a leak. The curve: the marginal likelihood of the same fit with a leak of each size
    taken out of lambda, against how smoothly meters go wrong. And, with manifold pressure, the filling of the cylinders
    by fuel and lambda, which a leak would raise toward idle, where honest engines fill less.
    """
    design, member, blocks = joint.design, joint.members[0], joint.design.blocks
    shape = _shape(design, posterior, least_reading)
    likelihood, solution = size_by_curve(joint, shape)
    apart = _contrast_per_ms(blocks["log_open"].to_numpy(), shape)
    spread = np.hypot(likelihood[1], unknown_dead_time_ms * apart)
    log_odds = _normal(SIZES, likelihood[0], spread) - _normal(0.0, likelihood[0], spread)
    ratio = _filling_ratio(joint, posterior)
    because = "the shape of the curve alone; manifold pressure would show more"
    if np.isfinite(ratio):
        middle, width = float(np.mean(np.log(HONEST_FILLING))), np.ptp(np.log(HONEST_FILLING)) / 4
        width = np.hypot(width, posterior.dead_time_ms[1:, 0].std() * apart)
        log_odds = log_odds + _normal(ratio - SIZES, middle, width) - _normal(ratio, middle, width)
        because = f"the shape of the curve, and near idle {np.exp(ratio):.2f} times the filling at high airflow"
    prior = np.exp(-SIZES / HIDDEN)
    weight = prior / prior.sum() * np.exp(log_odds)
    odds = chance / (1 - chance) * weight.sum()
    maps = curve_rows(design, member, posterior.reading)
    return LeakBelief(
        chance=float(odds / (1 + odds)),
        weight=weight / weight.sum(),
        log_factor=maps @ solution.mean,
        dead_time_ms=solution.mean[member.columns.parts["dead_time"]],
        pulsation=_part(member.columns, solution, "pulsation"),
        local=_part(member.columns, solution, "local"),
        because=because,
    )


def with_leak(posterior: Posterior, belief: LeakBelief, rng: np.random.Generator) -> Posterior:
    """Let the draws know of a leak by its chance, where the drive speaks for one.

    Where one is shown, the mean goes by lambda corrected for it.
    """
    if not belief.suspected:
        return posterior
    sizes = rng.permutation(belief.drawn(len(posterior.log_factor) - 1, belief.chance))
    mean = belief.chance * belief.mean if belief.shown else 0.0
    return _less(posterior, belief, np.append(mean, sizes))


@dataclass(frozen=True)
class Suspicion:
    """Both cases, where a leak is suspected and not shown."""

    belief: LeakBelief
    tight: Posterior  # without a leak
    leaking: Posterior  # with one


def suspicion_of(tight: Posterior, belief: LeakBelief, rng: np.random.Generator) -> Suspicion | None:
    """Give the draws without a leak and with one; None where the drive does not speak for one, or shows one."""
    if not belief.suspected or belief.shown:
        return None
    sizes = rng.permutation(belief.drawn(len(tight.log_factor) - 1, 1.0))
    return Suspicion(belief, tight, _less(tight, belief, np.append(belief.mean, sizes)))


def _less(posterior: Posterior, belief: LeakBelief, sizes: np.ndarray) -> Posterior:
    """Take a leak of a size out of every draw; one that is not taken out of the mean is not in its spread either."""
    size = sizes[:, None]
    return replace(
        posterior,
        log_factor=posterior.log_factor - size * belief.log_factor,
        log_factor_sd=np.hypot(posterior.log_factor_sd, sizes[1:].std() * np.abs(belief.log_factor) * (sizes[0] > 0)),
        dead_time_ms=posterior.dead_time_ms - size * belief.dead_time_ms,
        dead_time_cov=posterior.dead_time_cov + sizes[1:].var() * np.outer(belief.dead_time_ms, belief.dead_time_ms),
        pulsation=posterior.pulsation - size * belief.pulsation,
        local=posterior.local - size * belief.local,
    )


def _shape(design: Design, posterior: Posterior, least_reading: float) -> np.ndarray:
    """Log lambda that a leak of one log unit at the least air adds to each block: 1 over the air, shape (blocks,)."""
    reading = np.append(least_reading, design.blocks["reading"].to_numpy())
    air = log_flow_in_force(design.curve, reading) + np.interp(reading, posterior.reading, posterior.log_factor[0])
    return np.exp(air[0] - np.maximum(air[1:], air[0]))


def size_by_curve(joint: Joint, shape: np.ndarray) -> tuple[tuple[float, float], Solution]:
    """Mean and standard deviation of the size's likelihood, and the coefficients that a leak of one log unit takes.

    The log of the marginal likelihood is a parabola in the size, so three sizes tell it.
    """
    blocks, member = joint.design.blocks, joint.members[0]
    hold, weight = blocks["hold"].to_numpy(), base_weight(blocks) * joint.weight

    def solved(target: np.ndarray, columns: Columns) -> Solution:
        moments = moments_of(columns, target, hold, weight, hold_weight(blocks))
        return solve(member.sizes, columns, joint.design, moments)

    y, step = blocks["y"].to_numpy(), 0.1
    none, some, more = (solved(y - size * shape, member.columns).log_evidence for size in (0.0, step, 2 * step))
    bend = max(-(more - 2 * some + none) / step**2, 1e-6)
    slope = (some - none) / step + bend * step / 2
    alone = replace(member.columns, offset=np.zeros(len(blocks)))
    return (slope / bend, bend**-0.5), solved(shape, alone)


def _contrast_per_ms(log_open: np.ndarray, shape: np.ndarray) -> float:
    """Log units by which a dead time 1 ms off raises the least air against the rest."""
    return float(shape @ np.exp(-log_open) / shape.sum() - np.mean(np.exp(-log_open)))


def _filling_ratio(joint: Joint, posterior: Posterior) -> float:
    """Log of the filling at the least air over that at much, by fuel and lambda; NaN where it is not known."""
    blocks = joint.design.blocks
    offered = (np.log(blocks["pressure_ratio"]) + blocks["log_speed"]).to_numpy()
    known = np.isfinite(offered)
    if known.mean() < 0.95 or np.ptp(offered[known]) < np.log(LEAST_SPAN):
        return float("nan")
    columns, rest = joint.design.dead_time_columns(posterior.dead_time_ms[0])
    dead_time = columns @ posterior.dead_time_ms[0] + rest
    filling = blocks["y"].to_numpy() - dead_time + blocks["log_air"].to_numpy() - offered
    low, high = np.quantile(offered[known], [0.1, 0.5])
    return float(np.median(filling[offered <= low]) - np.median(filling[offered > high]))


def _normal(at: np.ndarray | float, mean: float, spread: float) -> np.ndarray | float:
    """Log of a normal density, up to a constant."""
    return -0.5 * ((at - mean) / spread) ** 2


def _part(columns: Columns, solution: Solution, name: str) -> np.ndarray:
    part = columns.parts[name]
    return columns.matrix[:, part] @ solution.mean[part]
