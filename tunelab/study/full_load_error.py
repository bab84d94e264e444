"""How far fuel at full load is off over engine speed, once meter and injectors are put right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in
from tunelab.log.load import inlet_of
from tunelab.physics.load import absolute_load
from tunelab.study.filling import FillingFit, TableProposal
from tunelab.study.fuel_supply import CHANNELS, OTHER_TABLE, at_readings
from tunelab.study.full_throttle.mixture import Mixture, mean_of_pulls
from tunelab.study.high_flow import ERROR_OF_PULLS, HighFlow
from tunelab.study.proposal import Proposal
from tunelab.study.steady import SteadyFit
from tunelab.study.steady.prediction import LEAST_OPEN_MS, Setting, in_force
from tunelab.workspace.car import Car
from tunelab.workspace.revision import FillingTable, FullLoadFuel, Revision, table_air_kg_h

STEP_RPM = 500.0  # of the breakpoints where the revision states none
LEAST_READINGS, LEAST_PULLS = 8, 2
BESIDE = 1 / 3  # readings at a breakpoint may lie so far to one side, in steps to its nearer neighbour
FURTHER = 1.5  # they are taken from no further away than so many of these steps: a far neighbour is no evidence here
LOAD_STEP, LEAST_AT_LOAD, LEAST_RICHER = 0.01, 5, 0.03  # bins of absolute load; rows in one; a table that enriches
WEIGHED = ("commanded", "asked", "acts", "lost", *CHANNELS)  # means at a breakpoint, by the table's own straight lines


@dataclass(frozen=True)
class Joined:
    """Curve or table, and dead time, that go in together with the fuel of full load; how far the dead time is off."""

    setting: Setting
    dead_time_error_ms: float  # true less current
    words: str  # what of it changes the fuel at full load; empty where nothing does
    air_table: FillingTable | None = None  # of a car whose ECU takes the air from one, in the curve's place

    @property
    def content(self) -> dict[str, dict]:
        """What goes into the next revision beside the fuel, by its keys; empty where nothing changes."""
        if not self.words:
            return {}
        air = (
            {"meter_curve": self.setting.curve} if self.air_table is None else {"volumetric_efficiency": self.air_table}
        )
        return {key: value.model_dump() for key, value in (air | {"dead_time": self.setting.dead_time}).items()}


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


def error_rows(
    log: xr.Dataset, car: Car, revision: Revision, mixture: Mixture, joined: Joined
) -> tuple[pd.DataFrame, str]:
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
    lost, acts = _enrichment(log, car, revision, joined)
    at, lost, acts = (np.interp(table["fuelled_s"], log["time"].values, x) for x in (taken - lost, lost, acts))
    if own is not None and own.commanded_lambda is not None:
        acts = np.fmin(acts, _share(commanded, own, rpm))
    rows = pd.DataFrame({
        "rpm": rpm, "stretch": table["stretch"].to_numpy(), "goal": goal, "taken": at, "lost": lost, "acts": acts,
        "error": np.log(table["lambda"].to_numpy() / goal), "commanded": commanded,
        "past_film": table["past_film"].to_numpy(dtype=bool) if "past_film" in table else True,
        "asked": commanded if own is None or own.commanded_lambda is None else np.interp(
            rpm, own.engine_speed_rpm, own.values),
    })  # fmt: skip
    rows = rows.join(at_readings(log, car, revision, table["fuelled_s"].to_numpy()))
    return rows[np.isfinite(rows[["error", "taken"]]).all(axis=1)].reset_index(drop=True), ""


def meant_lambda(own: FullLoadFuel) -> np.ndarray:
    """Target at the table's own breakpoints."""
    return own.values if own.target_lambda is None else np.asarray(own.target_lambda, dtype=float)


def _target(own: FullLoadFuel, rpm: np.ndarray) -> np.ndarray | None:
    if own.target_lambda is None and own.commanded_lambda is None:
        return None
    return np.interp(rpm, own.engine_speed_rpm, meant_lambda(own))


