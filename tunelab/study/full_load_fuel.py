"""Fuel at full load over engine speed: what is left to correct once meter and injectors are put right."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.table_air import inlet_of
from tunelab.study.filling import FillingFit, TableProposal
from tunelab.study.finding import Finding, Status, shows_its_table, status_within
from tunelab.study.fuel_supply import CHANNELS, OTHER_TABLE, acts_in_part, at_readings, supply_doubts
from tunelab.study.full_throttle.mixture import Mixture
from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in
from tunelab.study.high_flow import ERROR_OF_A_PULL, ERROR_OF_PULLS, HighFlow
from tunelab.study.proposal import Proposal
from tunelab.study.steady import SteadyFit
from tunelab.study.steady.prediction import LEAST_OPEN_MS, Setting, in_force
from tunelab.workspace.car import Car, stated
from tunelab.workspace.filling import table_air_kg_h
from tunelab.workspace.revision import FillingTable, FullLoadFuel, Revision

CONFIDENCE = 0.95
NONE_JUDGED = "no reading of lambda at full throttle with its engine speed was judged."
STEP_RPM = 500.0  # of the breakpoints where the revision states none
LEAST_READINGS, LEAST_PULLS = 8, 2
SURE_READINGS = 2 * LEAST_READINGS  # of a breakpoint that the next pulls will measure again
PRIOR_PULLS = 3  # so many pulls' worth is believed of ERROR_OF_A_PULL, until a log has enough of its own
BESIDE = 1 / 3  # readings at a breakpoint may lie so far to one side, in steps to its neighbour
BIN_RPM, LEAST_IN_BIN = 125.0, 4
NEAR_LIMIT_RPM = 300.0  # pulls that end this close below the rev limit have reached it
DRAWS, SEED = 2000, 1
COLUMNS = [
    "engine_speed_rpm", "target", "lambda", "lower", "upper", "by_meter_pct", "factor", "factor_lower", "factor_upper",
    "in_force", "proposed", "lambda_after", "after_lower", "after_upper", "readings", "pulls", "commanded", "opened_ms",
    "basis",
]  # fmt: skip
WEIGHED = ("commanded", "asked", *CHANNELS)  # means at a breakpoint, by the table's own straight lines
CHANGED = "measured"  # the basis of a breakpoint that changes


@dataclass(frozen=True)
class Joined:
    """Curve or table, and dead time, that go in together with the fuel of full load; how far the dead time is off."""

    setting: Setting
    dead_time_error_ms: float  # true less current
    words: str  # what of it changes the fuel at full load; empty where nothing does
    table: FillingTable | None = None  # of a car whose ECU takes the air from one, in the curve's place

    @property
    def content(self) -> dict[str, dict]:
        """What goes into the next revision beside the fuel, by its keys; empty where nothing changes."""
        if not self.words:
            return {}
        air = {"meter_curve": self.setting.curve} if self.table is None else {"volumetric_efficiency": self.table}
        return {key: value.model_dump() for key, value in (air | {"dead_time": self.setting.dead_time}).items()}


@shows_its_table
@dataclass(frozen=True)
class FullLoadProposal:
    """What to enter over engine speed so that lambda at full load is what it is meant to be.

    `factor` is what the fuel has to be multiplied by beyond what meter and injectors correct; `in_force` and
    `proposed` are commanded lambda or the ECU's own factor, 1 where the revision does not state its table. Every lambda
    `after` is with exactly what is proposed.
    """

    shown: bool
    because: str
    base: Revision
    table: pd.DataFrame  # COLUMNS
    joined: Joined
    now: Finding
    predicted: Finding
    capped: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def changes(self) -> bool:
        """Whether any breakpoint changes."""
        return bool((self.table["basis"] == CHANGED).any())

    def summary(self) -> pd.DataFrame:
        """One row per breakpoint."""
        return self.table

    def findings(self) -> list[Finding]:
        """Lambda at full throttle against its target now, and as predicted with what is proposed."""
        return [self.now, self.predicted] if self.shown else [self.now]

    def parts(self) -> tuple[str, ...]:
        """Keys of the revision that the proposal changes; empty where it changes none that can be written down."""
        if not self.changes or self.base.full_load_fuel is None:
            return ()
        return (*self.joined.content, "full_load_fuel")

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write the proposal as the revision `name`; `date` stands in until a person enters it.

        Raises
        ------
        ValueError
            Nothing changes, or the revision does not state what is current at full load.
        """
        if not self.parts():
            raise ValueError("nothing to write: no breakpoint changes, or the revision states no full_load_fuel.")
        own = stated(self.base.full_load_fuel, f"[full_load_fuel] in revisions/{self.base.name}.toml")
        values = self.table["proposed"].tolist()
        update = {own.key: values} | ({} if own.fuel_factor is not None else {"target_lambda": _meant(own).tolist()})
        more = {"full_load_fuel": own.model_copy(update=update).model_dump()}
        return self.base.followed_by(name, date, more | self.joined.content)


