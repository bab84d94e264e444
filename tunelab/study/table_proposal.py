"""A table of the revision with what a drive asks of it: in force, measured and proposed, breakpoint by breakpoint."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from tunelab.study.finding import Finding, shows_its_table, status_within
from tunelab.workspace.revision import Revision

CONFIDENCE = 0.95
CHANGED = "measured"  # the basis of a value that changes
RIGHT = "right"  # ... that was measured and may stay
NOT_MEASURED = "not measured"
AXES = ("coolant_c", "engine_speed_rpm")
COLUMNS = [
    "quantity", *AXES, "in_force", "measured", "lower", "upper", "proposed", "unit", "samples", "basis",
]  # fmt: skip
DRAWS, SEED = 4000, 1


@shows_its_table
@dataclass(frozen=True)
class TableProposal:
    """What to enter into one table of the revision, or why nothing.

    `table` has one row per value of the owner's own table (COLUMNS): `quantity` is the key of its list, an axis that
    the table lacks is NaN, `measured` with its interval is what the logs ask for, `proposed` what goes in.
    """

    key: str  # of the revision
    title: str
    base: Revision
    table: pd.DataFrame
    because: str  # why nothing changes; empty where something does
    found: tuple[Finding, ...] = ()
    capped: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    content: Mapping[str, Any] = field(default_factory=dict)  # lists of the table that change

    @property
    def changes(self) -> bool:
        """Whether any value changes."""
        return bool(self.content)

    def summary(self) -> pd.DataFrame:
        """One row per value of the table."""
        return self.table

    def findings(self) -> list[Finding]:
        """What is off now, and what is expected with the proposal in the ECU."""
        return list(self.found)

    def parts(self) -> tuple[str, ...]:
        """Keys of the revision that the proposal changes."""
        return (self.key,) if self.changes else ()

    @property
    def is_unstated(self) -> bool:
        """Whether the revision holds no such table, so that there are no breakpoints to propose in."""
        return getattr(self.base, self.key, None) is None

    def sentences(self) -> tuple[str, ...]:
        """Say what changes, or why nothing does, and where a limit of the owner's applied."""
        if not self.changes:
            return (f"{self.title}: nothing to enter. {self.because}", *self.capped, *self.notes)
        count = int((self.table["proposed"] != self.table["in_force"]).sum())
        words = f"{self.title}: {count} of {len(self.table)} values change."
        return (" ".join([words, *self._expected()]), *self.capped, *self.notes)

    def _expected(self) -> list[str]:
        return [
            f"{f.title}: {f.value:.3g} {f.unit} ({f.lower:.3g} to {f.upper:.3g})."
            for f in self.found
            if "predicted" in f.id and None not in (f.value, f.lower, f.upper)
        ]


def revision_with(
    base: Revision, proposals: Sequence[TableProposal], name: str, date: datetime.date
) -> Revision | None:
    """Write all that proposals change as one revision `name`; None where none changes anything."""
    changing = [proposal for proposal in proposals if proposal.changes]
    if not changing:
        return None
    changes = {p.key: getattr(base, p.key).model_dump() | dict(p.content) for p in changing}
    return base.followed_by(name, date, changes)


def nothing_proposed(
    key: str, title: str, base: Revision, because: str, found: Sequence[Finding] = ()
) -> TableProposal:
    """Build a proposal without a table, with the reason."""
    return TableProposal(key, title, base, pd.DataFrame(columns=COLUMNS), because, tuple(found))


def capped_step(wanted: np.ndarray, now: np.ndarray, most: np.ndarray | float) -> np.ndarray:
    """Move from `now` toward `wanted`, by no more than `most` either way; arrays of one shape."""
    return now + np.clip(wanted - now, -np.asarray(most), np.asarray(most))


@dataclass(frozen=True)
class Off:
    """How far values lie from what they should be, with standard errors and Student's degrees of freedom each."""

    centre: np.ndarray
    error: np.ndarray
    freedom: np.ndarray

    def largest(self) -> tuple[float, float, float]:
        """Largest size of all, with the interval of that largest size by draws; shapes (values,) go in."""
        rng = np.random.default_rng(SEED)
        noise = rng.standard_t(np.maximum(self.freedom, 1.0), (DRAWS, self.centre.size))
        sizes = np.abs(self.centre + self.error * noise).max(axis=1)
        lower, upper = (float(np.quantile(sizes, q)) for q in (0.025, 0.975))
        value = float(np.median(sizes))
        return value, lower, upper


def off_finding(
    name: str, title: str, unit: str, off: Off, counts: tuple[int, int], because: str, *, most: float | None = None
) -> Finding:
    """Give the finding of the largest of several errors; not shown where there are none.

    Parameters
    ----------
    counts : pair of int
        Samples used and flagged.
    most : float, optional
        What the largest may not pass.
    """
    if not off.centre.size:
        return Finding(name, title, None, unit, None, None, None, *counts, "not_shown", most, because)
    value, lower, upper = off.largest()
    status = status_within(value, lower, upper, most=most)
    return Finding(name, title, value, unit, lower, upper, CONFIDENCE, *counts, status, most, because)
