"""What to change and how it is typed in: whether anything has to be, whether it already was, and every table to
enter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tunelab.channels import channel
from tunelab.record.chapter import NextRevision
from tunelab.record.display import decimals, real_minus
from tunelab.record.opened import OpenedSession
from tunelab.study.filling import FillingFit
from tunelab.study.filling import TableProposal as FillingProposal
from tunelab.study.high_flow import HighFlow
from tunelab.study.proposal import Proposal
from tunelab.study.shift import RevLimitProposal
from tunelab.study.steady import SteadyFit
from tunelab.study.table_proposal import TableProposal, revision_with
from tunelab.workspace.revision import Revision

SAME_PCT = 0.5  # flows nearer than this to what was proposed count as what was proposed

DECIMALS = 3  # of flows and dead times in a proposal's file

Need = Literal["nothing", "change", "open"]


def need_of(lower_pct: ArrayLike, upper_pct: ArrayLike, tolerance_pct: float) -> Need:
    """Whether something has to be changed: the one rule for the steady drive and for pulls.

    Parameters
    ----------
    lower_pct, upper_pct : array, shape (n,)
        Ends of the intervals of what is off. NaN: not known. [%]
    tolerance_pct : float
        What the owner takes either way. [%]

    Returns
    -------
    str
        `nothing` where every interval lies within the tolerance; `change` where one of the others holds no zero, so
        that something is off for certain; `open` where the intervals are too wide to say either.
    """
    lower, upper = np.atleast_1d(np.asarray(lower_pct, dtype=float)), np.atleast_1d(np.asarray(upper_pct, dtype=float))
    within = (lower >= -tolerance_pct) & (upper <= tolerance_pct)
    if within.size and within.all():
        return "nothing"
    certain = ~within & ((lower > 0) | (upper < 0))
    return "change" if certain.any() else "open"


def goes_in(
    fit: SteadyFit | FillingFit, proposal: Proposal | FillingProposal, high: HighFlow | None, tolerance_pct: float
) -> bool:
    """Whether what the steady drive proposes goes into the ECU with the fuel of full load.

    It does where it helps, and where something has to be changed: by the steady drive, or where pulls extend it.
    """
    if fit.because or proposal.predicted.p95_pct > fit.before.p95_pct:
        return False
    if need_of(fit.before.lower_pct, fit.before.upper_pct, tolerance_pct) != "nothing":
        return True
    return high is not None and high.shown and need_beyond(high) == "change"


def need_beyond(high: HighFlow) -> Need:
    """Whether the curve beyond the steady drive has to be changed, by the intervals of its breakpoints."""
    own = high.points[high.points["basis"] == "pulls"]
    return need_of(100 * (own["factor_lower"] - 1), 100 * (own["factor_upper"] - 1), high.tolerance_pct)


def entered_as(opened: OpenedSession, base: Revision) -> Revision | None:
    """The revision of the workspace into which this session's own proposal went; None where it was not entered."""
    own = [r for r in opened.workspace.revisions.values() if r.proposed_in == opened.name and r.based_on == base.name]
    return max(own, key=lambda revision: (revision.date, revision.name), default=None)


def newer_than(opened: OpenedSession, base: Revision) -> list[str]:
    """Names of the revisions that came after the one that was driven, the oldest first."""
    later = [r for r in opened.workspace.revisions.values() if (r.date, r.name) > (base.date, base.name)]
    return [revision.name for revision in sorted(later, key=lambda revision: (revision.date, revision.name))]


def standing_sentence(opened: OpenedSession, base: Revision, proposed: ArrayLike) -> str:
    """Say first of a proposal that it was entered already, or that later revisions overtook it; empty for neither.

    `proposed` are the flows, or the cells of the table, that this record proposes: an entered revision may have been
    typed otherwise.
    """
    entered, newer = entered_as(opened, base), newer_than(opened, base)
    if entered is not None:
        after = [name for name in newer if name != entered.name]
        later = f", and {join(after)} came after it" if after else ""
        day = entered.date.isoformat()
        told = f"Already entered: {entered.name} of {day} is this record's proposal{later}."
        return told + _other_numbers(entered, proposed)
    return overtaken(base.name, newer) if newer else ""


def heading_of(base: Revision, name: str, entered: Revision | None) -> str:
    """What a proposal's numbers are of: the next revision, or the one under whose name they were entered."""
    if entered is not None:
        return f"What {entered.name} changes on top of {base.name}, by this record"
    return f"Proposed revision {name}, on top of {base.name}"


def overtaken(base: str, newer: Sequence[str]) -> str:
    """Say of what is proposed that newer revisions than the one driven exist."""
    return (
        f"Overtaken: {join(newer)} came after {base}, which was driven here. Enter this only where {base} is still in "
        "the ECU, on top of it and of no other."
    )


