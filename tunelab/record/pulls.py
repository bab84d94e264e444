"""What feasibility, full throttle, coast-down and power say in the summary."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.chart.look import draw_absent
from tunelab.chart.power import draw_speed_ratio
from tunelab.record.beside import Beside, SteadyBeside, inputs_of
from tunelab.record.change import curve_to_enter, join, need_of
from tunelab.record.chapter import Chapter, NextRevision, Section, Verdict
from tunelab.record.opened import OpenedSession
from tunelab.record.steady import next_name
from tunelab.record.to_enter import MARK, rev_limit_table, standing_of_parts
from tunelab.study.cautions import HIGH_LOAD
from tunelab.study.coast_down import CoastDownFit
from tunelab.study.feasibility import Feasibility
from tunelab.study.full_load_fuel import CHANGED, FullLoadProposal
from tunelab.study.full_throttle import FullThrottle
from tunelab.study.gearing import RatioFit, SpeedCheck, check_speed, estimate_ratios, trace_gears
from tunelab.study.gearing.ratios import rolling_radius
from tunelab.study.high_flow import HighFlow
from tunelab.study.part_throttle import PartThrottle
from tunelab.study.power import EnergyCheck, PowerComparison, PowerFit
from tunelab.study.pull import PullSet
from tunelab.study.shift import RevLimitProposal, ShiftChart
from tunelab.study.spark import SparkStudy
from tunelab.workspace.car import Car

BOTH_WAYS = "Drive the same stretch both ways, one right after the other."
PULLS = (
    "Drive full-throttle pulls, each in one gear and over as wide a range of engine speed as the limits and the road "
    "allow, on the same stretch both ways; log engine speed and road speed at least 10 times a second."
)
COAST = (
    "Coast down on a straight, level stretch without traffic, throttle closed, out of gear, engine running (brakes and "
    "steering need it), hands off the ignition key; never out of gear in a bend or downhill."
)
LIFT = "At the first breach of a limit lift, coast, and do not repeat the run before the reason is found."


def feasibility_chapter(found: Feasibility) -> Chapter:
    """Put the check before driving into a chapter."""
    unknown = [f.because for f in found.findings() if f.status == "not_shown"]
    return Chapter(
        notebook="feasibility",
        verdict=Verdict(f"{_suffice(found)} {_pull_gear(found)}"),
        findings=tuple(found.findings()),
        tables={"full_load": found.load, "gear_speeds": found.gears},
        cannot_show=Section((*unknown, *found.notes)),
        drive_next=Section((_pull_gear(found),)),
        cautions=Section((HIGH_LOAD,)),
    )


def _suffice(found: Feasibility) -> str:
    """Whether injectors and meter, or table, suffice, by the findings on both."""
    parts = {"feasibility.injector_duty": "injectors", "feasibility.meter_headroom": "meter"}
    parts |= {"feasibility.table_reach": "table"}
    states = {parts[f.id]: f.status for f in found.findings() if f.id in parts}
    if set(states.values()) == {"met"}:
        return f"{join(list(states)).capitalize()} suffice."
    short = [name for name, status in states.items() if status in ("watch", "stop")]
    unknown = [name for name, status in states.items() if status == "not_shown"]
    said = [f"Not certain to suffice: {' and '.join(short)}."] if short else []
    return " ".join([*said, *([f"Not shown: {' and '.join(unknown)}."] if unknown else [])])


def _pull_gear(found: Feasibility) -> str:
    if not found.pull_gear:
        end = f"{found.limit_rpm:.0f} rpm end under {found.pull_speed_max_km_h:g} km/h"
        return f"No gear lets a pull to {end}: lift earlier."
    return (
        f"Pulls to {found.limit_rpm:.0f} rpm: gear {found.pull_gear} or lower, to end under "
        f"{found.pull_speed_max_km_h:g} km/h."
    )


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
    tables = {"full_throttle": found.summary().reset_index(), "lift": found.lift, "breaches": found.breaches()}
    if found.mixture is not None:
        tables["lambda_by_speed"] = found.mixture.bins
    if high.shown:
        tables["meter_high_flow"] = high.points
    if fuel.shown:
        tables["full_load_fuel"] = fuel.table
    tables |= spark_tables(spark)
    meter = high.findings() if opened.car.has_meter else []
    findings = (*found.findings(), *meter, *fuel.findings(), *spark.findings())
    stops = [f for f in findings if f.status == "stop"]
    proposal = next_revision(opened, fuel, spark)
    asked = (*high_flow_change(high), *fuel_change(fuel), *spark_change(spark))
    enters = proposal is not None or fuel.changes or len(spark.cells) or len(high_flow_table(high))
    standing = standing_of_parts(opened, proposal) if enters else ""
    return Chapter(
        notebook="full_throttle",
        verdict=Verdict(lift_sentences(found)[0]),
        findings=findings,
        tables=tables,
        inputs=inputs_of(steady.beside),
        driven=Section((_full_driven(found, pulls),)),
        change=Section(
            (
                *(f"{f.title}: {f.because} Settle this before the next pull." for f in stops),
                *((standing,) if standing else ()),
                *asked,
            ),
            (*high_flow_table(high), *fuel_table(fuel), *spark_table(spark)),
        ),
        proposal=proposal,
        cannot_show=Section(tuple(f"{f.title}: {f.because}" for f in findings if f.status == "not_shown")),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


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
    return (("Spark to take back, where knock came", spark.cells.rename(columns=names)),)


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
    need = _need(high)
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


def _need(high: HighFlow) -> str:
    """Whether the curve beyond the steady drive has to be changed, by the intervals of its breakpoints."""
    own = high.points[high.points["basis"] == "pulls"]
    return need_of(100 * (own["factor_lower"] - 1), 100 * (own["factor_upper"] - 1), high.tolerance_pct)


def _within(high: HighFlow) -> str:
    return f"{high.tolerance_pct:g} %"


def high_flow_table(high: HighFlow) -> tuple[tuple[str, pd.DataFrame], ...]:
    """Breakpoints that the pulls extend, as a person types them; none where no change is shown to be needed."""
    if not high.shown or not (high.points["basis"] == "pulls").any() or _need(high) != "change":
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
    rows = [
        f"{row.stretch}: lift at {row.lift_s:.1f} s, {row.seconds_after_opening:.1f} s after opening, at "
        f"{row.engine_speed_rpm:.0f} rpm ({row.check[0].lower()}{row.check[1:]})."
        for row in found.lift.itertuples()
    ]
    return rows or ["No limit was passed at which a driver has to lift."]


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


def refusal_table(pulls: PullSet) -> pd.DataFrame:
    """Stretches that are no pull, with the reason; one row that says so where there are none."""
    table = pulls.refusals()
    return table if len(table) else pd.DataFrame({"because": ["no stretch of open throttle was refused"]})


def speed_sentences(check: SpeedCheck) -> list[str]:
    """Say what the speed sensor's scale is worth."""
    gears = ", ".join(str(gear) for gear in check.gears_seen) or "none"
    rows = [f"Speed sensor: {check.because}", f"Gears driven steadily: {gears}."]
    doubt = check.against_gearing.because
    return (
        [*rows, f"The gears are in doubt: {doubt}; more of them, driven steadily, would settle it."] if doubt else rows
    )


