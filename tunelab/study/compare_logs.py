"""Two sets of logs at the same operating points: differences that neither noise nor slow drift explains.

A visit is a stretch in which engine and meter stay in one cell; its mean counts once. Cells that both sides visited
are compared pairwise, so that driving other loads makes no difference of its own. Noise is what visits to the same
cell differ by; where both sides have several drives, what the drives differ by decides.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr
from scipy import linalg
from threadpoolctl import threadpool_limits

from tunelab.log.flag import trusted
from tunelab.study.compare_findings import LOGS_LEVEL, POINTS_LEVEL, holm, say_apart
from tunelab.study.finding import CONFIDENCE
from tunelab.workspace.car import Car

SHARES = (0.0, 0.15, 0.3, 0.5, 0.7, 0.85)  # of the noise that is drift
TIMES_S = (20.0, 60.0, 180.0)  # over which drift forgets itself; slower is a difference between drives
NO_DRIFT = 0.25  # weight of no drift at all, before the visits are looked at


@dataclass(frozen=True)
class Weighed:
    """An estimate with its standard error and degrees of freedom."""

    value: float
    standard_error: float
    freedom: float


def weigh_drift(
    value: np.ndarray, cell: np.ndarray, side: np.ndarray, session: np.ndarray, time_s: np.ndarray
) -> Weighed | None:
    """Estimate after less before with cells as fixed effects, and noise that is white and drifting within a drive.

    Parameters
    ----------
    value, cell, side, session, time_s : array, shape (visits,)
        Value of each visit; number of its cell; 0 before, 1 after; number of its drive; its start. [s]

    Returns
    -------
    Weighed or None
        None where cells and side use up all visits.

    Notes
    -----
    Each share of drift and each time constant of a grid is judged by its restricted likelihood (H. D. Patterson,
    R. Thompson, Biometrika 58 (1971) 545), and the estimates are averaged by that, so that not knowing the drift widens
    the interval. Drift gives few independent looks at itself: the degrees of freedom shrink with its share.
    """
    design = np.zeros((value.size, int(cell.max()) + 2))
    design[np.arange(value.size), cell] = 1.0
    design[:, -1] = side
    if value.size - design.shape[1] < 1:
        return None
    apart = np.abs(time_s[:, None] - time_s[None, :])
    same = session[:, None] == session[None, :]
    span = sum(float(np.ptp(time_s[session == k])) for k in np.unique(session))
    grid = [(0.0, TIMES_S[0]), *((share, tau) for share in SHARES[1:] for tau in TIMES_S)]
    rows = []
    free = value.size - design.shape[1]
    with threadpool_limits(limits=1):  # the matrices are small: threads only wait for one another
        for share, tau in grid:
            cover = (1 - share) * np.eye(value.size) + share * same * np.exp(-apart / tau)
            looks = min(max(span / tau, 1.0), free)
            rows.append((*_restricted(value, design, cover), 1 / ((1 - share) / free + share / looks)))
    likelihood, estimate, variance, freedom = np.array(rows).T
    before = np.array([NO_DRIFT, *[(1 - NO_DRIFT) / (len(grid) - 1)] * (len(grid) - 1)])
    weight = before * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    mean = float(weight @ estimate)
    total = float(weight @ (variance + (estimate - mean) ** 2))
    return Weighed(mean, float(np.sqrt(total)), float(weight @ freedom))


def _restricted(value: np.ndarray, design: np.ndarray, cover: np.ndarray) -> tuple[float, float, float]:
    """Restricted log-likelihood, the last coefficient and its variance, by generalised least squares."""
    lower = linalg.cholesky(cover, lower=True, check_finite=False)
    white = linalg.solve_triangular(lower, np.column_stack([design, value]), lower=True, check_finite=False)
    inside, response = white[:, :-1], white[:, -1]
    normal = inside.T @ inside
    root = linalg.cholesky(normal, lower=True, check_finite=False)
    coefficients = linalg.cho_solve((root, True), inside.T @ response)
    left = response - inside @ coefficients
    free = value.size - design.shape[1]
    scale = float(left @ left) / free
    likelihood = -np.log(np.diag(lower)).sum() - np.log(np.diag(root)).sum() - 0.5 * free * np.log(max(scale, 1e-300))
    unit = np.zeros(design.shape[1])
    unit[-1] = 1.0
    return float(likelihood), float(coefficients[-1]), scale * float(linalg.cho_solve((root, True), unit)[-1])


SPEED_CELL_RPM = 400.0
READING_CELL_SHARE = 0.03  # of the meter's range
SHORTEST_VISIT_S = 1.2
SETTLING_S = 0.6  # first part of a visit, whose lambda still shows what was before
LEAST_FREEDOM = 3


@dataclass(frozen=True)
class Quantity:
    """Something to compare at each operating point."""

    name: str
    title: str
    unit: str
    channels: tuple[str, ...]
    value: Callable[[xr.Dataset], np.ndarray]


def _lambda_error(log: xr.Dataset) -> np.ndarray:
    return 100 * np.log(log["lambda_measured"].values / log["lambda_commanded"].values)


def _trim(log: xr.Dataset) -> np.ndarray:
    return log["trim_short_pct"].values + (log["trim_long_pct"].values if "trim_long_pct" in log else 0.0)


def _pulse(log: xr.Dataset) -> np.ndarray:
    return 100 * np.log(np.maximum(log["pulse_width_ms"].values, 1e-3))


QUANTITIES = (
    Quantity("lambda_error", "lambda against commanded", "%", ("lambda_measured", "lambda_commanded"), _lambda_error),
    Quantity("trim", "fuel trims together", "%", ("trim_short_pct",), _trim),
    Quantity("pulse_width", "pulse width", "%", ("pulse_width_ms",), _pulse),
    Quantity("spark", "spark advance", "°", ("spark_deg",), lambda log: log["spark_deg"].values),
)


@dataclass(frozen=True)
class Visits:
    """Visits of one side. `table` has: session, speed, reading (numbers of the cell), start_s, seconds, value."""

    quantity: Quantity
    table: pd.DataFrame


@dataclass(frozen=True)
class LogDifference:
    """After less before of one quantity, over the cells that both sides visited. NaN where it is not known."""

    quantity: Quantity
    difference: float
    lower: float
    upper: float
    p_value: float
    told_apart: bool
    cells: int
    visits: tuple[int, int]
    basis: str  # what the noise was taken from
    because: str
    by_cell: pd.DataFrame  # engine_speed_rpm, reading, difference, lower, upper, p_value, told_apart, visits


def visits_of(logs: Sequence[xr.Dataset], car: Car, quantity: Quantity) -> Visits:
    """Cut flagged logs into visits.

    Parameters
    ----------
    logs : sequence of Dataset
        Flagged logs of one side; a log without the quantity's channels gives none.
    """
    tables = [_visits(log, car, quantity) for log in logs if _has_all(log, car, quantity)]
    columns = ["session", "speed", "reading", "start_s", "seconds", "value"]
    return Visits(quantity, pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns))


def _has_all(log: xr.Dataset, car: Car, quantity: Quantity) -> bool:
    return all(name in log for name in (*quantity.channels, "engine_speed_rpm", car.meter.channel))


def _visits(log: xr.Dataset, car: Car, quantity: Quantity) -> pd.DataFrame:
    time = log["time"].values
    good = trusted(log, *quantity.channels, "engine_speed_rpm", car.meter.channel).values
    width = READING_CELL_SHARE * (car.meter.rail_high - car.meter.rail_low)
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = np.floor(np.nan_to_num(log["engine_speed_rpm"].values) / SPEED_CELL_RPM).astype(int)
        reading = np.floor(np.nan_to_num(log[car.meter.channel].values) / width).astype(int)
        value = quantity.value(log)
    good &= np.isfinite(value)
    new = np.flatnonzero(np.diff(np.stack([speed, reading, good]), axis=1, prepend=-1).any(axis=0))
    rows = []
    for first, last in zip(new, np.append(new[1:], time.size), strict=True):
        if not good[first] or time[last - 1] - time[first] < SHORTEST_VISIT_S:
            continue
        inside = np.arange(first, last)[time[first:last] >= time[first] + SETTLING_S]
        mean = float(np.mean(value[inside]))
        stay = float(time[last - 1] - time[first])
        rows.append((str(log.attrs.get("session", "")), speed[first], reading[first], float(time[first]), stay, mean))
    return pd.DataFrame(rows, columns=["session", "speed", "reading", "start_s", "seconds", "value"])


def compare_visits(before: Sequence[Visits], after: Sequence[Visits], car: Car) -> tuple[LogDifference, ...]:
    """Compare quantity by quantity.

    The chance of any false alarm among them is at most LOGS_LEVEL, and among the operating points taken singly at most
    POINTS_LEVEL.
    """
    raw = [_compare(one, other, car) for one, other in zip(before, after, strict=True)]
    adjusted = holm([row.p_value for row in raw])
    return tuple(_conclude(row, float(p)) for row, p in zip(raw, adjusted, strict=True))


def _compare(before: Visits, after: Visits, car: Car) -> LogDifference:
    quantity, nan = before.quantity, float("nan")
    both = pd.concat([before.table.assign(side=0), after.table.assign(side=1)], ignore_index=True)
    shared = both.groupby(["speed", "reading"])["side"].transform("nunique") == 2 if len(both) else []
    table = both[shared].reset_index(drop=True) if len(both) else both
    sides = table["side"] if len(table) else pd.Series(dtype=int)
    counts = (int((sides == 0).sum()), int((sides == 1).sum()))
    empty = pd.DataFrame(
        columns=["engine_speed_rpm", "reading", "difference", "lower", "upper", "p_value", "told_apart"]
    )
    blank = LogDifference(quantity, nan, nan, nan, nan, False, 0, counts, "", "", empty)
    if table.empty:
        return _with(blank, because="no operating point was driven steadily, with trusted readings, in both.")
    cells = _cells(table)
    blank = _with(blank, cells=len(cells))
    variance, freedom, inflation = _noise(table)
    if freedom < LEAST_FREEDOM:
        return _with(blank, because="too few visits to the same operating point to know the noise.")
    sessions = table.groupby("side")["session"].nunique()
    if sessions.min() >= 2:
        weighed, basis = _by_session(table)
        if weighed is None:
            return _with(blank, because=basis)
    else:
        weighed = weigh_drift(*_columns(table))
        basis = "visits within one drive of a side, drift within it allowed for; what days differ by is not in it"
    if weighed is None:
        return _with(blank, because="too few visits to the same operating point to know the noise.")
    by_cell = _by_cell(cells, inflation * variance, freedom, weighed, car)
    result = _result(blank, weighed.value, weighed.standard_error, weighed.freedom)
    return _with(result, basis=basis, by_cell=by_cell)


def _columns(table: pd.DataFrame) -> tuple[np.ndarray, ...]:
    """Value, cell, side, drive and start of each visit."""
    cell = table.groupby(["speed", "reading"]).ngroup().to_numpy()
    drive = table.groupby(["side", "session"]).ngroup().to_numpy()
    return table["value"].to_numpy(float), cell, table["side"].to_numpy(), drive, table["start_s"].to_numpy(float)


def _cells(table: pd.DataFrame) -> pd.DataFrame:
    """One row per cell: visits and mean of each side, difference."""
    grouped = table.groupby(["speed", "reading", "side"])["value"].agg(["mean", "size"]).unstack("side")
    cells = pd.DataFrame({"n0": grouped[("size", 0)], "n1": grouped[("size", 1)]})
    cells["difference"] = grouped[("mean", 1)] - grouped[("mean", 0)]
    return cells.reset_index()


def _noise(table: pd.DataFrame) -> tuple[float, float, float]:
    """Variance of a visit about its cell's mean, its degrees of freedom, and a factor for visits that are alike.

    Visits that follow one another share what drifts slowly: a correlation of neighbours r makes a mean's variance
    (1 + r) / (1 - r) as large.
    """
    keys = ["speed", "reading", "side"]
    left = table["value"] - table.groupby(keys)["value"].transform("mean")
    many = table.groupby(keys)["value"].transform("size") > 1
    freedom = float(many.sum() - table[many].groupby(keys).ngroups)
    if freedom < 1:
        return float("nan"), freedom, 1.0
    variance = float((left[many] ** 2).sum() / freedom)
    ordered = table.assign(left=left)[many].sort_values(["side", "session", "start_s"])
    pairs = [part["left"].to_numpy() for _, part in ordered.groupby(["side", "session"]) if len(part) > 2]
    above = sum(float(v[1:] @ v[:-1]) for v in pairs)
    below = sum(float(v @ v) for v in pairs)
    likeness = min(max(above / below if below > 0 else 0.0, 0.0), 0.9)
    return variance, freedom, (1 + likeness) / (1 - likeness)


def _by_session(table: pd.DataFrame) -> tuple[Weighed | None, str]:
    """Compare drives: each drive's offset from the cells, then Welch's comparison of the two groups of offsets."""
    offsets = _offsets(table)
    groups = [offsets[side] for side in (0, 1)]
    means, variances = [g.mean() for g in groups], [g.var(ddof=1) / g.size for g in groups]
    total = sum(variances)
    if total <= 0:
        return None, "the drives do not differ at all among themselves; are they copies?"
    freedom = float(total**2 / sum(v**2 / (g.size - 1) for v, g in zip(variances, groups, strict=True)))
    weighed = Weighed(float(means[1] - means[0]), float(np.sqrt(total)), freedom)
    return weighed, f"{groups[0].size} and {groups[1].size} drives, each counted once"


def _offsets(table: pd.DataFrame) -> dict[int, np.ndarray]:
    """Offset of each drive once the cells' own values are taken out, by least squares; by side."""
    drives = table[["side", "session"]].drop_duplicates().reset_index(drop=True)
    drive = table.merge(drives.reset_index(), on=["side", "session"])["index"].to_numpy()
    cell = table.groupby(["speed", "reading"]).ngroup().to_numpy()
    design = np.zeros((len(table), cell.max() + 1 + len(drives)))
    design[np.arange(len(table)), cell] = 1.0
    design[np.arange(len(table)), cell.max() + 1 + drive] = 1.0
    solution = np.linalg.lstsq(design, table["value"].to_numpy(), rcond=None)[0][cell.max() + 1 :]
    return {side: solution[(drives["side"] == side).to_numpy()] for side in (0, 1)}


