"""Fuel trims in closed loop: how large by speed and load, still learning or not, and what folding them in means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import FUEL_MODES, in_words
from tunelab.log.align import at_rows, has
from tunelab.log.flag import sample_seconds, trusted
from tunelab.physics.load import absolute_load
from tunelab.study.ecu_law import metered_air_kg_h
from tunelab.study.finding import (
    NAN,
    Estimate,
    Finding,
    Question,
    blocks,
    counted,
    echo_of,
    estimate_table,
    judge,
    mean_estimate,
    nothing,
    shows_its_table,
)
from tunelab.study.full_load_error import Joined, log_fuel_change
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

SPEED_EDGES = (0, 1100, 1500, 2000, 2500, 3000, 3500, 4500, 6000, 9000, 20000)
LOAD_EDGES = (0, 15, 20, 30, 40, 55, 70, 100, 250)
CLOSED_LOOP = next(number for number, name in FUEL_MODES.items() if name == "closed_loop")
BLOCK_S = 3.0  # a few swings of a switching loop
LEAST_S = 3.0
ENDS_S = 1.5  # of a cell's time that stand for its first and last long-term trim
LEARNING_PCT = 0.5  # the long-term trim of a cell moved by this: still learning; common practice, no source
RESET_PCT = 0.3
ONLY_ONCE = (
    "Trims may be folded into the meter curve only once. The curve that the steady study proposes comes from the "
    "pulse width, which contains the trims already: enter that curve or this one, never both. After either, clear the "
    "long-term trims, or the same correction works twice until they have unlearned it."
)
WRONG_AT_IDLE = (
    "Trims times the curve is wrong wherever the injectors' dead time is wrong, most at short pulses such as idle: the "
    "steady study separates the two, this table does not. Use it only where there is no steady drive."
)
LEFT_SHARE = 0.25  # of the total trim that may be left for it to count as replaced; common practice, no source
REPLACED = [
    "seconds", "total_pct", "long_pct", "correction_pct", "left_pct", "what",
]  # fmt: skip
CLEAR = (
    "Clear all learned trims when what is proposed is in, and not before: until they have unlearned it the same "
    "correction would work twice."
)
CELL = ["speed_from_rpm", "speed_to_rpm", "load_from_pct", "load_to_pct"]


@shows_its_table
@dataclass(frozen=True)
class TrimStudy:
    """Trims of one session. Total trim is short- plus long-term, in per cent; positive adds fuel."""

    session: str
    revision: str
    shown: bool
    because: str
    cells: pd.DataFrame
    """CELL and `seconds, total_pct, lower_pct, upper_pct, spread_pct, short_pct, long_pct,
    long_first_pct, long_last_pct`"""
    fold_in: pd.DataFrame
    """`reading, flow_in_force_kg_h, factor, factor_lower, factor_upper, flow_folded_kg_h, seconds,
    basis`, by breakpoint"""
    total: Estimate  # mean over all closed-loop driving
    worst: Estimate  # the cell with the largest total trim
    moved: Estimate  # largest change of a cell's long-term trim within the session
    still_learning: bool
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per value: value, lower, upper, unit, samples."""
        parts = {"mean total trim": self.total, "largest cell": self.worst, "long-term trim moved by": self.moved}
        return estimate_table(parts, "samples")

    def findings(self, car: Car) -> list[Finding]:
        """Hold trims against the owner's limit, and say whether they are still learning."""
        limit, key = car.limits.trim_total_max_pct, "limits.trim_total_max_pct"
        worst = Question("trims.total", "Largest total fuel trim of a speed and load", limit, key, "away")
        moved = Question("trims.learning", "Largest change of a long-term trim within the session", LEARNING_PCT)
        why = self.because or self.worst.method
        state = "still learning" if self.still_learning else "settled"
        text = self.because or f"{state}: a cell that moved by {LEARNING_PCT:g} % or more counts as learning."
        return [judge(worst, self.worst, why), judge(moved, self.moved, text)]


def study_trims(log: xr.Dataset, car: Car, revision: Revision) -> TrimStudy:
    """Study the fuel trims of one flagged log.

    Where the ECU logs its fuelling mode, closed loop is what it says; else rows with a short-term trim that moves.
    """
    absent = [name for name in ("engine_speed_rpm",) if not has(log, name)]
    if not (has(log, "trim_short_pct") or has(log, "trim_long_pct")):
        absent.append("fuel trim")
    rows = pd.DataFrame() if absent else _rows(log, car, revision)
    if absent or rows.empty or rows["seconds"].sum() < LEAST_S:
        why = f"the log has no {in_words(*absent)}." if absent else "the log holds no closed-loop driving."
        return _nothing(log, why)
    alike = _alike(rows)
    table = _cells(rows, alike)
    moved = (table["long_last_pct"] - table["long_first_pct"]).abs()
    total = _of_rows(rows, alike)
    return TrimStudy(
        session=str(log.attrs.get("session", "")),
        revision=revision.name,
        shown=True,
        because="",
        cells=table,
        fold_in=_fold_in(rows, revision, alike),
        total=total,
        worst=_worst(table),
        moved=_moved(moved, rows),
        still_learning=bool((moved >= LEARNING_PCT).any()),
        samples_used=len(rows),
        samples_flagged=log.sizes["time"] - len(rows),
    )


