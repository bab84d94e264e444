"""The joint model of a table's cells, dead time, charge temperature and drift, on the holds of steady driving.

y of a hold = log of the true air over the table's = what the cells around it are off, by the table's own interpolation
+ a share of what straight lines leave of a smooth surface − log(1 − δ(battery) / open) + charge temperature + film +
session + drift + an error of the hold + noise. Each term is linear in its coefficients but for the cells and δ, which
are linearised about their last values.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import scipy
from scipy.linalg import cho_factor, cho_solve, cholesky

from tunelab.physics.load import Surface
from tunelab.study.steady.joint import FREEDOM, base_weight, hold_weight
from tunelab.study.steady.model import (
    CONSTANT_SD,
    FILM_SD_S,
    SCALLOP_MEAN_SD,
    Coordinate,
    Design,
    matern,
    matern_by_log_scale,
)
from tunelab.workspace.revision import AIR_ITSELF

# What the data choose, each with a wide log-normal prior: median and spread of the logarithm.
CHOSEN = {
    "broad": (0.08, 0.7),  # size of the table's smooth error, log units
    "speed_scale": (0.6, 0.5),  # its length in log engine speed
    "load_scale": (0.5, 0.5),  # its length along the load axis, of which the table is 1
    "narrow": (0.006, 0.8),  # size of its error from cell to cell, each by itself
    "hold": (0.003, 0.8),  # error of a hold that does not shrink with its length
    "drift": (0.0015, 0.5),  # slow course within a session
    "session": (0.003, 0.5),  # one offset per session
}
NAMES = tuple(CHOSEN)
MEDIAN = np.log([median for median, _ in CHOSEN.values()])
SPREAD = np.array([spread for _, spread in CHOSEN.values()])
REACH = 3.0  # spreads within which the sizes are looked for
CHARGE_SD = 0.1  # of the coolant's weight in the charge temperature; common practice, no source
STEPS, ROUNDS = 25, 3  # of the search for sizes; of linearising and weighing anew
SMOOTHER = (1.0, 1.1, 1.3, 2.0, 4.0)  # times the scatter that a smooth surface is sought with
LEAST_NOISE = 0.001  # log units, of a block: no sensor is better


@dataclass(frozen=True)
class Holds:
    """The evidence hold by hold, arrays of shape (holds, ·), in the order driven."""

    blocks: pd.DataFrame
    surface: Surface
    table: np.ndarray  # in force, shape (cells,)
    target: np.ndarray  # mean y of each hold
    noise: np.ndarray  # variance of its mean by the scatter of its blocks, shape (holds,)
    unrest: np.ndarray  # how many times a still hold's variance the hold's own has
    share: np.ndarray  # blocks to holds, shape (holds, blocks)
    at: np.ndarray  # share of each cell in each block, shape (blocks, cells)
    design: Design = field(repr=False)

    @property
    def seconds(self) -> np.ndarray:
        """Steady driving by cell, each second shared by the cells around it, shape (cells,). [s]"""
        return self.blocks["seconds"].to_numpy() @ self.at

    @property
    def hold_count(self) -> np.ndarray:
        """Holds that touched each cell with a twentieth of their weight or more, shape (cells,)."""
        return ((self.share @ self.at) >= 0.05).sum(axis=0)


_NO_CURVE = Coordinate(np.zeros(0), np.zeros(0))


def holds_of(blocks: pd.DataFrame, surface: Surface, table: np.ndarray, reference_v: float) -> Holds:
    """Put blocks together hold by hold."""
    hold, weight = blocks["hold"].to_numpy(), base_weight(blocks)
    count = int(hold.max()) + 1
    share = np.zeros((count, hold.size))
    share[hold, np.arange(hold.size)] = weight
    total = share.sum(axis=1)
    share /= total[:, None]
    y = blocks["y"].to_numpy()
    left = y - (share @ y)[hold]
    free = max(hold.size - count, 1)
    block_sd = max(float(np.sqrt(np.sum(weight * left**2) / free)), LEAST_NOISE)
    at = surface.weights(np.exp(blocks["log_speed"].to_numpy()), blocks["reading"].to_numpy())
    return Holds(
        blocks=blocks,
        surface=surface,
        table=np.asarray(table, dtype=float).ravel(),
        target=share @ y,
        noise=block_sd**2 / total,
        unrest=1.0 / hold_weight(blocks),
        share=share,
        at=at,
        design=Design(blocks, _NO_CURVE, AIR_ITSELF, reference_v),  # the cells stand in the curve's place
    )


def own_pull(holds: Holds) -> np.ndarray:
    """Pull of the coolant's weight on each block, less what is usual in its cells, shape (blocks,).

    What a wrong charge temperature does to a cell whenever it is driven is the cell's own error, and goes in with it.
    """
    pull = holds.blocks["charge_pull"].to_numpy()
    usual = (pull @ holds.at) / np.maximum(holds.at.sum(axis=0), 1e-9)
    return pull - holds.at @ usual


def load_place(surface: Surface, load: np.ndarray) -> np.ndarray:
    """Place along the load axis, 0 to 1: the owner's breakpoints lie close where the filling bends."""
    return np.interp(load, surface.load, np.linspace(0.0, 1.0, len(surface.load)))


