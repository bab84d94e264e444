"""Spark where the ECU's knock control took it back: how often, how much, under what, and which cells to retreat."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr
from numpy.typing import ArrayLike

from tunelab.channels import in_words
from tunelab.log.align import at_rows, fresh_readings, has
from tunelab.study.finding import CONFIDENCE, Finding, counted, shows_its_table, status_within, step_of
from tunelab.study.full_throttle.check import SMOOTH_S
from tunelab.study.limits_driving import LOAD_FROM_PCT, with_load
from tunelab.study.power.result import PowerFit
from tunelab.study.revision_change import spark_at
from tunelab.workspace.car import Car, stated
from tunelab.workspace.revision import Revision, SparkRetreat, SparkTable

CAME_DEG = 0.5  # less is the reading's own dust, not knock control; common practice, no source
# Retard that rose by so much within so long is knock, as long as it has not fallen again; what falls only fades out.
RISE_DEG, FALLEN_DEG, LATELY_S = 0.3, 0.15, 1.0
APART_S = 1.0  # events closer than this are one
MARGIN_DEG = 1.0  # beyond the retard seen, where the owner states none; common practice, no source
FINE_DEG = 10  # parts of a degree that a retreat is rounded up to
LEAST_DEG = -40.0  # what a spark table may hold
CELL_RPM, CELL_LOAD_PCT = 500.0, 10.0  # of the list, where the spark table is not written down
EVENTS = ["start_s", "seconds", "highest_deg", "from_rpm", "to_rpm", "load", "intake_air_c", "spark_deg"]
CELLS = ["engine_speed_rpm", "load", "in_force_deg", "proposed_deg", "retreat_deg", "retard_seen_deg", "readings",
         "basis"]  # fmt: skip
LIST = ["engine_speed_from_rpm", "engine_speed_to_rpm", "load_from_pct", "load_to_pct", "retreat_deg",
        "retard_seen_deg", "readings", "basis"]  # fmt: skip
NO_ADVANCE = (
    "Never more advance: this only takes spark back. Later spark makes the exhaust hotter: watch it, and find what "
    "made the engine knock (fuel, heat, deposits, a lean mixture) before anything else."
)


@shows_its_table
@dataclass(frozen=True)
class SparkStudy:
    """Where knock control took spark back, and by how much less advance is to be entered there."""

    shown: bool
    because: str
    base: Revision
    axis: str  # of the loads: "load_pct" (absolute load) or "manifold_kpa"
    events: pd.DataFrame  # EVENTS, in the order driven
    cells: pd.DataFrame  # CELLS with a spark table in the revision, else LIST; only what retreats
    retard: Finding  # highest of the whole log
    predicted: Finding  # the same, with the retreat in the ECU
    notes: tuple[str, ...]

    def summary(self) -> pd.DataFrame:
        """One row per event."""
        return self.events

    def findings(self) -> list[Finding]:
        """Highest retard, and what is expected with the retreat, where there is one."""
        return [self.retard, self.predicted] if len(self.cells) else [self.retard]

    def parts(self) -> tuple[str, ...]:
        """Keys of the revision that the proposal changes."""
        if self.cells.empty:
            return ()
        return ("spark",) if self.base.spark is not None else ("spark_retreat",)

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write the retreat as the revision `name`; `date` stands in until a person enters it.

        Raises
        ------
        ValueError
            Nothing retreats.
        """
        if not self.parts():
            raise ValueError("nothing to write: no cell retreats.")
        more: dict = {}
        if self.base.spark is not None:
            more["spark"] = self.base.spark.model_dump() | {"spark_deg": self._advance().tolist()}
        else:
            rows = self.cells[list(SparkRetreat.model_fields)].to_dict("records")
            more["spark_retreat"] = [{key: float(value) for key, value in row.items()} for row in rows]
        return self.base.followed_by(name, date, more)

    def _advance(self) -> np.ndarray:
        table = stated(self.base.spark, f"[spark] in revisions/{self.base.name}.toml")
        values = table.values.copy()
        for row in self.cells.itertuples():
            at = _cell(table, row.engine_speed_rpm, row.load)
            values[at] = row.proposed_deg
        return values


