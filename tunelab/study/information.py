"""What steady driving tells of the lambda error over a car's range, and what each further hold would add to it.

The uncertainty is the steady fit's own: its columns, its priors, the sizes and the noise that it chose. How far a
Gaussian posterior is spread depends on where was driven and for how long, not on what was measured there, so a hold can
be judged before it is driven. What the ECU's straight lines cannot follow of the curve stays whatever is driven; it
comes from the curve that the holds so far show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr
from scipy.linalg import cholesky
from threadpoolctl import threadpool_limits

from tunelab.physics.load import absolute_load
from tunelab.study.steady.blocks import calm_blocks
from tunelab.study.steady.fit import stated_delay
from tunelab.study.steady.joint import FIRST, Solution, base_weight, fit_joint, hold_variance, solve
from tunelab.study.steady.model import (
    FILM_S,
    MEDIAN,
    NAMES,
    Columns,
    Coordinate,
    Design,
    columns_of,
    coordinate_of,
    default_dead_time_sd,
    log_flow_in_force,
    moments_of,
)
from tunelab.study.steady.posterior import FREE_CURVE, SHOWN_WITHIN_MS, model_sd_ms, no_smoother
from tunelab.study.steady.samples import (
    ASSUMED_BATTERY_V,
    NothingToFit,
    log_air_fuelled,
    refer,
    smooth_dead_time,
)
from tunelab.study.steady.setting import beyond_lines
from tunelab.study.steady.unshown import too_little
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import MeterCurve, Revision

NEXT = "the next drive"  # session of what is yet to be driven
SETTLE_S = 2.0  # of a hold, until its steady seconds begin
USUAL_UNREST = 1.5  # of a hold, where none was driven yet: what steady drivers show in the fit's own measure
NOTHING = 1e-9  # weight of what was not driven
CONSUMERS_V = 0.9  # by which the battery voltage falls with all consumers on; common practice, no source
MANY = 12  # newest sessions that stand as they are; holds of earlier ones are put together where they lie close
CLOSE = {"reading": 0.004, "log_speed": 0.05, "battery_v": 0.3}  # the reading by share of its range
DRAWS = 400
ROUNDING = 1e-10  # share of the whole variance by which rounding may leave a covariance not quite one
# What a hold is kept by: means over its steady blocks, of its own revision, to be referred to any other.
# `log_lambda` is lambda as the fit takes it, by the injectors' pressure, the fuel's content and the ECU's law.
KEPT = ("start_s", "seconds", "reading", "log_speed", "battery_v", "pulse_width_ms", "log_pressure", "log_lambda",
        "slope", "speed_slope", *FILM_S, "unrest", "weight")  # fmt: skip
SURELY = 0.8  # the fit's own figure, from blocks in place of holds, came out up to 1.15 times the one here
UNKNOWN_SIZES = np.full(len(NAMES), np.nan)
FREE_DEAD_TIME_SD_MS = np.array([2.0, 0.5, 1e-3])  # as the fit's own question whether a drive tells dead time


@dataclass(frozen=True)
class CalmDrive:
    """What one session's log gives the steady fit, hold by hold."""

    holds: pd.DataFrame  # columns KEPT, one row per hold; empty where there is none
    sizes: np.ndarray  # log sizes that the fit chose, shape (sizes,); NaN where there was too little for it
    pressure_known: bool = True  # False: injector flow moves with a pressure that is not logged
    because: str = ""  # why there are no holds; empty where there are

    @property
    def seconds(self) -> float:
        """Steady seconds of all holds."""
        return float(self.holds["seconds"].sum())


