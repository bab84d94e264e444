"""Judges pulls at part throttle: knock and lambda through each, by engine speed and load, and when to lift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.align import fresh_readings, has, never_moves
from tunelab.study.delay import DelayFit
from tunelab.study.finding import CONFIDENCE, LEAN_STOP_PCT, Finding, Status, shows_its_table
from tunelab.study.full_throttle.check import LIFT_COLUMNS, Check, Quantity, Stretch, first_breaches, missing
from tunelab.study.full_throttle.mixture import Mixture, check_mixture
from tunelab.study.full_throttle.study import count_rows, hold_channel
from tunelab.study.limits import never_moved
from tunelab.study.limits_driving import WIDE_OPEN_PCT, hold_lean, mark_sleeping_sensors, with_load
from tunelab.study.pull_result import Pull, PullSet
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

CELL_RPM, CELL_LOAD_PCT = 500.0, 10.0
LEAST_IN_CELL = 8
NO_LIFE = "lambda never moved in this log: a dead sensor reads the same, so it shows nothing"
COLUMNS = ["engine_speed_rpm", "load_pct", "lambda", "commanded", "error_pct", "lower", "upper", "knock_deg", "samples",
           "pulls"]  # fmt: skip
PULL_COLUMNS = ["pull", "start_s", "gear", "throttle_pct", "from_rpm", "to_rpm", "leanest_pct", "knock_deg", "lift_s"]


@shows_its_table
@dataclass(frozen=True)
class PartThrottle:
    """Pulls at part throttle against the owner's limits."""

    shown: bool
    because: str  # why nothing was judged
    checks: tuple[Check, ...]
    error: Finding  # largest mean error of lambda of a cell
    cells: pd.DataFrame  # COLUMNS: mean lambda error by engine speed and absolute load, with its 95 % interval
    pulls: pd.DataFrame  # PULL_COLUMNS
    lift: pd.DataFrame  # LIFT_COLUMNS: first breach that the driver could have seen, per pull that has one
    mixture: Mixture | None
    samples_used: int  # rows of the pulls
    samples_flagged: int  # of those, rows left out by a flag of the whole sample

    def findings(self) -> list[Finding]:
        """One finding per check, or a single one that says why there is none."""
        return [*(check.finding() for check in self.checks), self.error] if self.shown else [self.error]

    def summary(self) -> pd.DataFrame:
        """One row per finding: value, interval, unit, limit, status, where."""
        names = ["title", "value", "lower", "upper", "unit", "limit", "status", "because"]
        rows = [[getattr(finding, name) for name in names] for finding in self.findings()]
        return pd.DataFrame(rows, columns=names).set_index("title")


def check_part_throttle(log: xr.Dataset, car: Car, revision: Revision, pulls: PullSet, delay: DelayFit) -> PartThrottle:
    """Judge every pull with the throttle open by less than 90 %.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    car, revision
        The owner's limits are the authority; curve and current dead time.
    pulls : PullSet
        Of `find_pulls` on the same log.
    delay : DelayFit
        Transport delay and lag of the lambda sensor, from `estimate_delay`.

    Returns
    -------
    PartThrottle
        What is missing is not shown and says so; it never counts as met.
    """
    own = [pull for pull in pulls.pulls if pull.throttle_pct < WIDE_OPEN_PCT]
    if not own:
        return _nothing(pulls.because or "every pull was at full throttle.")
    log, load, why = with_load(mark_sleeping_sensors(log), car, revision)
    stretches = tuple(_stretch(log, number, pull) for number, pull in enumerate(own, start=1))
    mixture = why or check_mixture(log, car, revision, stretches, delay)
    known = None if isinstance(mixture, str) else mixture
    lean = _lean(mixture, car, stretches)
    knock = _knock(log, car, stretches)
    cells = _cells(log, load, known, stretches)
    lift = first_breaches((lean, knock), stretches)
    dead = NO_LIFE if never_moves(log, "lambda_measured") else ""
    error = _error(cells, car, dead or mixture, 0 if known is None else known.lean.samples_flagged)
    table = _pull_table(log, own, stretches, known, lift)
    return PartThrottle(True, "", (lean, knock), error, cells, table, lift, known, *count_rows(log, stretches))


