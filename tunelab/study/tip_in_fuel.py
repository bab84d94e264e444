"""What to enter for tip-ins and for the fuel cut on overrun, in the terms of the ECU's own law.

An ECU adds an amount per tip-in, or makes up for a wall film by share and time. The wall film that the log shows says
what a tip-in needs, the pulses say what it got; the proposal goes half of the way, in the owner's own cells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from tunelab.study.finding import Estimate, Finding, Question, judge, worst_estimate
from tunelab.study.fuel_cut_log import ALIKE_RPM, READING_RPM, FuelCutStudy, ended_alone
from tunelab.study.table_proposal import (
    CHANGED,
    COLUMNS,
    NOT_MEASURED,
    RIGHT,
    Off,
    TableProposal,
    capped_step,
    nothing_proposed,
    off_finding,
)
from tunelab.study.transient import Film, TransientStudy
from tunelab.study.transient.region import Window, regions_of
from tunelab.workspace.car import Car
from tunelab.workspace.revision import AccelerationFuel, Revision

# All common practice, no source.
HALF_WAY = 0.5
LEAST_TIP_INS = 2  # nearest to a cell; fewer leave it as it is
CHANGE_MAX_PCT = 30.0  # of a cell, where the owner states no limit
LEAST_ADDED = 0.15  # of what is needed: less cannot be scaled
ADDED_ERROR = 0.2  # of what is needed: how well the log tells what the ECU added; its own filters look like it
WIDE_OPEN_PCT = 80.0  # throttle at which a tip-in ends at full load
KEPT, TOO_LITTLE = "kept rich", "nothing to scale"
RETURN_MOST_RPM = 200.0  # by which one revision raises the speeds of the fuel cut
LEAST_CUTS = 3
FUEL_TITLE = "Fuel for tip-ins"
CUT_TITLE = "Fuel cut on overrun"


@dataclass(frozen=True)
class _Region:
    """What one region of the film tells: mg needed and given per tip-in, and whether less fuel is safe there."""

    row: pd.Series  # of TransientStudy.fuel
    film: Film
    may_lean: bool

    @property
    def freedom(self) -> float:
        """Of the interval of what is missing."""
        return max(float(self.row["tip_ins"]) - 1.0, 3.0)

    @property
    def off_pct(self) -> float:
        """Given over needed, less 1. [%]"""
        return -100 * float(self.row["missing_mg"]) / float(self.row["needed_mg"])

    @property
    def error_pct(self) -> float:
        """Standard error of `off_pct`."""
        half = float(self.row["missing_upper_mg"] - self.row["missing_mg"])
        return 100 * half / float(scipy.stats.t.ppf(0.975, self.freedom)) / float(self.row["needed_mg"])

    @property
    def added_pct(self) -> float:
        """Share of what is needed that the ECU's acceleration fuelling added: what the table acts on. [%]"""
        return 100 * float(self.row["added_mg"]) / float(self.row["needed_mg"])

    @property
    def is_certain(self) -> bool:
        """Whether the interval of what is missing leaves out nothing."""
        return bool(self.row["missing_lower_mg"] > 0 or self.row["missing_upper_mg"] < 0)


def propose_tip_in_fuel(study: TransientStudy, car: Car, revision: Revision) -> TableProposal:
    """Propose the ECU's own acceleration fuelling from the wall film, by its own law and cells.

    Parameters
    ----------
    study : TransientStudy
        Of a log that was driven with `revision`.
    car, revision
        The owner's limits; `acceleration_fuel` says which law the ECU has.

    Returns
    -------
    TableProposal
        A cell changes only where two tip-ins came near it, the film of its region can be separated from the lag of the
        sensor, and what is missing there leaves out zero with its whole interval. A cell gets less fuel only where a
        tip-in to full throttle shows that lambda stays within the owner's limit with it.
    """
    own, counts = revision.acceleration_fuel, (study.samples_used, study.samples_flagged)
    if own is None:
        return _none(revision, f"{revision.name} does not state [acceleration_fuel], nor the law of its ECU.", counts)
    if not study.shown or study.fuel.empty:
        film = study.film
        why = study.because or (film.because if film else "no film could be fitted")
        return _none(revision, f"{why.rstrip('.')}.", counts)
    told = {row["region"]: _Region(row, _film(study, row["region"]), _may_lean(study, car, row)) for _, row in
            study.fuel.iterrows() if row["needed_mg"] > 0 and np.isfinite(row["missing_upper_mg"])}  # fmt: skip
    if not told:
        return _none(revision, "too few separate tip-ins for an interval; two in one region are not enough.", counts)
    cells = list(_cells(own, study, car, told))
    lists, bases, capped = _steps(own, cells, car)
    table = _table(own, cells, lists, bases)
    found = _findings(own, cells, lists, counts)
    changes = bool((table["proposed"] != table["in_force"]).any())
    content = {key: values.tolist() for key, values in lists.items()} if changes else {}
    why = "" if changes else _why_none(table)
    given = [one for one in told.values() if one.added_pct < 100 * LEAST_ADDED]
    notes = tuple(
        f"{one.row['region']}: hardly any fuel is added at tip-ins, so there is nothing to scale; about "
        f"{one.row['missing_mg']:.0f} mg more per tip-in are wanted. Enter a first value by hand."
        for one in given
        if own.amount is not None
    )
    return TableProposal(
        "acceleration_fuel", FUEL_TITLE, revision, table, why, tuple(found if changes else found[:1]), capped, notes,
        content,
    )  # fmt: skip


