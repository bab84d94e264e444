"""What the steady study says in the summary: what to change, in words to act on, and what it cannot show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.record.chapter import Chapter, NextRevision, Section
from tunelab.record.display import decimals, show_number
from tunelab.record.earlier import NOT_SHOWN, Pooled, percent, prediction
from tunelab.record.opened import OpenedSession
from tunelab.record.to_enter import (
    DECIMALS,
    curve_to_enter,
    entered_as,
    heading_of,
    need_of,
    next_name,
    standing_sentence,
    with_interval,
)
from tunelab.study.consistency import LEAK, assumptions_table, stops, withhold, withhold_findings
from tunelab.study.filling import FillingFit, TableProposal
from tunelab.study.finding import Finding
from tunelab.study.full_load_error import join_setting
from tunelab.study.ledger import MEASURED, MEASURED_ALONE
from tunelab.study.proposal import Proposal
from tunelab.study.steady import SteadyFit
from tunelab.study.trims import ReplacedTrims, replace_trims
from tunelab.workspace.car import Car

TAKEN_AS_TRUE = "What the numbers above take as true, and how to test it by hand before anything is entered"


CURVE_CAPTION = (
    "Meter curve; breakpoints that are not listed stay as they are. Measured: driven there. Extended: follows from "
    "what was driven nearby. Kept pulse: not driven steadily, moved only so that the injectors' pulse "
    "stays there what it is now"
)


TOGETHER = (
    "Enter the curve and the dead times together, or neither: they were measured together, and one without the other "
    "leaves a larger error than before."
)


STOPPED = "Nothing: the log disagrees with itself, car.toml or the revision named, so no change can be trusted."


ELSEWHERE = "Its numbers are in proposal.toml."


HOW = (
    "Keep a copy of what is in the ECU now. Enter each value of the columns 'proposed' below at its own breakpoint, "
    "read it back, and note in the revision's file what was entered and when. proposal.toml holds the same numbers "
    "in full as a revision file: when it is in the car, copy it to revisions/ under its name."
)


def steady_chapter(
    opened: OpenedSession,
    fit: SteadyFit,
    proposal: Proposal,
    *,
    others: Pooled | None = None,
    alone: SteadyFit | None = None,
    checks: Sequence[Finding] = (),
    log: xr.Dataset | None = None,
) -> Chapter:
    """Put the steady study's result into a chapter of the record.

    The proposed revision carries the session's date, so that the record is the same whenever it is made.

    Parameters
    ----------
    opened : OpenedSession
        The session.
    fit, proposal
        The finished study and what follows from it.
    others : Pooled, optional
        Further sessions that went into the fit.
    alone : SteadyFit, optional
        This session fitted without them: what an earlier prediction is compared with, which rests on them itself.
    checks : sequence of Finding
        Consistency of the logs; one that stands at `stop` withholds the proposal and every figure that rests on it.
    log : Dataset, optional
        The session's flagged log: which of its trims the proposal replaces then stands beside it.
    """
    proposal, used = withhold(proposal, checks), others.used if others else ()
    name = next_name(proposal.base.name, list(opened.workspace.revisions))
    helps = _helps(fit, proposal)
    trims = None if log is None or not helps else trims_replaced(opened, fit, proposal, log)
    return Chapter(
        notebook="steady",
        findings=(
            *checks,
            *withhold_findings(
                (*fit.findings(opened.car), prediction(fit, proposal, opened.car), *_alone(alone, opened.car)), checks
            ),
        ),
        inputs=tuple(item | {"path": f"{other.session}/{item['path']}"} for other in used for item in other.inputs),
        tables={"meter_curve": proposal.curve, "dead_time": proposal.dead_time}
        | ({} if trims is None or trims.because else {"trims_replaced": trims.cells}),
        proposal=_next(opened, fit, proposal, name) if helps else None,
        driven=Section((_driven(fit), *(others.sentences() if others else ())), short=_calm(fit)),
        change=with_trims(_change(opened, fit, proposal, name), trims if _is_entered(opened, fit) else None),
        cannot_show=Section() if stops(checks) else _cannot_show(fit, checks),  # when stopped, each finding says why
    )


def _alone(fit: SteadyFit | None, car: Car) -> tuple[Finding, ...]:
    """Lambda error by this session alone; nothing where it was fitted alone anyway."""
    if fit is None:
        return ()
    whole = next(finding for finding in fit.findings(car) if finding.id == MEASURED)
    return (replace(whole, id=MEASURED_ALONE, title=f"{whole.title}, by this session alone"),)


def trims_replaced(
    opened: OpenedSession, fit: SteadyFit | FillingFit, proposal: Proposal | TableProposal, log: xr.Dataset
) -> ReplacedTrims:
    """Which trims of the session's log its own proposal takes over."""
    joined = join_setting(opened.revision, fit, proposal, None)
    return replace_trims(log, opened.car, opened.revision, joined)


