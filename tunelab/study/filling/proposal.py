"""The next table: what the posterior supports cell by cell, within the owner's caps, no place worse than it is."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tunelab.channels import channel
from tunelab.study.filling.model import NAMES, scallop
from tunelab.study.filling.result import MEASURED_S, FillingFit, error_draws, predict_next_drive, shift_draws, shift_of
from tunelab.study.finding import shows_its_table
from tunelab.study.steady.result import LambdaError
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import DeadTime, Revision, surface_of

SURE_SHARE = 1.645 / 1.96  # of half a 95 % interval: the truth lies beyond it on one side in 95 of 100
HARM = 0.001  # log units by which the expected error of a place may grow through rounding
FELT = 0.005  # log units of fuel: for less nobody types a cell in that was never driven
STRIP, BEYOND = 1.5, 2.0  # breakpoints of engine speed; times the interval, for less fuel than was ever driven at
SMALLEST_PCT = 0.1  # a change smaller than that is left out
DIGITS_MS = 3
LEAST_COARSE = 4  # blocks of about a second that lie off between breakpoints, for it to be said


@shows_its_table
@dataclass(frozen=True)
class TableProposal:
    """What to enter next: the table, and dead times where they are shown; they go in together."""

    base: Revision
    cells: pd.DataFrame
    """The fit's cells with `proposed`, `change_pct` and `changed`."""
    key: str
    load_channel: str
    dead_time: pd.DataFrame
    """`battery_v, dead_time_in_force_ms, change_ms, change_lower_ms, change_upper_ms, dead_time_proposed_ms, basis`."""
    capped: tuple[str, ...]
    predicted: LambdaError
    notes: tuple[str, ...]

    @property
    def table(self) -> np.ndarray:
        """Proposed values, shape (loads, speeds)."""
        shape = surface_of(self.base.air_table).shape
        return self.cells["proposed"].to_numpy().reshape(shape)

    @property
    def changes(self) -> bool:
        """Whether anything is proposed at all."""
        dead = self.dead_time
        return bool(
            self.cells["changed"].any() or (dead["dead_time_proposed_ms"] != dead["dead_time_in_force_ms"]).any()
        )

    def summary(self) -> pd.DataFrame:
        """The table's cells, one row each."""
        return self.cells

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write the proposal as the revision `name`, based on the one it changes; `date` stands in until entered."""
        changed = self.base.model_dump() | {"name": name, "date": date, "based_on": self.base.name}
        changed |= {"proposed_in": None, "entered_by": None, "also_changed": [], "spark_retreat": None}
        changed["volumetric_efficiency"][self.key] = self.table.tolist()
        changed["dead_time"]["dead_time_ms"] = self.dead_time["dead_time_proposed_ms"].tolist()
        changed["notes"] = f"Proposed from the steady study; changes {self.base.name}. Review before entering."
        return Revision.model_validate(changed)


def propose_table(fit: FillingFit, car: Car, revision: Revision) -> TableProposal:
    """Propose the next table and dead times within the owner's caps.

    Raises
    ------
    ValueError
        The fit refers to another revision.

    Notes
    -----
    A cell goes toward what the posterior says, as far as it is sure to come out nearer than it was. One of which that
    is not known keeps its pulse: with new dead times it injects what it did, and stays where it was never driven. A
    cell whose change would make any place worse is put back to that.
    """
    if fit.reference != revision.name:
        raise ValueError(
            f"the fit refers to revision {fit.reference}, not to {revision.name}: fit with reference={revision.name!r}."
        )
    if fit.because or fit.visited is None or fit.draws is None or fit.prior is None:
        return _proposal(fit, revision, np.zeros(len(fit.cells)), revision.dead_time, fit.predicted, ())
    dead, dead_capped = _dead_time(fit, car, revision)
    kept = _kept_pulse(fit, revision, dead)
    wanted = kept + sure_change(fit.cells, doubt=np.where(_beyond_load(fit, revision), BEYOND, 1.0))
    wanted = wanted + _between(fit, revision, wanted, dead)
    cap = np.log1p(convert(car.limits.meter_change_max_pct, "percent", "1"))
    change = _as_entered(fit, np.clip(wanted, -cap, cap), cap)
    change = _without_harm(fit, revision, change, dead, _as_entered(fit, np.clip(kept, -cap, cap), cap))
    over = np.abs(wanted) > cap + 1e-9
    capped = _capped(over, car) + dead_capped
    day_sd = float(np.exp(fit.prior[NAMES.index("session")]))
    predicted = predict_next_drive(fit.visited, fit.draws, car, revision, change=change, dead_time=dead, day_sd=day_sd)
    if predicted.p95_pct > fit.before.p95_pct:
        nothing = np.zeros_like(change)
        return _proposal(
            fit, revision, nothing, revision.dead_time, fit.before, ("Nothing would get better by a change.",)
        )
    found = _proposal(fit, revision, change, dead, predicted, capped)
    return replace(found, notes=(*found.notes, *_too_coarse(fit, car, change, dead, revision)))


def _too_coarse(fit: FillingFit, car: Car, change: np.ndarray, dead: DeadTime, base: Revision) -> tuple[str, ...]:
    """Say where the table's straight lines miss the engine by more than the owner's limit, whatever its cells hold."""
    (places, draws), limit = fit.evidence, car.limits.steady_lambda_error_max_pct
    surface, entered = surface_of(base.air_table), base.air_table.values.ravel() * np.exp(change)
    left = 100 * np.expm1(error_draws(places, draws, base, change=change, dead_time=dead)[0])
    between = scallop(surface, entered, places.engine_speed_rpm, places.load, rough=draws.rough)
    bend = 100 * draws.scallop[0] * between
    coarse = (np.abs(left) > limit) & (np.abs(bend) > limit / 2) & (left * bend > 0)
    if coarse.sum() < LEAST_COARSE:
        return ()
    worst = np.flatnonzero(coarse)[np.argsort(-np.abs(left[coarse]))[: int(coarse.sum()) // 2 + 1]]
    speed, load = np.median(places.engine_speed_rpm[worst]), np.median(places.load[worst])
    unit = channel(fit.load_channel).shown_unit
    return (
        f"Around {speed:.0f} rpm and {load:.3g} {unit} lambda stays about {np.median(left[worst]):+.1f} % off: between "
        "the table's breakpoints the engine is not straight. A breakpoint there, of engine speed and of load, would "
        "let it be right; move or add one, if the ECU allows it.",
    )


def _kept_pulse(fit: FillingFit, base: Revision, dead: DeadTime) -> np.ndarray:
    """Log change of every cell by which it injects under new dead times what it did.

    A cell that was never driven stays as it is, as long as that moves its fuel by less than FELT.
    """
    visited, draws = fit.evidence
    shift = shift_of(visited, draws, base, dead) - shift_of(visited, draws, base)
    seen = (fit.cells["basis"] != "unchanged") | (fit.cells["seconds"] > 0)
    return np.where(seen | (np.abs(shift) > FELT), shift, 0.0)


def sure_change(cells: pd.DataFrame, *, doubt: ArrayLike = 1.0) -> np.ndarray:
    """Log change of every cell with the dead times in force, as far as it surely helps; 0 where not known, (cells,).

    A cell that is off by t comes out nearer after a change c while t > c / 2, so c goes to twice what t is 95 % sure to
    pass, and never beyond its mean. For less fuel the interval counts `doubt` times.
    """
    mean, half = np.log(cells["factor"]), (np.log(cells["factor_upper"]) - np.log(cells["factor_lower"])) / 2
    half = half * np.where(mean < 0, doubt, 1.0)
    return np.nan_to_num(np.sign(mean) * np.clip(2 * (np.abs(mean) - SURE_SHARE * half), 0.0, np.abs(mean)))


def _beyond_load(fit: FillingFit, base: Revision) -> np.ndarray:
    """Cells of no driven place that lie above every load driven near their engine speed, shape (cells,).

    There a smooth course is carried on and not found, and less fuel at more load is what hurts an engine.
    """
    visited, _ = fit.evidence
    axis = np.asarray(surface_of(base.air_table).engine_speed_rpm, dtype=float)
    speed, load = surface_of(base.air_table).cells.T
    place, driven = (np.interp(one, axis, np.arange(axis.size)) for one in (speed, visited.engine_speed_rpm))
    near = np.abs(driven - place[:, None]) <= STRIP
    above = load > np.where(near, visited.load, -np.inf).max(axis=1)
    return above & (fit.cells["seconds"] < MEASURED_S / 10).to_numpy()


def _driven(fit: FillingFit) -> np.ndarray:
    """Cells that were driven around long enough and of which something is known, shape (cells,).

    Where a coarse table is straight and the engine is not, a place between cells is known better than any of its cells.
    """
    return ((fit.cells["seconds"] >= MEASURED_S) & (fit.cells["basis"] != "unchanged")).to_numpy()


def _between(fit: FillingFit, base: Revision, wanted: np.ndarray, dead: DeadTime) -> np.ndarray:
    """What more the driven cells change so that lambda is right between them, where straight lines miss the engine.

    The places that were driven draw, and each cell resists as much as one place does, shape (cells,).
    """
    visited, draws = fit.evidence
    left = error_draws(visited, draws, base, change=wanted, dead_time=dead)[0]
    surface = surface_of(base.air_table)
    at = surface.weights(visited.engine_speed_rpm, visited.load)
    driven = _driven(fit)
    weight = 1.0 / np.bincount(visited.hold)[visited.hold]  # every hold counts alike
    square = at[:, driven].T @ (weight[:, None] * at[:, driven])
    change = np.zeros(len(fit.cells))
    change[driven] = np.linalg.solve(square + np.eye(int(driven.sum())), at[:, driven].T @ (weight * left))
    return change


def _as_entered(fit: FillingFit, change: np.ndarray, cap: float) -> np.ndarray:
    """Change as it comes out with the digits of the table in force, none past the cap; a tiny one is none."""
    table = fit.cells["in_force"].to_numpy()
    decimals = decimals_of(table)
    new = np.round(table * np.exp(change), decimals)
    past = np.abs(np.log(new / table)) > cap + 1e-9  # by its last digit
    new = np.where(past, np.round(new - np.sign(change) * 10.0**-decimals, decimals), new)
    new = np.where(np.abs(new / table - 1) < SMALLEST_PCT / 100, table, new)
    return np.log(new / table)


def decimals_of(table: np.ndarray) -> int:
    """Decimals with which a table is written, one to three."""
    return next((n for n in (1, 2) if np.allclose(table, np.round(table, n), atol=1e-9)), 3)


def _dead_time(fit: FillingFit, car: Car, revision: Revision) -> tuple[DeadTime, tuple[str, ...]]:
    """Dead times to enter: only what is shown and clear, within the owner's cap."""
    dead, rows = fit.dead_time, fit.dead_time.rows
    clear = dead.shown and dead.lower_ms * dead.upper_ms > 0
    clear |= bool(dead.slope_shown and dead.slope_lower_ms_v * dead.slope_upper_ms_v > 0 and len(rows) > 1)
    change = np.nan_to_num(rows["change_ms"].to_numpy()) if clear else np.zeros(len(rows))
    change = change - (_chord_ms(fit, change) if clear else 0.0)
    most, limit = float(np.abs(change).max(initial=0.0)), car.limits.dead_time_change_max_ms
    words = (f"The dead times' change is cut to your {limit:g} ms; all of it would be {most:.2f} ms.",)
    change = change * min(1.0, limit / most) if most else change
    entered = np.maximum(np.round(rows["dead_time_in_force_ms"] + change, DIGITS_MS), 0.0)
    return revision.dead_time.model_copy(update={"dead_time_ms": entered.tolist()}), words if most > limit else ()