def _none(revision: Revision, because: str, counts: tuple[int, int]) -> TableProposal:
    empty = _finding("acceleration.error", Off(*[np.empty(0)] * 3), counts, because)
    return nothing_proposed("acceleration_fuel", FUEL_TITLE, revision, because, [empty])


def _film(study: TransientStudy, region: str) -> Film:
    return next(film for film in study.films if film.region == region)


def _may_lean(study: TransientStudy, car: Car, row: pd.Series) -> bool:
    """Whether tip-ins to full throttle in a region leave room for half of the surplus, by the owner's own limit."""
    if row["missing_mg"] >= 0 or study.signal is None:
        return False
    table = study.of_kind("tip-in")
    table = table[table["throttle_to_pct"] >= WIDE_OPEN_PCT]
    if table.empty:
        return False
    own = regions_of(_windows(table), car.limits.coolant_min_c).get(row["region"])
    if own is None or not own.any():
        return False
    table = table[own]
    at = study.signal.grid_time(table["at_s"].to_numpy(dtype=float)) + table["lean_at_s"].fillna(0.3)
    asked = np.interp(at, study.signal.grid_s, study.signal.commanded)
    surplus = -HALF_WAY * row["missing_mg"] / row["needed_mg"] * row["first_pct"]
    leanest = asked * (1 + (table["lean_pct"] + 2 * table["lean_se_pct"] + surplus) / 100)
    return bool((leanest <= car.limits.lambda_max_full_load).all())


def _windows(table: pd.DataFrame) -> list[Window]:
    return [Window(r.at_s, r.at_s, (r.kind,), r.engine_speed_rpm, r.coolant_c) for r in table.itertuples()]


@dataclass(frozen=True)
class _Cell:
    row: int
    column: int
    tip_ins: int
    told: _Region | None  # of its region; None where nothing is


def _cells(own: AccelerationFuel, study: TransientStudy, car: Car, told: dict[str, _Region]) -> Iterator[_Cell]:
    """Every cell of the owner's table with the tip-ins nearest to it and the narrowest region that tells of it."""
    tip_ins = study.of_kind("tip-in")
    rows = _nearest(own.coolant_c, tip_ins["coolant_c"])
    columns = _nearest(own.engine_speed_rpm, tip_ins["engine_speed_rpm"])
    for i, coolant in enumerate(own.coolant_c):
        for k, speed in enumerate(own.engine_speed_rpm):
            count = int(((rows == i) & (columns == k)).sum())
            regions = regions_of([Window(0.0, 0.0, ("tip-in",), speed, coolant)], car.limits.coolant_min_c)
            names = sorted((name for name, inside in regions.items() if inside[0]), key=len, reverse=True)
            known = next((told[name] for name in names if name in told), None)
            yield _Cell(i, k, count, known if count >= LEAST_TIP_INS else None)


def _nearest(points: list[float], values: pd.Series) -> np.ndarray:
    """Breakpoint nearest to each value, -1 where it is not known; a cell reaches half a step beyond its last point."""
    axis, found = np.asarray(points, dtype=float), values.to_numpy(dtype=float)
    nearest = np.argmin(np.abs(np.nan_to_num(found)[:, None] - axis[None, :]), axis=1)
    if axis.size > 1:
        beyond = (found < axis[0] - (axis[1] - axis[0]) / 2) | (found > axis[-1] + (axis[-1] - axis[-2]) / 2)
        nearest = np.where(beyond, -1, nearest)
    return np.where(np.isfinite(found), nearest, -1)