def _nothing(log: xr.Dataset, why: str) -> TrimStudy:
    columns = [*CELL, "seconds", "total_pct", "lower_pct", "upper_pct", "spread_pct", "short_pct", "long_pct"]
    empty = nothing("%", why)
    name, revision = str(log.attrs.get("session", "")), str(log.attrs.get("revision", ""))
    cells = pd.DataFrame(columns=[*columns, "long_first_pct", "long_last_pct"])
    return TrimStudy(
        name, revision, False, why, cells, pd.DataFrame(), empty, empty, empty, False, 0, log.sizes["time"]
    )


def _rows(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    """Rows of closed loop that may be trusted: time, seconds, trims, speed, load, meter reading, steady."""
    short = at_rows(log, "trim_short_pct") if has(log, "trim_short_pct") else np.zeros(log.sizes["time"])
    long = at_rows(log, "trim_long_pct") if has(log, "trim_long_pct") else np.zeros(log.sizes["time"])
    speed, air, reading = at_rows(log, "engine_speed_rpm"), metered_air_kg_h(log, car, revision), _reading(log, car)
    turning = np.where(speed > 0, speed, np.nan)
    table = pd.DataFrame(
        {
            "time": log["time"].values,
            "seconds": sample_seconds(log),
            "short": short,
            "long": long,
            "total": short + long,
            "speed": speed,
            "load": absolute_load(air, turning, displacement_l=car.engine.displacement_l),
            "reading": reading,
            "calm": trusted(log).values,
        }
    )
    good = trusted(log, allow=("cold", "transient")).values & _closed(log, short)
    good &= np.isfinite(table[["total", "speed", "load"]]).all(axis=1).to_numpy()
    kept = table[good].reset_index(drop=True)
    speed, load = (np.digitize(kept[c], e) - 1 for c, e in (("speed", SPEED_EDGES), ("load", LOAD_EDGES)))
    return kept.assign(speed_cell=speed, load_cell=load)


def _closed(log: xr.Dataset, short: np.ndarray) -> np.ndarray:
    if has(log, "fuel_mode"):
        return log["fuel_mode"].values == CLOSED_LOOP
    moves = pd.Series(short).rolling(25, center=True, min_periods=5).std().to_numpy() > 0.05
    return moves & (short != 0.0)


def _reading(log: xr.Dataset, car: Car) -> np.ndarray:
    return at_rows(log, car.meter.channel) if has(log, car.meter.channel) else np.full(log.sizes["time"], NAN)


@dataclass(frozen=True)
class Alike:
    """How block means of one drive scatter about their cell's own mean, and how neighbours lean on one another."""

    spread: float
    echo: float


def _block_means(rows: pd.DataFrame, name: str) -> np.ndarray:
    """Means of blocks of BLOCK_S in the order driven, shape (blocks,)."""
    values = rows[name].to_numpy()
    return np.array([values[part].mean() for part in blocks(rows["time"].to_numpy(), BLOCK_S)])


def _alike(rows: pd.DataFrame) -> Alike:
    """Scatter and echo of a drive's block means of the total trim, pooled over its cells."""
    groups = [_block_means(part, "total") for _, part in rows.groupby(["speed_cell", "load_cell"])]
    left = np.concatenate([np.zeros(0), *(group - group.mean() for group in groups if group.size > 1)])
    freedom = left.size - sum(group.size > 1 for group in groups)
    spread = float(np.sqrt(np.sum(left**2) / freedom)) if freedom > 1 else NAN
    return Alike(spread, echo_of(groups))


def _of_rows(rows: pd.DataFrame, alike: Alike) -> Estimate:
    """Mean total trim of some rows, with an interval that allows for blocks which lean on one another."""
    return mean_estimate(
        _block_means(rows, "total"), "%", used=len(rows), flagged=0, what=f"blocks of {BLOCK_S:g} s",
        echo=alike.echo, spread=alike.spread,
    )  # fmt: skip


def _cells(rows: pd.DataFrame, alike: Alike) -> pd.DataFrame:
    found = []
    for (i, k), part in rows.groupby(["speed_cell", "load_cell"]):
        if part["seconds"].sum() < LEAST_S or i + 1 >= len(SPEED_EDGES) or k + 1 >= len(LOAD_EDGES):
            continue
        total = _of_rows(part, alike)
        mean = total.value if total.shown else part["total"].mean()
        clock = part["seconds"].cumsum()
        first, last = part[clock <= ENDS_S], part[clock > clock.iloc[-1] - ENDS_S]
        found.append(
            (SPEED_EDGES[i], SPEED_EDGES[i + 1], LOAD_EDGES[k], LOAD_EDGES[k + 1], part["seconds"].sum(),
             mean, total.lower, total.upper, part["total"].std(ddof=1), part["short"].mean(),
             part["long"].mean(), first["long"].mean(), last["long"].mean())
        )  # fmt: skip
    names = [*CELL, "seconds", "total_pct", "lower_pct", "upper_pct", "spread_pct", "short_pct", "long_pct"]
    return pd.DataFrame(found, columns=[*names, "long_first_pct", "long_last_pct"])


def _worst(table: pd.DataFrame) -> Estimate:
    if table.empty:
        return nothing("%", "no cell of speed and load was driven for three seconds in closed loop")
    row = table.loc[table["total_pct"].abs().idxmax()]
    ends = table[["lower_pct", "upper_pct"]].to_numpy(dtype=float)
    furthest = float(np.abs(ends).max()) if np.isfinite(ends).all() else NAN
    lower, upper = row["lower_pct"], row["upper_pct"]
    lower, upper = (lower, max(upper, furthest)) if row["total_pct"] > 0 else (min(lower, -furthest), upper)
    text = (
        f"{row['speed_from_rpm']:.0f} to {row['speed_to_rpm']:.0f} rpm at a load of {row['load_from_pct']:.0f} to "
        f"{row['load_to_pct']:.0f} %, {row['seconds']:.0f} s; {counted(len(table), 'cells')} driven, "
    )
    if np.isfinite(furthest):
        text += "and the interval reaches as far as any of theirs"
    else:
        lower = upper = NAN
        text += "some too briefly for an interval"
    return Estimate(row["total_pct"], lower, upper, "%", round(row["seconds"]), 0, text)


def _moved(moved: pd.Series, rows: pd.DataFrame) -> Estimate:
    known = moved[np.isfinite(moved)]
    if known.empty or not np.ptp(rows["long"].to_numpy()) > 0:
        return nothing("%", "the log has no long-term trim, or it never changed and may be dead")
    value, step = float(known.max()), 0.1  # what trims are usually logged to
    text = "largest of the cells, first against last 1.5 s; the interval is the reading's own step"
    return Estimate(value, max(value - step, 0.0), value + step, "%", len(known), 0, text)


def _fold_in(rows: pd.DataFrame, revision: Revision, alike: Alike) -> pd.DataFrame:
    """What folding the trims into the curve would give, at the breakpoints that were driven steadily."""
    curve = revision.meter_curve
    reading, flow = np.asarray(curve.reading), np.asarray(curve.flow_kg_h, dtype=float)
    calm = rows[rows["calm"] & np.isfinite(rows["reading"])]
    nearest = np.searchsorted((reading[1:] + reading[:-1]) / 2, calm["reading"].to_numpy())
    found = []
    for k in range(reading.size):
        own = calm[nearest == k]
        seconds = float(own["seconds"].sum())
        if seconds < LEAST_S:
            found.append((reading[k], flow[k], NAN, NAN, NAN, flow[k], seconds, "unchanged"))
            continue
        total = _of_rows(own, alike)
        factor = [1.0 + v / 100.0 for v in (total.value, total.lower, total.upper)]
        new = flow[k] * factor[0] if np.isfinite(factor[0]) else flow[k]
        found.append(
            (reading[k], flow[k], *factor, new, seconds, "measured" if np.isfinite(factor[0]) else "unchanged")
        )
    names = ["reading", "flow_in_force_kg_h", "factor", "factor_lower", "factor_upper", "flow_folded_kg_h"]
    return pd.DataFrame(found, columns=[*names, "seconds", "basis"])


def compare_trims(before: TrimStudy, after: TrimStudy) -> pd.DataFrame:
    """Long-term trims at the end of one session against the beginning of a later one, by cell.

    `what` says "kept", "cleared" (about zero in the later session), or "changed by itself". Another revision in
    between makes any change natural: then it says "another revision". Empty where no cell was driven in both.
    """
    columns = [*CELL, "before_pct", "after_pct", "change_pct", "what"]
    if not (before.shown and after.shown):
        return pd.DataFrame(columns=columns)
    both = before.cells.merge(after.cells, on=CELL, suffixes=("_a", "_b"))
    rows = []
    for row in both.itertuples():
        old, new = row.long_last_pct_a, row.long_first_pct_b
        what = "kept" if abs(new - old) < LEARNING_PCT else "changed by itself"
        if what != "kept" and abs(new) < RESET_PCT:
            what = "cleared"
        if what != "kept" and before.revision != after.revision:
            what = "another revision"
        cell = (row.speed_from_rpm, row.speed_to_rpm, row.load_from_pct, row.load_to_pct)
        rows.append((*cell, old, new, new - old, what))
    return pd.DataFrame(rows, columns=columns)


def change_sentence(before: TrimStudy, after: TrimStudy) -> str:
    """Say in one sentence what happened to the long-term trims between two sessions."""
    table = compare_trims(before, after)
    if table.empty:
        return f"{before.session} and {after.session} share no cell of speed and load in closed loop: not shown."
    counts = table["what"].value_counts()
    kinds = ", ".join(
        f"{count} {kind.replace('itself', 'themselves') if count > 1 else kind}" for kind, count in counts.items()
    )
    text = f"From {before.session} to {after.session}, of {len(table)} cells with a long-term trim: {kinds}."
    if counts.get("cleared", 0) > 0.5 * len(table):
        text += " Cleared trims mean that the ECU lost its memory in between: a battery taken off, or a fault there."
    return text


@shows_its_table
@dataclass(frozen=True)
class ReplacedTrims:
    """Which trims a proposal takes over; `because` says why that is not shown, and all are to be cleared still."""

    because: str
    cells: pd.DataFrame
    """CELL and REPLACED: `correction_pct` is the fuel that the proposal adds there by itself, `left_pct` the total trim
    that it leaves; `what` is `clear: replaced`, `clear: replaced in part`, `clear: not replaced`, `nothing learned`."""

    def summary(self) -> pd.DataFrame:
        """One row per cell of speed and load."""
        return self.cells

    def sentence(self) -> str:
        """Say which long-term trims the proposal replaces, and what to clear."""
        if self.because:
            return f"Which long-term trims this replaces is not shown: {self.because} {CLEAR}"
        learned = self.cells[self.cells["what"] != "nothing learned"]
        gone = learned[learned["what"] == "clear: replaced"]
        if learned.empty:
            return f"In none of {len(self.cells)} cells did the long-term trim reach {LEARNING_PCT:g} %. {CLEAR}"
        left = self.cells["left_pct"].abs().max()
        return (
            f"{counted(len(learned), 'cells')} learned a long-term trim, {learned['long_pct'].abs().max():.1f} % at "
            f"most. The proposal replaces that of {len(gone)}; at most {left:.1f} % of total trim is left to learn. "
            f"{CLEAR}"
        )


def replace_trims(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> ReplacedTrims:
    """Tell which trims of a log a curve and dead time take over, by cell of engine speed and load.

    Parameters
    ----------
    log : Dataset
        The flagged log, driven with `revision`.
    joined : Joined
        What is proposed of meter and injectors (`join_setting`).
    """
    none = pd.DataFrame(columns=[*CELL, *REPLACED])
    if not has(log, "trim_long_pct"):
        return ReplacedTrims("the log has no long-term trim.", none)
    change = log_fuel_change(log, car, revision, joined)
    if isinstance(change, str):
        return ReplacedTrims(change, none)
    if not has(log, "engine_speed_rpm"):
        return ReplacedTrims(f"the log has no {in_words('engine_speed_rpm')}.", none)
    rows = _rows(log, car, revision)
    rows = rows.assign(change=100 * np.expm1(np.interp(rows["time"], log["time"].values, change)))
    rows = rows[np.isfinite(rows["change"])]
    found = []
    for (i, k), part in rows.groupby(["speed_cell", "load_cell"]):
        if part["seconds"].sum() < LEAST_S or i + 1 >= len(SPEED_EDGES) or k + 1 >= len(LOAD_EDGES):
            continue
        total, long, gives = (float(part[name].mean()) for name in ("total", "long", "change"))
        left = 100 * ((1 + total / 100) / (1 + gives / 100) - 1)
        found.append((SPEED_EDGES[i], SPEED_EDGES[i + 1], LOAD_EDGES[k], LOAD_EDGES[k + 1], part["seconds"].sum(),
                      total, long, gives, left, _what(long, total, left)))  # fmt: skip
    if not found:
        return ReplacedTrims("the log holds no closed-loop driving.", none)
    return ReplacedTrims("", pd.DataFrame(found, columns=[*CELL, *REPLACED]))


def _what(long_pct: float, total_pct: float, left_pct: float) -> str:
    """What becomes of a cell's long-term trim."""
    if abs(long_pct) < LEARNING_PCT:
        return "nothing learned"
    if abs(left_pct) <= max(LEFT_SHARE * abs(total_pct), LEARNING_PCT):
        return "clear: replaced"
    return "clear: replaced in part" if abs(left_pct) < abs(total_pct) - LEARNING_PCT else "clear: not replaced"