def join_setting(
    revision: Revision, steady: SteadyFit | FillingFit | None, proposal: Proposal | TableProposal | None,
    high: HighFlow | None,
) -> Joined:  # fmt: skip
    """Put together what the steady drive and the pulls propose of meter, or table, and injectors.

    Parameters
    ----------
    revision : Revision
        In force in the pulls.
    steady, proposal : SteadyFit and Proposal, FillingFit and TableProposal, or None
        Of the steady drive, against that revision; the proposal only where it is to be entered.
    high : HighFlow, or None
        The pulls' extension of the curve; counts only beside a steady proposal, since it is never entered alone.
    """
    now = in_force(revision)
    if steady is None or proposal is None:
        return Joined(now, 0.0, "")
    error = steady.dead_time.level_ms if steady.dead_time.shown else 0.0
    times = proposal.dead_time["dead_time_proposed_ms"].tolist()
    dead = revision.dead_time.model_copy(update={"dead_time_ms": times})
    if isinstance(proposal, TableProposal):
        own = revision.air_table
        table = own.model_copy(update={own.key: proposal.table.tolist()})
        words = "table and dead times, as proposed" if (table, dead) != (own, revision.dead_time) else ""
        return Joined(Setting(revision.meter_curve, dead), error, words, table)
    flow = proposal.curve["flow_proposed_kg_h"].to_numpy(dtype=float)
    if high is not None and high.shown:
        flow = _extended(flow, high.points)
    curve = revision.meter_curve.model_copy(update={"flow_kg_h": flow.tolist()})
    setting = Setting(curve, dead)
    return Joined(setting, error, "" if setting == now else "meter curve and dead times, as proposed")


def _extended(flow: np.ndarray, points: pd.DataFrame) -> np.ndarray:
    """The steady curve with the breakpoints that pulls extend, kept between those that stay."""
    own = (points["basis"] == "pulls").to_numpy()
    wanted = np.where(own, points["flow_proposed_kg_h"].to_numpy(dtype=float), flow)
    ceiling = np.minimum.accumulate(np.where(own, np.inf, flow)[::-1])[::-1]
    return np.where(own, np.maximum.accumulate(np.minimum(wanted, ceiling)), flow)