def study_spark(log: xr.Dataset, car: Car, revision: Revision) -> SparkStudy:
    """Study knock retard over a whole log, and propose less advance where it passed the owner's limit.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    car, revision
        `limits.knock_retard_max_deg` says what counts; `limits.spark_retreat_margin_deg` how far beyond the retard seen
        spark is taken back. With `spark` in the revision the retreat stands in its cells, else it is a list of cells.

    Returns
    -------
    SparkStudy
        No cell gets more advance, and none less while all knock stayed within the limit. Once it passed it anywhere,
        every place where knock came retreats: how high it comes is chance, and what stayed below the limit in this
        drive passes it in another. In a table the breakpoints on both sides of each reading retreat by the highest one
        there and the margin. In a list the cell does, and the cells around it by the margin.
    """
    readings, axis, why = _readings(log, car, revision)
    if why:
        return _nothing(revision, axis, why, log.sizes["time"])
    events = _events(readings)
    limit = car.limits.knock_retard_max_deg
    margin = MARGIN_DEG if car.limits.spark_retreat_margin_deg is None else car.limits.spark_retreat_margin_deg
    came = readings[readings["came"]]
    passed = bool((came["deg"] > limit).any())
    placed = came[np.isfinite(came[["rpm", "load"]]).all(axis=1) & passed]
    if revision.spark is not None:
        cells = _in_table(placed, revision, margin)
        given = _given_by_table(readings, cells, revision)
    else:
        cells = _in_list(placed, margin)
        given = _given_by_list(readings, cells)
    step = step_of(readings["deg"].to_numpy())
    retard = _retard(readings, limit, step, log.sizes["time"] - len(readings))
    predicted = _predicted(readings, events, given, limit, step, retard)
    return SparkStudy(True, "", revision, axis, events.drop(columns="number"), cells, retard, predicted, _notes(
        readings, axis, events, cells, limit, margin))  # fmt: skip


def _readings(log: xr.Dataset, car: Car, revision: Revision) -> tuple[pd.DataFrame, str, str]:
    """Fresh readings of the retard with what the engine did: time, deg, rpm, load, intake_air_c, spark_deg, came."""
    axis = "manifold_kpa" if revision.spark is not None and revision.spark.manifold_kpa is not None else "load_pct"
    absent = [name for name in ("knock_retard_deg", "engine_speed_rpm") if not has(log, name)]
    if absent:
        return pd.DataFrame(), axis, f"the log has no {in_words(*absent)}."
    time, deg = fresh_readings(log, "knock_retard_deg")
    if not deg.size or not np.ptp(deg) > 0:
        why = "knock retard never moved in this log, so the sensor may be dead."
        return pd.DataFrame(), axis, why
    if axis == "manifold_kpa":
        load = at_rows(log, axis) if has(log, axis) else np.full(log.sizes["time"], np.nan)
    else:
        _, load, _ = with_load(log, car, revision)
    at = np.searchsorted(log["time"].values, time)
    table = pd.DataFrame({"time": time, "deg": deg, "load": load[at]})
    for name, channel in (("rpm", "engine_speed_rpm"), ("intake_air_c", "intake_air_c"), ("spark_deg", "spark_deg")):
        table[name] = at_rows(log, channel)[at] if has(log, channel) else np.nan
    loaded = car.limits.load_from_pct or LOAD_FROM_PCT
    if axis == "manifold_kpa":
        _, load, _ = with_load(log, car, revision)
    return table.assign(came=_came(time, deg, load[at] >= loaded)), axis, ""


