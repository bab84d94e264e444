"""What the study of a table found, and the lambda error with a table and dead times in the ECU."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
import scipy

from tunelab.channels import channel
from tunelab.physics.fuel import dead_time_at
from tunelab.physics.load import Surface
from tunelab.study.filling.model import Holds, Solved, scallop
from tunelab.study.finding import Finding, shows_its_table, status_within
from tunelab.study.steady.findings import shared_findings
from tunelab.study.steady.prediction import FULL_CELL, LEAST_OPEN_MS
from tunelab.study.steady.result import (
    BankDifference,
    DeadTimeError,
    LambdaError,
    LeanAtLoad,
    Levels,
    OverallConstant,
    SplitHalf,
)
from tunelab.study.steady.samples import smooth_dead_time
from tunelab.workspace.car import Car
from tunelab.workspace.revision import DeadTime, Revision, surface_of

Basis = Literal["measured", "extended", "unchanged"]


@dataclass(frozen=True)
class Visited:
    """Places of steady driving, one for each block; arrays of shape (places,)."""

    engine_speed_rpm: np.ndarray
    load: np.ndarray  # the table's own axis
    absolute_load: np.ndarray  # share of a filled cylinder (SAE J1979)
    battery_v: np.ndarray
    log_open: np.ndarray  # log of the opening time as it was driven [ms]
    log_meant: np.ndarray  # the same as the ECU means it with the reference in force and trims at zero
    hold: np.ndarray
    seconds: np.ndarray
    unexplained: np.ndarray  # log units: what the fit leaves of its hold beyond the noise of its blocks


@dataclass(frozen=True)
class Draws:
    """Joint draws of the posterior, the first of them its mean."""

    cell: np.ndarray  # log of true over in-force value, shape (draws, cells)
    dead_time_ms: np.ndarray  # off the smooth table in force: level, per volt, per volt squared, shape (draws, 3)
    unknown_ms: np.ndarray  # level that the drive cannot separate from the cells, shape (draws,); 0 where it is known
    scallop: np.ndarray  # share of what straight lines between the cells leave of a smooth surface, shape (draws,)
    rough: float  # scatter of the cells about that surface, log units
    reference_v: float


@shows_its_table
@dataclass(frozen=True)
class FillingFit:
    """Joint fit of a table's cells and the injectors' dead time from steady driving."""

    reference: str  # revision that all is referred to
    sessions: tuple[str, ...]
    confidence: float
    method: str
    load_channel: str
    cells: pd.DataFrame
    """One row per cell of the table: `engine_speed_rpm`, the load (`manifold_kpa` or `throttle_pct`), `in_force`,
    `factor, factor_lower, factor_upper` (true over in-force value, NaN where `basis` is `unchanged`), `seconds` of
    steady driving (each second shared by the cells around it), `holds`, `basis`."""
    key: str  # what the table holds: efficiency_pct or air_mg
    dead_time: DeadTimeError
    constant: OverallConstant
    before: LambdaError
    predicted: LambdaError  # after the whole correction, without caps
    banks: BankDifference | None
    levels: Levels | None
    lean_at_load: LeanAtLoad | None
    blocks: pd.DataFrame
    """One row per steady block: `session, hold, start_s, seconds, samples, engine_speed_rpm`, the load,
    `absolute_load, battery_v, pulse_width_ms, air_flow_kg_h, lambda_measured, lambda_commanded, error_pct, fitted_pct,
    residual_pct, weight`."""
    notes: tuple[str, ...]
    samples_used: int
    samples_flagged: int
    because: str = ""  # why no fit was made; empty where there is one
    visited: Visited | None = field(default=None, repr=False)
    draws: Draws | None = field(default=None, repr=False)
    covariance: np.ndarray | None = field(default=None, repr=False)  # of the cells, for the plan
    prior: np.ndarray | None = field(default=None, repr=False)  # of the cells, as their sizes were found
    split_half: SplitHalf | None = None  # the halves are compared by their level alone

    @property
    def evidence(self) -> tuple[Visited, Draws]:
        """Places driven and draws of the posterior; ValueError with the reason where no fit was made."""
        if self.visited is None or self.draws is None:
            raise ValueError(f"No fit of the table was made: {self.because}")
        return self.visited, self.draws

    def summary(self, proposed: LambdaError | None = None) -> pd.DataFrame:
        """One row per estimate: value, lower, upper, unit, seconds. NaN where not shown."""
        dead, flat = self.dead_time, self.constant
        told = {"lambda error now": self.before, "lambda error predicted": proposed}
        rows = [row for name, error in told.items() if error is not None for row in _error_rows(name, error)]
        rows += [
            *_error_rows("lambda error with the whole correction at once", self.predicted),
            ("dead-time error", dead.level_ms, dead.lower_ms, dead.upper_ms, "ms"),
            ("dead-time error per volt", dead.slope_ms_v, dead.slope_lower_ms_v, dead.slope_upper_ms_v, "ms V⁻¹"),
            ("overall constant", flat.factor, flat.lower, flat.upper, "1"),
        ]
        table = pd.DataFrame(rows, columns=["estimate", "value", "lower", "upper", "unit"]).set_index("estimate")
        return table.assign(seconds=float(self.blocks["seconds"].sum()))

    def findings(self, car: Car) -> list[Finding]:
        """Hold the result against the owner's limits; missing evidence is `not_shown`."""
        return [*shared_findings(self, car), _table_finding(self, car)]


