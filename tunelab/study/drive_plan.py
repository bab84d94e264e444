"""The drive plan: which holds are still to drive, within the owner's limits and a stated top speed, with the usual
cautions.

All of it is common practice of the trade, no source.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import pandas as pd

from tunelab.study.coverage import APART, Coverage
from tunelab.study.finding import counted, shows_its_table
from tunelab.study.hold import BALANCE_KW, flow_at_load
from tunelab.study.hold_choice import (
    CONSUMERS_S,
    MOVE_S,
    Choice,
    Chosen,
    battery_moved,
    choose_holds,
    find_choices,
    in_driving_order,
    rolls_s,
)
from tunelab.study.information import CalmDrive, Expected
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

USUAL = (
    "Drive tests on a closed road or at an event; on a public road only what traffic and the law leave room for.",
    "A passenger looks after the laptop, never the driver.",
    "End a run at once on knock, on a lean reading under load, on a temperature out of bounds, on falling oil or fuel "
    "pressure, or on any smell of fuel; coast down, switch off, and look before the next run.",
    "Check the brakes before any test that ends fast or holds against them, and let them cool between runs.",
    "A change of fuelling can put a road car outside the emissions law of its country; that is the owner's to settle.",
    "A proposal is for a person to read, doubt and enter. Change one revision at a time, keep the old one at hand, and "
    "begin with gentle driving.",
)
BRAKE_HOLD = (
    "Holding against the brake heats it fast: a light left foot, no longer than stated, then roll freely for the time "
    "stated. Stop for the day at a soft pedal, a smell of hot lining or smoke; never park with hot brakes applied."
)
STANDING_HOLD = (
    "Standing holds: outdoors, neutral, hand brake on, nobody in front or behind, exhaust clear of dry grass; "
    "watch the coolant, there is no wind through the radiator."
)
HIGH_LOAD = (
    "High load comes last, only once the part load around it reads right: a few seconds, eyes on lambda and knock, and "
    "off at the first sign."
)


def cautions_for(car: Car) -> tuple[str, ...]:
    """Return one sentence that repeats the owner's limits, and the usual cautions."""
    limits = car.limits
    own = (
        f"The owner's limits come first: {limits.rev_limit_rpm:g} rpm, {limits.top_speed_km_h:g} km/h, "
        f"lambda {limits.lambda_max_full_load:g} at full load, knock retard {limits.knock_retard_max_deg:g}°, "
        f"coolant {limits.coolant_min_c:g} to {limits.coolant_max_c:g} °C, intake air {limits.intake_air_max_c:g} °C, "
        f"battery {limits.battery_min_v:g} V. Nothing here is a reason to pass them."
    )
    return (own, *USUAL)


A_LINE = 6  # holds
JOINED = "\u2011"  # a hyphen at which no line breaks
MARKS = {
    "L": "L: lamps, fan and heater on",
    "B": "B: against the brake, and the seconds to roll afterwards, if any",
    "D": "D: down a slope",
    "s": "s: held for so many seconds only",
}
LINES_SHARE = 0.5  # of the owner's limit: straight lines that leave more are worth a word
UNKNOWN_PCT = 20.0  # a spread that is no knowledge
LEAST_DRIVEN_S = 3.0  # usable seconds of a cell, to be named as driven
TOLD = "known well enough from their neighbours"


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

    @property
    def range_words(self) -> str:
        """Between what it is good enough, as it is read out."""
        return f"{self.air_flow_from_kg_h:.0f}{JOINED}{self.air_flow_to_kg_h:.0f}"

    @property
    def range_label(self) -> str:
        """What `range_words` is of, with its unit."""
        return "airflow [kg/h]"


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
    limit_pct: float  # the owner's, of lambda's error at steady speed
    before: Expected  # to how much lambda is known over what can be held, as driven so far; NaN where nothing can
    after: Expected  # with these holds, over what may be driven now
    is_enough: bool  # what holds can tell is known within the limit, and the dead time: no hold is wanted
    reaches: bool  # these holds bring it there over what may be driven now
    later_s: float  # of driving in later drives until that holds everywhere; NaN where holds do not bring it there

    @property
    def seconds(self) -> float:
        """Time of all holds with the rolling and the way from one to the next."""
        return driving_s(self.holds)

    @property
    def hold_s(self) -> float:
        """Time of the holds alone."""
        return float(sum(hold.seconds for hold in self.holds))

    def table(self) -> pd.DataFrame:
        """One row per hold, in driving order; columns as the fields of `Hold`."""
        names = [field.name for field in dataclasses.fields(Hold)]
        rows = [dataclasses.astuple(hold) for hold in self.holds]
        table = pd.DataFrame(rows, columns=names)
        table.insert(0, "number", np.arange(1, len(rows) + 1))
        return table.astype({"gear": "Int64"})