def calm_drive(log: xr.Dataset, car: Car, own: Revision) -> CalmDrive:
    """Take from a flagged log, driven with revision `own`, what the steady fit would use of it.

    Raises
    ------
    ValueError
        The log was not flagged.
    """
    try:
        samples = refer(log, car, own, own)
        blocks = calm_blocks(samples, stated_delay(car))
    except NothingToFit as problem:
        return CalmDrive(pd.DataFrame(columns=KEPT, dtype=float), UNKNOWN_SIZES, because=str(problem))
    told = blocks["y"] - _ratio(blocks["log_open"], blocks["log_air"], blocks["log_speed"], car, own)
    blocks = blocks.assign(load=_load(blocks["log_air"], blocks["log_speed"], car), log_lambda=told, robust=1.0)
    sizes = UNKNOWN_SIZES
    if not too_little(blocks):
        reading = blocks["reading"].to_numpy()
        battery = float(blocks["battery_v"].mean())
        design = Design(blocks, coordinate_of(own.meter_curve, reading), own.meter_curve, battery)
        with threadpool_limits(limits=1):
            joint = fit_joint(design, default_dead_time_sd(level=True, slope=True), onsets=(FIRST,))  # as `known_from`
        sizes, blocks = joint.members[0].sizes, blocks.assign(robust=joint.weight)
    return CalmDrive(_pooled(blocks), sizes, samples.pressure_known)