def ratio_sentences(fit: RatioFit, car: Car) -> list[str]:
    """Say which gears a log shows where car.toml states none, and what they make of it."""
    if not fit.shown:
        return [f"car.toml has no [gearing], and {fit.because}"]
    seen = _with_bounds(fit.summary(), "rpm per km/h", "{:.1f}")
    rows = [f"car.toml has no [gearing]. Gears that this log shows, the shortest first, in rpm per km/h: {seen}."]
    if car.tyres is None:
        return [*rows, "With [tyres] in car.toml they would give the overall ratios."]
    overall = _with_bounds(fit.overall(rolling_radius(car)), "overall ratio", "{:.2f}")
    text = (
        f"By the rolling radius of car.toml, gear times final drive: {overall}. Over the final drive they are `ratios`"
    )
    return [*rows, f"{text}; a gear that was not driven is missing, and the speed sensor is taken to be right."]


def _with_bounds(table: pd.DataFrame, name: str, form: str) -> str:
    """Values of a column with their bounds, in a row."""
    rows = []
    for row in table.itertuples(index=False):
        value, low, high = (form.format(x) for x in (row[table.columns.get_loc(name)], row.lower, row.upper))
        rows.append(f"{value} ({low} to {high})" if np.isfinite(row.lower) else f"{value} (too short for bounds)")
    return ", ".join(rows)