def _nothing(because: str) -> PartThrottle:
    title = "Pulls at part throttle"
    error = Finding("part_throttle", title, None, "1", None, None, None, 0, 0, "not_shown", None, because)
    cells, pulls, lift = (pd.DataFrame(columns=names) for names in (COLUMNS, PULL_COLUMNS, LIFT_COLUMNS))
    return PartThrottle(False, because, (), error, cells, pulls, lift, None, 0, 0)


def _stretch(log: xr.Dataset, number: int, pull: Pull) -> Stretch:
    time = log["time"].values
    return Stretch(
        number, pull.open_first, pull.last, float(time[pull.open_first]), float(time[pull.last]), pull.number
    )


def _lean(mixture: Mixture | str, car: Car, stretches: tuple[Stretch, ...]) -> Check:
    key, limit = "limits.lean_under_load_max_pct", car.limits.lean_under_load_max_pct or LEAN_STOP_PCT
    title = "Leanest lambda over commanded in a part-throttle pull"
    what = Quantity("part_throttle.lean", title, "%", limit, key, "higher", lift=True)
    return missing(what, mixture, 0) if isinstance(mixture, str) else hold_lean(what, mixture, stretches)


def _knock(log: xr.Dataset, car: Car, stretches: tuple[Stretch, ...]) -> Check:
    title, limit = "Highest knock retard in a part-throttle pull", car.limits.knock_retard_max_deg
    key = "limits.knock_retard_max_deg"
    what = Quantity("part_throttle.knock_retard", title, "°", limit, key, "higher", lift=True, never_below=0.0)
    check = hold_channel(log, what, "knock_retard_deg", stretches)
    still = never_moved(log, "knock_retard_deg", check)
    return missing(what, still, check.samples_flagged) if still else check


def _cells(log: xr.Dataset, load: np.ndarray, mixture: Mixture | None, stretches: tuple[Stretch, ...]) -> pd.DataFrame:
    """Mean lambda error of every cell; interval from the pulls' own means, NaN where only one pull reached it."""
    if mixture is None:
        return pd.DataFrame(columns=COLUMNS)
    judged = mixture.readings[mixture.readings["judged"] & np.isfinite(mixture.readings["commanded"])]
    at = np.interp(judged["fuelled_s"], log["time"].values, np.nan_to_num(load))
    table = judged.assign(
        rpm=CELL_RPM * (np.floor(judged["engine_speed_rpm"] / CELL_RPM) + 0.5),
        load=CELL_LOAD_PCT * (np.floor(at / CELL_LOAD_PCT) + 0.5),
        error=100 * (judged["lambda"] / judged["commanded"] - 1),
    )
    rows = []
    for (rpm, centre), part in table.groupby(["rpm", "load"]):
        if len(part) < LEAST_IN_CELL:
            continue
        low, high = _interval(part)
        knock = _knock_in(log, stretches, rpm)
        numbers = (part["lambda"].mean(), part["commanded"].mean(), part["error"].mean(), low, high, knock)
        rows.append((rpm, centre, *numbers, len(part), part["stretch"].nunique()))
    return pd.DataFrame(rows, columns=COLUMNS)


def _interval(part: pd.DataFrame) -> tuple[float, float]:
    """Student interval of the mean of the pulls' means; NaN with a single pull, whose readings hang together."""
    means = part.groupby("stretch")["error"].mean().to_numpy()
    if means.size < 2:
        return float("nan"), float("nan")
    half = scipy.special.stdtrit(means.size - 1, 0.5 + CONFIDENCE / 2) * means.std(ddof=1) / np.sqrt(means.size)
    middle = float(part["error"].mean())
    return middle - float(half), middle + float(half)