def _came(time: np.ndarray, deg: np.ndarray, is_loaded: np.ndarray) -> np.ndarray:
    """Readings at which knock came, shape (readings,).

    Knock control takes spark back at once and gives it back slowly: retard that fades out over other speeds and loads
    says nothing about those. What counts is where it rose, and where it has not fallen again under load.
    """
    came = np.zeros(time.size, dtype=bool)
    for k in np.flatnonzero(deg > CAME_DEG):
        lately = deg[np.searchsorted(time, time[k] - LATELY_S) : k + 1]
        since_low = lately[lately.size - 1 - int(np.argmin(lately[::-1])) :]
        rose = deg[k] - since_low[0] > RISE_DEG and deg[k] >= since_low.max() - FALLEN_DEG
        rises = lately.size > 1 and deg[k] > lately[-2]
        came[k] = (rose and rises) or (is_loaded[k] and (rose or deg[k] >= lately.max() - FALLEN_DEG))
    return came


def _events(readings: pd.DataFrame) -> pd.DataFrame:
    """Stretches of time in which knock control held spark back, with what the engine did where it came."""
    came = readings[readings["deg"] > CAME_DEG]
    if came.empty:
        return pd.DataFrame(columns=[*EVENTS, "number"])
    number = (came["time"].diff() > APART_S).cumsum()
    rows = []
    for k, part in came.groupby(number):
        worst, own = part.loc[part["deg"].idxmax()], part[part["came"]] if part["came"].any() else part
        rows.append((part["time"].iloc[0], part["time"].iloc[-1] - part["time"].iloc[0], worst["deg"],
                     own["rpm"].min(), own["rpm"].max(), worst["load"], worst["intake_air_c"], worst["spark_deg"],
                     k))  # fmt: skip
    return pd.DataFrame(rows, columns=[*EVENTS, "number"])


def _retreat(seen_deg: ArrayLike, margin: float) -> np.ndarray:
    """Retard seen and the margin, rounded up to a tenth of a degree."""
    return np.ceil(FINE_DEG * (np.asarray(seen_deg, dtype=float) + margin) - 1e-9) / FINE_DEG


def _in_table(placed: pd.DataFrame, revision: Revision, margin: float) -> pd.DataFrame:
    table = stated(revision.spark, f"[spark] in revisions/{revision.name}.toml")
    speeds, loads = np.asarray(table.engine_speed_rpm, dtype=float), table.load
    seen, count = np.zeros(table.values.shape), np.zeros(table.values.shape, dtype=int)
    for row in placed.itertuples():
        for i in _beside(loads, row.load):
            for k in _beside(speeds, row.rpm):
                seen[i, k], count[i, k] = max(seen[i, k], row.deg), count[i, k] + 1
    rows = []
    for i, k in zip(*np.nonzero(count), strict=True):
        less, now = float(_retreat(seen[i, k], margin)), float(table.values[i, k])
        rows.append((speeds[k], loads[i], now, max(now - less, LEAST_DEG), less, seen[i, k], count[i, k], "knock"))
    return pd.DataFrame(rows, columns=CELLS)


def _beside(points: np.ndarray, value: float) -> set[int]:
    """The breakpoints on both sides of a value; the last one beyond an end."""
    above = int(np.searchsorted(points, value))
    return {min(max(k, 0), points.size - 1) for k in (above - 1, above)}


def _cell(table: SparkTable, engine_speed_rpm: float, load: float) -> tuple[int, int]:
    """Position of a breakpoint in a table."""
    speeds = np.asarray(table.engine_speed_rpm, dtype=float)
    return int(np.argmin(np.abs(table.load - load))), int(np.argmin(np.abs(speeds - engine_speed_rpm)))


def _in_list(placed: pd.DataFrame, margin: float) -> pd.DataFrame:
    if placed.empty:
        return pd.DataFrame(columns=LIST)
    at = pd.DataFrame({"n": np.floor(placed["rpm"] / CELL_RPM), "load": np.floor(placed["load"] / CELL_LOAD_PCT)})
    own = placed["deg"].groupby([at["n"], at["load"]]).agg(["max", "size"])
    found = {key: (float(row["max"]), int(row["size"]), "knock") for key, row in own.iterrows()}
    for n, load in list(found):
        for key in ((n + a, load + b) for a in (-1, 0, 1) for b in (-1, 0, 1)):
            if min(key) >= 0:
                found.setdefault(key, (0.0, 0, "beside knock"))
    rows = []
    for (n, load), (seen, count, basis) in sorted(found.items()):
        less = float(_retreat(seen, margin))
        ends = (n * CELL_RPM, (n + 1) * CELL_RPM, load * CELL_LOAD_PCT, (load + 1) * CELL_LOAD_PCT)
        if less > 0:
            rows.append((*ends, less, seen, count, basis))
    return pd.DataFrame(rows, columns=LIST)


