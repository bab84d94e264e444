"""Joint posterior of the steady fit as draws, and what the drive can separate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from tunelab.study.steady.joint import Joint, Member, base_weight, curve_covariance, hold_weight, solve
from tunelab.study.steady.model import (
    MEDIAN,
    NAMES,
    SCALLOP_MEAN_SD,
    Columns,
    Design,
    columns_of,
    hat_matrix,
    moments_of,
)

DRAWS = 300
LAMBDA_SLOPE_SD = 0.01  # a wide-band sensor's scale away from lambda 1 is good to about 1 %; common practice, no source
QUANTITIES = ("log_factor", "dead_time", "pulsation", "local")


@dataclass(frozen=True)
class Posterior:
    """Draws of what was fitted; the first row of each array is the posterior mean. Logarithms are natural."""

    reading: np.ndarray  # grid of meter readings, shape (grid,)
    log_factor: np.ndarray  # log of true flow over current flow, shape (draws, grid)
    log_factor_sd: np.ndarray  # its posterior standard deviation, free of the chance of drawing, shape (grid,)
    dead_time_ms: np.ndarray  # error off the smooth table: level at the reference voltage, per V, per V², (draws, 3)
    dead_time_cov: np.ndarray  # posterior covariance of these, shape (3, 3)
    pulsation: np.ndarray  # log of true flow over what the corrected curve says, at each block, shape (draws, blocks)
    local: np.ndarray  # smooth error over speed and load that neither curve nor dead time explains, (draws, blocks)
    leak: np.ndarray | None = None  # how far lower the curve lies if its rise to little air is an exhaust leak, (grid,)
    session_sd: float = 0.0  # by which lambda's level differs from one drive to the next, log units
    sessions: int = 1  # that it rests on


def draw_posterior(joint: Joint, reading: np.ndarray, rng: np.random.Generator, *, level_sd: float = 0.0) -> Posterior:
    """Draw from the mixture over the pulsation's onset, each member in proportion to its share.

    Beyond the visited readings the curve goes on as its own smoothness leads one to expect, and spreads accordingly.
    `level_sd`, log units, is a doubt of the curve's whole level that the fit does not know of.
    """
    shares = np.array([member.share for member in joint.members])
    beyond = [_Beyond.of(joint.design, member, reading) for member in joint.members]
    maps = [_maps(joint.design, m.columns, reading, b) for m, b in zip(joint.members, beyond, strict=True)]
    means = {
        name: np.array(
            [own[name] @ m.solution.mean + own[f"{name}_at"] for own, m in zip(maps, joint.members, strict=True)]
        )
        for name in QUANTITIES
    }
    normals = [rng.normal(size=(m.solution.mean.size, max(1, round(m.share * DRAWS)))) for m in joint.members]
    lean = lambda_lean(joint.design, reading)
    drawn = {}
    for name in QUANTITIES:
        parts = [
            mean + (own[name] @ m.solution.root @ normal).T
            for own, m, mean, normal in zip(maps, joint.members, means[name], normals, strict=True)
        ]
        drawn[name] = np.vstack([shares @ means[name], *parts])
    more = [b.root @ rng.normal(size=(b.root.shape[1], n.shape[1])) for b, n in zip(beyond, normals, strict=True)]
    drawn["log_factor"][1:] += np.hstack(more).T
    drawn["log_factor"][1:] += LAMBDA_SLOPE_SD * rng.normal(size=(len(drawn["log_factor"]) - 1, 1)) * lean
    if level_sd > 0:
        drawn["log_factor"][1:] += level_sd * rng.normal(size=(len(drawn["log_factor"]) - 1, 1))
    spread = _mixture_covariance(joint, maps, means["log_factor"], shares, "log_factor", diagonal=True)
    spread = spread + sum(share * np.sum(b.root**2, axis=1) for share, b in zip(shares, beyond, strict=True))
    return Posterior(
        reading=reading,
        log_factor=drawn["log_factor"],
        log_factor_sd=np.sqrt(spread + (LAMBDA_SLOPE_SD * lean) ** 2 + level_sd**2),
        dead_time_ms=drawn["dead_time"],
        dead_time_cov=_mixture_covariance(joint, maps, means["dead_time"], shares, "dead_time", diagonal=False),
        pulsation=drawn["pulsation"],
        local=drawn["local"],
        session_sd=_session_sd(joint),
        sessions=joint.design.session_columns.shape[1],
    )


def _session_sd(joint: Joint) -> float:
    """By how much lambda's level differs from drive to drive: offset and slow course together, log units."""
    at = [NAMES.index("session"), NAMES.index("drift")]
    return float(sum(m.share * np.hypot(*np.exp(m.sizes[at])) for m in joint.members))