def coast_down_chapter(fit: CoastDownFit) -> Chapter:
    """Put the coast-down into a chapter."""
    return Chapter(
        notebook="coast_down",
        findings=tuple(fit.findings()),
        tables={"coast_runs": fit.run_table().reset_index(), "road_load": fit.summary().reset_index()},
        driven=Section((_coast_driven(fit),)),
        change=Section((_road_load_line(fit),) if fit.shown else ()),
        cannot_show=Section(() if fit.shown else (fit.because,)),
        drive_next=Section(() if fit.shown else (BOTH_WAYS,)),
        cautions=Section((COAST,)),
    )


def _coast_driven(fit: CoastDownFit) -> str:
    return f"Coast-down: {len(fit.runs)} runs out of gear, {len(fit.refused)} stretches refused."


def _road_load_line(fit: CoastDownFit) -> str:
    return (
        f"Road load for car.toml, once you trust it: a_n = {fit.a_n:.0f}, b_n_s_m = {fit.b_n_s_m:.2f}, c_n_s2_m2 = "
        f"{fit.c_n_s2_m2:.3f}, in place of drag_area_m2 and rolling_coefficient. The power study takes it from this "
        "session by itself."
    )


def power_chapter(
    fit: PowerFit,
    shift: ShiftChart,
    energy: EnergyCheck,
    *,
    coast_down: Beside,
    earlier: Beside,
    change: PowerComparison,
    knock: str = "",
    rev_limit: NextRevision | None = None,
    rev_words: str = "",
    limit: RevLimitProposal | None = None,
    newer: str = "",
) -> Chapter:
    """Put power, shift points and the comparison with an earlier revision into a chapter.

    `knock` names power that was knock-limited, by `knock_limited`; `rev_limit` and `rev_words` are the rev limit that
    the shift points ask for, `limit` the same with its predictions; `newer` says of it that newer revisions
    came since.
    """
    findings = [*fit.findings(), *shift.findings(), *(limit.findings() if limit is not None else ())]
    tables = {"power_curve": fit.table(), "power_inputs": fit.effects, "shift_points": shift.summary()}
    if change.shown:
        tables["power_change"] = change.table()
    if earlier.opened is not None:
        findings += change.findings()
    if not fit.engine_speed_rpm.size:
        tables = {}
    return Chapter(
        notebook="power",
        verdict=Verdict(power_sentences(fit)[0]),
        findings=tuple(findings),
        tables=tables,
        inputs=(*inputs_of(coast_down), *inputs_of(earlier)),
        driven=Section((*power_sentences(fit), *([knock] if knock else []))),
        change=Section(
            (*((newer,) if newer and rev_limit is not None else ()), *((rev_words,) if rev_words else ())),
            (*(rev_limit_table(limit) if limit is not None else ()), *(shift_table(shift) if rev_words else ())),
            "" if rev_limit is not None or not rev_words else "The rev limit stays.",
        ),
        proposal=rev_limit,
        cannot_show=Section(tuple(_not_shown(fit, shift, energy))),
        drive_next=Section(() if fit.both_ways else (BOTH_WAYS,) if fit.pulls else (PULLS,)),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def rev_limit_words(limit: RevLimitProposal) -> str:
    """Say where the rev limit goes, and why."""
    if not limit.parts():
        return f"Rev limit: {limit.in_force_rpm:.0f} rpm, {limit.because}"
    return f"Rev limit: {limit.proposed_rpm:.0f} rpm in place of {limit.in_force_rpm:.0f}: {limit.because}"


def rev_limit_revision(opened: OpenedSession, limit: RevLimitProposal) -> NextRevision | None:
    """The next revision with a lower rev limit."""
    if not limit.parts():
        return None
    name = next_name(limit.base.name, list(opened.workspace.revisions))
    revision = limit.to_revision(name, opened.folder.session.date).model_copy(update={"proposed_in": opened.name})
    return NextRevision(revision, {"fuelling": f"The rev limit: {limit.because}"}, limit.parts())


def rev_limit_standing(opened: OpenedSession, limit: RevLimitProposal) -> str:
    """Say that a lower rev limit was entered already, or that newer revisions came since; empty for neither."""
    proposal = rev_limit_revision(opened, limit)
    return "" if proposal is None else standing_of_parts(opened, proposal)


def shift_table(shift: ShiftChart) -> tuple[tuple[str, pd.DataFrame], ...]:
    """Engine speeds to change up at, with their bands; empty where none is known."""
    known = [point for point in shift.points if np.isfinite(point.upper_rpm)]
    if not known:
        return ()
    rows = [
        {
            "gear": f"{p.from_gear} to {p.to_gear}",
            "change at [rpm]": p.engine_speed_rpm,
            "from [rpm]": p.lower_rpm,
            "to [rpm]": p.upper_rpm,
            "road speed [km/h]": p.road_speed_km_h,
            "verdict": p.verdict,
        }
        for p in known
    ]
    return (("Shift speeds, with their bands", pd.DataFrame(rows).round(0)),)


def power_sentences(fit: PowerFit) -> list[str]:
    """Say what the wheels got, and how it was measured."""
    if not np.isfinite(fit.peak[1]):
        return [f"Power: {fit.because}"]
    rpm, power = fit.peak
    row = fit.summary().loc["highest wheel power"]
    head = (
        f"Power: the wheels got {power:.0f} kW ({row['lower']:.0f} to {row['upper']:.0f}) at {rpm:.0f} rpm on the day"
    )
    if not fit.shown:
        return [f"{head}, for a look only. {fit.because}"]
    return [f"{head}, over {len(fit.pulls)} pulls both ways; runs differ by {fit.run_to_run_pct:.1f} %."]


def standard_day_sentences(fit: PowerFit) -> list[str]:
    """Name the standard, its factor and what it may be used for."""
    day = fit.standard_day
    if not np.isfinite(day.factor):
        return ["No standard-day factor."]
    rows = [
        f"{day.standard}: {day.factor:.3f} at {day.dry_kpa:.1f} kPa dry and {day.intake_c:.0f} °C "
        f"({day.intake_source}); {day.other_standard} would give {day.other_factor:.3f}."
    ]
    if not day.is_within_band:
        rows.append("The standards allow a correction between 0.93 and 1.07 only: do not quote a corrected figure.")
    return rows


def crank_sentence(fit: PowerFit) -> str:
    """Power at the crank, labelled as what it is: an assumption about the driveline."""
    if fit.inputs is None or not fit.shown:
        return "No figure for the crank without one for the wheels."
    loss = fit.inputs["driveline loss"]
    power = fit.peak[1] / (1 - loss.value / 100)
    return (
        f"If the driveline loses {loss.value:g} ± {loss.uncertainty:g} % ({loss.source}), the crank gives "
        f"{power:.0f} kW. That is an assumption and nothing that this log shows."
    )


def _not_shown(fit: PowerFit, shift: ShiftChart, energy: EnergyCheck) -> list[str]:
    rows = [] if fit.shown else [fit.because]
    rows += [f"Pull {number} was left out of the power: {why}." for number, why in fit.skipped]
    rows += [f.because for f in shift.findings() if f.status == "not_shown"]
    rows += [] if energy.shown else [f"A cross-check by fuel and air: {energy.because}"]
    return [*rows, *fit.notes]


def gear_sentences(log: xr.Dataset, car: Car) -> list[str]:
    """Say which gears were driven and what the speed sensor is worth; or why that is not known."""
    try:
        if car.gearing is None:
            return ratio_sentences(estimate_ratios(log), car)
        return speed_sentences(check_speed(log, car))
    except ValueError as problem:
        return [f"{problem}"]


def draw_gears(log: xr.Dataset, car: Car) -> hv.Overlay:
    """Draw the speed ratio with the lines of the gears; or why that cannot be drawn."""
    try:
        return draw_speed_ratio(trace_gears(log, car))
    except ValueError as problem:
        return draw_absent("Engine speed over road speed", str(problem))