def _is_entered(opened: OpenedSession, fit: SteadyFit) -> bool:
    """Whether anything has to be entered at all: else no trim is to be cleared for it either."""
    return _need(fit, opened.car.limits.steady_lambda_error_max_pct) != "nothing"


def with_trims(change: Section, trims: ReplacedTrims | None) -> Section:
    """Put what becomes of the trims beside the proposal."""
    if trims is None:
        return change
    sentences = (*change.sentences, trims.sentence())
    learned = trims.cells[trims.cells["what"] != "nothing learned"] if not trims.because else trims.cells
    if trims.because or learned.empty:
        return replace(change, sentences=sentences)
    columns = {
        "speed_from_rpm": "from [rpm]", "speed_to_rpm": "to [rpm]", "load_from_pct": "load from [%]",
        "load_to_pct": "load to [%]", "seconds": "evidence [s]", "total_pct": "total trim [%]",
        "long_pct": "long-term [%]", "correction_pct": "the proposal adds [%]", "left_pct": "left to trim [%]",
        "what": "long-term trim",
    }  # fmt: skip
    table = learned.round(1).rename(columns=columns)
    return replace(change, sentences=sentences, tables=(*change.tables, ("Trims that the proposal replaces", table)))


def _next(opened: OpenedSession, fit: SteadyFit, proposal: Proposal, name: str) -> NextRevision:
    revision = proposal.to_revision(name, opened.folder.session.date).model_copy(update={"proposed_in": opened.name})
    return NextRevision(revision, _comments(opened, fit))


def steady_lines(fit: SteadyFit, proposal: Proposal) -> tuple[str, ...]:
    """The result in a few lines, rounded to what it is worth; a figure that is not known is called not shown."""
    dead = fit.dead_time
    dead_text = f"{dead.level_ms:.2f} ms at {dead.reference_v:.1f} V" if dead.shown else NOT_SHOWN
    before, after = (
        (f"{error.p95_pct:.1f} %" if np.isfinite(error.p95_pct) else NOT_SHOWN, error.worst_words)
        for error in (fit.before, proposal.predicted)
    )
    return (
        f"lambda error, 95 % of cells below: {before[0]} now, {after[0]} predicted",
        f"worst hold: {before[1]} now, {after[1]} predicted",
        f"dead-time error: {dead_text}",
        f"samples used {fit.samples_used}, flagged {fit.samples_flagged}; {len(fit.blocks)} steady blocks",
    )


def _comments(opened: OpenedSession, fit: SteadyFit) -> dict[str, str]:
    head = (
        f"A proposal from the session {opened.name}, based on {fit.reference}. "
        f"Not in any ECU until a person enters it.\n{TOGETHER}"
    )
    return {
        "": head,
        "date": "The day of the drive that it follows from: write the day on which you enter it.",
        "also_changed": (
            "Review: this says that nothing else is changed with it. If anything is, such as spark, commanded lambda\n"
            'or a part of the car, name it: [{ kind = "spark", what = "4 degrees out above 5000 rpm" }].'
        ),
        "meter_curve": "Breakpoints without evidence are unchanged or keep their pulse; see tables/meter_curve.csv.",
        "dead_time": "Goes in together with the meter curve; see tables/dead_time.csv.",
    }


def _driven(fit: SteadyFit) -> str:
    blocks = fit.blocks
    if fit.because:
        return f"Steady enough to use: {blocks['seconds'].sum():.0f} s, too little for any fit."
    holds = blocks.groupby("session")["hold"].nunique().sum()
    together = f" of {len(fit.sessions)} steady sessions" if len(fit.sessions) > 1 else ""
    return (
        f"Steady enough to use: {blocks['seconds'].sum():.0f} s in {holds} holds{together}, "
        f"{_span(blocks['engine_speed_rpm'])} rpm, {_span(blocks['air_flow_kg_h'])} kg/h, "
        f"battery {blocks['battery_v'].min():.1f} to {blocks['battery_v'].max():.1f} V."
    )