def _error_rows(name: str, error: LambdaError) -> list[tuple]:
    return [
        (f"{name}, 95 % of cells below", error.p95_pct, error.lower_pct, error.upper_pct, "%"),
        (f"{name}, worst hold", error.worst_pct, error.worst_lower_pct, error.worst_upper_pct, "%"),
    ]


def _table_finding(fit: FillingFit, car: Car) -> Finding:
    """Largest measured error of a cell, against what one revision may change."""
    limit, known = car.limits.meter_change_max_pct, fit.cells[fit.cells["basis"] == "measured"]
    about: dict[str, Any] = {"id": "steady.table", "title": "Largest error of a cell of the table", "unit": "%"}
    about |= {"limit": limit, "samples_used": fit.samples_used, "samples_flagged": fit.samples_flagged}
    if known.empty:
        because = fit.because or "No cell of the table has enough steady driving."
        return Finding(
            **about, value=None, lower=None, upper=None, confidence=None, status="not_shown", because=because
        )
    worst = known.loc[np.log(known["factor"]).abs().idxmax()]
    value, lower, upper = (100 * (worst[name] - 1) for name in ("factor", "factor_lower", "factor_upper"))
    ends = 100 * (known["factor_lower"].min() - 1), 100 * (known["factor_upper"].max() - 1)
    unit = channel(fit.load_channel).shown_unit
    more = "more" if value >= 0 else "less"
    because = (
        f"At {worst['engine_speed_rpm']:.0f} rpm and {worst[fit.load_channel]:.4g} {unit} the engine takes "
        f"{abs(value):.1f} % {more} air than the table says; over the {len(known)} cells that were driven the interval "
        f"runs from {ends[0]:+.1f} to {ends[1]:+.1f} %. One revision may change a cell by {limit:g} %."
    )
    return Finding(
        **about, value=float(value), lower=float(lower), upper=float(upper), confidence=fit.confidence,
        status=status_within(value, *ends, least=-limit, most=limit), because=because,
    )  # fmt: skip


def error_draws(
    places: Visited, draws: Draws, base: Revision, *, change: np.ndarray | None = None,
    dead_time: DeadTime | None = None,
) -> np.ndarray:  # fmt: skip
    """Log of lambda over commanded at each place, shape (draws, places).

    Parameters
    ----------
    places, draws
        From the fit.
    base : Revision
        The reference.
    change : array, shape (cells,), optional
        Log of the entered over the in-force value of each cell; none: as in force.
    dead_time : DeadTime, optional
        The dead times that go in with it; none: as in force.

    Notes
    -----
    What the drive cannot tell of the dead time acts only where the pulse comes out longer or shorter than it was.
    """
    surface, table = surface_of(base.air_table), base.air_table.values.ravel()
    at = surface.weights(places.engine_speed_rpm, places.load)
    now = at @ table
    then = now if change is None else at @ (table * np.exp(change))
    true = (table * np.exp(draws.cell)) @ at.T
    mean = table * np.exp(draws.cell[0])
    bend = draws.scallop[:, None] * scallop(surface, mean, places.engine_speed_rpm, places.load, rough=draws.rough)
    entered = entered_ms(places.battery_v, base, dead_time)
    volts = (places.battery_v - draws.reference_v)[:, None] ** np.arange(3)
    was, opened = np.exp(places.log_open), np.exp(places.log_meant) * then / now
    told = draws.dead_time_ms @ volts.T
    unknown = draws.unknown_ms[:, None]
    fuel = np.log(np.maximum(opened + entered - told - unknown, LEAST_OPEN_MS) / opened)
    hidden = np.log(np.maximum(was - unknown, LEAST_OPEN_MS) / was)  # stands in the cells already
    return np.log(true / then) + bend + places.unexplained - (fuel - hidden)