def _chord_ms(fit: FillingFit, change: np.ndarray) -> float:
    """By how much straight lines through the rows' changes lie off the curve that was found, where it was driven. [ms]

    Taken out, the fuel stays what it is at the voltages driven: also in cells that nobody drove, whose value stays.
    """
    visited, draws = fit.evidence
    found = (visited.battery_v - draws.reference_v)[:, None] ** np.arange(3) @ draws.dead_time_ms[0]
    return float(np.mean(np.interp(visited.battery_v, fit.dead_time.rows["battery_v"], change) - found))


def _without_harm(fit: FillingFit, base: Revision, change: np.ndarray, dead: DeadTime, kept: np.ndarray) -> np.ndarray:
    """Let cells keep their pulse whose change would leave a driven place, or the cell itself, further off than now."""
    visited, draws = fit.evidence
    at = surface_of(base.air_table).weights(visited.engine_speed_rpm, visited.load)
    now = np.abs(error_draws(visited, draws, base)).mean(axis=0)
    right = draws.cell + shift_draws(visited, draws, base, dead)
    cell_now = np.abs(draws.cell + shift_draws(visited, draws, base)).mean(axis=0)
    for _ in range(4):
        then = np.abs(error_draws(visited, draws, base, change=change, dead_time=dead)).mean(axis=0)
        harmed, moved = then > np.maximum(now, 0.005) + HARM, np.abs(change - kept)
        blamed = (at[harmed] * moved).sum(axis=0) > 0.2 * moved * np.maximum(at.sum(axis=0), 1e-9)
        blamed |= np.abs(right - change).mean(axis=0) > cell_now + HARM
        if not (blamed & (moved > 0)).any():
            return change
        change = np.where(blamed, kept, change)
    return change