def _span(values: pd.Series) -> str:
    return f"{values.min():.0f} to {values.max():.0f}"


def _calm(fit: SteadyFit) -> str:
    holds = fit.blocks.groupby("session")["hold"].nunique().sum()
    many, seconds = f"in {holds} hold{'s' if holds != 1 else ''}", fit.blocks["seconds"].sum()
    if len(fit.sessions) > 1:
        return f"{seconds:.0f} s steady enough to use, {many} of {len(fit.sessions)} steady sessions."
    return f"{seconds:.0f} s of it steady enough to use, {many}."


def _change(opened: OpenedSession, fit: SteadyFit, proposal: Proposal, name: str) -> Section:
    changed = int((proposal.curve["basis"] != "unchanged").sum())
    dead_changed = bool((proposal.dead_time["basis"] != "unchanged").any())
    if not changed and not dead_changed:
        withheld = tuple(note for note in proposal.notes if note.startswith("Withheld"))
        if withheld:
            return Section((STOPPED, *withheld), short="Nothing: the checks that say stop have to be settled first.")
        reasons = (fit.because,) if fit.because else ()
        return Section(("Nothing: this drive gives no ground for a change.", *reasons), short="Nothing.")
    after = proposal.predicted
    if not _helps(fit, proposal):
        sentences = ("Nothing yet: what follows from this drive is not expected to help.", *proposal.notes)
        return Section(sentences, (("Not to be entered yet", meter_table(proposal)),))
    standing = standing_sentence(opened, proposal.base, proposal.curve["flow_proposed_kg_h"])
    limit = opened.car.limits.steady_lambda_error_max_pct
    short = _in_short(fit, proposal, name, limit)
    entered = entered_as(opened, proposal.base)
    if not entered and _need(fit, limit) == "nothing":
        return Section((f"{short} {ELSEWHERE}", *((standing,) if standing else ())), short=short)
    sentences = (
        *((standing,) if standing else ()),
        f"{heading_of(proposal.base, name, entered)}: {changed} of {len(proposal.curve)} breakpoints of the meter "
        f"curve{' and the dead times' if dead_changed else '; the dead times stay'}.",
        f"Predicted once it is in, trims at zero: 95 % of the undisturbed cells within {percent(after.p95_pct)} % of "
        f"commanded lambda (interval {percent(after.lower_pct)} to {percent(after.upper_pct)} %), the worst hold "
        f"{after.worst_words}. The next session will show whether that holds.",
        *proposal.notes,
        *proposal.capped,
        *(() if entered else (HOW,)),
    )
    curve, times = meter_table(proposal), dead_time_table(proposal)
    tables: tuple[tuple[str, pd.DataFrame], ...] = ((CURVE_CAPTION, curve[curve["basis"] != "unchanged"]),)
    tables += (("Dead time", times),) if dead_changed else ()
    short = f"Nothing now. {standing}" if entered else f"{standing} {short}" if standing else short
    return Section(sentences, tables, short)


def _need(fit: SteadyFit, limit_pct: float) -> str:
    """Whether anything has to be changed, by the lambda error as it is, with its whole interval."""
    return need_of(fit.before.lower_pct, fit.before.upper_pct, limit_pct)


def _in_short(fit: SteadyFit, proposal: Proposal, name: str, limit_pct: float) -> str:
    both = (proposal.dead_time["basis"] != "unchanged").any()
    what = "meter curve and dead times, both together" if both else "meter curve; the dead times stay"
    capped = ", as far as one revision may go" if proposal.capped else ""
    now, then = percent(fit.before.p95_pct), percent(proposal.predicted.p95_pct)
    if _need(fit, limit_pct) == "nothing":
        gain = "would change nothing that can be measured" if now == then else f"would leave {then} %"
        return (
            f"Nothing has to be changed: lambda error {now} % ({percent(fit.before.lower_pct)} to "
            f"{percent(fit.before.upper_pct)} %) lies within your {limit_pct:g} %; {name} {gain}."
        )
    return (
        f"Enter {name} on top of {proposal.base.name} ({what}): lambda error {now} % now, {then} % expected{capped}; "
        f"worst hold {fit.before.worst_words} now, {proposal.predicted.worst_words} expected."
    )


