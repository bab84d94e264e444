"""The drive plan: which holds are still to drive, within the owner's limits and a stated top speed."""

from __future__ import annotations

import dataclasses
from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.cautions import BRAKE_HOLD, HIGH_LOAD, STANDING_HOLD, cautions_for
from tunelab.study.cells import flow_at_load
from tunelab.study.coverage import APART, Coverage
from tunelab.study.hold import BALANCE_KW, cooling_s
from tunelab.study.hold_choice import MOST_HOLDS, Choice, find_choices, in_driving_order, most_useful
from tunelab.study.shown import shows_its_table
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

BATTERY_SPREAD_V = 1.0  # range of battery voltage that shows how dead time changes with it
BATTERY_HOLDS = 3
LIGHT_PCT = 45.0  # absolute load of a hold that may be repeated for the battery voltage


@dataclass(frozen=True)
class Hold:
    """One thing to drive and keep still. NaN where the car's description or the log does not say."""

    gear: int | None  # 0 is neutral, standing; None where the gearing is not known
    engine_speed_rpm: float
    road_speed_km_h: float
    air_flow_kg_h: float  # aim
    air_flow_from_kg_h: float  # good enough between these two
    air_flow_to_kg_h: float
    load_pct: float  # absolute load, SAE J1979
    throttle_pct: float  # about; as learned from the log
    brake: str  # "none", "light", "firm" or "as needed"
    consumers: str  # electrical consumers: "as they are" or "all on"
    seconds: float  # to keep still, settling included
    roll_s: float  # to roll freely afterwards, for the brakes
    slope: str  # "level", or "down" where the road load holds the engine back
    is_high_load: bool
    why: str


@shows_its_table
@dataclass(frozen=True)
class DrivePlan:
    """The holds in an order in which they can be driven, what was left out, and the cautions."""

    holds: tuple[Hold, ...]
    left_out: pd.DataFrame  # engine_speed_rpm, air_flow_kg_h, because: missing cells that this plan does not drive
    top_speed_km_h: float  # the lower of the stated one and the owner's
    rev_limit_rpm: float
    cautions: tuple[str, ...]
    notes: tuple[str, ...]  # what the plan does not know

    @property
    def seconds(self) -> float:
        """Time of all holds with the rolling between them, without the driving from one to the next."""
        return float(sum(hold.seconds + hold.roll_s for hold in self.holds))

    def table(self) -> pd.DataFrame:
        """One row per hold, in driving order; columns as the fields of `Hold`."""
        names = [field.name for field in dataclasses.fields(Hold)]
        rows = [dataclasses.astuple(hold) for hold in self.holds]
        table = pd.DataFrame(rows, columns=names)
        table.insert(0, "number", np.arange(1, len(rows) + 1))
        return table.astype({"gear": "Int64"})


def plan_drive(coverage: Coverage, car: Car, revision: Revision, *, top_speed_km_h: float) -> DrivePlan:
    """Name the holds still to drive.

    Parameters
    ----------
    coverage : Coverage
        What was driven; `cover([], car, revision)` where nothing was.
    car, revision
        Gearing, tyres and road load decide gear and brake; the lower of both rev limits holds.
    top_speed_km_h : float
        Highest road speed that may be driven there. The owner's own limit holds where it is lower. [km/h]

    Returns
    -------
    DrivePlan
        No hold is faster than the top speed or near the rev limit. High load is held a few seconds only, and only
        where the airflow below it at the same speed has been driven.

    Raises
    ------
    ValueError
        A top speed at or below zero, or not a number.
    """
    if not top_speed_km_h > 0 or not np.isfinite(top_speed_km_h):
        raise ValueError(f"top_speed_km_h is {top_speed_km_h!r}; a speed above zero is wanted, in km/h.")
    top = min(top_speed_km_h, car.limits.top_speed_km_h)
    found, left_out = find_choices(coverage, car, top)
    chosen, later = most_useful(found, coverage)
    left_out += [(cell.row, cell.column, f"more than {MOST_HOLDS} holds for one drive: next time") for cell in later]
    holds = [_hold(cell, chosen, coverage, car) for cell in in_driving_order(chosen)]
    holds = _with_battery(holds, coverage, car)
    return DrivePlan(
        holds=tuple(holds),
        left_out=_left_out_table(left_out, coverage),
        top_speed_km_h=top,
        rev_limit_rpm=min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm),
        cautions=_cautions(holds, car),
        notes=_notes(coverage, car) if holds else _why_none(coverage, left_out),
    )