def _steps(
    own: AccelerationFuel, cells: list[_Cell], car: Car
) -> tuple[dict[str, np.ndarray], dict[tuple[int, int], str], tuple[str, ...]]:
    """Lists of the table as proposed, the basis of each cell, and where the owner's cap applied."""
    limit = car.limits.acceleration_fuel_change_max_pct
    most = CHANGE_MAX_PCT if limit is None else limit
    lists = {key: np.array(getattr(own, key), dtype=float) for key in own.keys}
    bases, capped = {}, 0
    for cell in cells:
        at, told = (cell.row, cell.column), cell.told
        if told is None:
            bases[at] = NOT_MEASURED
        elif not told.is_certain:
            bases[at] = RIGHT
        elif told.off_pct > 0 and not told.may_lean:
            bases[at] = KEPT
        elif own.amount is not None and told.added_pct < 100 * LEAST_ADDED:
            bases[at] = TOO_LITTLE
        else:
            now = {key: float(values[at]) for key, values in lists.items()}
            wanted = {key: now[key] + HALF_WAY * (value - now[key]) for key, value in _asked(own, told, now).items()}
            got = {
                key: float(capped_step(np.array(wanted[key]), np.array(now[key]), now[key] * most / 100)) for key in now
            }
            got = {key: _rounded(key, value) for key, value in got.items()}
            if (np.prod(list(got.values())) - np.prod(list(now.values()))) * told.off_pct > 0:
                got = now  # the two lists together would go the wrong way
            capped += any(abs(wanted[key] - now[key]) > now[key] * most / 100 * (1 + 1e-9) for key in now)
            bases[at] = CHANGED if got != now else RIGHT
            for key, value in got.items():
                lists[key][at] = value
    said = (f"In {capped} cells more is asked for than one revision may change ({most:g} %).",) if capped else ()
    return lists, bases, said


def _rounded(key: str, value: float) -> float:
    return float(f"{value:.3g}") if key == "amount" else round(value, 3)


def _asked(own: AccelerationFuel, told: _Region, now: dict[str, float]) -> dict[str, float]:
    """What would be right at one cell, by the ECU's law."""
    if own.amount is None:
        return {"film_share": told.film.share.value, "film_time_s": told.film.tau_s.value}
    return {"amount": now["amount"] * max(1 - told.off_pct / told.added_pct, 0.0)}


def _table(own: AccelerationFuel, cells: list[_Cell], lists: dict[str, np.ndarray], bases: dict) -> pd.DataFrame:
    units = {"amount": "own unit", "film_share": "1", "film_time_s": "s"}
    rows = []
    for key, values in lists.items():
        for cell in cells:
            at, now = (cell.row, cell.column), float(np.asarray(getattr(own, key), dtype=float)[cell.row, cell.column])
            ends = _ends(own, key, cell.told, now)
            rows.append((key, own.coolant_c[cell.row], own.engine_speed_rpm[cell.column], now, *ends, values[at],
                         units[key], cell.tip_ins, bases[at]))  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)


def _ends(own: AccelerationFuel, key: str, told: _Region | None, now: float) -> tuple[float, float, float]:
    """What was measured at a cell with its interval, in the list's own terms; NaN where nothing was."""
    if told is None:
        return (np.nan,) * 3
    if own.amount is None:
        shown = told.film.share if key == "film_share" else told.film.tau_s
        return shown.value, shown.lower, shown.upper
    if told.added_pct < 100 * LEAST_ADDED:
        return (np.nan,) * 3
    missing = [float(told.row[name]) for name in ("missing_mg", "missing_lower_mg", "missing_upper_mg")]
    value, lower, upper = (now * max(1 + one / float(told.row["added_mg"]), 0.0) for one in missing)
    return value, lower, upper


def _findings(
    own: AccelerationFuel, cells: list[_Cell], lists: dict[str, np.ndarray], counts: tuple[int, int]
) -> list[Finding]:
    """What tip-ins get against what they need, worst cell, as it is and with the proposal."""
    known = [cell for cell in cells if cell.told is not None]
    if not known:
        return [
            _finding("acceleration.error", Off(*[np.empty(0)] * 3), counts, "two tip-ins near no cell of the table.")
        ]
    now, then = own.values, np.prod(list(lists.values()), axis=0)
    told = [cell.told for cell in known if cell.told is not None]
    ratio = np.array([then[c.row, c.column] / now[c.row, c.column] if now[c.row, c.column] > 0 else 1.0 for c in known])
    off, error = np.array([one.off_pct for one in told]), np.array([one.error_pct for one in told])
    freedom = np.array([one.freedom for one in told])
    added = np.array([max(one.added_pct, 0.0) for one in told])
    after = Off(off + added * (ratio - 1), np.hypot(error, 100 * ADDED_ERROR * (ratio - 1)), freedom)
    text = f"by {len(known)} of {len(cells)} cells, with the wall film of their region."
    later = "with exactly what is proposed in the ECU, as far as it was measured; fuel is taken to follow the table."
    return [_finding("acceleration.error", Off(off, error, freedom), counts, text),
            _finding("acceleration.predicted", after, counts, later)]  # fmt: skip