def _given_by_table(readings: pd.DataFrame, cells: pd.DataFrame, revision: Revision) -> np.ndarray:
    """By how much less advance every reading would have had, shape (readings,). [degrees]"""
    table = stated(revision.spark, f"[spark] in revisions/{revision.name}.toml")
    less = np.zeros(table.values.shape)
    for row in cells.itertuples():
        less[_cell(table, row.engine_speed_rpm, row.load)] = row.retreat_deg
    change = table.model_copy(update={"spark_deg": less.tolist()})
    return np.nan_to_num(spark_at(change, readings["rpm"].to_numpy(), readings["load"].to_numpy()))


def _given_by_list(readings: pd.DataFrame, cells: pd.DataFrame) -> np.ndarray:
    given = np.zeros(len(readings))
    for row in cells.itertuples():
        inside = readings["rpm"].between(row.engine_speed_from_rpm, row.engine_speed_to_rpm, inclusive="left")
        inside &= readings["load"].between(row.load_from_pct, row.load_to_pct, inclusive="left")
        given[inside.to_numpy()] = row.retreat_deg
    return given


def _retard(readings: pd.DataFrame, limit: float, step: float, flagged: int) -> Finding:
    at = readings.loc[readings["deg"].idxmax()]
    value, half = max(float(at["deg"]), 0.0), step / 2
    ends = (max(value - half, 0.0), value + half)
    text = f"highest at {at['rpm']:.0f} rpm, {at['time']:.1f} s."
    status = status_within(value, *ends, most=limit, beyond="stop" if _held_for(readings) > limit else "watch")
    title = "Highest knock retard of the whole log"
    return Finding("spark.retard", title, value, "°", *ends, CONFIDENCE, len(readings), flagged, status, limit, text)


def _held_for(readings: pd.DataFrame) -> float:
    """Highest retard that lasted as long as one that the owner's limit counts. [°]"""
    moments = pd.to_timedelta(readings["time"].to_numpy(), unit="s")
    return float(pd.Series(readings["deg"].to_numpy(), moments).rolling(pd.Timedelta(SMOOTH_S, "s")).mean().max())


def _predicted(
    readings: pd.DataFrame, events: pd.DataFrame, given: np.ndarray, limit: float, step: float, now: Finding
) -> Finding:
    """Highest retard expected with the retreat: what came at each reading, less what is taken back there.

    A degree less advance is taken to spare a degree of retard. The interval is that of the next event's own height,
    from the events of this log that passed the limit.
    """
    title = "Highest knock retard predicted with the retreat"
    came = readings["came"].to_numpy()
    height = np.where(came, readings["deg"].to_numpy() - given, 0.0)
    left = np.maximum(height, 0.0)
    peaks = events.loc[events["highest_deg"] > limit, "highest_deg"].to_numpy(dtype=float)
    counts = (now.samples_used, now.samples_flagged)
    if peaks.size < 2:
        text = "one event is too few to predict the next." if peaks.size else "no event passed the limit."
        return Finding("spark.predicted", title, None, "°", None, None, None, *counts, "not_shown", limit, text)
    spread = float(peaks.std(ddof=1)) * np.sqrt(1 + 1 / peaks.size)
    half = float(np.hypot(scipy.special.stdtrit(peaks.size - 1, 0.975) * spread, step / 2))
    value = float(left.max())
    unspared = height + np.where(came & (given > 0), half, step / 2)
    upper = max(value + step / 2, float(unspared.max()))
    status = status_within(value, 0.0, upper, most=limit)
    text = f"by {peaks.size} events beyond the limit; a degree less advance is taken to spare a degree of retard."
    return Finding("spark.predicted", title, value, "°", 0.0, upper, CONFIDENCE, *counts, status, limit, text)


