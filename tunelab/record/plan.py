"""What the drive plan says in the summary."""

from __future__ import annotations

import pandas as pd

from tunelab.record.chapter import Chapter, Section, Verdict
from tunelab.study.coverage import Coverage
from tunelab.study.drive_plan import DrivePlan
from tunelab.study.finding import Finding

GEARS = {0: "neutral"}
USUAL = {"slope": "level", "lamps, fan, heater": "as they are"}  # a column that says only this is left out


def plan_chapter(coverage: Coverage, plan: DrivePlan) -> Chapter:
    """Put coverage and drive plan into a chapter of the record."""
    reachable, missing = int(coverage.reachable.sum()), int(coverage.missing.sum())
    have = "has its" if reachable - missing == 1 else "have their"
    driven = (
        f"Of {reachable} cells of engine speed and airflow that the car can hold, {reachable - missing} {have} "
        "good seconds."
    )
    level = ", on the level" if all(hold.slope == "level" for hold in plan.holds) else ""
    tables = ((f"Holds to drive, in this order{level}", plan_table(plan)),) if plan.holds else ()
    return Chapter(
        notebook="drive_plan",
        verdict=Verdict(plan_sentence(plan)),
        findings=(coverage_finding(coverage),),
        tables={"coverage": coverage.table(), "drive_plan": plan.table()},
        driven=Section((driven,)),
        drive_next=Section((plan_sentence(plan), *plan.notes), tables, _in_short(plan)),
        cautions=Section(plan.cautions),
    )


def coverage_finding(coverage: Coverage) -> Finding:
    """How much of what the car can hold has its good seconds; a count, so without an interval."""
    reachable, missing = int(coverage.reachable.sum()), int(coverage.missing.sum())
    shown = reachable > 0 and coverage.samples_used > 0
    because = f"{reachable - missing} of {reachable} cells of engine speed and airflow have their good seconds."
    return Finding(
        id="drive_plan.coverage",
        title="How much of the range was driven calmly enough",
        value=100 * coverage.share_covered if shown else None,
        unit="%",
        lower=None,
        upper=None,
        confidence=None,
        samples_used=coverage.samples_used,
        samples_flagged=coverage.samples_flagged,
        status="not_shown" if not shown else "watch" if missing else "met",
        limit=None,
        because=because if shown else " ".join(["Nothing was driven calmly enough to count.", *coverage.notes]),
    )


def _in_short(plan: DrivePlan) -> str:
    if not plan.holds:
        return ""
    return f"{len(plan.holds)} holds, about {plan.seconds / 60:.0f} minutes, up to {plan.top_speed_km_h:.0f} km/h."


def plan_sentence(plan: DrivePlan) -> str:
    """Say how many holds, how long, and under which limits."""
    if not plan.holds:
        return "No further hold."
    return (
        f"{len(plan.holds)} holds, about {plan.seconds / 60:.0f} minutes of holding and rolling, not above "
        f"{plan.top_speed_km_h:.0f} km/h and {plan.rev_limit_rpm:.0f} rpm. Hold each one still for the whole time; a "
        "passenger calls the numbers."
    )


def plan_table(plan: DrivePlan) -> pd.DataFrame:
    """The holds as a driver reads them from one sheet of paper."""
    rows = [
        {
            "no.": str(number),
            "gear": _gear(hold.gear),
            "engine speed [rpm]": round(hold.engine_speed_rpm),
            "road speed [km/h]": hold.road_speed_km_h if hold.gear == 0 else round(hold.road_speed_km_h, 0),
            "air flow [kg/h]": f"{hold.air_flow_from_kg_h:.0f}–{hold.air_flow_to_kg_h:.0f}",
            "throttle, about [%]": round(hold.throttle_pct, 0),
            "brake": hold.brake,
            "slope": hold.slope,
            "lamps, fan, heater": hold.consumers,
            "hold [s]": round(hold.seconds, 0),
            "then roll [s]": round(hold.roll_s, 0),
            "why": hold.why + ("; high load: only a few seconds" if hold.is_high_load else ""),
        }
        for number, hold in enumerate(plan.holds, start=1)
    ]
    table = pd.DataFrame(rows)
    usual = [name for name, value in USUAL.items() if len(table) and (table[name] == value).all()]
    return table.drop(columns=usual)


def _gear(gear: int | None) -> str:
    return "by engine speed" if gear is None else GEARS.get(gear, str(gear))
