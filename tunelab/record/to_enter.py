"""Every part of a next revision in one form: what to enter over its breakpoints, with interval, evidence and basis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from tunelab.record.change import DECIMALS, decimals, entered_as, join, newer_than, overtaken
from tunelab.record.chapter import NextRevision
from tunelab.record.opened import OpenedSession
from tunelab.record.steady import next_name
from tunelab.study.shift import RevLimitProposal
from tunelab.study.table_proposal import TableProposal, revision_with
from tunelab.workspace.revision import Revision

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
