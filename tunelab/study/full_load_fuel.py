"""Fuel at full load over engine speed: what is left to correct once meter and injectors are put right."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.finding import Finding, Status, shows_its_table, status_within
from tunelab.study.fuel_supply import acts_in_part, supply_doubts
from tunelab.study.full_load_after import (
    BIN_RPM,
    LEAST_IN_BIN,
    between_breakpoints,
    missing_breakpoint,
    still_lean,
    too_lean_after,
)
from tunelab.study.full_load_error import (
    LEAST_PULLS,
    LEAST_READINGS,
    Joined,
    breakpoints_for,
    error_at,
    error_rows,
    meant_lambda,
)
from tunelab.study.full_throttle.mixture import Mixture
from tunelab.study.high_flow import ERROR_OF_PULLS
from tunelab.study.steady.prediction import in_force
from tunelab.workspace.car import Car, stated
from tunelab.workspace.revision import Revision

CONFIDENCE = 0.95


NONE_JUDGED = "no reading of lambda at full throttle with its engine speed was judged."


SURE_READINGS = 2 * LEAST_READINGS  # of a breakpoint that the next pulls will measure again


LEAST_WORD_PCT = 0.5  # of fuel: what is less is not worth a word


LEAST_ACTS = 0.5  # of the table: more fuel is not asked for beyond twice what is missing


NEAR_LIMIT_RPM = 300.0  # pulls that end this close below the rev limit have reached it


DRAWS, SEED = 2000, 1


COLUMNS = [
    "engine_speed_rpm", "target", "lambda", "lower", "upper", "by_meter_pct", "factor", "factor_lower", "factor_upper",
    "in_force", "proposed", "lambda_after", "after_lower", "after_upper", "readings", "pulls", "commanded", "opened_ms",
    "basis",
]  # fmt: skip


CHANGED = "measured"  # the basis of a breakpoint that changes


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
    missing_rpm: float | None = None  # where a further breakpoint would serve most

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
        update = {own.key: values} | (
            {} if own.fuel_factor is not None else {"target_lambda": meant_lambda(own).tolist()}
        )
        more = {"full_load_fuel": own.model_copy(update=update).model_dump()}
        return self.base.followed_by(name, date, more | self.joined.content)


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
        A breakpoint changes only where at least two pulls measured it and, by their own spread, it is off: what all
        pulls share no further pull takes away, and the mean is the best that can be entered. None is made leaner than
        the owner's limit allows with its whole interval, nor beside one that was not measured; the change is capped by
        the owner's `full_load_fuel_change_max_pct` (without it `meter_change_max_pct`). None gets more fuel where it
        would not arrive (`fuel_supply`).
    """
    rows, why = error_rows(log, car, revision, mixture, joined)
    flagged = len(mixture.readings) - len(rows)
    if why or not rows["rpm"].notna().any():
        return no_full_load(revision, why or NONE_JUDGED, flagged, joined)
    points = breakpoints_for(revision, rows)
    seen = pd.DataFrame([error_at(rows, points, k) for k in range(points.size)])
    seen = seen.assign(engine_speed_rpm=points, **{"lambda": seen["goal"] * np.exp(seen["error"] + seen["taken"])})
    table, capped = _steps(seen, points, car, revision, rows, earlier)
    if not (table["pulls"] >= LEAST_PULLS).any() or table["lower"].isna().all():
        why = "no engine speed was measured by two pulls: drive at least two in the same gear."
        return no_full_load(revision, why, flagged, joined)
    if (worse := too_lean_after(table, rows, car)) is not None:
        return no_full_load(revision, worse, flagged, joined)
    now, predicted = _findings(table, seen, car, len(rows), flagged)
    notes = (*still_lean(table, rows, car), *between_breakpoints(table, rows, car), *_notes(table, joined, revision))
    missing = missing_breakpoint(table, rows, car)
    return FullLoadProposal(True, "", revision, table[COLUMNS], joined, now, predicted, capped, notes, missing)


def no_full_load(revision: Revision, because: str, flagged: int = 0, joined: Joined | None = None) -> FullLoadProposal:
    """Build a proposal that changes nothing and says why."""
    joined = joined or Joined(in_force(revision), 0.0, "")
    now = _finding("error", None, (None, None), None, 0, flagged, because)
    empty = pd.DataFrame(columns=COLUMNS)
    return FullLoadProposal(False, because, revision, empty, joined, now, now, (), ())


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
    right = known & (np.abs(error) <= 1.959964 * seen["apart"].to_numpy())
    acts = np.clip(np.nan_to_num(seen["acts"].to_numpy(), nan=1.0), LEAST_ACTS, 1.0)
    step = np.where(known & ~right, error / np.where(error > 0, acts, 1.0), 0.0)
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
    given = np.where(taken > 0, acts, 1.0) * taken
    sure = np.where(acts_in_part(seen) & (taken > 0), 0.0, given)  # at least
    after = {"lambda_after": error - given, "after_lower": error - given - half, "after_upper": error - sure + half}
    factors = {"factor": error, "factor_lower": error - half, "factor_upper": error + half}
    table = pd.DataFrame({"engine_speed_rpm": points, "target": goal})
    table = table.assign(**{name: np.where(known, goal * np.exp(x), np.nan) for name, x in (shown | after).items()})
    table = table.assign(**{name: np.where(known, np.exp(x), np.nan) for name, x in factors.items()})
    table = table.assign(
        by_meter_pct=100 * np.expm1(seen["taken"]), in_force=before,
        proposed=np.where(taken == 0, before, before * change), readings=seen["readings"],
        pulls=seen["pulls"], loses_pct=100 * np.expm1(seen["lost"]), commanded=seen["commanded"],
        opened_ms=seen["opened_ms"], basis=basis, more=taken,
    )  # fmt: skip
    told = tuple(words for (_, words), is_due in zip(doubts, doubted, strict=True) if is_due)
    return table, (*told, *_capped(points, step, held, taken, most))


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
            f"What the {joined.words}, correct by themselves is taken out of the factor (by_meter_pct in "
            "tables/full_load_fuel.csv). Enter all of it together, or none."
        )
    loses = table["loses_pct"] > LEAST_WORD_PCT
    if loses.any():
        worst = table.loc[table["loses_pct"].idxmax()]
        notes.append(
            f"With them the ECU sees less load at the same full throttle, and enriches less: at "
            f"{worst['engine_speed_rpm']:.0f} rpm by {worst['loses_pct']:.1f} %, as it commands by load in this log. "
            "The fuel proposed makes up for that. Let enrichment begin at a lower load, if the ECU allows it."
        )
    if revision.full_load_fuel is None:
        notes.append(
            f"{revision.name} does not state the current full-load fuelling: the factors apply to whatever is there, "
            "by engine speed. With [full_load_fuel] in the revision they come in its own breakpoints, and in "
            "proposal.toml."
        )
    return tuple(notes)