def _helps(fit: SteadyFit, proposal: Proposal) -> bool:
    """Whether there is a change, and one that is expected to make lambda better."""
    curve, dead = proposal.curve, proposal.dead_time
    changed = (curve["flow_proposed_kg_h"] != curve["flow_in_force_kg_h"]).any()
    changed |= (dead["dead_time_proposed_ms"] != dead["dead_time_in_force_ms"]).any()
    return bool(changed and proposal.predicted.p95_pct <= fit.before.p95_pct)


def meter_table(proposal: Proposal) -> pd.DataFrame:
    """The curve as a person enters it: reading, flow now and proposed, change, measured error with interval, basis."""
    return curve_to_enter(proposal.curve, str(proposal.curve.columns[0]))


def dead_time_table(proposal: Proposal | TableProposal) -> pd.DataFrame:
    """The dead times as a person enters them."""
    table = proposal.dead_time
    changes = zip(table["change_ms"], table["change_lower_ms"], table["change_upper_ms"], strict=True)
    entered = pd.DataFrame({
        "battery [V]": table["battery_v"],
        "now [ms]": table["dead_time_in_force_ms"],
        "proposed [ms]": table["dead_time_proposed_ms"],
        "measured change [ms]": [with_interval(*change, DECIMALS) for change in changes],
        "basis": table["basis"],
    })  # fmt: skip
    entered.attrs["decimals"] = {"battery [V]": decimals(table["battery_v"], DECIMALS), "now [ms]": DECIMALS,
                                 "proposed [ms]": DECIMALS}  # fmt: skip
    return entered


def halves_table(fit: SteadyFit) -> pd.DataFrame:
    """The halves of the drive, and the sessions, compared; one row that says so where there are none."""
    halves, rows = fit.split_half, _level_rows(fit)
    if halves is not None:
        none = (np.nan, np.nan)
        rows += [
            ("difference of the two halves' curves, rms [%]", halves.difference_rms_pct, *none),
            ("expected from their own intervals, rms [%]", halves.expected_rms_pct, *none),
            ("dead-time error, first half [ms]", halves.dead_time_first_ms, *none),
            ("dead-time error, second half [ms]", halves.dead_time_second_ms, *none),
        ]
    if not rows:
        return pd.DataFrame({"what": ["too few holds to halve the evidence"]})
    return pd.DataFrame(rows, columns=["what", "value", "lower", "upper"])


def _level_rows(fit: SteadyFit) -> list[tuple[str, float, float, float]]:
    """By how much lambda moved within each drive and from session to session, with the intervals."""
    if fit.levels is None:
        return []
    rows = [(f"second half of {own.session} against its first, lambda [%]", own) for own in fit.levels.halves]
    rows += [(f"{own.session} against the mean of all sessions, lambda [%]", own) for own in fit.levels.sessions]
    return [(name, own.shift_pct, own.lower_pct, own.upper_pct) for name, own in rows]


def _cannot_show(fit: SteadyFit, checks: Sequence[Finding]) -> Section:
    if fit.because:
        told = f"The error of the meter, of the injectors and of lambda. {fit.because}"
        return Section((told, *fit.notes), short=fit.because)
    dead, flat = fit.dead_time, fit.constant
    low, high = flat.lower, flat.upper
    sentences = [
        f"One overall constant: {show_number(flat.factor)} ({show_number(low)} to {show_number(high)}). {flat.because}",
        f"Anything outside {_measured_range(fit)}: the curve there stays as it is, or follows its nearest driven part.",
        LEAK,
    ]
    if not dead.shown:
        sentences.append(f"The injectors' dead time. {dead.because}")
    elif not dead.slope_shown:
        sentences.append(f"How the dead-time error changes with battery voltage. {dead.slope_because}")
    if not fit.pulsation.shown:
        sentences.append(f"A disturbance of the meter by intake pulsation. {fit.pulsation.because}")
    else:
        sentences.append(
            "A curve of reading against flow cannot take out what intake pulsation does to the meter; the map on the "
            "page of the steady question shows where it disturbs."
        )
    short = "Which of injector flow, meter scale, lambda sensor and fuel is off: they act as one constant."
    return Section((*sentences, *fit.notes), ((TAKEN_AS_TRUE, assumptions_table(checks)),), short)


def _measured_range(fit: SteadyFit) -> str:
    measured = fit.meter.reading[np.isfinite(fit.meter.factor)]
    if not measured.size:
        return "any range: nothing was measured"
    return f"{measured.min():.2f} to {measured.max():.2f} {channel(fit.meter.channel).shown_unit} of the meter"