def driving_s(holds: Iterable[Hold]) -> float:
    """Time of holds with the way to each, switching consumers on, and the rolling for the brakes. [s]"""
    switching = {"all on": CONSUMERS_S}
    return float(sum(h.seconds + h.roll_s + MOVE_S + switching.get(h.consumers, 0.0) for h in holds))


def plan_drive(
    coverage: Coverage, car: Car, revision: Revision, *, top_speed_km_h: float, drives: Sequence[CalmDrive] = ()
) -> DrivePlan:
    """Name the holds still to drive.

    Parameters
    ----------
    coverage : Coverage
        What was driven; `cover([], car, revision)` where nothing was.
    car, revision
        Gearing, tyres and road load decide gear and brake; the lower of both rev limits holds.
    top_speed_km_h : float
        Highest road speed that may be driven there. The owner's own limit holds where it is lower. [km/h]
    drives : sequence of CalmDrive
        What each session so far gives the steady fit; none where nothing was driven.

    Returns
    -------
    DrivePlan
        No hold is faster than the top speed or near the rev limit. High load is held a few seconds only, and only
        where the airflow below it at the same speed has been driven. No hold at all once lambda is known within the
        owner's limit over what can be held.

    Raises
    ------
    ValueError
        A top speed at or below zero, or not a number.
    """
    if not top_speed_km_h > 0 or not np.isfinite(top_speed_km_h):
        raise ValueError(f"top_speed_km_h is {top_speed_km_h!r}; a speed above zero is wanted, in km/h.")
    top = min(top_speed_km_h, car.limits.top_speed_km_h)
    within = _within(car, revision, top)
    found, left_out = find_choices(coverage, within, revision, top)
    chosen = choose_holds(found, coverage, drives, within, revision)
    left_out += _not_chosen(found, chosen, coverage)
    spread = dict(zip(chosen.holds, chosen.spread_pct, strict=True))
    ordered = in_driving_order(chosen.holds)
    rolls = zip(ordered, rolls_s(ordered), strict=True)
    holds = tuple(replace(_hold(cell, spread[cell], ordered, coverage, car), roll_s=roll_s) for cell, roll_s in rolls)
    return DrivePlan(
        holds=holds,
        left_out=_left_out_table(left_out, coverage),
        top_speed_km_h=top,
        rev_limit_rpm=within.limits.rev_limit_rpm,
        cautions=_cautions(holds, car),
        notes=(*_notes(coverage, car, drives, chosen), *_why_none(holds, left_out)),
        limit_pct=car.limits.steady_lambda_error_max_pct,
        before=chosen.before,
        after=chosen.after,
        is_enough=chosen.is_enough,
        reaches=chosen.reaches,
        later_s=chosen.later_s,
    )


def _within(car: Car, revision: Revision, top_speed_km_h: float) -> Car:
    """The car with the lower of both rev limits and of both top speeds as its own."""
    rev_limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    lower = {"rev_limit_rpm": rev_limit, "top_speed_km_h": top_speed_km_h}
    return car.model_copy(update={"limits": car.limits.model_copy(update=lower)})


def _not_chosen(found: list[Choice], chosen: Chosen, coverage: Coverage) -> list[tuple[int, int, str]]:
    """Missing cells that can be held and are not in the plan, each with its reason."""
    taken = {(cell.row, cell.column) for cell in chosen.holds}
    left = {(cell.row, cell.column): cell.wait for cell in found if (cell.row, cell.column) not in taken}
    unneeded = TOLD if chosen.is_enough or chosen.reaches else "would show less than the holds that are planned"
    return [(*at, wait if wait and not chosen.is_enough else unneeded)
            for at, wait in left.items() if coverage.missing[at]]  # fmt: skip