@dataclass(frozen=True)
class _Beyond:
    """The curve at readings beyond its nodes, by its covariance: mean from the nodes, and what stays unknown."""

    outside: np.ndarray  # which readings, shape (readings,)
    mean: np.ndarray  # from the nodes' values, shape (outside, nodes)
    root: np.ndarray  # of the covariance that the nodes leave, shape (readings, outside); 0 inside

    @classmethod
    def of(cls, design: Design, member: Member, reading: np.ndarray) -> _Beyond:
        place, nodes, sizes = design.coordinate.at(reading), design.nodes, no_smoother(member.sizes)
        outside = (place < nodes[0]) | (place > nodes[-1])
        at, root = place[outside], np.zeros((reading.size, outside.sum()))
        across = curve_covariance(sizes, at[:, None] - nodes)
        within = curve_covariance(sizes, nodes[:, None] - nodes) + 1e-7 * np.eye(nodes.size)
        mean = cho_solve(cho_factor(within), across.T).T
        left = curve_covariance(sizes, at[:, None] - at) - mean @ across.T
        value, vector = np.linalg.eigh((left + left.T) / 2)
        root[outside] = vector * np.sqrt(np.maximum(value, 0.0))
        return cls(outside, mean, root)


def no_smoother(sizes: np.ndarray) -> np.ndarray:
    """Log sizes under which a curve bends at least as much as curves usually do.

    That it ran smoothly where it was seen does not promise that it goes on so where it was not.
    """
    usual = dict(zip(NAMES, MEDIAN, strict=True))
    bounds = {"broad": (usual["broad"], np.inf), "broad_scale": (-np.inf, usual["broad_scale"])}
    low, high = np.array([bounds.get(name, (-np.inf, np.inf)) for name in NAMES]).T
    return np.clip(sizes, low, high)


def _maps(design: Design, columns: Columns, reading: np.ndarray, beyond: _Beyond) -> dict[str, np.ndarray]:
    """Matrices from the coefficients to each quantity, and (`_at`) what is added."""
    parts, size = columns.parts, columns.matrix.shape[1]
    curve = np.zeros((reading.size, size))
    nodes = hat_matrix(design.nodes, design.coordinate.at(reading))
    nodes[beyond.outside] = beyond.mean
    curve[:, parts["curve"]] = nodes
    curve[:, parts["constant"]] = 1.0
    scallop = design.scallop_at(reading)
    curve[:, parts["scallop"]] = scallop[:, None]
    if design.session_columns.shape[1] == 1:  # one session: the level is what lambda read that day
        curve[:, parts["session"]] = 1.0
    dead_time = np.zeros((3, size))
    dead_time[:, parts["dead_time"]] = np.eye(3)
    found = {"log_factor": curve, "log_factor_at": SCALLOP_MEAN_SD[0] * scallop}
    found |= {"dead_time": dead_time, "dead_time_at": columns.held_ms}
    for name in ("pulsation", "local"):
        matrix = np.zeros_like(columns.matrix)
        matrix[:, parts[name]] = columns.matrix[:, parts[name]]
        found |= {name: matrix, f"{name}_at": np.zeros(len(matrix))}
    return found