def entered_ms(battery_v: np.ndarray, base: Revision, dead_time: DeadTime | None) -> np.ndarray:
    """Dead time that the ECU uses, by its straight lines, less the smooth curve of the reference. [ms]"""
    table = dead_time or base.dead_time
    return dead_time_at(battery_v, table.battery_v, table.dead_time_ms) - smooth_dead_time(base.dead_time, battery_v)


def shift_of(places: Visited, draws: Draws, base: Revision, dead_time: DeadTime | None = None) -> np.ndarray:
    """What dead times that go in add to the correction of every cell, log units, shape (cells,)."""
    return shift_draws(places, draws, base, dead_time)[0]


def shift_draws(places: Visited, draws: Draws, base: Revision, dead_time: DeadTime | None = None) -> np.ndarray:
    """Draws of what `shift_of` gives, the first of them the mean's, shape (draws, cells).

    At the voltage of the driven places around each cell, at that of the whole drive where none is; the injectors open
    there in proportion to the air that the table means.
    """
    surface, table = surface_of(base.air_table), base.air_table
    at = surface.weights(places.engine_speed_rpm, places.load)
    by_load = table.key == "efficiency_pct" and table.load_key == "manifold_kpa"
    value = table.values.ravel()
    per_air = places.log_meant + at @ draws.cell[0] - np.log(at @ value * (places.load if by_load else 1.0))
    near = at.T + 0.01 / places.load.size
    near /= near.sum(axis=1, keepdims=True)
    opened = np.exp(near @ per_air) * value * (surface.cells[:, 1] if by_load else 1.0)
    volts = (places.battery_v - draws.reference_v)[:, None] ** np.arange(3)
    off = near @ entered_ms(places.battery_v, base, dead_time) - draws.dead_time_ms @ (near @ volts).T
    return -np.log(np.maximum(1 + off / opened, 0.2))


def predict_error(
    places: Visited, draws: Draws, car: Car, base: Revision, *, change: np.ndarray | None = None,
    dead_time: DeadTime | None = None,
) -> LambdaError:  # fmt: skip
    """Size of the lambda error over the places driven, each rectangle of the table alike; its interval by the draws."""
    error = 100 * np.expm1(error_draws(places, draws, base, change=change, dead_time=dead_time))
    cell = rectangle(surface_of(base.air_table), places)
    weight = 1.0 / np.maximum(np.bincount(cell)[cell], FULL_CELL)
    p95, median = (_quantile(np.abs(error[1:]), weight, share) for share in (0.95, 0.5))
    likeliest = _quantile(np.abs(error[:1]), weight, 0.95)[0]  # whatever is not known only adds to the draws' size
    worst = _worst(error[0], places.hold)
    hold = error[:, worst].mean(axis=1)
    return LambdaError(
        p95_pct=float(np.median(p95)),
        lower_pct=float(min(np.quantile(p95, 0.025), likeliest)),
        upper_pct=float(np.quantile(p95, 0.975)),
        median_pct=float(np.median(median)),
        worst_pct=float(hold[0]),
        worst_reading=float(places.load[worst].mean()),
        worst_speed_rpm=float(places.engine_speed_rpm[worst].mean()),
        worst_load=float(places.absolute_load[worst].mean()),
        seconds=float(places.seconds.sum()),
        worst_lower_pct=float(min(hold[0], np.quantile(hold[1:], 0.025))),
        worst_upper_pct=float(max(hold[0], np.quantile(hold[1:], 0.975))),
        cells=int(np.unique(cell).size),
    )