def _knock_in(log: xr.Dataset, stretches: tuple[Stretch, ...], rpm: float) -> float:
    """Highest knock retard of the pulls within a cell's engine speeds; NaN where it is not logged."""
    if not (has(log, "knock_retard_deg") and has(log, "engine_speed_rpm")):
        return float("nan")
    time, knock = fresh_readings(log, "knock_retard_deg")
    speed = np.interp(time, *fresh_readings(log, "engine_speed_rpm"))
    inside = np.zeros(time.size, dtype=bool)
    for stretch in stretches:
        inside |= (time >= stretch.start_s) & (time <= stretch.end_s)
    inside &= np.abs(speed - rpm) <= CELL_RPM / 2
    return float(knock[inside].max()) if inside.any() else float("nan")


def _error(cells: pd.DataFrame, car: Car, mixture: Mixture | str, flagged: int) -> Finding:
    """Largest mean error of a cell either way: met only where the whole interval of every cell lies inside."""
    limit, title = car.limits.steady_lambda_error_max_pct, "Largest mean lambda error of a speed and load in the pulls"
    known = cells[np.isfinite(cells["lower"])] if len(cells) and not isinstance(mixture, str) else cells[:0]
    if known.empty:
        why = f"{mixture}." if isinstance(mixture, str) else "no engine speed and load has readings of two pulls."
        return Finding(
            "part_throttle.lambda_error", title, None, "%", None, None, None, 0, flagged, "not_shown", limit, why
        )
    worst = known.loc[known["error_pct"].abs().idxmax()]
    farthest = float(known[["lower", "upper"]].abs().to_numpy().max())
    once = cells[~np.isfinite(cells["lower"])]
    beyond = once[once["error_pct"].abs() > limit]
    status: Status = "met" if farthest <= limit and beyond.empty else "watch"
    text = (
        f"{worst['engine_speed_rpm']:.0f} rpm at a load of {worst['load_pct']:.0f} %, {worst['pulls']:.0f} pulls; "
        f"{len(known)} cells, whose intervals reach {farthest:.1f} % at most; one pull alone reached {len(once)} more, "
        f"{len(beyond)} of them beyond the limit."
    )
    numbers = (float(worst["error_pct"]), "%", float(worst["lower"]), float(worst["upper"]), CONFIDENCE)
    return Finding(
        "part_throttle.lambda_error", title, *numbers, int(known["samples"].sum()), flagged, status, limit, text
    )


def _pull_table(
    log: xr.Dataset, own: list[Pull], stretches: tuple[Stretch, ...], mixture: Mixture | None, lift: pd.DataFrame
) -> pd.DataFrame:
    """One row per pull: gear, opening, range, its leanest reading and highest knock retard, moment to lift."""
    lifts = dict(zip(lift["stretch"], lift["lift_s"], strict=True))
    readings = None if mixture is None else mixture.readings[mixture.readings["judged"]]
    rows = []
    for pull, stretch in zip(own, stretches, strict=True):
        lean, knock = float("nan"), _knock_of(log, stretch)
        if readings is not None and (part := readings[readings["stretch"] == stretch.number]).size:
            lean = 100 * float((part["lambda"] / part["commanded"]).max() - 1)
        limits = (pull.from_rpm, pull.to_rpm, lean, knock, lifts.get(stretch.name, float("nan")))
        rows.append((pull.number, stretch.start_s, pull.gear, pull.throttle_pct, *limits))
    return pd.DataFrame(rows, columns=PULL_COLUMNS)


def _knock_of(log: xr.Dataset, stretch: Stretch) -> float:
    if not has(log, "knock_retard_deg"):
        return float("nan")
    time, knock = fresh_readings(log, "knock_retard_deg")
    inside = (time >= stretch.start_s) & (time <= stretch.end_s)
    return float(knock[inside].max()) if inside.any() else float("nan")