def _finding(name: str, off: Off, counts: tuple[int, int], because: str) -> Finding:
    title = "Fuel given at tip-ins against what the wall film takes, largest"
    title = title if name.endswith("error") else f"{title}: predicted with the proposal"
    return off_finding(name, title, "%", off, counts, because)


def _why_none(table: pd.DataFrame) -> str:
    if (table["basis"] == NOT_MEASURED).all():
        return "no cell has two tip-ins near it that nothing else disturbs, with a film that can be separated."
    if (table["basis"] == KEPT).any():
        return (
            "Tip-ins are richer than needed, and stay so: no tip-in to full throttle shows that lambda would stay "
            "within the owner's limit with less."
        )
    if (table["basis"] == TOO_LITTLE).any():
        return "hardly any fuel is added at tip-ins, so there is no amount to scale."
    return "What tip-ins get is right within its interval."


def propose_cut(cut: FuelCutStudy, car: Car, revision: Revision) -> TableProposal:
    """Propose at which engine speeds the fuel is cut and comes back, from what the engine did after it came back.

    Both only ever go up: fuel that comes back sooner. What the log shows has to agree with the revision.
    """
    own, limit = revision.fuel_cut, car.limits.idle_undershoot_max_rpm
    dips = ended_alone(cut.cuts)["dip_rpm"].to_numpy(dtype=float)
    why = _why_no_cut(cut, dips, limit, revision)
    if why or own is None or limit is None:
        return nothing_proposed("fuel_cut", CUT_TITLE, revision, why)
    stalled = bool(cut.cuts["stalled"].any())
    worst = worst_estimate(dips, "rpm", step=READING_RPM, flagged=0, what="re-entries")
    if worst.value <= limit and not stalled:
        why = f"the engine dips by {worst.words(0)} below its idle target after them, the owner allows {limit:g}."
        return nothing_proposed("fuel_cut", CUT_TITLE, revision, why)
    wanted = max(worst.value - limit, 50.0 if stalled else 0.0)
    step = min(READING_RPM * float(np.ceil(wanted / READING_RPM)), RETURN_MOST_RPM)
    highest = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    step = max(min(step, highest - own.entry_rpm), 0.0)
    if not step:
        why = "the rev limit leaves no room above the speed at which the fuel is cut."
        return nothing_proposed("fuel_cut", CUT_TITLE, revision, why)
    seen, entry = cut.exit_rpm, cut.entry_rpm
    rows = [
        ("entry_rpm", np.nan, np.nan, own.entry_rpm, entry.value, entry.lower, entry.upper, own.entry_rpm + step),
        ("return_rpm", np.nan, np.nan, own.return_rpm, seen.value, seen.lower, seen.upper, own.return_rpm + step),
    ]
    table = pd.DataFrame([(*row, "rpm", len(dips), CHANGED) for row in rows], columns=COLUMNS)
    text = f"each of them is taken to dip by up to {step:.0f} rpm less, or by no less at all."
    later = Estimate(max(worst.value - step, 0.0), 0.0, worst.upper, "rpm", len(dips), 0, worst.method)
    title = "Dip below the idle target after a fuel cut: predicted with the proposal"
    key = "limits.idle_undershoot_max_rpm"
    then = judge(Question("fuel_cut.dip_predicted", title, limit, key), later, text)
    content = {"entry_rpm": own.entry_rpm + step, "return_rpm": own.return_rpm + step}
    notes = (f"By {len(dips)} cuts that ended by themselves: {worst.method}, {worst.words(0)}.",)
    return TableProposal("fuel_cut", CUT_TITLE, revision, table, "", (then,), (), notes, content)


def _why_no_cut(cut: FuelCutStudy, dips: np.ndarray, limit: float | None, revision: Revision) -> str:
    own = revision.fuel_cut
    if own is None:
        return f"{revision.name} does not state [fuel_cut]."
    if not cut.exit_rpm.shown:
        return f"{cut.exit_rpm.method}."
    if abs(cut.exit_rpm.value - own.return_rpm) > ALIKE_RPM:
        return (
            f"fuel came back at {cut.exit_rpm.words(0)}, and {revision.name} states {own.return_rpm:g} rpm: another "
            "table was at work, or the log is too slow to show it."
        )
    if limit is None:
        return "car.toml does not state limits.idle_undershoot_max_rpm."
    return (
        "" if dips.size >= LEAST_CUTS else f"{LEAST_CUTS} cuts that end by themselves are wanted, and {dips.size} did."
    )