def propose_full_load(
    log: xr.Dataset, car: Car, revision: Revision, mixture: Mixture, joined: Joined, *,
    earlier: pd.DataFrame | None = None,
) -> FullLoadProposal:  # fmt: skip
    """Propose commanded lambda, or a factor on the fuel, over engine speed.

    Parameters
    ----------
    log : Dataset
        The flagged log with the pulls.
    car, revision
        The owner's limits, and what is current; with `full_load_fuel` the proposal stands in its breakpoints.
    mixture : Mixture
        Of `check_full_throttle` on the same log.
    joined : Joined
        What of meter and injectors is entered with it: that is taken out first, so that nothing is corrected twice.
    earlier : DataFrame, optional
        The table of a proposal from pulls with an earlier revision: it shows whether lambda answers a longer pulse.

    Returns
    -------
    FullLoadProposal
        A breakpoint changes only where at least two pulls measured it and its interval leaves out no change. None is
        made leaner than the owner's limit allows with its whole interval, nor beside one that was not measured; the
        change is capped by the owner's `full_load_fuel_change_max_pct` (without it `meter_change_max_pct`). None gets
        more fuel where it would not arrive (`fuel_supply`).
    """
    rows, why = _rows(log, car, revision, mixture, joined)
    flagged = len(mixture.readings) - len(rows)
    if why or not rows["rpm"].notna().any():
        return no_full_load(revision, why or NONE_JUDGED, flagged, joined)
    points = _breakpoints(revision, rows)
    seen = pd.DataFrame([_at(rows, points, k) for k in range(points.size)])
    seen = seen.assign(engine_speed_rpm=points, **{"lambda": seen["goal"] * np.exp(seen["error"] + seen["taken"])})
    table, capped = _steps(seen, points, car, revision, rows, earlier)
    if not (table["pulls"] >= LEAST_PULLS).any() or table["lower"].isna().all():
        why = "no engine speed was measured by two pulls: drive at least two in the same gear."
        return no_full_load(revision, why, flagged, joined)
    if (worse := _worse(table, car)) is not None:
        return no_full_load(revision, worse, flagged, joined)
    now, predicted = _findings(table, seen, car, len(rows), flagged)
    notes = (*_still_lean(table, rows, car), *_notes(table, joined, revision))
    return FullLoadProposal(True, "", revision, table, joined, now, predicted, capped, notes)


def _worse(table: pd.DataFrame, car: Car) -> str | None:
    """Say where meter and injectors as proposed and the capped fuel would leave lambda leaner than now and allowed."""
    limit = car.limits.lambda_max_full_load
    leaner = table["lambda_after"] > np.maximum(limit, table["lambda"]) * (1 + 1e-3)
    if not leaner.any():
        return None
    rpm = table.loc[leaner, "engine_speed_rpm"].iloc[0]
    return (
        f"at {rpm:.0f} rpm meter and injectors, as proposed, take more fuel than one revision may give back: lambda "
        f"would pass the owner's limit of {limit:g}. Enter neither; with a larger cap both can go in together."
    )


def no_full_load(revision: Revision, because: str, flagged: int = 0, joined: Joined | None = None) -> FullLoadProposal:
    """Build a proposal that changes nothing and says why."""
    joined = joined or Joined(in_force(revision), 0.0, "")
    now = _finding("error", None, (None, None), None, 0, flagged, because)
    empty = pd.DataFrame(columns=COLUMNS)
    return FullLoadProposal(False, because, revision, empty, joined, now, now, (), ())


def _rows(log: xr.Dataset, car: Car, revision: Revision, mixture: Mixture, joined: Joined) -> tuple[pd.DataFrame, str]:
    """Judged readings: rpm, stretch, log of lambda over target as it is, and what meter and injectors take of it."""
    table = mixture.readings[mixture.readings["judged"]]
    if len(table) and not np.ptp(table["lambda"].to_numpy()) > 0:
        return pd.DataFrame(), "lambda never moved at full throttle, so the sensor may be dead."
    rpm = table["engine_speed_rpm"].to_numpy()
    own, commanded = revision.full_load_fuel, table["commanded"].to_numpy()
    stated = None if own is None else _target(own, rpm)
    target = commanded if stated is None else stated
    if not np.isfinite(target).any():
        return pd.DataFrame(), "what lambda is to be is neither logged (lambda_commanded) nor stated (target_lambda)."
    if own is not None and own.commanded_lambda is not None and np.isfinite(commanded).any():
        asked = np.interp(rpm, own.engine_speed_rpm, own.values)
        off = float(np.nanmedian(np.log(commanded / asked)))
        if abs(off) > OTHER_TABLE:
            return pd.DataFrame(), (
                f"the log commands lambda {100 * np.expm1(off):+.1f} % off full_load_fuel of {revision.name}: another "
                "table was at work, and nothing entered into this one would act."
            )
    taken = _taken(log, car, revision, joined)
    if isinstance(taken, str):
        return pd.DataFrame(), taken
    goal = np.minimum(target, car.limits.lambda_max_full_load)
    at = np.interp(table["fuelled_s"], log["time"].values, taken)
    rows = pd.DataFrame({
        "rpm": rpm, "stretch": table["stretch"].to_numpy(), "goal": goal, "taken": at,
        "error": np.log(table["lambda"].to_numpy() / goal), "commanded": commanded,
        "asked": commanded if own is None or own.commanded_lambda is None else np.interp(
            rpm, own.engine_speed_rpm, own.values),
    })  # fmt: skip
    rows = rows.join(at_readings(log, car, revision, table["fuelled_s"].to_numpy()))
    return rows[np.isfinite(rows[["error", "taken"]]).all(axis=1)].reset_index(drop=True), ""