def predict_next_drive(
    places: Visited, draws: Draws, car: Car, base: Revision, *, change: np.ndarray, dead_time: DeadTime, day_sd: float
) -> LambdaError:
    """Size of the lambda error once a table is in, its interval wide enough for what the next drive will measure, too.

    The next drive measures no better than this one, on a day with a level of its own (`day_sd`, log units), and drives
    other rectangles of the table: each weighs at random as in a Bayesian bootstrap with twice its variance, as in the
    study of a car with an air meter (`steady/prediction.py`).
    """
    now = predict_error(places, draws, car, base, change=change, dead_time=dead_time)
    error = error_draws(places, draws, base, change=change, dead_time=dead_time)
    rng, count = np.random.default_rng(1), len(error) - 1
    noise = (error - error[0])[1:]
    day = day_sd * rng.normal(size=(count, 1))
    measured = np.abs(np.expm1(error[1:] + day + noise[rng.permutation(count)]))
    _, cell = np.unique(np.asarray(rectangle(surface_of(base.air_table), places)), return_inverse=True)
    weight = rng.gamma(0.5, size=(count, cell.max() + 1))[:, cell] / np.maximum(np.bincount(cell)[cell], FULL_CELL)
    sizes = [100 * _quantile(one[None], own, 0.95)[0] for one, own in zip(measured, weight, strict=True)]
    lower, upper = np.quantile(sizes, [0.025, 0.975])
    return replace(now, lower_pct=min(now.lower_pct, float(lower)), upper_pct=max(now.upper_pct, float(upper)))


def rectangle(surface: Surface, places: Visited) -> np.ndarray:
    """Number of the rectangle between four breakpoints that each place lies in, shape (places,)."""
    column = np.digitize(places.engine_speed_rpm, surface.engine_speed_rpm[1:-1])
    return np.digitize(places.load, surface.load[1:-1]) * len(surface.engine_speed_rpm) + column


def _quantile(values: np.ndarray, weight: np.ndarray, share: float) -> np.ndarray:
    """Smallest value of each row that `share` of the weight does not pass, shape (rows,)."""
    order = np.argsort(values, axis=1)
    reached = np.cumsum(weight[order], axis=1) / weight.sum()
    first = np.argmax(reached >= share - 1e-12, axis=1)
    return np.take_along_axis(values, np.take_along_axis(order, first[:, None], axis=1), axis=1)[:, 0]


def _worst(error: np.ndarray, hold: np.ndarray) -> np.ndarray:
    holds, which = np.unique(hold, return_inverse=True)
    mean = np.bincount(which, error, holds.size) / np.bincount(which)
    return np.flatnonzero(which == int(np.argmax(np.abs(mean))))


MEASURED_S, MEASURED_PCT = 1.5, 2.5  # steady seconds, and half interval [%], from which a cell counts as measured
EXTENDED_SHARE = 0.5  # of its spread before the drive, below which an undriven cell is known from its neighbours
FURTHER = 1.2  # ... and again where only its neighbours tell of it
FAR = 2.5  # breakpoints from any driven place, beyond which nothing is said: a smooth course is too sure there
NAN = float("nan")
LEVEL_UNKNOWN = (
    "A table over engine speed and load and a dead time cannot be separated: at one cell the pulse is always about as "
    "long, so a dead time that is off by the same amount everywhere is an error of the table. The table's correction "
    "holds with the dead times as they are."
)


def hidden_of(solved: Solved, unknown_ms: float) -> np.ndarray:
    """What an unknown dead time adds to each cell's spread, log units, shape (cells,).

    It stands in the cell's own error at the opening that was driven; the corrected table opens for longer or shorter.
    """
    holds = solved.holds
    weight = holds.at * holds.blocks["seconds"].to_numpy()[:, None]
    total = np.maximum(weight.sum(axis=0), 1e-9)
    was, meant = (np.exp(holds.blocks[name].to_numpy()) for name in ("log_open", "log_meant"))
    apart = (1 / was) @ weight / total - (1 / meant) @ weight / total * np.exp(-solved.cell)
    known = holds.seconds > MEASURED_S / 10
    return unknown_ms * np.abs(np.where(known, apart, 0.0))


def steps_from_driven(holds: Holds, surface: Surface) -> np.ndarray:
    """How many breakpoints each cell lies from the nearest steady block, shape (cells,)."""
    speed, load = np.exp(holds.blocks["log_speed"].to_numpy()), holds.blocks["reading"].to_numpy()
    axes = (surface.engine_speed_rpm, surface.load)
    (own, there) = (
        np.column_stack([np.interp(p, axis, np.arange(len(axis))) for p, axis in zip(place, axes, strict=True)])
        for place in (surface.cells.T, (speed, load))
    )
    return np.sqrt(((own[:, None] - there) ** 2).sum(axis=2)).min(axis=1)