def _hold(cell: Choice, spread_pct: float, planned: list[Choice], coverage: Coverage, car: Car) -> Hold:
    column, (low, high), flow = cell.column, cell.flows_kg_h, cell.flow_kg_h
    speed = float(coverage.speeds_rpm[column])
    unit = float(flow_at_load(1.0, speed, displacement_l=car.engine.displacement_l))
    throttle = np.nan
    if coverage.throttle is not None:
        throttle = float(coverage.throttle.throttle_for(flow, coverage.full_load_pct[column] * unit))
    return Hold(
        gear=cell.way.gear,
        engine_speed_rpm=speed,
        road_speed_km_h=cell.way.road_speed_km_h,
        air_flow_kg_h=flow,
        air_flow_from_kg_h=low,
        air_flow_to_kg_h=high,
        load_pct=flow / unit,
        throttle_pct=throttle,
        brake=cell.way.brake,
        consumers="all on" if cell.consumers_on else "as they are",
        seconds=cell.seconds,
        roll_s=0.0,
        slope="down" if cell.way.surplus_kw < -BALANCE_KW else "level",
        is_high_load=bool(coverage.high_load[cell.row, column]),
        why=_why(cell, spread_pct, planned, coverage, car),
    )


def _why(cell: Choice, spread_pct: float, planned: list[Choice], coverage: Coverage, car: Car) -> str:
    """Say what the hold adds: to how much lambda is known there so far, and whether it tells the dead time."""
    if cell.consumers_on:
        return f"battery voltage lower, not below {car.limits.battery_min_v:g} V: how dead time changes with it"
    row, column = cell.row, cell.column
    shown = f"{spread_pct:.1f}" if spread_pct < 10 else f"{spread_pct:.0f}"
    text = f"lambda here known to ± {shown} % so far" if spread_pct < UNKNOWN_PCT else "lambda here not known so far"
    done = coverage.seconds[row] >= LEAST_DRIVEN_S
    if _tells(coverage.speeds_rpm[done]):
        return text
    others = np.array([other.column for other in planned if other.row == row], dtype=int)
    for speeds, how in ((coverage.speeds_rpm[done], "was driven"), (coverage.speeds_rpm[others], "is planned")):
        far = max(speeds, key=lambda speed: abs(np.log(speed / coverage.speeds_rpm[column])), default=np.nan)
        if abs(np.log(far / coverage.speeds_rpm[column])) >= np.log(APART):
            return f"{text}; the same airflow {how} at about {far:.0f} rpm: separates dead time from meter"
    return text


def _tells(speeds_rpm: np.ndarray) -> bool:
    return speeds_rpm.size > 0 and speeds_rpm.max() / speeds_rpm.min() >= APART


def _left_out_table(rows: list[tuple[int, int, str]], coverage: Coverage) -> pd.DataFrame:
    cells = [(coverage.speeds_rpm[column], coverage.flows_kg_h[row], because) for row, column, because in sorted(rows)]
    return pd.DataFrame(cells, columns=["engine_speed_rpm", "air_flow_kg_h", "because"])


def _cautions(holds: Sequence[Hold], car: Car) -> tuple[str, ...]:
    brakes = any(hold.brake != "none" for hold in holds)
    standing = any(hold.gear == 0 for hold in holds)
    high = any(hold.is_high_load for hold in holds)
    extra = [text for text, is_due in ((BRAKE_HOLD, brakes), (STANDING_HOLD, standing), (HIGH_LOAD, high)) if is_due]
    return (*cautions_for(car), *extra)