def _capped(over: np.ndarray, car: Car) -> tuple[str, ...]:
    many = int(over.sum())
    if not many:
        return ()
    cells = f"{many} cell{'s' if many > 1 else ''}"
    return (f"{cells} would change by more than your {car.limits.meter_change_max_pct:g} % and go that far only.",)


def _proposal(
    fit: FillingFit, revision: Revision, change: np.ndarray, dead: DeadTime, predicted: LambdaError,
    capped: tuple[str, ...],
) -> TableProposal:  # fmt: skip
    table = fit.cells["in_force"].to_numpy()
    new = np.where(change == 0, table, np.round(table * np.exp(change), decimals_of(table) if table.size else 1))
    cells = fit.cells.assign(proposed=new, change_pct=100 * (new / table - 1), changed=new != table)
    cells["basis"] = cells["basis"].mask((cells["basis"] == "unchanged") & cells["changed"], "kept pulse")
    rows = fit.dead_time.rows.assign(dead_time_proposed_ms=np.asarray(dead.dead_time_ms, dtype=float))
    moves = (rows["dead_time_proposed_ms"] != rows["dead_time_in_force_ms"]).any()
    order = [name for name in rows.columns if name != "basis"]
    rows = rows.assign(basis=rows["basis"] if moves else "unchanged")[[*order, "basis"]]
    return TableProposal(revision, cells, fit.key, fit.load_channel, rows, capped, predicted, _notes(fit, cells))