def _pooled(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row for each hold: means, and the sums of seconds and weight."""
    if blocks.empty:
        return pd.DataFrame(columns=KEPT, dtype=float)
    blocks = blocks.assign(weight=base_weight(blocks) * blocks["robust"])
    by = blocks.groupby("hold", sort=True)
    means = by[[name for name in KEPT if name not in ("seconds", "weight")]].mean()
    return means.assign(seconds=by["seconds"].sum(), weight=by["weight"].sum())[list(KEPT)].reset_index(drop=True)


@dataclass(frozen=True)
class Places:
    """Operating points that are asked about or may be held, arrays of shape (places,)."""

    engine_speed_rpm: np.ndarray
    air_flow_kg_h: np.ndarray
    battery_v: np.ndarray

    def only(self, which: np.ndarray) -> Places:
        """Some of them."""
        return Places(self.engine_speed_rpm[which], self.air_flow_kg_h[which], self.battery_v[which])


@dataclass(frozen=True)
class Expected:
    """How far lambda may be off over places once the curve that follows from the drive is in."""

    p95_pct: float  # 95 of 100 places lie within it, as a rule
    lower_pct: float  # ends of its 95 % interval
    upper_pct: float
    table_pct: float  # of it the curve's straight lines leave so much, whatever is driven
    dead_time_ms: float  # half width of the dead time's 95 % interval, by contrasts within the drives alone


@dataclass(frozen=True)
class Knowledge:
    """Posterior covariance at places; each hold that is added makes it smaller.

    Arrays of shape (places, places); `error` is of log lambda at each place once all that is known is in the ECU,
    `across` of that with what a hold there would show, `seen` of what holds would show. The dead time's level [ms] is
    the last row of `free`, in which the curve may bend as it likes.

    The straight lines between the curve's breakpoints leave besides: `left`, of the curve as it is known, and what
    further holds find of that, of covariance `table`; `beyond` is its covariance with what a hold would show.
    """

    places: Places
    error: np.ndarray
    across: np.ndarray
    seen: np.ndarray
    free: np.ndarray  # shape (places + 1, places + 1)
    left: np.ndarray  # shape (places,)
    table: np.ndarray
    beyond: np.ndarray
    shared: np.ndarray  # variance of the error that the blocks of a hold share, shape (places,)
    block: float  # variance of one block's error
    held: np.ndarray  # reading and log opening time of the holds there are, for the model's own error, shape (holds, 2)
    rows: np.ndarray  # the same of each place
    coordinate: Coordinate
    curve: MeterCurve
    pressure_known: bool

    def noise(self, seconds: np.ndarray | float) -> np.ndarray:
        """Variance of what a hold of so many seconds would show at each place, shape (places,)."""
        return self.shared + self.block / np.maximum(seconds - SETTLE_S, 0.5)

    def gain(self, seconds: np.ndarray, asked: np.ndarray) -> np.ndarray:
        """Variance that a hold at each place takes from all places `asked` about, shape (places,).

        What it shows and straight lines cannot follow is not taken.
        """
        followed = (self.across[asked] ** 2 - self.beyond[asked] ** 2).sum(axis=0)
        return followed / (np.diag(self.seen) + self.noise(seconds))

    def dead_time_gain(self, seconds: np.ndarray) -> np.ndarray:
        """Variance that a hold at each place takes from the dead time's level [ms²], shape (places,)."""
        return self.free[-1, :-1] ** 2 / (np.diag(self.free)[:-1] + self.noise(seconds))

    def after(self, place: int, seconds: float) -> Knowledge:
        """What is known once a hold was driven at a place."""
        noise = float(self.noise(seconds)[place])
        share = self.across[:, place] / (self.seen[place, place] + noise)
        seen = self.seen[:, place] / (self.seen[place, place] + noise)
        free = self.free[:, place] / (self.free[place, place] + noise)
        beyond = self.beyond[:, place] / (self.seen[place, place] + noise)
        return replace(
            self,
            error=self.error - np.outer(share, self.across[:, place]),
            across=self.across - np.outer(share, self.seen[place]),
            seen=self.seen - np.outer(seen, self.seen[place]),
            free=self.free - np.outer(free, self.free[place]),
            table=self.table + np.outer(beyond, self.beyond[:, place]),
            beyond=self.beyond - np.outer(beyond, self.seen[place]),
            held=np.vstack([self.held, self.rows[place]]),
        )

    def expected(self, asked: np.ndarray) -> Expected:
        """How far lambda may be off over the places `asked` about, a mask of shape (places,)."""
        own = (self.error + self.table)[np.ix_(asked, asked)]
        root = cholesky(own + ROUNDING * np.trace(own) * np.eye(len(own)), lower=True)
        drawn = self.left[asked] + np.random.default_rng(1).normal(size=(DRAWS, len(own))) @ root.T
        p95 = np.quantile(np.abs(100 * np.expm1(drawn)), 0.95, axis=1, method="inverted_cdf")
        median, low, high = (float(value) for value in np.quantile(p95, [0.5, 0.025, 0.975]))
        lines = np.sqrt(np.quantile((self.left**2 + np.diag(self.table))[asked], 0.95, method="inverted_cdf"))
        return Expected(median, low, high, float(100 * np.expm1(lines)), 2 * self._dead_time_sd())

    def variance(self, asked: np.ndarray, *, lines: bool) -> float:
        """Variance over the places `asked` about, summed, and what straight `lines` leave with it."""
        left = self.left**2 + np.diag(self.table) if lines else 0.0
        return float(np.sum((np.diag(self.error) + left)[asked]))

    def followed(self) -> Knowledge:
        """The same for a curve of as many breakpoints as it takes."""
        return replace(self, left=np.zeros_like(self.left), table=np.zeros_like(self.table))

    def is_far_off(self, limit_pct: float, asked: np.ndarray) -> bool:
        """Whether every tenth of the places may be further off than a limit, so that nothing needs to be drawn."""
        spread = np.sqrt(np.maximum(np.diag(self.error)[asked], 0.0))
        return bool(100 * np.quantile(spread, 0.9) > limit_pct)

    @property
    def tells_dead_time(self) -> bool:
        """Whether the fit would surely show the dead time."""
        return self.pressure_known and self._dead_time_sd() <= SURELY * SHOWN_WITHIN_MS

    def _dead_time_sd(self) -> float:
        if len(self.held) < 2:
            return float("inf")
        holds = pd.DataFrame(self.held, columns=["reading", "log_open"])
        design = Design(holds, self.coordinate, self.curve, 0.0)
        return float(np.hypot(np.sqrt(self.free[-1, -1]), model_sd_ms(design)))


def known_from(drives: Sequence[CalmDrive], places: Places, car: Car, revision: Revision) -> Knowledge:
    """What sessions together tell of places, by a revision that all is referred to.

    Parameters
    ----------
    drives : sequence of CalmDrive
        One for each session, driven with whatever revision; none at all is allowed.
    places : Places
        Where lambda's error is asked about and where holds may be driven, at least one.
    car, revision
        The revision gives the curve that places the readings, and the dead times.
    """
    drives = [drive for drive in drives if len(drive.holds)]
    driven = [_referred(drive, number, car, revision) for number, drive in enumerate(drives)]
    if len(driven) > MANY:
        driven = [_put_together(pd.concat(driven[:-MANY], ignore_index=True)), *driven[-MANY:]]
    there = _rows_at(places, car, revision)
    holds = pd.concat([*driven, there], ignore_index=True)
    battery = float(np.average(holds["battery_v"], weights=holds["weight"]))
    coordinate = coordinate_of(revision.meter_curve, holds["reading"].to_numpy())
    design = Design(holds, coordinate, revision.meter_curve, battery)
    sizes = no_smoother(_sizes_of(drives))
    columns = columns_of(design, FIRST, np.zeros(3), default_dead_time_sd(level=True, slope=True))
    solution, here = _solution(design, sizes, columns), slice(len(holds) - len(there), None)
    root, shown = solution.root, columns.matrix[here]
    beyond, usual = beyond_lines(design, columns, there["reading"].to_numpy())
    free_sizes = sizes.copy()
    free_sizes[[NAMES.index(name) for name in FREE_CURVE]] = np.log(list(FREE_CURVE.values()))
    free_sd = columns.fixed_sd.copy()
    free_sd[columns.parts["dead_time"]] = FREE_DEAD_TIME_SD_MS
    free_root = _solution(design, free_sizes, replace(columns, fixed_sd=free_sd)).root
    by_free = np.vstack([shown @ free_root, free_root[columns.parts["dead_time"].start]])
    by_aim, by_shown = _as_asked(shown, columns.parts, design, len(driven)) @ root, shown @ root
    unrest = float(np.median(np.concatenate([own["unrest"] for own in driven[-MANY:]]))) if driven else USUAL_UNREST
    weight = np.full(len(there), 1.0 / unrest)
    return Knowledge(
        places=places,
        error=by_aim @ by_aim.T,
        across=by_aim @ by_shown.T,
        seen=by_shown @ by_shown.T,
        free=by_free @ by_free.T,
        left=usual + beyond @ solution.mean,
        table=np.zeros((len(there), len(there))),
        beyond=beyond @ root @ by_shown.T,
        shared=hold_variance(sizes, columns.gate[here], weight),
        block=float(np.exp(2 * sizes[NAMES.index("block")]) * unrest),
        held=holds[["reading", "log_open"]].to_numpy()[: here.start],
        rows=there[["reading", "log_open"]].to_numpy(),
        coordinate=coordinate,
        curve=revision.meter_curve,
        pressure_known=all(drive.pressure_known for drive in drives),
    )


def _sizes_of(drives: Sequence[CalmDrive]) -> np.ndarray:
    """Log sizes of the model: the mean of what the drives chose, each by its holds; the priors' medians without any."""
    chosen = [drive for drive in drives if np.isfinite(drive.sizes).all()]
    if not chosen:
        return MEDIAN
    return np.average([drive.sizes for drive in chosen], axis=0, weights=[len(drive.holds) for drive in chosen])


def _solution(design: Design, sizes: np.ndarray, columns: Columns) -> Solution:
    """The coefficients' posterior; holds that were not driven weigh nothing in it."""
    holds = design.blocks
    weight, each = holds["weight"].to_numpy(), 1.0 / holds["unrest"].to_numpy()
    moments = moments_of(columns, holds["y"].to_numpy(), np.arange(len(holds)), weight, each)
    with threadpool_limits(limits=1):
        return solve(sizes, columns, design, moments)


def _as_asked(rows: np.ndarray, parts: dict[str, slice], design: Design, sessions: int) -> np.ndarray:
    """Columns of lambda's error at places: without pulsation, which no curve takes out, and what one day reads.

    With one session the level is what lambda read that day, as in the fit.
    """
    asked = rows.copy()
    for name in ("pulsation", "session", "drift", "film"):
        asked[:, parts[name]] = 0.0
    if sessions <= 1:
        names = sorted(design.blocks["session"].unique())
        day = next((name for name in names if name != NEXT), NEXT)
        asked[:, parts["session"].start + names.index(day)] = 1.0
    return asked


def _referred(drive: CalmDrive, number: int, car: Car, revision: Revision) -> pd.DataFrame:
    """Holds by a revision: its flow at the readings, its dead time off the pulses."""
    holds = drive.holds
    opened = holds["pulse_width_ms"] - smooth_dead_time(revision.dead_time, holds["battery_v"].to_numpy())
    log_air = log_flow_in_force(revision.meter_curve, holds["reading"].to_numpy())
    own = holds.assign(log_open=np.log(np.maximum(opened, 1e-3)), log_air=log_air, session=f"session {number:04d}")
    y = own["log_lambda"] + _ratio(own["log_open"], own["log_air"], own["log_speed"], car, revision)
    return own.assign(y=y, load=_load(log_air, own["log_speed"], car))


def _put_together(holds: pd.DataFrame) -> pd.DataFrame:
    """Holds of many sessions that lie close as one each, so that hundreds of drives take no more than a few.

    Their own errors fall with their number; that of the day is taken as one for all, which is never too sure.
    """
    width = {"reading": max(float(np.ptp(holds["reading"])), 1e-9), "log_speed": 1.0, "battery_v": 1.0}
    by = holds.groupby([np.floor(holds[name] / (step * width[name])) for name, step in CLOSE.items()], sort=True)
    names = ["reading", "log_speed", "battery_v", "log_open", "y", "load", "slope", "speed_slope", *FILM_S]
    together = by[names].mean().assign(seconds=by["seconds"].sum(), weight=by["weight"].sum())
    together = together.assign(unrest=by["unrest"].mean() / by.size(), session="earlier sessions", start_s=0.0)
    return together.reset_index(drop=True)


def _rows_at(places: Places, car: Car, revision: Revision) -> pd.DataFrame:
    """What a hold at each place would be: the reading that the curve gives it, the pulse that the ECU would."""
    speed, flow = places.engine_speed_rpm, places.air_flow_kg_h
    log_air = np.log(flow)
    return pd.DataFrame(
        {
            "session": NEXT,
            "start_s": 0.0,
            "seconds": 0.0,
            "reading": reading_at(revision, flow),
            "log_speed": np.log(speed),
            "battery_v": places.battery_v,
            "log_open": log_air - log_air_fuelled(np.ones(flow.size), speed, car, revision),
            "y": 0.0,
            "load": _load(log_air, np.log(speed), car),
            "slope": 0.0,
            "speed_slope": 0.0,
            **dict.fromkeys(FILM_S, 0.0),
            "unrest": 1.0,
            "weight": NOTHING,
        }
    )


def reading_at(revision: Revision, flow_kg_h: np.ndarray) -> np.ndarray:
    """Reading at which a revision's curve gives an airflow; the curve's ends beyond."""
    flow = np.maximum.accumulate(np.asarray(revision.meter_curve.flow_kg_h, dtype=float))
    rising = np.append(True, np.diff(flow) > 0)
    return np.interp(flow_kg_h, flow[rising], np.asarray(revision.meter_curve.reading)[rising])


def usual_battery_v(drives: Sequence[CalmDrive]) -> float:
    """Battery voltage of most driving so far [V]; of a charging alternator where nothing was driven."""
    volts = [drive.holds["battery_v"].median() for drive in drives if len(drive.holds)]
    return float(np.median(volts)) if volts else ASSUMED_BATTERY_V


def _load(log_air: np.ndarray, log_speed: np.ndarray, car: Car) -> np.ndarray:
    share = absolute_load(np.exp(log_air), np.exp(log_speed), displacement_l=car.engine.displacement_l)
    return convert(share, "percent", "1")


def _ratio(log_open: pd.Series, log_air: pd.Series, log_speed: pd.Series, car: Car, revision: Revision) -> np.ndarray:
    """Log of the air that the fuel of the pulses needs at lambda 1, over the air that the meter gives."""
    return (
        log_air_fuelled(np.exp(log_open.to_numpy()), np.exp(log_speed.to_numpy()), car, revision) - log_air.to_numpy()
    )