def cells_of(solved: Solved, load_key: str, surface: Surface, hidden: np.ndarray, shift: np.ndarray) -> pd.DataFrame:
    """Every cell with its error, interval, evidence and basis; `shift` by draws with the cells, see `shift_draws`."""
    speed, load = surface.cells.T
    sd, seconds = np.hypot(shift[1:].std(axis=0), hidden), solved.holds.seconds
    half = 100 * 1.96 * sd
    prior = np.hypot(solved.prior_sd, 0.02)
    measured = (seconds >= MEASURED_S) & (half <= MEASURED_PCT)
    away = steps_from_driven(solved.holds, surface)
    extended = ~measured & (sd <= EXTENDED_SHARE * prior) & (away <= FAR)
    basis = np.select([measured, extended], ["measured", "extended"], "unchanged")
    sd = np.where(measured, sd, FURTHER * np.sqrt(np.maximum(away, 1.0)) * sd)
    ends = np.exp(shift[0] + np.array([0.0, -1.96, 1.96])[:, None] * sd)
    known = np.where(basis == "unchanged", NAN, 1.0)
    return pd.DataFrame({
        "engine_speed_rpm": speed, load_key: load, "in_force": solved.holds.table,
        "factor": ends[0] * known, "factor_lower": ends[1] * known, "factor_upper": ends[2] * known,
        "seconds": seconds, "holds": solved.holds.hold_count, "basis": basis,
    })  # fmt: skip


def dead_time_of(solved: Solved, shown: tuple[bool, bool], base: Revision, reference_v: float) -> DeadTimeError:
    """Dead-time error as the steady study gives it; the level at the mean voltage is the table's where not shown."""
    spread = np.sqrt(np.diag(solved.covariance)[-3:])
    z = float(scipy.stats.norm.ppf(0.975))
    level, per_volt = (
        (float(m), float(m - z * s), float(m + z * s)) if ok else (NAN, NAN, NAN)
        for m, s, ok in zip(solved.dead_time_ms[:2], spread[:2], shown, strict=True)
    )
    low, high = np.quantile(solved.holds.blocks["battery_v"], [0.01, 0.99])
    span = f"The battery voltage ran from {low:.1f} to {high:.1f} V"
    slope = f"{span} in steady driving." if shown[1] else (
        f"{span}: too little to show a change with voltage. Hold one speed with lights, fan and heater off and on."
    )  # fmt: skip
    battery = np.asarray(base.dead_time.battery_v, dtype=float)
    apart = np.clip(battery, low - 1.0, high + 1.0) - reference_v
    powers = apart[:, None] ** np.arange(3)
    change = powers @ solved.dead_time_ms
    own = np.einsum("ij,jk,ik->i", powers, solved.covariance[-3:, -3:], powers)
    away = np.maximum(np.maximum(low - battery, battery - high), 0.0)
    sd = np.hypot(np.sqrt(np.maximum(own, 0.0)), 0.04 * away)
    any_shown = shown[0] or shown[1]
    basis = np.where(away <= 0.3, "measured", "extended") if any_shown else np.full(battery.size, "unchanged")
    rows = pd.DataFrame({
        "battery_v": battery, "dead_time_in_force_ms": np.asarray(base.dead_time.dead_time_ms, dtype=float),
        "change_ms": change if any_shown else NAN, "change_lower_ms": change - z * sd if any_shown else NAN,
        "change_upper_ms": change + z * sd if any_shown else NAN, "basis": basis,
    })  # fmt: skip
    because = "The pulse of one cell was driven at lengths that differ enough." if shown[0] else LEVEL_UNKNOWN
    return DeadTimeError(
        shown[0], because, shown[1], slope, *level, *per_volt, reference_v, (float(low), float(high)), rows
    )


def blocks_of(blocks: pd.DataFrame, load_key: str, holds: Holds | None, solved: Solved | None) -> pd.DataFrame:
    """The steady blocks as the result keeps them, one row a block."""
    plain = blocks[["session", "hold", "start_s", "seconds", "samples"]].assign(**{
        "engine_speed_rpm": np.exp(blocks["log_speed"]), load_key: blocks["reading"],
        "absolute_load": blocks["load"], "battery_v": blocks["battery_v"], "pulse_width_ms": blocks["pulse_width_ms"],
        "air_flow_kg_h": np.exp(blocks["log_air"]), "lambda_measured": np.exp(blocks["log_lambda"]),
        "lambda_commanded": blocks["lambda_commanded"], "error_pct": 100 * np.expm1(blocks["y"]),
    })  # fmt: skip
    if solved is None:
        return plain.assign(fitted_pct=NAN, residual_pct=NAN, weight=NAN)
    hold = blocks["hold"].to_numpy()
    fitted = solved.fitted[hold]
    return plain.assign(
        fitted_pct=100 * np.expm1(fitted), residual_pct=100 * (blocks["y"] - fitted), weight=solved.weight[hold]
    )
