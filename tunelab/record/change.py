"""What to change: whether anything has to be, whether it already was, and the one table in which it is typed in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tunelab.channels import channel
from tunelab.record.display import decimals, real_minus
from tunelab.record.opened import OpenedSession
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