def scallop(surface: Surface, table: np.ndarray, speed: np.ndarray, load: np.ndarray, *, rough: float) -> np.ndarray:
    """How far a smooth surface along the cells lies off the straight lines between them, log units, shape (places,).

    `rough` is by how much cells scatter about it [log units]: what one cell is off bends no engine.
    """
    rows = surface.shape[0]
    at_load, at_speed = np.linspace(0.0, 1.0, rows), np.log(surface.engine_speed_rpm)
    smooth = smooth_surface(at_load, at_speed, np.log(table.reshape(surface.shape)), rough)
    inside = np.clip(speed, surface.engine_speed_rpm[0], surface.engine_speed_rpm[-1])
    fine = smooth(load_place(surface, load), np.log(inside), grid=False)
    return fine - np.log(surface.at(speed, load, np.exp(smooth(at_load, at_speed))))


def smooth_surface(
    at_load: np.ndarray, at_speed: np.ndarray, log_table: np.ndarray, rough: float
) -> scipy.interpolate.RectBivariateSpline:
    """Smoothing spline through a table whose cells scatter by `rough` about it.

    The search for the spline with just that scatter now and then goes round in circles; a little more of it is found.
    """
    degree = {"kx": min(3, at_load.size - 1), "ky": min(3, at_speed.size - 1)}
    wanted = rough**2 * log_table.size
    for more in (*SMOOTHER, np.inf):
        try:
            s = wanted * more if np.isfinite(more) else float(np.sum(log_table**2)) + 1.0  # the plain polynomial
            return scipy.interpolate.RectBivariateSpline(at_load, at_speed, log_table, **degree, s=s, maxit=100)
        except ValueError:
            continue
    raise ValueError(
        "no smooth surface can be laid through the table; look for a value that lies far from its neighbours."
    )