def _hold(cell: Choice, chosen: list[Choice], coverage: Coverage, car: Car) -> Hold:
    row, column = cell.row, cell.column
    speed = float(coverage.speeds_rpm[column])
    unit = float(flow_at_load(1.0, speed, displacement_l=car.engine.displacement_l))
    low, high = coverage.flow_edges_kg_h[row : row + 2]
    flow = float(coverage.flows_kg_h[row])
    throttle = np.nan
    if coverage.throttle is not None:
        throttle = float(coverage.throttle.throttle_for(flow, coverage.full_load_pct[column] * unit))
    return Hold(
        gear=cell.way.gear,
        engine_speed_rpm=speed,
        road_speed_km_h=cell.way.road_speed_km_h,
        air_flow_kg_h=flow,
        air_flow_from_kg_h=float(low),
        air_flow_to_kg_h=float(high),
        load_pct=flow / unit,
        throttle_pct=throttle,
        brake=cell.way.brake,
        consumers="as they are",
        seconds=cell.seconds,
        roll_s=float(np.ceil(cooling_s(cell.way, cell.seconds))),
        slope="down" if cell.way.surplus_kw < -BALANCE_KW else "level",
        is_high_load=bool(coverage.high_load[row, column]),
        why=_why(cell, chosen, coverage),
    )


def _why(cell: Choice, chosen: list[Choice], coverage: Coverage) -> str:
    """Say what the hold adds: a cell, and with the speeds already driven at this airflow, the dead time."""
    row, column = cell.row, cell.column
    have, want = coverage.seconds[row, column], coverage.wanted_s[row, column]
    have = np.floor(10 * have) / 10  # what is missing is not rounded away
    text = f"has {have:.1f} of {want:.0f} good seconds" if have > 0 else "nothing good driven here yet"
    done = (coverage.seconds[row] > 0) & ~coverage.missing[row]
    if coverage.separates[row]:
        return text
    planned = np.array([other.column for other in chosen if other.row == row], dtype=int)
    for speeds, how in ((coverage.speeds_rpm[done], "was driven"), (coverage.speeds_rpm[planned], "is planned")):
        far = max(speeds, key=lambda speed: abs(np.log(speed / coverage.speeds_rpm[column])), default=np.nan)
        if abs(np.log(far / coverage.speeds_rpm[column])) >= np.log(APART):
            return f"{text}; the same airflow {how} at about {far:.0f} rpm: tells dead time from meter"
    return text


def _with_battery(holds: list[Hold], coverage: Coverage, car: Car) -> list[Hold]:
    """Repeat a few light holds with all consumers on, where the battery voltage has not moved enough."""
    low, high = coverage.battery_v
    if high - low >= BATTERY_SPREAD_V:
        return holds
    light = sorted((hold for hold in holds if hold.load_pct < LIGHT_PCT), key=_effort)[:BATTERY_HOLDS]
    planned: list[Hold] = []
    for hold in holds:
        planned.append(hold)
        if any(hold is one for one in light):
            why = f"battery voltage lower, not below {car.limits.battery_min_v:g} V: how dead time changes with it"
            planned.append(dataclasses.replace(hold, consumers="all on", why=why))
    return planned


def _effort(hold: Hold) -> tuple[bool, bool, float]:
    return (hold.brake != "none", hold.slope != "level", hold.engine_speed_rpm)


def _left_out_table(rows: list[tuple[int, int, str]], coverage: Coverage) -> pd.DataFrame:
    cells = [(coverage.speeds_rpm[column], coverage.flows_kg_h[row], because) for row, column, because in sorted(rows)]
    return pd.DataFrame(cells, columns=["engine_speed_rpm", "air_flow_kg_h", "because"])


def _cautions(holds: list[Hold], car: Car) -> tuple[str, ...]:
    brakes = any(hold.brake != "none" for hold in holds)
    standing = any(hold.gear == 0 for hold in holds)
    high = any(hold.is_high_load for hold in holds)
    extra = [text for text, is_due in ((BRAKE_HOLD, brakes), (STANDING_HOLD, standing), (HIGH_LOAD, high)) if is_due]
    return (*cautions_for(car), *extra)


def _notes(coverage: Coverage, car: Car) -> tuple[str, ...]:
    notes = []
    if car.gearing is None or car.tyres is None:
        notes.append(
            "Gearing or tyres are not in car.toml: the plan goes by engine speed alone; stay under the top speed."
        )
    elif car.road_load is None or car.vehicle is None:
        notes.append("Road load or mass are not in car.toml: brake and slope are not known, the gear is a suggestion.")
    if coverage.throttle is None:
        notes.append("No throttle position was learned: open the throttle until the airflow reads as stated.")
    else:
        spread = np.ceil(coverage.throttle.spread_pct)
        notes.append(
            f"Throttle is as learned from the log, to about {spread:.0f} % of its travel; the airflow is what counts."
        )
    if coverage.full_load_basis != "log":
        notes.append("Full load was not driven: the range of airflow is an assumption until it is.")
    return tuple(notes)


def _why_none(coverage: Coverage, left_out: list[tuple[int, int, str]]) -> tuple[str, ...]:
    """Say why nothing is left to drive, or nothing that can be driven."""
    if not coverage.missing.any():
        return ("Every cell that the engine can be held in has its good seconds.",)
    counts = Counter(because for _, _, because in left_out)
    return tuple(f"{count} of the cells that are missing: {because}." for because, count in counts.most_common())