def _notes(fit: FillingFit, cells: pd.DataFrame) -> tuple[str, ...]:
    if fit.because:
        return (fit.because, *fit.notes)
    counts = {name: int((cells["basis"] == name).sum()) for name in ("measured", "extended", "unchanged")}
    moved = int(cells["changed"].sum())
    return (
        f"{moved} of {len(cells)} cells change. {counts['measured']} were driven, {counts['extended']} lie so near to "
        f"what was driven that they may follow from it, {counts['unchanged']} stay as they are for want of driving.",
    )


def withheld(proposal: TableProposal, fit: FillingFit, because: str) -> TableProposal:
    """The same with everything as in force, for logs that mislead."""
    none = np.zeros(len(fit.cells))
    bare = _proposal(fit, proposal.base, none, proposal.base.dead_time, fit.before, ())
    nothing = LambdaError.not_shown()
    return replace(bare, predicted=nothing, notes=(f"Withheld. {because}",))


def table_of(proposal: TableProposal) -> pd.DataFrame:
    """The table as a person enters it: a row for each load, a column for each engine speed; changed cells marked."""
    surface = surface_of(proposal.base.air_table)
    decimals = decimals_of(proposal.cells["in_force"].to_numpy())
    marked = [
        f"{value:.{decimals}f}{' *' if changed else ''}"
        for value, changed in zip(proposal.cells["proposed"], proposal.cells["changed"], strict=True)
    ]
    unit = channel(proposal.load_channel).shown_unit
    names = [f"{speed:.0f} rpm" for speed in surface.engine_speed_rpm]
    grid = pd.DataFrame(np.array(marked).reshape(surface.shape), columns=names)
    grid.insert(0, f"{proposal.load_channel.split('_')[0]} [{unit}]", [f"{load:g}" for load in surface.load])
    return grid