def _other_numbers(entered: Revision, proposed: ArrayLike) -> str:
    """Say by how much an entered curve or table differs from what is proposed now; empty where it is the same."""
    table, wanted = entered.volumetric_efficiency, np.asarray(proposed, dtype=float).ravel()
    typed = np.asarray(entered.meter_curve.flow_kg_h, dtype=float) if table is None else table.values.ravel()
    what = "flows" if table is None else "cells"
    if typed.shape != wanted.shape:
        return " It has other breakpoints than this record proposes."
    with np.errstate(invalid="ignore", divide="ignore"):
        off = np.nan_to_num(np.abs(100 * (wanted / typed - 1)))
    return f" Its {what} differ from this record's by up to {off.max():.1f} %." if off.max() > SAME_PCT else ""


def join(names: Sequence[str]) -> str:
    """Names in a row: `r02, r03 and r04`."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def curve_to_enter(curve: pd.DataFrame, reading: str) -> pd.DataFrame:
    """The meter's curve as a person types it, by a steady drive or by pulls: the same columns, decimals as in the file.

    Parameters
    ----------
    curve : DataFrame
        First column the reading, then `flow_in_force_kg_h, factor, factor_lower, factor_upper, flow_proposed_kg_h` and
        `basis`; `seconds` where they are known.
    reading : str
        The meter's channel.

    Returns
    -------
    DataFrame
        Reading, flow now and proposed, change, measured error with its interval, seconds, basis.
    """
    first = curve.columns[0]
    now, wanted = curve["flow_in_force_kg_h"], curve["flow_proposed_kg_h"]
    change = 100 * (wanted / now.where(now > 0) - 1)
    errors = zip(*(100 * (curve[name] - 1) for name in ("factor", "factor_lower", "factor_upper")), strict=True)
    label = channel(reading).axis_label
    table = pd.DataFrame({
        label: curve[first],
        "now [kg/h]": now,
        "proposed [kg/h]": wanted,
        "change [%]": change,
        "measured error [%]": [with_interval(value, low, high, 1) for value, low, high in errors],
    })  # fmt: skip
    if "seconds" in curve:
        table["driven beside it [s]"] = curve["seconds"].round(0)
    table["basis"] = curve["basis"]
    places = {label: decimals(curve[first], DECIMALS), "change [%]": 1, "driven beside it [s]": 0}
    table.attrs["decimals"] = places | dict.fromkeys(("now [kg/h]", "proposed [kg/h]"), DECIMALS)
    return table


def with_interval(value: float, lower: float, upper: float, places: int) -> str:
    """Write a signed value with its interval, all with as many decimals; a dash where there is none."""
    if not np.isfinite(value):
        return "–"
    texts = [
        f"{round(number, places) + 0.0:+.{places}f}" if np.isfinite(number) else "not known"
        for number in (value, lower, upper)
    ]
    text = f"{texts[0]} ({texts[1]} to {texts[2]})"
    return real_minus(text)


def next_name(base: str, taken: list[str]) -> str:
    """Name of the next revision: r02 after r01, the first that is free; a name without a number gets one."""
    stem = base.rstrip("0123456789")
    digits = base[len(stem) :]
    number, width = (int(digits), len(digits)) if digits else (1, 2)
    stem = stem if digits else f"{stem}-"
    while True:
        number += 1
        name = f"{stem}{number:0{width}d}"
        if name not in taken:
            return name


WORDS = {
    "actuator_pct": "opening of the idle actuator", "air_kg_h": "air of the idle", "target_rpm": "idle speed",
    "decay_s": "time in which the extra air fades", "amount": "amount per tip-in", "film_share": "share X of the film",
    "film_time_s": "time of the film", "entry_rpm": "fuel is cut above", "return_rpm": "fuel comes back below",
    "rev_limit_rpm": "rev limit",
}  # fmt: skip
MARK = "▸"  # before a value that changes


def entry_table(proposal: TableProposal) -> tuple[tuple[str, pd.DataFrame], ...]:
    """What to enter of one table of the revision, for the first page; nothing where nothing changes.

    Every breakpoint is there, those that change with a mark before their new value.
    """
    return (entry_rows(proposal),) if proposal.changes else ()


def entry_rows(proposal: TableProposal) -> tuple[str, pd.DataFrame]:
    """Caption and rows of a proposal, whether or not anything changes."""
    table = proposal.table
    shown = pd.DataFrame({"what": [_what(row) for row in table.itertuples()]})
    for axis, label in (("coolant_c", "coolant [°C]"), ("engine_speed_rpm", "engine speed [rpm]")):
        if table[axis].notna().any():
            shown[label] = table[axis].to_numpy()
    ends = ["in_force", "proposed"]
    places = {unit: decimals(part[ends].to_numpy(), DECIMALS) for unit, part in table.groupby("unit")}
    shown["now"] = [f"{row.in_force:.{places[row.unit]}f}" for row in table.itertuples()]
    shown["proposed"] = [_proposed(row, places[row.unit]) for row in table.itertuples()]
    shown["measured"] = [_measured(row, places[row.unit] + 1) for row in table.itertuples()]
    shown["evidence"] = table["samples"].to_numpy()
    shown["basis"] = table["basis"].to_numpy()
    return proposal.title, shown


def _what(row: Any) -> str:
    unit = "" if row.unit in ("1", "own unit") else f" [{row.unit}]"
    return f"{WORDS[row.quantity]}{unit}"


def _proposed(row: Any, places: int) -> str:
    text = f"{row.proposed:.{places}f}"
    return f"{MARK} {text}" if row.proposed != row.in_force else text


def _measured(row: Any, places: int) -> str:
    """A measured value with its interval; a dash where there is none."""
    if not np.isfinite(row.measured):
        return "–"
    text = f"{row.measured:.{places}f}"
    ends = (row.lower, row.upper)
    return f"{text} ({ends[0]:.{places}f} to {ends[1]:.{places}f})" if np.isfinite(ends).all() else text


def tables_csv(proposals: Sequence[TableProposal]) -> dict[str, pd.DataFrame]:
    """The proposals as one table of the record, with the key of each; none where no breakpoint was looked at."""
    looked = [one.table.assign(table=one.key) for one in proposals if len(one.table)]
    if not looked:
        return {}
    whole = pd.concat(looked, ignore_index=True)
    return {"tables_to_enter": whole[["table", *[name for name in whole.columns if name != "table"]]]}


def parts_revision(opened: OpenedSession, proposals: Sequence[TableProposal]) -> NextRevision | None:
    """The next revision with every table that a proposal changes; None where none does."""
    base = opened.revision
    name = next_name(base.name, list(opened.workspace.revisions))
    revision = revision_with(base, proposals, name, opened.folder.session.date)
    if revision is None:
        return None
    changing = [proposal for proposal in proposals if proposal.changes]
    comments = {one.key: f"{one.sentences()[0]} See tables/tables_to_enter.csv." for one in changing}
    comments[""] = (
        f"A proposal from the session {opened.name}, based on {base.name}. Not in any ECU until a person enters it."
    )
    return NextRevision(
        revision.model_copy(update={"proposed_in": opened.name}), comments, tuple(one.key for one in changing)
    )


def joined(one: NextRevision | None, other: NextRevision | None) -> NextRevision | None:
    """Two proposals of one chapter as one: the parts of the second go into the first."""
    if one is None or other is None:
        return one or other
    parts = {key: getattr(other.revision, key) for key in other.parts}
    return NextRevision(one.revision.model_copy(update=parts), {**other.comments, **one.comments},
                        (*one.parts, *other.parts))  # fmt: skip


def standing_of_parts(opened: OpenedSession, proposal: NextRevision | None) -> str:
    """Say first of a proposal that it was entered already, or that later revisions overtook it; empty for neither.

    The same as `standing_sentence` says of the meter curve, for any other part of a revision.
    """
    base, newer = opened.revision, newer_than(opened, opened.revision)
    entered = entered_as(opened, base)
    if entered is not None and proposal is not None and _holds(entered, proposal):
        after = [name for name in newer if name != entered.name]
        later = f", and {join(after)} came after it" if after else ""
        return f"Already entered: {entered.name} of {entered.date.isoformat()} holds what is proposed here{later}."
    return overtaken(base.name, newer) if newer else ""


def _holds(entered: Revision, proposal: NextRevision) -> bool:
    keys = proposal.parts or tuple(Revision.model_fields)
    return all(getattr(entered, key) == getattr(proposal.revision, key) for key in keys)


def rev_limit_table(limit: RevLimitProposal) -> tuple[tuple[str, pd.DataFrame], ...]:
    """The rev limit to enter, in the form of all other tables; nothing where it stays."""
    if not limit.parts():
        return ()
    useful = limit.useful
    measured = (
        "–" if useful is None else f"{useful.engine_speed_rpm:.0f} ({useful.lower_rpm:.0f} to {useful.upper_rpm:.0f})"
    )
    row = (f"{WORDS['rev_limit_rpm']} [rpm]", f"{limit.in_force_rpm:.0f}", f"{MARK} {limit.proposed_rpm:.0f}", measured,
           limit.samples[0], "measured")  # fmt: skip
    names = ["what", "now", "proposed", "measured: worth driving to", "evidence", "basis"]
    return (("Rev limit", pd.DataFrame([row], columns=names)),)
