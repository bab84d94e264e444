"""What full throttle says in the summary: safety, fuel, spark and the meter's curve at high flow."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.record.beside import BY_PULL, SteadyBeside, inputs_of
from tunelab.record.chapter import Chapter, NextRevision, Section, Verdict
from tunelab.record.display import real_minus
from tunelab.record.opened import OpenedSession
from tunelab.record.shown import called, list_names
from tunelab.record.to_enter import MARK, curve_to_enter, need_beyond, next_name, standing_of_parts
from tunelab.study.drive_plan import HIGH_LOAD
from tunelab.study.finding import Finding, counted
from tunelab.study.full_load_fuel import CHANGED, FullLoadProposal
from tunelab.study.full_throttle import FullThrottle
from tunelab.study.full_throttle.check import Quantity
from tunelab.study.high_flow import HighFlow
from tunelab.study.part_throttle import PartThrottle
from tunelab.study.pull_result import PullSet
from tunelab.study.spark import SparkStudy

LIFT = "At the first breach of a limit lift, coast, and do not repeat the run before the reason is found."


def full_throttle_chapter(
    opened: OpenedSession,
    found: FullThrottle,
    pulls: PullSet,
    *,
    high: HighFlow,
    steady: SteadyBeside,
    fuel: FullLoadProposal,
    spark: SparkStudy,
) -> Chapter:
    """Put full-throttle safety into a chapter, and what follows for fuel and spark at full load."""
    meter = high.findings() if opened.car.has_meter else []
    findings = (*found.findings(), *meter, *fuel.findings(), *spark.findings())
    stops = [f for f in findings if f.status == "stop"]
    proposal = next_revision(opened, fuel, spark)
    asked = (*high_flow_change(high), *fuel_change(fuel), *spark_change(spark))
    enters = proposal is not None or fuel.changes or len(spark.cells) or len(high_flow_table(high))
    standing = standing_of_parts(opened, proposal) if enters else ""
    return Chapter(
        notebook="full_throttle",
        verdict=Verdict(safety_sentence(found, findings)),
        findings=findings,
        tables=_tables(found, high, fuel) | spark_tables(spark),
        inputs=inputs_of(steady.beside),
        driven=Section((_full_driven(found, pulls),)),
        change=Section(
            (
                *(f"{f.title}: {f.because} Settle this before the next pull." for f in stops),
                *((standing,) if standing else ()),
                *asked,
            ),
            (*high_flow_table(high), *fuel_table(fuel), *spark_table(spark)),
            " ".join(
                (*(f"{f.title}: settle this first." for f in stops), *change_in_short(standing, high, fuel, spark))
            ),
        ),
        proposal=proposal,
        cannot_show=Section(tuple(f"{f.title}: {f.because}" for f in findings if f.status == "not_shown")),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def _tables(found: FullThrottle, high: HighFlow, fuel: FullLoadProposal) -> dict[str, pd.DataFrame]:
    tables = {"full_throttle": found.summary().reset_index(), "lift": found.lift, "breaches": found.breaches()}
    if found.mixture is not None:
        tables |= {"lambda_by_speed": found.mixture.bins, BY_PULL: found.mixture.by_pull}
    tables |= {"meter_high_flow": high.points} if high.shown else {}
    return tables | ({"full_load_fuel": fuel.table} if fuel.shown else {})


def change_in_short(
    standing: str, high: HighFlow, fuel: FullLoadProposal | None, spark: SparkStudy | None
) -> tuple[str, ...]:
    """All that is to be entered, each in one sentence with its numbers; none where nothing is."""
    found = [_first(standing)] if standing else []
    own = high.points[high.points["basis"] == "pulls"] if high.shown else high.points[:0]
    if len(own) and need_beyond(high) == "change":
        unit = channel(high.channel).shown_unit
        by = _ends(100 * (own["flow_proposed_kg_h"] / own["flow_in_force_kg_h"] - 1), "+.1f")
        span = _ends(own["reading"], ".4g")
        found.append(f"Meter curve: {counted(len(own), 'breakpoints')} at {span} {unit} by {real_minus(by)} %.")
    if fuel is not None and fuel.changes:
        rows = fuel.table[fuel.table["basis"] == CHANGED]
        told = [f"{row.proposed:.3f} at {row.engine_speed_rpm:.0f} rpm" for row in rows.itertuples()]
        found.append(f"Fuel at full load: {list_names(told)}.")
    if spark is not None and len(spark.cells):
        found.append(_first(spark_change(spark)[0]))
    return tuple(found)


def _first(text: str) -> str:
    """The first sentence of a text."""
    return re.split(r"(?<=\.)\s", text, maxsplit=1)[0]


def _ends(values: pd.Series, form: str) -> str:
    """Least and largest of some values; one where they are written alike."""
    return " to ".join(dict.fromkeys(format(end, form) for end in (values.min(), values.max())))


def fuel_change(fuel: FullLoadProposal) -> tuple[str, ...]:
    """Say what to enter of the fuel at full load, and what is expected of it."""
    if not fuel.shown:
        return ()
    if not fuel.changes:
        return ("Fuel at full load: nothing to change, as far as it was measured.", *fuel.capped, *fuel.notes)
    count = int((fuel.table["basis"] == CHANGED).sum())
    what = {"commanded_lambda": "commanded lambda", "fuel_factor": "fuel factor"}
    own = fuel.base.full_load_fuel
    now, then = fuel.now, fuel.predicted
    text = (
        f"Fuel at full load: {count} of {len(fuel.table)} engine speeds change "
        f"({what[own.key] if own else 'a factor on the fuel'}). Lambda is off its target by up to {now.value:.1f} % "
        f"now; {then.value:.1f} % ({then.lower:.1f} to {then.upper:.1f}) is expected then."
    )
    return (text, *fuel.capped, *fuel.notes)


def fuel_table(fuel: FullLoadProposal) -> tuple[tuple[str, pd.DataFrame], ...]:
    """Engine speeds as a person enters them."""
    if not fuel.changes:
        return ()
    table, own = fuel.table, fuel.base.full_load_fuel
    change = 100 * (table["lambda"] / table["lambda_after"] - 1)
    ends = zip(table["lambda"], table["lower"], table["upper"], strict=True)
    marked = zip(table["proposed"], table["in_force"], strict=True)
    shown = pd.DataFrame({
        "engine speed [rpm]": table["engine_speed_rpm"],
        "now": table["in_force"].round(3),
        "proposed": [f"{MARK} {value:.3f}" if value != now else f"{value:.3f}" for value, now in marked],
        "fuel in all [%]": change.round(1),
        "measured lambda": [
            f"{value:.3f} ({lower:.3f} to {upper:.3f})" if np.isfinite(value) else "–" for value, lower, upper in ends
        ],
        "lambda expected": table["lambda_after"].round(3),
        "evidence": [f"{row.readings} in {row.pulls} pulls" for row in table.itertuples()],
        "basis": table["basis"],
    })  # fmt: skip
    what = "Commanded lambda" if own is not None and own.key == "commanded_lambda" else "Factor on the fuel"
    return ((f"{what} at full load, by the pulls", shown),)


def spark_tables(spark: SparkStudy) -> dict[str, pd.DataFrame]:
    """Tables of the record: when knock control took spark back, and the cells that retreat."""
    found = {"knock_events": spark.events} if len(spark.events) else {}
    return found | ({"spark_retreat": spark.cells} if len(spark.cells) else {})


def spark_change(spark: SparkStudy) -> tuple[str, ...]:
    """Say how often, how much and under what spark was taken back, and which cells retreat."""
    if not spark.shown or spark.events.empty:
        return ()
    if spark.cells.empty:
        return spark.notes
    count = len(spark.cells)
    where = "of the spark table" if spark.base.spark is not None else "of 500 rpm and 10 % load"
    then = spark.predicted
    said = "" if then.value is None else f" Knock retard of up to {then.upper:.1f}° is expected then at most."
    cells = "1 cell" if count == 1 else f"{count} cells"
    get = "gets" if count == 1 else "get up to"
    text = f"Spark: {cells} {where} {get} {spark.cells['retreat_deg'].max():.1f}° less advance.{said}"
    return (text, *spark.notes)


def spark_table(spark: SparkStudy) -> tuple[tuple[str, pd.DataFrame], ...]:
    """The cells that get less advance, as a person enters them."""
    if spark.cells.empty:
        return ()
    load = "load [%]" if spark.axis == "load_pct" else "manifold pressure [kPa]"
    names = {
        "engine_speed_rpm": "engine speed [rpm]", "load": load, "in_force_deg": "now [°]",
        "proposed_deg": "proposed [°]", "retreat_deg": "less advance [°]", "retard_seen_deg": "retard seen [°]",
        "engine_speed_from_rpm": "from [rpm]", "engine_speed_to_rpm": "to [rpm]", "load_from_pct": "load from [%]",
        "load_to_pct": "load to [%]",
    }  # fmt: skip
    return (("Spark to take back, where knock came and beside it", spark.cells.rename(columns=names)),)


def next_revision(opened: OpenedSession, fuel: FullLoadProposal | None, spark: SparkStudy) -> NextRevision | None:
    """The next revision with less spark and the fuel at full load, and with the meter that the fuel rests on."""
    fuelled = () if fuel is None else fuel.parts()
    parts = (*fuelled, *spark.parts())
    if not parts:
        return None
    base, date = spark.base, opened.folder.session.date
    name = next_name(base.name, list(opened.workspace.revisions))
    revision = fuel.to_revision(name, date) if fuel is not None and fuelled else spark.to_revision(name, date)
    if spark.parts():
        key = spark.parts()[0]
        revision = revision.model_copy(update={key: getattr(spark.to_revision(name, date), key)})
    revision = revision.model_copy(update={"proposed_in": opened.name})
    comments = {
        "spark": "Less advance where knock came, never more; see tables/spark_retreat.csv.",
        "spark_retreat": "Less advance where knock came, never more; see tables/spark_retreat.csv.",
        "full_load_fuel": "By the pulls; engine speeds that were not measured stay. See tables/full_load_fuel.csv.",
        "": f"A proposal from the session {opened.name}, based on {base.name}. Not in any ECU until a person "
        "enters it.",
    }
    if "meter_curve" in parts:
        comments["meter_curve"] = "Curve, dead time and fuel at full load go in together: each rests on the others."
    if "volumetric_efficiency" in parts:
        comments["volumetric_efficiency"] = (
            "Table, dead times and fuel at full load go in together: each rests on the others."
        )
    return NextRevision(revision, comments, parts)


def high_flow_change(high: HighFlow) -> tuple[str, ...]:
    """Say what the pulls ask of the curve beyond the range of the steady drive."""
    if not high.shown:
        return ()
    count = int((high.points["basis"] == "pulls").sum())
    rail = (high.rail,) if high.rail else ()
    if not count:
        return rail
    span = f"{high.steady_to:.4g} to {high.pulls_to:.4g} {channel(high.channel).shown_unit}"
    need = need_beyond(high)
    if need == "nothing":
        text = (
            f"Nothing has to be changed beyond the steady drive: from {span} the curve is within your {_within(high)}."
        )
        return (text, *rail)
    if need == "open":
        text = (
            f"No change is shown to be needed beyond the steady drive: from {span} every interval holds zero, though "
            f"not all of them lie within your {_within(high)}."
        )
        return (text, *rail)
    text = (
        f"Meter curve beyond the steady drive: {count} breakpoint{'' if count == 1 else 's'} from {span}, in "
        f"tables/meter_high_flow.csv. Enter {'it' if count == 1 else 'them'} together with the proposal of the steady "
        "drive, never alone: both rest on the same dead time."
    )
    return (text, *high.capped, *rail)


def _within(high: HighFlow) -> str:
    return f"{high.tolerance_pct:g} %"


def high_flow_table(high: HighFlow) -> tuple[tuple[str, pd.DataFrame], ...]:
    """Breakpoints that the pulls extend, as a person types them; none where no change is shown to be needed."""
    if not high.shown or not (high.points["basis"] == "pulls").any() or need_beyond(high) != "change":
        return ()
    own = high.points[high.points["basis"].isin(["pulls", "rail"])]
    return (("Meter curve at high flow, by the pulls", curve_to_enter(own.reset_index(drop=True), high.channel)),)


def _full_driven(found: FullThrottle, pulls: PullSet) -> str:
    if not found.shown:
        return f"Full throttle: {found.because}"
    seconds = sum(s.end_s - s.start_s for s in found.stretches)
    clean = pulls.full
    text = f"{_count(len(found.stretches), 'stretch', 'stretches')} of full throttle, {seconds:.0f} s"
    if not clean:
        return f"{text}; none of them holds a clean pull."
    gears = sorted({str(pull.gear) for pull in clean if pull.gear})
    gear = f" in gear {' and '.join(gears)}" if gears else ""
    low, high = min(pull.from_rpm for pull in clean), max(pull.to_rpm for pull in clean)
    return f"{text}: {_count(len(clean), 'clean pull', 'clean pulls')}{gear}, {low:.0f} to {high:.0f} rpm."


def _count(number: int, one: str, more: str) -> str:
    return f"{number} {one if number == 1 else more}"


def lift_sentences(found: FullThrottle | PartThrottle) -> list[str]:
    """Say when the driver should have lifted, stretch by stretch."""
    if not found.shown:
        return [found.because]
    passed = {check.quantity.title: check.quantity for check in found.checks}
    rows = [
        f"{row.stretch}: the driver should have lifted at {row.lift_s:.1f} s, {row.seconds_after_opening:.1f} s after "
        f"opening, at {row.engine_speed_rpm:.0f} rpm "
        f"({row.check[0].lower()}{row.check[1:]}{_worst_words(row, passed[row.check])})."
        for row in found.lift.itertuples()
    ]
    return rows or ["No limit was passed at which a driver has to lift."]


def safety_sentence(found: FullThrottle | PartThrottle, findings: Sequence[Finding]) -> str:
    """The first moment at which the driver should have lifted, then what else is at stop; or that there was neither."""
    passed = set(found.lift["check"]) if found.shown else set()
    stops = [called(vars(f)) for f in findings if f.status == "stop" and f.title not in passed]
    first = lift_sentences(found)[0]
    if not stops:
        return first
    return f"{first} At stop too: {list_names(stops)}." if passed else f"At stop: {list_names(stops)}."


def _worst_words(row: Any, quantity: Quantity) -> str:
    """The worst value of one breach and its limit: ` 11.5 %, limit 10 %`."""
    unit = "" if quantity.unit == "1" else quantity.unit if quantity.unit == "°" else f" {quantity.unit}"
    return f" {row.worst:.3g}{unit}, limit {quantity.limit:g}{unit}"


def delay_sentences(found: FullThrottle) -> list[str]:
    """Say which lean readings are only the sensor's delay, and why."""
    if found.mixture is None:
        return ["Lambda was not judged."]
    rows = [f"{row.stretch}: {row.because}" for row in found.mixture.delay_only.itertuples()]
    if not rows:
        return ["No reading above the limit had to be put down to the sensor's delay."]
    limit = found.limit_lambda
    head = (
        f"These readings lie above {limit:g} and are not called lean: gas needs its time to the sensor "
        f"({found.mixture.delay.delay_s:.2f} s and more at low flow) and the sensor its own "
        f"({found.mixture.delay.lag_s:.2f} s)."
    )
    return [head, *rows]
