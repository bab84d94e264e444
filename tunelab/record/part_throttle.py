"""What pulls at part throttle and the watch over the owner's limits say in the summary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from tunelab.channels import CHANNELS
from tunelab.record.beside import SteadyBeside, inputs_of
from tunelab.record.chapter import Chapter, NextRevision, Section, Verdict
from tunelab.record.full_throttle import (
    LIFT,
    change_in_short,
    high_flow_change,
    high_flow_table,
    next_revision,
    safety_sentence,
    spark_change,
    spark_table,
    spark_tables,
)
from tunelab.record.opened import OpenedSession
from tunelab.record.shown import limit_text, value_text
from tunelab.record.to_enter import entry_table, joined, parts_revision, standing_of_parts, tables_csv
from tunelab.study.drive_plan import HIGH_LOAD
from tunelab.study.finding import Finding
from tunelab.study.full_throttle.check import Check, LimitWatch
from tunelab.study.high_flow import HighFlow
from tunelab.study.part_throttle import PartThrottle
from tunelab.study.spark import SparkStudy
from tunelab.study.table_proposal import TableProposal
from tunelab.study.tip_in_fuel import propose_tip_in_fuel
from tunelab.study.transient import TransientStudy, proposal_sentence

SETTLE = {
    "lean_under_load": "do not load the engine there before lambda reads right: look at fuel pressure first, then at "
    "the curve",
    "lambda_full_load": "no full throttle before lambda there reads right: look at fuel pressure first, then at the "
    "curve",
    "knock_retard": "less spark advance there, or fuel that knocks less, before the engine is loaded there again",
    "injector_duty": "stay below that engine speed and load until larger injectors or more rail pressure are in",
    "meter_headroom": "stay below that airflow: beyond it the meter sees no more air",
    "boost": "less boost before the next run",
    "coolant": "let it cool, and find what heats it before it is loaded again",
    "coolant_cold": "warm the engine up before it is fully opened",
    "intake_air": "let it cool; if the car was only heat-soaked at rest, drive off gently",
    "coolant_rise": "shorter pulls, with more time to cool between them",
    "intake_air_rise": "shorter pulls, with more time to cool between them",
    "oil_temperature": "let it cool, and find what heats it before it is loaded again",
    "exhaust": "less load and engine speed until mixture and spark there are looked at",
    "oil_pressure": "switch off at once when it happens again; oil level and pump before anything else",
    "fuel_pressure_drop": "pump, filter and regulator before the next load",
    "battery": "charging and cables before the next drive",
    "engine_speed": "lower the limiter by what it overshoots, and shift earlier",
    "limiter": "allow for the overshoot where the limiter is set",
    "road_speed": "end the next run at a lower speed, or show that the speed sensor reads high",
}

IN_SHORT = {
    "knock_retard": "Knock passed its limit. Take out spark there, or use better fuel, before loading the engine "
    "again.",
    "engine_speed": "Engine speed passed its limit. Lower the limiter by what it overshoots, and shift earlier.",
    "lean_under_load": "Lambda was too lean under load. Look at fuel pressure, then at the curve, before loading the "
    "engine there again.",
}  # of the limits passed most; the first page says no more of them


def limits_chapter(found: LimitWatch) -> Chapter:
    """Put the watch over the limits into a chapter."""
    return Chapter(
        notebook="limits",
        findings=tuple(found.findings()),
        tables={"limits": found.table().reset_index()},
        driven=Section((watched_sentence(found),)),
        change=Section(tuple(settle_sentences(found)), short=_in_short(found)),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def watched_sentence(found: LimitWatch) -> str:
    """Say how much was compared with how many limits, and how many were passed."""
    shown = [check for check in found.checks if check.finding().status != "not_shown"]
    count = len(found.passed)
    passed = "none was passed" if not count else "one was passed" if count == 1 else f"{count} were passed"
    return (
        f"The engine ran for {found.seconds_running:.0f} s, {found.seconds_loaded:.0f} s of it under load (from "
        f"{found.load_from_pct:g} % of absolute load); {len(shown)} of the owner's limits could be checked against it, "
        f"{passed}."
    )


def passed_words(check: Check) -> str:
    """Name a limit that was passed, with its value and the limit."""
    found = vars(check.finding())
    return f"{check.quantity.title}: {value_text(found)}, limit {limit_text(found)}"


def settle_sentences(found: LimitWatch) -> list[str]:
    """Say of each limit that was passed what happened, and what comes before the next drive."""
    return [
        f"{passed_words(check)}. {check.because[:1].upper()}{check.because[1:]} Before the next drive: "
        f"{SETTLE[check.quantity.id.removeprefix('limits.')]}."
        for check in found.passed
    ]


def _in_short(found: LimitWatch) -> str:
    if not found.passed:
        return ""
    told = []
    for check in found.passed:
        name = check.quantity.id.removeprefix("limits.")
        passed = "passed" if check.status == "stop" else "may have passed"
        own = IN_SHORT.get(name) if check.status == "stop" else None
        told.append(own or f"{check.quantity.title} {passed} its limit: {SETTLE[name]}.")
    return " ".join(told)


def limit_sentences(found: LimitWatch) -> list[str]:
    """Name every limit passed, or say that none was among those that could be judged."""
    absent = [check.quantity.title for check in found.checks if check.finding().status == "not_shown"]
    rows = settle_sentences(found) or ["As it was driven, no limit was passed among those that this log can speak of."]
    return [*rows, f"Not shown, and never the same as met: {'; '.join(absent)}."] if absent else rows


def conditions_table(found: LimitWatch) -> pd.DataFrame:
    """Worst moment of each limit with its conditions, as a reader wants it; what is not known stays empty."""
    rows = [
        {
            "check": item.check.quantity.title,
            "at [s]": item.check.at_s,
            f"{CHANNELS['engine_speed_rpm'].axis_label}": item.check.engine_speed_rpm,
            f"{CHANNELS['throttle_pct'].axis_label}": item.throttle_pct,
            "absolute load [%]": item.load_pct,
            "gear": item.gear or "",
            "beyond [s]": item.seconds_beyond,
            "lift at [s]": item.lift_s,
        }
        for item in found.watched
        if np.isfinite(item.check.value)
    ]
    return pd.DataFrame(rows)


SETTLE_AS = {
    "part_throttle.lean": "lean_under_load", "part_throttle.knock_retard": "knock_retard",
    "steady.lean_at_load": "lean_under_load", "full_throttle.knock_retard": "knock_retard",
    "full_throttle.lambda": "lambda_full_load",
}  # fmt: skip
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
    here = [] if "full-throttle" in steps else [spark]
    own = [] if "road" in steps else [tip_ins]
    entries = [propose_tip_in_fuel(one, opened.car, opened.revision) for one in own]
    meter = [replace(f, id="part_throttle.meter_agreement", title=_meter_title(f)) for f in high.findings()]
    meter = meter if opened.car.has_meter else []
    judged = [f for one in own for f in one.findings(opened.car)] + [f for one in here for f in one.findings()]
    findings = (*found.findings(), *meter, *judged, *(f for one in entries for f in one.findings()))
    proposal = joined(next_revision(opened, None, spark) if here else None, parts_revision(opened, entries))
    return Chapter(
        notebook="part_throttle",
        verdict=Verdict(safety_sentence(found, findings)),
        findings=findings,
        tables=_tables(found, high, own, here) | tables_csv(entries),
        inputs=inputs_of(steady.beside),
        driven=Section((pulls_sentence(found),)),
        change=_change(opened, found, high, own, here, entries, proposal),
        proposal=proposal,
        cannot_show=Section(tuple(f"{f.title}: {f.because}" for f in findings if f.status == "not_shown")),
        drive_next=Section(() if found.shown else (AGAIN,)),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def _tables(
    found: PartThrottle, high: HighFlow, own: list[TransientStudy], here: list[SparkStudy]
) -> dict[str, pd.DataFrame]:
    tables = {"part_throttle_pulls": found.pulls, "part_throttle_cells": found.cells, "part_throttle_lift": found.lift}
    tables |= {CURVE_FILE: high.points} if high.shown else {}
    for tip_ins in own:
        tables |= {"excursions": tip_ins.excursions} if len(tip_ins.excursions) else {}
    for spark in here:
        tables |= spark_tables(spark)
    return tables


def _change(
    opened: OpenedSession, found: PartThrottle, high: HighFlow, own: list[TransientStudy], here: list[SparkStudy],
    entries: list[TableProposal], proposal: NextRevision | None,
) -> Section:  # fmt: skip
    """What to enter: of the meter's curve, of tip-ins and of spark, as far as they are judged here."""
    film = [proposal_sentence(row) for one in own for _, row in one.fuel.iterrows()]
    asks = proposal is not None or len(high_flow_table(high)) > 0 or bool(film)
    standing = standing_of_parts(opened, proposal) if asks else ""
    sentences = (
        *stop_sentences(found),
        *((standing,) if standing else ()),
        *curve_sentences(high),
        *(sentence for one in entries for sentence in one.sentences()),
        *film,
        *(sentence for spark in here for sentence in spark_change(spark)),
    )
    tables = (
        *high_flow_table(high),
        *(table for one in entries for table in entry_table(one)),
        *(table for spark in here for table in spark_table(spark)),
    )
    short = (_stops_in_short(found), *change_in_short(standing, high, None, next(iter(here), None)))
    return Section(sentences, tables, " ".join(part for part in short if part))


def _meter_title(finding: Finding) -> str:
    return finding.title.replace("at high flow", "at part throttle")


def pulls_sentence(found: PartThrottle) -> str:
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