def _notes(
    readings: pd.DataFrame, axis: str, events: pd.DataFrame, cells: pd.DataFrame, limit: float, margin: float
) -> tuple[str, ...]:
    minutes = float(readings["time"].iloc[-1] - readings["time"].iloc[0]) / 60
    if events.empty:
        return (f"Knock control took no spark back in {minutes:.0f} minutes.",)
    unit = "%" if axis == "load_pct" else "kPa"
    load = events["load"].dropna()
    loads = f", load {load.min():.0f} to {load.max():.0f} {unit}" if len(load) else ""
    warm = events["intake_air_c"]
    ends = dict.fromkeys(f"{end:.0f}" for end in (warm.min(), warm.max()))
    air = f", intake air {' to '.join(ends)} °C" if warm.notna().any() else ""
    first = (
        f"Knock control took spark back {counted(len(events), 'times')} in "
        f"{counted(round(minutes), 'minutes')}, by up to {events['highest_deg'].max():.1f}°, at "
        f"{events['from_rpm'].min():.0f} to {events['to_rpm'].max():.0f} "
        f"rpm{loads}{air}."
    )
    came = readings[readings["came"] & (readings["deg"] > limit)]
    lost = int((~np.isfinite(came[["rpm", "load"]]).all(axis=1)).sum())
    if lost:
        first += (
            f" Of {lost} readings beyond the owner's limit the engine's load is not known: no cell can be named for "
            "them, so look at the table by hand there."
        )
    if cells.empty and not lost:
        return (first, f"It stayed within the owner's limit of {limit:g}°, so no spark has to be taken out.")
    if cells.empty:
        return (first, NO_ADVANCE)
    return (
        first,
        f"The retreat is the retard seen there and a margin of {margin:g}°, wherever knock came: it passed the owner's "
        f"limit of {limit:g}° in this drive, and a place that stayed below it may be the next.",
        NO_ADVANCE,
    )


def _nothing(revision: Revision, axis: str, why: str, rows: int) -> SparkStudy:
    title = "Highest knock retard of the whole log"
    none = Finding("spark.retard", title, None, "°", None, None, None, 0, rows, "not_shown", None, why)
    empty = (pd.DataFrame(columns=EVENTS), pd.DataFrame(columns=LIST))
    return SparkStudy(False, why, revision, axis, *empty, none, none, ())


def knock_limited(log: xr.Dataset, fit: PowerFit) -> str:
    """Name power that was knock-limited: pulls in which the ECU ran with less spark than its table holds.

    Parameters
    ----------
    log : Dataset
        The flagged log that the power was measured in.
    fit : PowerFit
        Its pulls and its curve.

    Returns
    -------
    str
        A sentence; empty where knock retard was logged, moved and stayed at zero in every pull.
    """
    if not fit.pulls or not np.isfinite(fit.peak[1]):
        return ""
    if not has(log, "knock_retard_deg"):
        return "Whether knock control took power away is not shown: the log has no knock retard (knock_retard_deg)."
    time, deg = fresh_readings(log, "knock_retard_deg")
    if not deg.size or not np.ptp(deg) > 0:
        return "Whether knock control took power away is not shown: knock retard never moved in this log."
    rpm = np.interp(time, log["time"].values, at_rows(log, "engine_speed_rpm"))
    clock = log["time"].values
    spans = [(clock[p.pull.first], clock[p.pull.last]) for p in fit.pulls]
    held = [(time >= first) & (time <= last) & (deg > CAME_DEG) for first, last in spans]
    pulls = sum(bool(one.any()) for one in held)
    if not pulls:
        return ""
    all_of = np.any(held, axis=0)
    return (
        f"This power was knock-limited: in {pulls} of {len(spans)} pulls the ECU took up to {deg[all_of].max():.1f}° "
        f"of spark back, between {rpm[all_of].min():.0f} and {rpm[all_of].max():.0f} rpm. It is what the car makes "
        "with that retard; what it would make without knock is not shown, and more advance is not the way there."
    )