def _result(blank: LogDifference, difference: float, error: float, freedom: float) -> LogDifference:
    half = float(scipy.stats.t.ppf((1 + CONFIDENCE) / 2, freedom) * error)
    p = float(2 * scipy.stats.t.sf(abs(difference) / error, freedom)) if error > 0 else float("nan")
    return _with(blank, difference=difference, lower=difference - half, upper=difference + half, p_value=p)


def _by_cell(cells: pd.DataFrame, variance: float, freedom: float, over_all: Weighed, car: Car) -> pd.DataFrame:
    """Every operating point by itself; what drives and drift shift together, all points share."""
    error = np.sqrt(variance * (1 / cells["n0"] + 1 / cells["n1"]) + over_all.standard_error**2)
    freedom = min(freedom, over_all.freedom)
    half = scipy.stats.t.ppf((1 + CONFIDENCE) / 2, freedom) * error
    p = holm(2 * scipy.stats.t.sf(np.abs(cells["difference"]) / error, freedom))
    width = READING_CELL_SHARE * (car.meter.rail_high - car.meter.rail_low)
    return pd.DataFrame({
        "engine_speed_rpm": (cells["speed"] + 0.5) * SPEED_CELL_RPM,
        "reading": (cells["reading"] + 0.5) * width,
        "difference": cells["difference"],
        "lower": cells["difference"] - half,
        "upper": cells["difference"] + half,
        "p_value": p,
        "told_apart": p < POINTS_LEVEL / len(QUANTITIES),
        "visits": cells["n0"] + cells["n1"],
    })  # fmt: skip


def _with(row: LogDifference, **changes: object) -> LogDifference:
    return LogDifference(**{**vars(row), **changes})


def _conclude(row: LogDifference, p: float) -> LogDifference:
    if not np.isfinite(p):
        return row
    apart = p < LOGS_LEVEL
    unit = row.quantity.unit
    because = f"{row.quantity.title} {row.difference:+.2f} {unit} (between {row.lower:+.2f} and {row.upper:+.2f}) at "
    because += f"{row.cells} operating points: {say_apart(apart, row.lower, row.upper)}."
    where = int(row.by_cell["told_apart"].sum())
    because += f" At {where} of them a difference is clear by itself." if where else ""
    return _with(row, p_value=p, told_apart=apart, because=because)