def curve_rows(design: Design, member: Member, reading: np.ndarray) -> np.ndarray:
    """Matrix from a member's coefficients to the curve's log factor at readings, shape (readings, coefficients)."""
    return _maps(design, member.columns, reading, _Beyond.of(design, member, reading))["log_factor"]


def _mixture_covariance(
    joint: Joint, maps: list[dict], means: np.ndarray, shares: np.ndarray, name: str, *, diagonal: bool
) -> np.ndarray:
    """Covariance (or its diagonal) of the mixture: mean of the members' plus that of their means."""
    apart = means - shares @ means
    total = (shares @ apart**2) if diagonal else (apart.T * shares) @ apart
    for own, member in zip(maps, joint.members, strict=True):
        root = own[name] @ member.solution.root
        total = total + member.share * (np.sum(root**2, axis=1) if diagonal else root @ root.T)
    return total


def with_misplaced_reading(posterior: Posterior, misplaced: float, rng: np.random.Generator) -> Posterior:
    """Let the draws know that the curve may belong to readings that lie off the logged ones by a factor.

    The pulses are not the ECU's law of the logged reading: it may be the reading that is off, or it may not.
    """
    if misplaced == 0:
        return posterior
    there = np.array(
        [np.interp(posterior.reading * np.exp(-misplaced), posterior.reading, r) for r in posterior.log_factor]
    )
    apart = there - posterior.log_factor
    share = np.append(0.0, rng.uniform(0.0, 1.0, len(apart) - 1))[:, None]
    spread = np.hypot(posterior.log_factor_sd, np.abs(apart[0]) / np.sqrt(3.0))
    return replace(posterior, log_factor=posterior.log_factor + share * apart, log_factor_sd=spread)


def with_unknown_dead_time(
    posterior: Posterior, design: Design, spread_ms: float, rng: np.random.Generator
) -> Posterior:
    """Let the draws know of a doubt of the dead-time error that the fit does not know of, of a standard deviation.

    It was held and not fitted, or the model may be off from one opening time to another, which no number of blocks
    makes smaller. Curve and dead time move against one another, so that lambda stays where was driven and opens
    elsewhere.
    """
    drawn = rng.normal(0.0, spread_ms, size=len(posterior.log_factor) - 1)
    per_ms = local_mean(
        design.coordinate.at(design.blocks["reading"].to_numpy()),
        np.exp(-design.blocks["log_open"]),
        design.coordinate.at(posterior.reading),
    )
    factor, dead_time = posterior.log_factor.copy(), posterior.dead_time_ms.copy()
    factor[1:] -= drawn[:, None] * per_ms
    dead_time[1:, 0] += drawn
    spread = np.hypot(posterior.log_factor_sd, spread_ms * per_ms)
    covariance = posterior.dead_time_cov + np.diag([spread_ms**2, 0.0, 0.0])
    return replace(posterior, log_factor=factor, dead_time_ms=dead_time, log_factor_sd=spread, dead_time_cov=covariance)


def lambda_lean(design: Design, reading: np.ndarray) -> np.ndarray:
    """Mean log lambda that was measured about each reading: what an error of the sensor's scale would act upon."""
    place = design.coordinate.at(reading)
    return local_mean(design.coordinate.at(design.blocks["reading"].to_numpy()), design.blocks["log_lambda"], place)


def local_mean(at: np.ndarray, values: np.ndarray, wanted: np.ndarray, *, width: float = 0.04) -> np.ndarray:
    """Gaussian-weighted mean of values about wanted places; far from all of them, the nearest one's value."""
    exponent = -0.5 * ((wanted[:, None] - at) / width) ** 2
    weight = np.exp(exponent - exponent.max(axis=1, keepdims=True))
    return weight @ np.asarray(values) / weight.sum(axis=1)


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