@dataclass(frozen=True)
class Solved:
    """Posterior of cells and dead time: Gaussian, about the values that the model was linearised at."""

    holds: Holds
    sizes: np.ndarray  # log sizes that the evidence chose
    cell: np.ndarray  # log of true over in-force value, shape (cells,)
    dead_time_ms: np.ndarray  # level, per volt, per volt squared, shape (3,); 0 where held
    covariance: np.ndarray  # of both together, shape (cells + 3, cells + 3)
    prior_sd: np.ndarray  # of a cell before the drive, beyond the constant, shape (cells,)
    rough: float  # scatter of the cells about a smooth surface, log units
    scallop: float  # share of what straight lines leave of a smooth surface
    charge: float  # error of the coolant's weight
    constant: tuple[float, float]  # log of the mean error of the cells driven, and its standard deviation
    fitted: np.ndarray  # of each hold
    weight: np.ndarray  # robust, of each hold, 0 to 1
    log_evidence: float

    @property
    def cell_sd(self) -> np.ndarray:
        """Standard deviation of each cell, shape (cells,)."""
        return np.sqrt(np.diag(self.covariance)[: self.cell.size])

    def draws(self, rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Draws of cells and dead time, the first of them the mean: shapes (count, cells) and (count, 3)."""
        root = cholesky(self.covariance + 1e-12 * np.eye(len(self.covariance)), lower=True)
        both = rng.normal(size=(count - 1, len(root))) @ root.T
        both = np.vstack([np.zeros(len(root)), both]) + np.append(self.cell, self.dead_time_ms)
        return both[:, : self.cell.size], both[:, self.cell.size :]


def solve_cells(
    holds: Holds, dead_time_sd: np.ndarray, *, sizes: np.ndarray | None = None, extra: np.ndarray | None = None
) -> Solved:
    """Fit the cells, linearised about what was found until nothing moves.

    Parameters
    ----------
    holds : Holds
        The evidence.
    dead_time_sd : array, shape (3,)
        Prior spread of the dead-time error's coefficients: level [ms], per volt, per volt squared; zero holds one at
        nothing.
    sizes : array, optional
        Log sizes to keep; without them the evidence chooses.
    extra : array, shape (holds, n), optional
        Further columns with a wide prior, such as the halves of a drive.
    """
    cell, dead, robust = np.zeros(holds.table.size), np.zeros(3), np.ones(holds.target.size)
    chosen, start = sizes is None, MEDIAN if sizes is None else sizes
    for _ in range(ROUNDS):
        work = _Linear.of(holds, cell, dead, dead_time_sd, robust, extra, _rough(start))
        start = _best_sizes(work, start) if chosen else start
        solved = _posterior(work, start)
        cell, dead, robust = solved.cell, solved.dead_time_ms, _robust(work, start)
    return replace(solved, weight=robust)


def _rough(sizes: np.ndarray) -> float:
    return float(np.exp(sizes[NAMES.index("narrow")]))


@dataclass(frozen=True)
class _Linear:
    """The model about one set of cells and dead-time coefficients."""

    holds: Holds
    target: np.ndarray  # less what is not a column's
    cells: np.ndarray  # columns, shape (holds, cells)
    fixed: np.ndarray  # columns of what has a prior of its own
    fixed_sd: np.ndarray
    fixed_mean: np.ndarray
    drift: np.ndarray
    session: np.ndarray
    robust: np.ndarray
    about: np.ndarray  # cells that it was linearised about

    @classmethod
    def of(
        cls,
        holds: Holds,
        cell: np.ndarray,
        dead: np.ndarray,
        dead_time_sd: np.ndarray,
        robust: np.ndarray,
        extra: np.ndarray | None,
        rough: float,
    ) -> _Linear:
        blocks, share = holds.blocks, holds.share
        now = holds.at * holds.table
        then = now * np.exp(cell)
        columns = then / then.sum(axis=1, keepdims=True)
        bent = np.log(then.sum(axis=1) / now.sum(axis=1)) - columns @ cell
        speed, load = np.exp(blocks["log_speed"].to_numpy()), blocks["reading"].to_numpy()
        curved = scallop(holds.surface, holds.table * np.exp(cell), speed, load, rough=rough)
        volts, rest = holds.design.dead_time_columns(dead)
        columns_of = [curved[:, None], volts, blocks[["slope", "speed_slope"]].to_numpy(), own_pull(holds)[:, None]]
        sd = [SCALLOP_MEAN_SD[1], *dead_time_sd, *FILM_SD_S, CHARGE_SD]
        fixed, mean = share @ np.hstack(columns_of), np.zeros(len(sd))
        mean[0] = SCALLOP_MEAN_SD[0]
        if extra is not None:
            fixed, sd, mean = (
                np.hstack([fixed, extra]),
                [*sd, *[0.1] * extra.shape[1]],
                np.pad(mean, (0, extra.shape[1])),
            )
        target = holds.target - share @ (bent + rest)
        return cls(
            holds, target, share @ columns, fixed, np.array(sd), mean, share @ holds.design.drift_columns,
            share @ holds.design.session_columns, robust, cell,
        )  # fmt: skip


def _kernels(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """Distances of the cells in log engine speed and along the load axis, shape (cells, cells) each."""
    speed, load = surface.cells.T
    log_speed, place = np.log(speed), load_place(surface, load)
    return np.abs(log_speed[:, None] - log_speed), np.abs(place[:, None] - place)


def cell_covariance(sizes: np.ndarray, surface: Surface) -> np.ndarray:
    """Prior covariance of the cells' errors beyond the constant, shape (cells, cells)."""
    size = dict(zip(NAMES, np.exp(sizes), strict=True))
    by_speed, by_load = _kernels(surface)
    broad = matern(by_speed, size["speed_scale"]) * matern(by_load, size["load_scale"])
    return size["broad"] ** 2 * broad + size["narrow"] ** 2 * np.eye(len(broad))


def _noise(work: _Linear, hold_size: float) -> np.ndarray:
    return (work.holds.noise + hold_size**2 * work.holds.unrest) / work.robust


def _parts(work: _Linear, sizes: np.ndarray) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Covariance of the holds, and its derivative by each log size."""
    size = dict(zip(NAMES, np.exp(sizes), strict=True))
    by_speed, by_load = _kernels(work.holds.surface)
    speed, load = matern(by_speed, size["speed_scale"]), matern(by_load, size["load_scale"])
    cells, square = work.cells, size["broad"] ** 2
    slope = {
        "broad": 2 * square * cells @ (speed * load) @ cells.T,
        "speed_scale": square * cells @ (matern_by_log_scale(by_speed, size["speed_scale"]) * load) @ cells.T,
        "load_scale": square * cells @ (speed * matern_by_log_scale(by_load, size["load_scale"])) @ cells.T,
        "narrow": 2 * size["narrow"] ** 2 * cells @ cells.T,
        "hold": np.diag(2 * size["hold"] ** 2 * work.holds.unrest / work.robust),
        "drift": 2 * size["drift"] ** 2 * work.drift @ work.drift.T,
        "session": 2 * size["session"] ** 2 * work.session @ work.session.T,
    }
    whole = sum(slope[name] for name in ("broad", "narrow", "drift", "session")) / 2
    whole = whole + CONSTANT_SD**2 + (work.fixed * work.fixed_sd**2) @ work.fixed.T
    return whole + np.diag(_noise(work, size["hold"])), slope


def _log_evidence(work: _Linear, sizes: np.ndarray) -> tuple[float, np.ndarray]:
    """Log evidence with the priors of the sizes, and its slope.

    Source: C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), equations 5.8, 5.9.
    """
    whole, slopes = _parts(work, sizes)
    factor = cho_factor(whole, lower=True)
    left = work.target - work.fixed @ work.fixed_mean
    pull = cho_solve(factor, left)
    inverse = cho_solve(factor, np.eye(left.size))
    value = -0.5 * left @ pull - np.log(np.diag(factor[0])).sum() - 0.5 * np.sum(((sizes - MEDIAN) / SPREAD) ** 2)
    slope = [0.5 * (pull @ slopes[name] @ pull - np.sum(inverse * slopes[name])) for name in NAMES]
    return float(value), np.array(slope) - (sizes - MEDIAN) / SPREAD**2


def _best_sizes(work: _Linear, start: np.ndarray) -> np.ndarray:
    def cost(sizes: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = _log_evidence(work, sizes)
        return -value, -slope

    bounds = list(zip(MEDIAN - REACH * SPREAD, MEDIAN + REACH * SPREAD, strict=True))
    best = scipy.optimize.minimize(
        cost, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": STEPS, "ftol": 1e-7}
    )
    return best.x


def _posterior(work: _Linear, sizes: np.ndarray) -> Solved:
    whole, _ = _parts(work, sizes)
    factor = cho_factor(whole, lower=True)
    prior = cell_covariance(sizes, work.holds.surface)
    count = len(prior)
    spread = work.fixed_sd**2
    # Cells (with the constant) and what has a prior of its own, before the drive and as the holds see them.
    reach = np.vstack([(prior + CONSTANT_SD**2) @ work.cells.T, spread[:, None] * work.fixed.T])
    before = scipy.linalg.block_diag(prior + CONSTANT_SD**2, np.diag(spread))
    left = work.target - work.fixed @ work.fixed_mean
    mean = np.append(np.zeros(count), work.fixed_mean) + reach @ cho_solve(factor, left)
    covariance = before - reach @ cho_solve(factor, reach.T)
    dead = np.arange(count + 1, count + 4)
    kept = np.append(np.arange(count), dead)
    fitted = work.holds.target - work.target + work.cells @ mean[:count] + work.fixed @ mean[count:]
    weight = work.holds.seconds / work.holds.seconds.sum()
    constant = float(weight @ mean[:count]), float(np.sqrt(weight @ covariance[:count, :count] @ weight))
    return Solved(
        holds=work.holds,
        sizes=sizes,
        cell=mean[:count],
        dead_time_ms=mean[dead],
        covariance=covariance[np.ix_(kept, kept)],
        prior_sd=np.sqrt(np.diag(prior)),
        rough=_rough(sizes),
        scallop=float(mean[count]),
        charge=float(mean[count + 6]),
        constant=constant,
        fitted=fitted,
        weight=work.robust,
        log_evidence=_log_evidence(work, sizes)[0],
    )


def extra_of(
    work: Holds, solved: Solved, dead_time_sd: np.ndarray, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients of further columns fitted freely beside the cells, and their covariance; the sizes stay."""
    linear = _Linear.of(
        work, solved.cell, solved.dead_time_ms, dead_time_sd, solved.weight, columns, _rough(solved.sizes)
    )
    whole, _ = _parts(linear, solved.sizes)
    factor, spread = cho_factor(whole, lower=True), linear.fixed_sd**2
    reach = spread[:, None] * linear.fixed.T
    left = linear.target - linear.fixed @ linear.fixed_mean
    mean = reach @ cho_solve(factor, left)
    covariance = np.diag(spread) - reach @ cho_solve(factor, reach.T)
    last = slice(-columns.shape[1], None)
    return mean[last], covariance[last, last]


def _robust(work: _Linear, sizes: np.ndarray) -> np.ndarray:
    """Weight of each hold under noise with heavy tails, from what all others say of it.

    Source: K. L. Lange, R. J. A. Little and J. M. G. Taylor, "Robust statistical modeling using the t distribution",
    JASA 84 (1989) 881; left-one-out residuals as in Rasmussen and Williams (2006), equation 5.12.
    """
    whole, _ = _parts(work, sizes)
    inverse = np.linalg.inv(whole)
    left = work.target - work.fixed @ work.fixed_mean
    off = (inverse @ left) / np.sqrt(np.diag(inverse))
    return np.clip((FREEDOM + 1) / (FREEDOM + off**2), 0.0, 1.0)