def _taken(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> np.ndarray | str:
    """Log of the fuel that meter and injectors correct at every row, over 0.15 s; or why that is not known."""
    if not joined.words:
        return np.zeros(log.sizes["time"])
    change = log_fuel_change(log, car, revision, joined)
    if isinstance(change, str):
        return f"what meter and injectors correct at full throttle is not known: {change}"
    return rolling(change, rows_in(0.15, row_step_s(log)), "mean")


def _enrichment(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> tuple[np.ndarray, np.ndarray]:
    """Log of the fuel that the ECU takes back as it sees less load, and the share of the full-load table that acts.

    An ECU that enriches from a load on goes by the air that it believes in: with a curve that means less air the same
    full throttle may lie below that load. What it commands at which load is read off this log, all of it; none is lost
    where the revision states no commanded lambda or the log does not tell. Shapes (time,).
    """
    rows = log.sizes["time"]
    own, nothing = revision.full_load_fuel, (np.zeros(rows), np.ones(rows))
    if own is None or own.commanded_lambda is None or not joined.words or not has(log, "lambda_commanded"):
        return nothing
    air = _air_now_and_then(log, car, revision, joined)
    if isinstance(air, str):
        return nothing
    rpm, commanded = at_rows(log, "engine_speed_rpm"), at_rows(log, "lambda_commanded")
    turning = np.where(rpm > 0, rpm, np.nan)
    now, then = (absolute_load(one, turning, displacement_l=car.engine.displacement_l) / 100 for one in air)
    asked = np.log(np.interp(rpm, own.engine_speed_rpm, own.values))
    share = _share(commanded, own, rpm)
    seen = pd.DataFrame({"load": LOAD_STEP * np.round(now / LOAD_STEP), "share": share}).dropna()
    bins = seen.groupby("load")["share"].agg(["mean", "size"])
    bins = bins[bins["size"] >= LEAST_AT_LOAD]
    if len(bins) < 2:
        return nothing
    rising = scipy.optimize.isotonic_regression(bins["mean"], weights=bins["size"]).x
    before, after = (np.interp(np.nan_to_num(load), bins.index, rising) for load in (now, then))
    lost = np.nan_to_num(-asked * np.maximum(before - after, 0.0))
    return lost, np.where(lost > 0, after, 1.0)


def _share(commanded: np.ndarray, own: FullLoadFuel, rpm: np.ndarray) -> np.ndarray:
    """Share of the full-load table that the ECU commands, 0 to 1; NaN where the table hardly enriches. Shapes (n,)."""
    asked = np.log(np.interp(rpm, own.engine_speed_rpm, own.values))
    richer = np.where(asked < -LEAST_RICHER, asked, np.nan)
    return np.clip(np.log(np.where(commanded > 0, commanded, np.nan)) / richer, 0.0, 1.0)


def log_fuel_change(log: xr.Dataset, car: Car, revision: Revision, joined: Joined) -> np.ndarray | str:
    """Log of the fuel that arrives with a setting over what arrives now, at one reading of the meter or of the load.

    The opening time follows the air of curve or table; the dead time entered comes on top, and what the true dead time
    takes stays the same.

    Returns
    -------
    array, shape (time,), or str
        NaN where a reading is missing; a sentence where a channel is.
    """
    wanted = ("pulse_width_ms", "battery_v", *((car.meter.channel,) if joined.air_table is None else ()))
    absent = [name for name in wanted if not has(log, name)]
    if absent:
        return f"the log has no {in_words(*absent)}."
    air = _air_now_and_then(log, car, revision, joined)
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


def _air_now_and_then(
    log: xr.Dataset, car: Car, revision: Revision, joined: Joined
) -> tuple[np.ndarray, np.ndarray] | str:
    """Air at every row now and as proposed [kg/h], by the table where one goes in; or why that is not known."""
    if joined.air_table:
        return _air_by_table(log, car, revision, joined.air_table)
    return _air_by_meter(log, car, revision, joined)


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


def breakpoints_for(revision: Revision, rows: pd.DataFrame) -> np.ndarray:
    """Engine speeds of the table to enter: the revision's own, or even steps over what was driven. [rpm]"""
    if revision.full_load_fuel is not None:
        return np.asarray(revision.full_load_fuel.engine_speed_rpm, dtype=float)
    low, high = (STEP_RPM * np.round(end / STEP_RPM) for end in (rows["rpm"].min(), rows["rpm"].max()))
    return np.arange(low, high + 1, STEP_RPM)


def error_at(rows: pd.DataFrame, points: np.ndarray, k: int) -> dict[str, float]:
    """Error at a breakpoint, by the readings between its neighbours, with its standard error and counts.

    Weighted by the table's own straight lines, the slope taken out, pull by pull; of an uneven step's far side only
    what FURTHER allows, since readings may not lie to one side. The interval is that of the pulls' means, with the
    spread that a pull is known to have (`high_flow`) where they are few. While the wall film fills after opening no
    reading counts: it speaks of the fuel for tip-ins. `apart` is the standard error by the pulls'
    spread alone, without what all of them share.
    """
    steps = np.diff(points)
    below, above = (steps[k - 1] if k else np.nan), (steps[k] if k < steps.size else np.nan)
    below, above = (below, above) if points.size > 1 else (STEP_RPM, STEP_RPM)
    below, above = (above if np.isnan(below) else below), (below if np.isnan(above) else above)
    nearer = min(below, above)
    below, above = min(below, FURTHER * nearer), min(above, FURTHER * nearer)
    offset = rows["rpm"].to_numpy() - points[k]
    weight = np.clip(1 - np.abs(offset) / np.where(offset < 0, below, above), 0.0, None)
    use = (weight > 0) & rows["past_film"].to_numpy(dtype=bool)
    part = rows[use].assign(weight=weight[use], offset=offset[use])
    empty = {"error": np.nan, "se": np.nan, "apart": np.nan, "taken": np.nan, "goal": np.nan, "readings": len(part),
             "pulls": 0}  # fmt: skip
    empty |= dict.fromkeys(WEIGHED, np.nan)
    if len(part) < LEAST_READINGS or abs(np.average(part["offset"], weights=part["weight"])) > BESIDE * nearer:
        return empty
    left = part["error"] - part["taken"]
    slope = _slope(part, left)
    flat = part.assign(left=left - slope * part["offset"])
    means = flat.groupby("stretch").apply(lambda own: np.average(own["left"], weights=own["weight"])).to_numpy()
    over = mean_of_pulls(means)
    weights = part["weight"]
    return {
        "error": over.mean, "se": float(np.hypot(over.error, over.wider * ERROR_OF_PULLS)), "apart": over.error,
        "taken": float(np.average(part["taken"], weights=weights)),
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