def _notes(coverage: Coverage, car: Car, drives: Sequence[CalmDrive], chosen: Chosen) -> tuple[str, ...]:
    """What the plan does not know: of the car, of what was driven, and of the battery voltage."""
    notes = list(dict.fromkeys(drive.because for drive in drives if drive.because))
    if drives and not all(drive.pressure_known for drive in drives):
        notes.append(
            "The pressure across the injectors is not logged: no hold shows the dead time. Log the manifold pressure."
        )
    elif not chosen.tells_dead_time and (chosen.holds or chosen.is_enough):
        notes.append(
            "The dead time cannot be shown here: the same airflow would have to be held at engine speeds further apart "
            "than this road and these limits allow."
        )
    if any(len(drive.holds) for drive in drives) and (
        chosen.before.table_pct > LINES_SHARE * car.limits.steady_lambda_error_max_pct
    ):
        notes.append(
            f"The ECU draws straight lines between the curve's breakpoints. They leave about "
            f"{chosen.before.table_pct:.1f} % of lambda whatever is driven. Where the ECU lets you move or add "
            "breakpoints, put them closer together where the curve bends most."
        )
    if chosen.is_enough and not battery_moved(coverage):
        notes.append(
            "The battery voltage hardly moved: how dead time changes with it is not shown. Hold one light speed with "
            "lamps, fan and heater on when there is a drive anyway."
        )
    return (*notes, *_car_notes(coverage, car)) if chosen.holds else tuple(notes)


def _car_notes(coverage: Coverage, car: Car) -> list[str]:
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
    return notes


def _why_none(holds: Sequence[Hold], left_out: list[tuple[int, int, str]]) -> tuple[str, ...]:
    """Say what of the range is not asked about, where no hold is left to drive."""
    if holds:
        return ()
    counts = Counter(because for _, _, because in left_out)
    return tuple(_undriven(count, because) for because, count in counts.most_common())


def _undriven(count: int, because: str) -> str:
    """So many cells that were not driven, and why none of them is asked for."""
    cells = counted(count, "undriven cells")
    if because != TOLD:
        return f"{cells}: {because}."
    return f"{cells} {'is' if count == 1 else 'are'} {TOLD if count != 1 else TOLD.replace('their', 'its')}."


def hold_lines(holds: Sequence[Hold]) -> pd.DataFrame:
    """The holds with up to six of one gear on each line, for a phone or a sheet; marks as `lines_legend` has them."""
    usual, rows, number = _usual_s(holds), [], 0
    for gear, same in groupby(holds, key=lambda hold: hold.gear):
        own = list(same)
        for first in range(0, len(own), A_LINE):
            cells = [_brief(number + k, hold, usual) for k, hold in enumerate(own[first : first + A_LINE], start=1)]
            number += len(cells)
            rows.append([gear_word(gear), *cells, *[""] * (A_LINE - len(cells))])
    table = pd.DataFrame(rows, columns=["gear", *(str(k) for k in range(1, A_LINE + 1))])
    table.attrs["compact"] = True
    return table


def lines_legend(holds: Sequence[Hold]) -> str:
    """What stands in the cells of `hold_lines`, and only the marks that occur."""
    marks = {" ".join(_marks(hold, _usual_s(holds))) for hold in holds}
    told = [text for mark, text in MARKS.items() if any(mark in own for own in marks)]
    what = holds[0].range_label if holds else "airflow [kg/h]"
    head = f"Holds in this order, {_usual_s(holds):.0f} s each: number, engine speed [rpm], {what}"
    return ". ".join([head, *told])


def gear_word(gear: int | None) -> str:
    """Gear as a driver reads it."""
    return "any" if gear is None else "neutral" if gear == 0 else str(gear)


def _usual_s(holds: Sequence[Hold]) -> float:
    return Counter(hold.seconds for hold in holds).most_common(1)[0][0] if holds else np.nan


def _brief(number: int, hold: Hold, usual_s: float) -> str:
    return " ".join([f"{number}:", f"{hold.engine_speed_rpm:.0f}", hold.range_words, *_marks(hold, usual_s)])


def _marks(hold: Hold, usual_s: float) -> list[str]:
    marks = {
        "L": hold.consumers == "all on",
        "B" + (f"{hold.roll_s:.0f}" if hold.roll_s else ""): hold.brake in ("light", "firm"),
        "D": hold.slope == "down",
        f"{hold.seconds:.0f}s": hold.seconds != usual_s,
    }
    return [mark for mark, is_due in marks.items() if is_due]
