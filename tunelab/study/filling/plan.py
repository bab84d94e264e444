"""Which holds to drive next for a table: those that take most from what is not known of its cells, for each second.

Only cells that the car may be held in count: within its rev limit and top speed, no load beyond what the owner allows,
and not further from what was driven than one cell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.physics.driveline import road_speed_km_h
from tunelab.study.drive_plan import HIGH_LOAD, JOINED, Hold, cautions_for
from tunelab.study.filling.model import NAMES
from tunelab.study.filling.result import FillingFit
from tunelab.study.hold import rolling_radius_m
from tunelab.workspace.car import Car
from tunelab.workspace.revision import STANDARD_ATMOSPHERE_KPA, Revision, surface_of

HOLD_S, HIGH_LOAD_S, GETTING_THERE_S = 8.0, 4.0, 6.0  # of a hold, of one at high load, and to settle into one
BLOCK_SD = 0.005  # of a block of about a second; common practice, no source
MOST_HOLDS = 12
HIGH_SPEED_SHARE = 0.9  # of the rev limit, above which no hold is asked for
HIGH_LOAD_SHARE = 0.85  # of the highest load that may be held: beyond it a hold is short and comes last
LEAST_GAIN = 0.01  # of what is unknown, that a hold has to take
KNOWN_SHARE = 0.95  # of the cells that may be held, to be enough


@dataclass(frozen=True)
class CellHold(Hold):
    """A hold in a cell of the table: it counts up to half the way to the cells beside it."""

    load_channel: str = ""
    speeds_rpm: tuple[float, float] = (0.0, 0.0)
    loads: tuple[float, float] = (0.0, 0.0)  # in the unit of `load_channel`

    @property
    def range_words(self) -> str:
        """Between which loads it is good enough, as it is read out."""
        return f"{self.loads[0]:.4g}{JOINED}{self.loads[1]:.4g}"

    @property
    def range_label(self) -> str:
        """What `range_words` is of, with its unit."""
        about = channel(self.load_channel)
        return f"{about.label} [{about.shown_unit}]"


@dataclass(frozen=True)
class CellPlan:
    """The next holds in the table's own cells."""

    holds: pd.DataFrame
    """In the order in which they tell most: `engine_speed_rpm`, the load, `gear, road_speed_km_h, seconds,
    half_now_pct, half_then_pct` (half of the 95 % interval there before and after the whole plan), `high_load`."""
    load_channel: str
    seconds: float  # of driving, settling included
    known: float  # share of the cells that may be held whose interval lies within the limit, now
    known_then: float
    cells: int  # that may be held
    limit_pct: float
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    to_drive: tuple[CellHold, ...] = ()  # the same holds one by one

    @property
    def is_enough(self) -> bool:
        """Whether no further hold is needed."""
        return self.cells > 0 and self.known >= KNOWN_SHARE

    @property
    def sentence(self) -> str:
        """What to drive, in one sentence."""
        known = f"{round(self.known * self.cells)} of {self.cells} cells that may be held are known to within"
        if self.is_enough:
            return f"No steady hold is needed: {known} your {self.limit_pct:g} %."
        if not len(self.holds):
            return f"No further hold can be driven here; {known} {self.limit_pct:g} %."
        many = len(self.holds)
        return (
            f"{many} hold{'s' if many > 1 else ''}, about {5 * np.ceil(self.seconds / 5):.0f} s of driving: {known} "
            f"{self.limit_pct:g} % now, {round(self.known_then * self.cells)} with them."
        )


def plan_cells(
    fit: FillingFit, car: Car, revision: Revision, *, top_speed_km_h: float | None = None
) -> CellPlan | None:
    """Choose the next holds; None where nothing was fitted.

    Parameters
    ----------
    fit : FillingFit
        What is known so far.
    car, revision
        Limits, gears and the table.
    top_speed_km_h : float, optional
        Highest road speed that may be driven there; without it the owner's own limit.
    """
    if fit.visited is None or fit.covariance is None or fit.prior is None:
        return None
    surface = surface_of(revision.air_table)
    top = min(car.limits.top_speed_km_h, top_speed_km_h or np.inf)
    near, high = _may_be_held(fit, car, revision)
    speeds, gears, road = _gears(car, surface.cells[:, 0], top)
    cells = near & (gears > 0) & (surface.cells[:, 0] <= speeds)
    limit = car.limits.steady_lambda_error_max_pct
    covariance, at = fit.covariance, np.flatnonzero(cells)
    half = 196 * np.sqrt(np.diag(covariance))
    known = float(np.mean(half[at] <= limit)) if at.size else 0.0
    hold_sd = float(np.exp(fit.prior[NAMES.index("hold")]))
    chosen, after = (
        ([], covariance) if known >= KNOWN_SHARE or not at.size else _greedy(hold_sd, at, high, covariance, limit)
    )
    then = 196 * np.sqrt(np.diag(after))
    rows = pd.DataFrame({
        "engine_speed_rpm": surface.cells[chosen, 0], fit.load_channel: surface.cells[chosen, 1],
        "gear": gears[chosen], "road_speed_km_h": road[chosen],
        "seconds": np.where(high[chosen], HIGH_LOAD_S, HOLD_S), "half_now_pct": half[chosen],
        "half_then_pct": then[chosen], "high_load": high[chosen],
    })  # fmt: skip
    rows = rows.sort_values("high_load", kind="stable", ignore_index=True)
    notes = () if car.gearing and car.tyres else ("car.toml states no gears or tyres: no road speed is given.",)
    warned = (*cautions_for(car), *((HIGH_LOAD,) if rows["high_load"].any() else ()))
    by_hand = _one_by_one(rows, fit.load_channel, car, revision)
    return CellPlan(
        rows, fit.load_channel, float((rows["seconds"] + GETTING_THERE_S).sum()), known,
        float(np.mean(then[at] <= limit)) if at.size else 0.0, int(at.size), limit, notes, warned, by_hand,
    )  # fmt: skip