def _meant(own: FullLoadFuel) -> np.ndarray:
    """Target at the table's own breakpoints."""
    return own.values if own.target_lambda is None else np.asarray(own.target_lambda, dtype=float)


def _target(own: FullLoadFuel, rpm: np.ndarray) -> np.ndarray | None:
    if own.target_lambda is None and own.commanded_lambda is None:
        return None
    return np.interp(rpm, own.engine_speed_rpm, _meant(own))


def _taken(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> np.ndarray | str:
    """Log of the fuel that meter and injectors correct at every row, over 0.15 s; or why that is not known."""
    if not joined.words:
        return np.zeros(log.sizes["time"])
    change = log_fuel_change(log, car, revision, joined)
    if isinstance(change, str):
        return f"what meter and injectors correct at full throttle is not known: {change}"
    return rolling(change, rows_in(0.15, row_step_s(log)), "mean")


def log_fuel_change(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> np.ndarray | str:
    """Log of the fuel that arrives with a setting over what arrives now, at one reading of the meter or of the load.

    The opening time follows the air of curve or table; the dead time entered comes on top, and what the true dead time
    takes stays the same.

    Returns
    -------
    array, shape (time,), or str
        NaN where a reading is missing; a sentence where a channel is.
    """
    wanted = ("pulse_width_ms", "battery_v", *((car.meter.channel,) if joined.table is None else ()))
    absent = [name for name in wanted if not has(log, name)]
    if absent:
        return f"the log has no {' and no '.join(absent)}."
    air = _air_by_table(log, car, revision, joined.table) if joined.table else _air_by_meter(log, car, revision, joined)
    if isinstance(air, str):
        return air
    old, new = air
    pulse, battery = (at_rows(log, name) for name in wanted[:2])
    before, after = (
        np.interp(battery, t.battery_v, t.dead_time_ms) for t in (revision.dead_time, joined.setting.dead_time)
    )
    opened = np.maximum(pulse - before, LEAST_OPEN_MS)
    ratio = np.where(old > 0, new / np.where(old > 0, old, 1.0), 1.0)
    arrives = np.maximum(opened * ratio + after - before - joined.dead_time_error_ms, LEAST_OPEN_MS)
    return np.log(arrives / np.maximum(opened - joined.dead_time_error_ms, LEAST_OPEN_MS))


def _air_by_meter(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> tuple[np.ndarray, np.ndarray]:
    """Air at every row by the curve now and as proposed. [kg/h]"""
    curves = (revision.meter_curve, joined.setting.curve)
    reading = at_rows(log, car.meter.channel)
    now, then = (np.interp(reading, curve.reading, curve.flow_kg_h) for curve in curves)
    return now, then


def _air_by_table(
    log: xr.Dataset, car: Car, revision: Revision, table: FillingTable
) -> tuple[np.ndarray, np.ndarray] | str:
    """Air at every row by the table now and as proposed [kg/h], or why that is not known."""
    try:
        inlet, _ = inlet_of(log, car)
    except ValueError as problem:
        return str(problem)
    return table_air_kg_h(car, revision, inlet), table_air_kg_h(car, revision, inlet, table.values)


def _breakpoints(revision: Revision, rows: pd.DataFrame) -> np.ndarray:
    if revision.full_load_fuel is not None:
        return np.asarray(revision.full_load_fuel.engine_speed_rpm, dtype=float)
    low, high = (STEP_RPM * np.round(end / STEP_RPM) for end in (rows["rpm"].min(), rows["rpm"].max()))
    return np.arange(low, high + 1, STEP_RPM)


def _at(rows: pd.DataFrame, points: np.ndarray, k: int) -> dict[str, float]:
    """Error at a breakpoint, by the readings between its neighbours, with its standard error and counts.

    Weighted by the table's own straight lines, the slope taken out, pull by pull; the interval is that of the pulls'
    means, with the spread that a pull is known to have (`high_flow`) where they are few.
    """
    steps = np.diff(points)
    below, above = (steps[k - 1] if k else np.nan), (steps[k] if k < steps.size else np.nan)
    below, above = (below, above) if points.size > 1 else (STEP_RPM, STEP_RPM)
    below, above = (above if np.isnan(below) else below), (below if np.isnan(above) else above)
    offset = rows["rpm"].to_numpy() - points[k]
    weight = np.clip(1 - np.abs(offset) / np.where(offset < 0, below, above), 0.0, None)
    use = weight > 0
    part = rows[use].assign(weight=weight[use], offset=offset[use])
    empty = {"error": np.nan, "se": np.nan, "taken": np.nan, "goal": np.nan, "readings": len(part), "pulls": 0}
    empty |= dict.fromkeys(WEIGHED, np.nan)
    if len(part) < LEAST_READINGS or abs(np.average(part["offset"], weights=part["weight"])) > BESIDE * min(
        below, above
    ):
        return empty
    left = part["error"] - part["taken"]
    slope = _slope(part, left)
    flat = part.assign(left=left - slope * part["offset"])
    means = flat.groupby("stretch").apply(lambda own: np.average(own["left"], weights=own["weight"])).to_numpy()
    freedom = means.size - 1 + PRIOR_PULLS
    spread = np.sqrt((np.sum((means - means.mean()) ** 2) + PRIOR_PULLS * ERROR_OF_A_PULL**2) / freedom)
    error = np.sqrt(spread**2 / means.size + ERROR_OF_PULLS**2) * scipy.stats.t.ppf(0.975, freedom) / 1.959964
    weights = part["weight"]
    return {
        "error": float(means.mean()), "se": float(error), "taken": float(np.average(part["taken"], weights=weights)),
        "goal": float(np.average(part["goal"], weights=weights)), "readings": len(part), "pulls": means.size,
        **{name: _mean_known(part[name], weights) for name in WEIGHED},
    }  # fmt: skip


def _mean_known(values: pd.Series, weights: pd.Series) -> float:
    known = np.isfinite(values)
    return float(np.average(values[known], weights=weights[known])) if known.any() else float("nan")


def _slope(part: pd.DataFrame, left: pd.Series) -> float:
    """Slope of the error over engine speed within pulls."""
    keys, weight = part["stretch"], part["weight"]
    centre = [(weight * x).groupby(keys).transform("sum") / weight.groupby(keys).transform("sum") for x in
              (part["offset"], left)]  # fmt: skip
    x, y = part["offset"] - centre[0], left - centre[1]
    size = float((weight * x**2).sum())
    return float((weight * x * y).sum()) / size if size > 0 else 0.0


def _steps(
    seen: pd.DataFrame,
    points: np.ndarray,
    car: Car,
    revision: Revision,
    rows: pd.DataFrame,
    earlier: pd.DataFrame | None,
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Table of the proposal, and where the owner's cap or limit bit, or more fuel would not arrive."""
    limits, own = car.limits, revision.full_load_fuel
    most = (limits.full_load_fuel_change_max_pct or limits.meter_change_max_pct) / 100
    half = 1.959964 * seen["se"].to_numpy()
    error, goal = seen["error"].to_numpy(), seen["goal"].to_numpy()
    known = (seen["pulls"] >= LEAST_PULLS).to_numpy() & np.isfinite(half)
    right = known & (np.abs(error) <= half)
    step = np.where(known & ~right, error, 0.0)
    before = np.ones(points.size) if own is None else own.values
    doubts = supply_doubts(seen.assign(in_force=before), step, car, earlier=earlier)
    doubted = known & ~right & np.array([bool(basis) for basis, _ in doubts])
    step = np.where(doubted, 0.0, step)
    may_lean = _may_lean(known, points, rows, car, revision)
    room = np.log(limits.lambda_max_full_load / np.where(known, goal, 1.0)) - (error + half)  # up to the limit
    held = np.where(step < 0, np.where(may_lean, np.maximum(step, -np.maximum(room, 0.0)), 0.0), step)
    taken = np.clip(held, -np.log1p(most), np.log1p(most))
    taken = _within_limit(taken, half, points, rows, car)
    basis = np.where(known, CHANGED, np.where(seen["pulls"] == 1, "one pull only", "not measured"))
    basis = np.where(right, "right", basis)
    basis = np.where(known & ~right & (taken == 0), "kept rich", basis)
    basis = np.where(doubted, [basis for basis, _ in doubts], basis)
    change = np.exp(-taken if own is not None and own.key == "commanded_lambda" else taken)
    shown = {"lambda": error + seen["taken"], "lower": error + seen["taken"] - half,
             "upper": error + seen["taken"] + half}  # fmt: skip
    acts = np.where(acts_in_part(seen) & (taken > 0), 0.0, taken)  # at least
    after = {"lambda_after": error - taken, "after_lower": error - taken - half, "after_upper": error - acts + half}
    factors = {"factor": error, "factor_lower": error - half, "factor_upper": error + half}
    table = pd.DataFrame({"engine_speed_rpm": points, "target": goal})
    table = table.assign(**{name: np.where(known, goal * np.exp(x), np.nan) for name, x in (shown | after).items()})
    table = table.assign(**{name: np.where(known, np.exp(x), np.nan) for name, x in factors.items()})
    table = table.assign(
        by_meter_pct=100 * np.expm1(seen["taken"]), in_force=before,
        proposed=np.where(taken == 0, before, before * change), readings=seen["readings"],
        pulls=seen["pulls"], commanded=seen["commanded"], opened_ms=seen["opened_ms"], basis=basis,
    )  # fmt: skip
    told = tuple(words for (_, words), is_due in zip(doubts, doubted, strict=True) if is_due)
    return table[COLUMNS], (*told, *_capped(points, step, held, taken, most))


def _may_lean(known: np.ndarray, points: np.ndarray, rows: pd.DataFrame, car: Car, revision: Revision) -> np.ndarray:
    """Breakpoints whose straight lines to both sides run over measured ground only: less fuel is never a guess.

    The first one holds below the table too, where nobody measured; the last one only where pulls reached the limit.
    """
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    to_limit = bool(rows["rpm"].max() >= limit - NEAR_LIMIT_RPM)
    return known & np.append(False, known[:-1]) & np.append(known[1:], to_limit)


def _within_limit(taken: np.ndarray, half: np.ndarray, points: np.ndarray, rows: pd.DataFrame, car: Car) -> np.ndarray:
    """Take back less fuel wherever a stretch between breakpoints would pass the owner's limit with it.

    Breakpoints lie far apart: what lambda does between them is compared with the limit too, BIN_RPM by BIN_RPM.
    """
    taken = taken.copy()
    most = np.interp(rows["rpm"], points, np.nan_to_num(half, nan=0.0))
    bins = np.round(rows["rpm"] / BIN_RPM)
    for _ in range(points.size):
        given = np.interp(rows["rpm"], points, taken)
        after = np.log(rows["goal"]) + rows["error"] - rows["taken"] - given
        means = pd.DataFrame({"after": after + most, "given": given, "n": 1.0, "rpm": rows["rpm"]}).groupby(bins)
        table = means.agg({"after": "mean", "given": "mean", "n": "sum", "rpm": "mean"})
        lean = table[(table["after"] > np.log(car.limits.lambda_max_full_load)) & (table["given"] < 0)]
        lean = lean[lean["n"] >= LEAST_IN_BIN]
        if lean.empty:
            break
        above = np.clip(np.searchsorted(points, lean["rpm"]), 0, points.size - 1)
        beside = np.unique([above, np.maximum(above - 1, 0)])
        taken[beside] = np.maximum(taken[beside], 0.0)
    return taken


def _capped(points: np.ndarray, step: np.ndarray, held: np.ndarray, taken: np.ndarray, most: float) -> tuple[str, ...]:
    lines = [
        f"At {rpm:.0f} rpm the pulls ask for {100 * np.expm1(want):+.1f} % fuel; the owner's cap of {100 * most:g} % "
        "per revision applies."
        for rpm, want, got in zip(points, held, taken, strict=True)
        if want > got + 1e-9 or (want < got - 1e-9 and got < 0)
    ]
    rich = points[(step < 0) & ((held > step + 1e-9) | (taken == 0))]
    if rich.size:
        lines.append(
            f"At {', '.join(f'{rpm:.0f}' for rpm in rich)} rpm lambda is richer than its target and stays so, in "
            "whole or in part: leaner could pass the owner's limit within its interval, or reach speeds that no pull "
            "measured."
        )
    return tuple(lines)


def _findings(table: pd.DataFrame, seen: pd.DataFrame, car: Car, used: int, flagged: int) -> tuple[Finding, Finding]:
    """Largest error over the breakpoints, as it is and as it will be; the interval reaches as far as any of theirs."""
    known = table["lambda"].notna().to_numpy()
    limit, part = car.limits.steady_lambda_error_max_pct, table[known]
    ends = {name: 100 * (part[name] / part["target"] - 1) for name in ("lambda", "lower", "upper")}
    worst = int(np.argmax(np.abs(ends["lambda"])))
    size = float(np.abs(ends["lambda"]).iloc[worst])
    half = float((ends["upper"] - ends["lower"]).iloc[worst] / 2)
    most = float(np.maximum(np.abs(ends["lower"]), np.abs(ends["upper"])).max())
    rpm, side = part["engine_speed_rpm"].iloc[worst], "lean" if ends["lambda"].iloc[worst] > 0 else "rich"
    text = f"worst {side} at {rpm:.0f} rpm; {known.sum()} of {known.size} breakpoints measured by two pulls and more."
    now = _finding("error", size, (max(size - half, 0.0), most), limit, used, flagged, text)
    centre = np.log(part["lambda_after"] / part["target"]).to_numpy()
    spread = seen["se"].to_numpy()[known]
    rng = np.random.default_rng(SEED)
    shared = rng.normal(0, ERROR_OF_PULLS, (DRAWS, 1))
    own = np.sqrt(np.maximum(spread**2 - ERROR_OF_PULLS**2, 0)) * rng.normal(size=(DRAWS, spread.size))
    given = np.log(part["lambda"] / part["lambda_after"]).to_numpy() - np.log1p(part["by_meter_pct"].to_numpy() / 100)
    part_acts = (acts_in_part(seen)[known] & (given > 0)) * rng.uniform(size=(DRAWS, spread.size))
    sizes = 100 * np.abs(np.expm1(centre + shared + own + part_acts * given))
    sure = (part["readings"] >= SURE_READINGS).to_numpy()
    sure = sure if sure.any() else np.ones_like(sure)
    largest, alike = sizes.max(axis=1), sizes[:, sure].max(axis=1)
    value, low, high = np.quantile(alike, 0.5), np.quantile(alike, 0.025), np.quantile(largest, 0.975)
    value, low, high = float(value), float(low), float(high)
    text = "with exactly what is proposed in the ECU, where it was measured; other breakpoints stay as they are."
    if not sure.all():
        few = int((~sure).sum())
        text += f" {few} of them had few readings, which the next pulls may miss: they count for the upper end alone."
    return now, _finding("predicted", value, (low, high), limit, used, flagged, text)


def _finding(
    name: str,
    value: float | None,
    ends: tuple[float | None, float | None],
    limit: float | None,
    used: int,
    flagged: int,
    because: str,
) -> Finding:
    title = "Lambda at full throttle against its target, largest over engine speed"
    title = title if name == "error" else f"{title}: predicted with the proposal"
    status: Status = "not_shown" if value is None else status_within(value, *ends, most=limit)
    sure = None if value is None else CONFIDENCE
    lower, upper = ends
    about = (f"full_load_fuel.{name}", title)
    return Finding(*about, value, "%", lower, upper, sure, used, flagged, status, limit, because)


def _still_lean(table: pd.DataFrame, rows: pd.DataFrame, car: Car) -> list[str]:
    """Say where lambda stays above the owner's limit with all of it entered, at breakpoints and between and beyond."""
    limit = car.limits.lambda_max_full_load
    given = np.log(table["lambda"] / table["lambda_after"]) - np.log1p(table["by_meter_pct"] / 100)
    points = table["engine_speed_rpm"].to_numpy()
    after = rows["error"] - rows["taken"] - np.interp(rows["rpm"], points, np.nan_to_num(given))
    bins = rows.assign(after=np.exp(after) * rows["goal"]).groupby(BIN_RPM * np.round(rows["rpm"] / BIN_RPM))
    seen = bins.agg({"after": "mean", "commanded": "mean", "asked": "mean", "rpm": "size"})
    seen = seen[(seen["after"] > limit) & (seen["rpm"] >= LEAST_IN_BIN)]
    lean = sorted({*seen.index, *points[(table["lambda_after"] > limit).to_numpy()]})
    if not lean:
        return []
    notes = [
        f"With all of it entered lambda is still expected above the owner's limit of {limit:g} at "
        f"{', '.join(f'{rpm:.0f}' for rpm in lean)} rpm: no full throttle there until a further revision shows it "
        "below."
    ]
    other = seen[acts_in_part(seen)]
    if len(other):
        worst = other.loc[other["after"].idxmax()]
        notes.append(
            f"At {other['after'].idxmax():.0f} rpm the ECU commands lambda {worst['commanded']:.3f} where the table of "
            f"full load says {worst['asked']:.3f}: it acts in part only. Look at the load from which enrichment "
            "begins, and at breakpoints beyond the last one, before more is entered."
        )
    return notes


def _notes(table: pd.DataFrame, joined: Joined, revision: Revision) -> tuple[str, ...]:
    notes = []
    gone = table.loc[table["lambda"].isna(), "engine_speed_rpm"]
    if len(gone):
        notes.append(
            f"Not measured, and left exactly as they are: {', '.join(f'{rpm:.0f}' for rpm in gone)} rpm. Between such "
            "a breakpoint and one that changes, the change fades out along the table's straight line."
        )
    if joined.words:
        notes.append(
            f"The column by_meter_pct is what the {joined.words}, correct by themselves; it is taken out of the "
            "factor. Enter all of it together, or none."
        )
    if revision.full_load_fuel is None:
        notes.append(
            f"{revision.name} does not state the current full-load fuelling: the factors apply to whatever is there, "
            "by engine speed. With [full_load_fuel] in the revision they come in its own breakpoints, and in "
            "proposal.toml."
        )
    return tuple(notes)
