"""What feasibility, coast-down and power say in the summary."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr

from tunelab.chart.look import draw_absent
from tunelab.chart.power import draw_speed_ratio
from tunelab.record.beside import Beside, inputs_of
from tunelab.record.chapter import Chapter, NextRevision, Section, Verdict
from tunelab.record.full_throttle import LIFT
from tunelab.record.opened import OpenedSession
from tunelab.record.to_enter import join, next_name, rev_limit_table, standing_of_parts
from tunelab.study.coast_down import CoastDownFit
from tunelab.study.drive_plan import HIGH_LOAD
from tunelab.study.feasibility import Feasibility
from tunelab.study.gear_trace import SpeedCheck, check_speed, trace_gears
from tunelab.study.gearing import RatioFit, estimate_ratios, rolling_radius
from tunelab.study.power import EnergyCheck, PowerComparison, PowerFit
from tunelab.study.pull_result import PullSet
from tunelab.study.shift import RevLimitProposal, ShiftChart
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
    findings += change.findings() if earlier.opened is not None else []
    tables = {"power_curve": fit.table(), "power_inputs": fit.effects, "shift_points": shift.summary()}
    if change.shown:
        tables["power_change"] = change.table()
    if not fit.engine_speed_rpm.size:
        tables = {}
    return Chapter(
        notebook="power",
        verdict=Verdict(power_sentences(fit)[0]),
        findings=tuple(findings),
        tables=tables,
        inputs=(*inputs_of(coast_down), *inputs_of(earlier)),
        driven=Section((*power_sentences(fit), *([knock] if knock else []))),
        change=_rev_limit_section(shift, rev_limit, rev_words, limit, newer),
        proposal=rev_limit,
        cannot_show=Section(tuple(_not_shown(fit, shift, energy))),
        drive_next=Section(() if fit.both_ways else (BOTH_WAYS,) if fit.pulls else (PULLS,)),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def _rev_limit_section(
    shift: ShiftChart, rev_limit: NextRevision | None, words: str, limit: RevLimitProposal | None, newer: str
) -> Section:
    """What to enter as the rev limit and when to shift, or that the limit stays."""
    text = (*((newer,) if newer and rev_limit is not None else ()), *((words,) if words else ()))
    tables = (*(rev_limit_table(limit) if limit is not None else ()), *(shift_table(shift) if words else ()))
    return Section(text, tables, "" if rev_limit is not None or not words else "The rev limit stays.")


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
    """Engine speeds to change up at, with their bands; empty where none is known below the owner's top speed."""
    points = [point for point in shift.points if np.isfinite(point.upper_rpm)]
    known = [point for point in points if not point.road_speed_km_h > shift.top_speed_km_h]
    past = [f"{point.from_gear} to {point.to_gear}" for point in points if point not in known]
    if not known:
        return ()
    left = f"; {join(past)} would come past your top speed of {shift.top_speed_km_h:g} km/h" if past else ""
    rows = [
        {
            "gear": f"{p.from_gear} to {p.to_gear}",
            "change at [rpm]": p.engine_speed_rpm,
            "from [rpm]": p.lower_rpm,
            "to [rpm]": p.upper_rpm,
            "road speed [km/h]": p.road_speed_km_h,
            "because": p.verdict,
        }
        for p in known
    ]
    return ((f"Shift speeds, with their bands{left}", pd.DataFrame(rows).round(0)),)


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