def _one_by_one(rows: pd.DataFrame, name: str, car: Car, revision: Revision) -> tuple[CellHold, ...]:
    """The holds as a passenger counts them: a cell reaches half the way to its neighbours."""
    surface, knows_gears = surface_of(revision.air_table), bool(car.gearing and car.tyres)
    nan, found = float("nan"), []
    for row in rows.itertuples():
        speed, load = row.engine_speed_rpm, getattr(row, name)
        found.append(CellHold(
            gear=int(row.gear) if knows_gears else None, engine_speed_rpm=speed, road_speed_km_h=row.road_speed_km_h,
            air_flow_kg_h=nan, air_flow_from_kg_h=nan, air_flow_to_kg_h=nan, load_pct=nan, throttle_pct=nan,
            brake="none", consumers="as they are", seconds=row.seconds, roll_s=0.0, slope="level",
            is_high_load=bool(row.high_load), why="shows most of the table", load_channel=name,
            speeds_rpm=_reach(surface.engine_speed_rpm, speed), loads=_reach(surface.load, load),
        ))  # fmt: skip
    return tuple(found)


def _reach(points: np.ndarray, at: float) -> tuple[float, float]:
    """Half the way from a breakpoint to the one before and the one behind it; at an end as far out as in."""
    k = int(np.argmin(np.abs(points - at)))
    below = (points[k] - points[k - 1]) / 2 if k else (points[1] - points[0]) / 2
    above = (points[k + 1] - points[k]) / 2 if k + 1 < points.size else (points[k] - points[k - 1]) / 2
    return float(points[k] - below), float(points[k] + above)


def _may_be_held(fit: FillingFit, car: Car, revision: Revision) -> tuple[np.ndarray, np.ndarray]:
    """Cells within the owner's limits and at most one cell from what was driven; and which of them are at high load."""
    surface = surface_of(revision.air_table)
    touched = (fit.cells["seconds"].to_numpy() > 0).reshape(surface.shape)
    padded = np.pad(touched, 1)
    rows, columns = surface.shape
    near = np.zeros_like(touched)
    for down in (0, 1, 2):
        for right in (0, 1, 2):
            near |= padded[down : down + rows, right : right + columns]
    speed, load = surface.cells.T
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    most = 100.0
    if fit.load_channel == "manifold_kpa":
        most = STANDARD_ATMOSPHERE_KPA + (car.limits.boost_max_kpa or 0.0)
    allowed = (speed >= 0.9 * car.engine.idle_target_rpm) & (speed <= HIGH_SPEED_SHARE * limit) & (load <= most)
    return near.ravel() & allowed, load > HIGH_LOAD_SHARE * most


def _gears(car: Car, speed_rpm: np.ndarray, top_km_h: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Highest engine speed, and for each cell the highest gear that stays below the top speed with its road speed."""
    if not (car.gearing and car.tyres):
        return np.inf, np.ones(speed_rpm.size, dtype=int), np.full(speed_rpm.size, np.nan)
    radius = rolling_radius_m(car)
    ratios = np.asarray(car.gearing.ratios) * car.gearing.final_drive
    road = np.array([road_speed_km_h(speed_rpm, ratio, radius) for ratio in ratios])
    gear = (road <= top_km_h).sum(axis=0)  # ratios fall, first gear first
    return np.inf, gear, np.where(gear > 0, road[np.maximum(gear, 1) - 1, np.arange(speed_rpm.size)], np.nan)


def _greedy(
    hold_sd: float, at: np.ndarray, high: np.ndarray, covariance: np.ndarray, limit: float
) -> tuple[list[int], np.ndarray]:
    """Hold after hold, the one that takes most variance from the cells that may be held for each second."""
    seconds = np.where(high, HIGH_LOAD_S, HOLD_S)
    noise = hold_sd**2 + BLOCK_SD**2 / seconds
    chosen: list[int] = []
    covariance = covariance.copy()
    begun = float(np.diag(covariance)[at].sum())
    while len(chosen) < MOST_HOLDS:
        taken = (covariance[np.ix_(at, at)] ** 2).sum(axis=1) / (np.diag(covariance)[at] + noise[at])
        best = at[int(np.argmax(taken / (seconds[at] + GETTING_THERE_S)))]
        column = covariance[:, best]
        gain = float((column[at] ** 2).sum() / (column[best] + noise[best]))
        if gain < LEAST_GAIN * begun:
            break
        chosen.append(int(best))
        covariance -= np.outer(column, column) / (column[best] + noise[best])
        if np.mean(196 * np.sqrt(np.maximum(np.diag(covariance)[at], 0.0)) <= limit) >= KNOWN_SHARE:
            break
    return chosen, np.maximum(covariance, 0.0) if not chosen else covariance


def hold_table(plan: CellPlan) -> pd.DataFrame:
    """The holds as a driver reads them."""
    holds, unit = plan.holds, channel(plan.load_channel).shown_unit
    table = pd.DataFrame({
        "no.": [str(number) for number in range(1, len(holds) + 1)],
        "engine speed [rpm]": holds["engine_speed_rpm"].round(),
        f"{channel(plan.load_channel).label} [{unit}]": holds[plan.load_channel],
        "gear": holds["gear"], "road speed [km/h]": holds["road_speed_km_h"].round(),
        "hold [s]": holds["seconds"],
        "known to ± [%] now": holds["half_now_pct"].round(1), "then": holds["half_then_pct"].round(1),
    })  # fmt: skip
    return table if holds["road_speed_km_h"].notna().any() else table.drop(columns=["gear", "road speed [km/h]"])
