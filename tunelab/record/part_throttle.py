"""What pulls at part throttle say in the summary: safety, then the meter beyond the steady range, then tip-ins."""

from __future__ import annotations

from dataclasses import replace

from tunelab.record.beside import SteadyBeside, inputs_of
from tunelab.record.chapter import Chapter, Section, Verdict
from tunelab.record.limits import LIFT, SETTLE, passed_words
from tunelab.record.opened import OpenedSession
from tunelab.record.pulls import (
    high_flow_change,
    high_flow_table,
    lift_sentences,
    next_revision,
    spark_change,
    spark_table,
    spark_tables,
)
from tunelab.record.to_enter import entry_table, joined, parts_revision, standing_of_parts, tables_csv
from tunelab.study.cautions import HIGH_LOAD
from tunelab.study.finding import Finding
from tunelab.study.high_flow import HighFlow
from tunelab.study.part_throttle import PartThrottle
from tunelab.study.spark import SparkStudy
from tunelab.study.tip_in_fuel import propose_tip_in_fuel
from tunelab.study.transient import TransientStudy
from tunelab.study.transient.study import proposal_sentence

SETTLE_AS = {"part_throttle.lean": "lean_under_load", "part_throttle.knock_retard": "knock_retard"}
AGAIN = (
    "Drive pulls at a fixed opening of a third, half and two thirds, each in one gear and both ways; log lambda, "
    "commanded lambda, knock retard and the meter."
)
CURVE_FILE = "meter_part_throttle"


def part_throttle_chapter(
    opened: OpenedSession,
    found: PartThrottle,
    *,
    high: HighFlow,
    steady: SteadyBeside,
    tip_ins: TransientStudy,
    spark: SparkStudy,
) -> Chapter:
    """Put pulls at part throttle into a chapter.

    Tip-ins and spark are judged here where no other question of the session does: a session with the step road has its
    own for tip-ins, and full throttle its own for the spark of the whole log.
    """
    steps = opened.folder.session.steps
    here = "full-throttle" not in steps
    meter = [replace(f, id="part_throttle.meter_agreement", title=_meter_title(f)) for f in high.findings()]
    meter = meter if opened.car.has_meter else []
    own = "road" not in steps
    findings = (*found.findings(), *meter, *(tip_ins.findings(opened.car) if own else ()))
    findings += tuple(spark.findings()) if here else ()
    tables = {"part_throttle_pulls": found.pulls, "part_throttle_cells": found.cells, "part_throttle_lift": found.lift}
    tables |= {CURVE_FILE: high.points} if high.shown else {}
    tables |= {"excursions": tip_ins.excursions} if own and len(tip_ins.excursions) else {}
    tables |= spark_tables(spark) if here else {}
    film = [proposal_sentence(row) for _, row in tip_ins.fuel.iterrows()] if own else []
    tables_own = [propose_tip_in_fuel(tip_ins, opened.car, opened.revision)] if own else []
    findings += tuple(finding for one in tables_own for finding in one.findings())
    tables |= tables_csv(tables_own)
    proposal = joined(next_revision(opened, None, spark) if here else None, parts_revision(opened, tables_own))
    asks = proposal is not None or len(high_flow_table(high)) > 0 or bool(film)
    standing = standing_of_parts(opened, proposal) if asks else ""
    entered = [sentence for one in tables_own for sentence in one.sentences()]
    return Chapter(
        notebook="part_throttle",
        verdict=Verdict(lift_sentences(found)[0]),
        findings=findings,
        tables=tables,
        inputs=inputs_of(steady.beside),
        driven=Section((driven_sentence(found),)),
        change=Section(
            (
                *stop_sentences(found),
                *((standing,) if standing else ()),
                *curve_sentences(high),
                *entered,
                *film,
                *(spark_change(spark) if here else ()),
            ),
            (
                *high_flow_table(high),
                *(table for one in tables_own for table in entry_table(one)),
                *(spark_table(spark) if here else ()),
            ),
            _stops_in_short(found),
        ),
        proposal=proposal,
        cannot_show=Section(tuple(f"{f.title}: {f.because}" for f in findings if f.status == "not_shown")),
        drive_next=Section(() if found.shown else (AGAIN,)),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def _meter_title(finding: Finding) -> str:
    return finding.title.replace("at high flow", "at part throttle")


def driven_sentence(found: PartThrottle) -> str:
    """Say which pulls were driven."""
    if not found.shown:
        return f"Pulls at part throttle: {found.because}"
    table = found.pulls
    count = "1 pull" if len(table) == 1 else f"{len(table)} pulls"
    opened = " to ".join(dict.fromkeys(f"{x:.0f}" for x in (table["throttle_pct"].min(), table["throttle_pct"].max())))
    speeds = f"{table['from_rpm'].min():.0f} to {table['to_rpm'].max():.0f} rpm"
    return f"{count} at part throttle, {opened} % open, {speeds}."


def stop_sentences(found: PartThrottle) -> list[str]:
    """Say of each limit passed in a pull what comes before the next one."""
    stops = [check for check in found.checks if check.status == "stop"]
    return [
        f"{passed_words(check)}. {check.because[:1].upper()}{check.because[1:]} Before the next pull: "
        f"{SETTLE[SETTLE_AS[check.quantity.id]]}."
        for check in stops
    ]


def _stops_in_short(found: PartThrottle) -> str:
    """What to settle before the next pull, in short; empty where no limit was passed."""
    stops = [check for check in found.checks if check.status == "stop"]
    return " ".join(f"{check.quantity.title}: {SETTLE[SETTLE_AS[check.quantity.id]]}." for check in stops)


def curve_sentences(high: HighFlow) -> list[str]:
    """Say what the pulls ask of the curve beyond the range of the steady drive."""
    return [sentence.replace("meter_high_flow", CURVE_FILE) for sentence in high_flow_change(high)]
