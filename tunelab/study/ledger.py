"""The history of revisions: what changed, by which proposal, by whom; and whether it did what was predicted."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from tunelab.study.finding import Finding, shows_its_table
from tunelab.study.readiness import Drive
from tunelab.study.readiness.gate import GATES, Gate, touches
from tunelab.study.revision_change import Difference, differences, way_between
from tunelab.workspace.revision import OtherChange, Revision

Outcome = Literal["held", "better than predicted", "worse than predicted", "not shown"]
STEADY = next(gate for gate in GATES if gate.name == "steady")
MEASURED = "steady.lambda_error"
MEASURED_ALONE = "steady.lambda_error_alone"  # where the other also rests on sessions that the prediction came from
PREDICTED = "steady.proposal_predicted"
NOT_TOLD = 100.0  # how far apart two tables lie that cannot be compared with each other
NEAR_SHARE = 0.25  # of the whole change: entered values within it of a proposal are that proposal, altered


@dataclass(frozen=True)
class Promise:
    """A figure that a proposal may predict, and the finding of the next drive that it is compared with."""

    predicted: str  # ids of findings
    measured: str
    what: str
    unit: str
    drive: str  # what kind of drive measures it
    gate: Gate  # a change that empties it was not in the prediction


STEADY_PROMISE = Promise(PREDICTED, MEASURED, "steady lambda error", "%", "steady", STEADY)


def _gate(name: str) -> Gate:
    return next(gate for gate in GATES if gate.name == name)


PROMISES = (
    Promise(
        "full_load_fuel.predicted", "full_load_fuel.error", "lambda at full throttle against its target", "%",
        "full-throttle", _gate("full_throttle"),
    ),
    Promise("spark.predicted", "spark.retard", "knock retard", "°", "full-throttle", _gate("knock")),
    Promise(
        "idle.base_predicted", "idle.base_error", "the idle's base value against what the idle wants", "%", "road",
        _gate("idle"),
    ),
    Promise("idle.target_predicted", "idle.speed_error", "idle speed against its target", "rpm", "road", _gate("idle")),
    Promise(
        "return.undershoot_predicted", "return.undershoot", "undershoot on the return to idle", "rpm", "road",
        _gate("return"),
    ),
    Promise("return.settling_predicted", "return.settling", "time to a settled idle", "s", "road", _gate("return")),
    Promise(
        "acceleration.predicted", "acceleration.error", "fuel given at tip-ins against what the wall takes", "%",
        "road", _gate("under_load"),
    ),
    Promise("fuel_cut.dip_predicted", "fuel_cut.dip", "dip after a fuel cut", "rpm", "road", _gate("return")),
    Promise(
        "rev_limit.predicted", "limits.engine_speed", "highest engine speed", "rpm", "full-throttle", _gate("speeds"),
    ),
    Promise(
        "shift.useful_predicted", "shift.useful", "engine speed worth driving to", "rpm", "full-throttle",
        _gate("full_throttle"),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Proposed:
    """A proposal that lies in the workspace: a record's own, or one that came with an answer."""

    source: str  # name of the record
    author: str  # who altered it; empty: as the record has it
    date: datetime.date
    revision: Revision
    predicted: Finding | None  # what the record expects of it
    further: Mapping[str, Finding] = field(default_factory=dict)  # of PROMISES, by the id of the prediction


@dataclass(frozen=True)
class Entry:
    """One revision in the ledger."""

    revision: str
    date: datetime.date
    based_on: str  # empty for the first
    entered_by: str  # empty where nobody wrote it down
    origin: str  # in words: as which proposal, altered, or by hand
    proposed: Proposed | None
    is_as_proposed: bool
    changes: tuple[Difference, ...]
    notes: str
    also: tuple[str, ...] = ()  # what it says was also changed, or that it does not say
    stated: tuple[OtherChange, ...] = ()  # changes in `also_changed`, of which no prediction knows


@dataclass(frozen=True)
class PredictionVerdict:
    """What a proposal promised, what the next drive measured, and what that says of the prediction itself."""

    revision: str
    source: str  # the record that predicted
    predicted: tuple[float, float, float]  # value, lower, upper [%]; NaN where there is none
    measured: tuple[float, float, float]
    measured_in: str  # the record that measured
    outcome: Outcome
    because: str
    promise: Promise = STEADY_PROMISE


@shows_its_table
@dataclass(frozen=True)
class Ledger:
    """The whole history."""

    entries: tuple[Entry, ...]  # by date
    verdicts: tuple[PredictionVerdict, ...]  # one per revision that is based on another
    further: tuple[PredictionVerdict, ...]  # of PROMISES, one for each that a proposal made
    convergence: pd.DataFrame
    """`revision, date, record, lambda_error_pct, lower_pct, upper_pct, limit_pct, status`: the last steady drive of
    each revision; NaN where none was recorded."""

    def table(self) -> pd.DataFrame:
        """One row per revision: revision, date, based on, entered by, origin, what changed, notes."""
        rows = [
            {
                "revision": e.revision,
                "date": e.date.isoformat(),
                "based on": e.based_on,
                "entered by": e.entered_by,
                "origin": e.origin,
                "what changed": _changes_words(e),
                "notes": e.notes,
            }
            for e in self.entries
        ]
        return pd.DataFrame(rows)

    def verdict_table(self) -> pd.DataFrame:
        """One row per prediction: revision, predicted, measured, outcome, because."""
        rows = [
            {
                "revision": v.revision,
                "predicted by": v.source,
                "predicted [%]": _with_interval(v.predicted),
                "measured in": v.measured_in,
                "measured [%]": _with_interval(v.measured),
                "the prediction": v.outcome,
                "because": v.because,
            }
            for v in self.verdicts
        ]
        return pd.DataFrame(rows)

    def further_table(self) -> pd.DataFrame:
        """One row per prediction beside the steady one: revision, of, unit, predicted, measured, outcome, because."""
        rows = [
            {
                "revision": v.revision,
                "of": v.promise.what,
                "predicted by": v.source,
                "unit": v.promise.unit,
                "predicted": _with_interval(v.predicted),
                "measured in": v.measured_in,
                "measured": _with_interval(v.measured),
                "the prediction": v.outcome,
                "because": v.because,
            }
            for v in self.further
        ]
        return pd.DataFrame(rows)

    def sentences(self) -> tuple[str, ...]:
        """Say how the revisions have come along."""
        return tuple(_sentences(self))


def _changes_words(entry: Entry) -> str:
    found = [*(difference.sentence for difference in entry.changes), *entry.also]
    return "; ".join(found) or ("nothing" if entry.based_on else "the first one")


def keep_ledger(revisions: Mapping[str, Revision], drives: Sequence[Drive], proposals: Sequence[Proposed]) -> Ledger:
    """Put the history together.

    Parameters
    ----------
    revisions : mapping
        All revisions by name.
    drives : sequence of Drive
        Recorded drives.
    proposals : sequence of Proposed
        Proposals of records and of answers.
    """
    ordered = sorted(revisions.values(), key=lambda revision: (revision.date, revision.name))
    entries = tuple(_entry(revision, revisions, proposals) for revision in ordered)
    verdicts = tuple(_verdict(entry, drives) for entry in entries if entry.based_on)
    further = tuple(
        _verdict(entry, drives, promise)
        for entry in entries
        for promise in PROMISES
        if entry.proposed and promise.predicted in entry.proposed.further
    )
    return Ledger(entries, verdicts, further, _convergence(ordered, drives))


def _entry(revision: Revision, revisions: Mapping[str, Revision], proposals: Sequence[Proposed]) -> Entry:
    base = revisions.get(revision.based_on or "")
    changes = differences(base, revision) if base else ()
    proposed, is_same = _origin(revision, base, proposals)
    return Entry(
        revision=revision.name,
        date=revision.date,
        based_on=revision.based_on or "",
        entered_by=revision.entered_by or "",
        origin=_origin_words(revision, proposed, is_same),
        proposed=proposed,
        is_as_proposed=is_same,
        changes=changes,
        notes=revision.notes,
        also=way_between(base, revision, revisions).sentences(revision.name) if base else (),
        stated=tuple(revision.also_changed or ()),
    )


def _origin(revision: Revision, base: Revision | None, proposals: Sequence[Proposed]) -> tuple[Proposed | None, bool]:
    """Find the proposal that a revision was entered from: by its numbers, not by what a file says of itself."""
    fitting = [p for p in proposals if base is not None and p.revision.based_on == base.name]
    for proposed in sorted(fitting, key=lambda p: bool(p.author), reverse=True):
        if not differences(proposed.revision, revision) and _same_retreat(proposed.revision, revision):
            return proposed, True
    named = next((p for p in fitting if revision.proposed_in and p.source == revision.proposed_in), None)
    if named is not None or base is None or not fitting:
        return named, False
    apart = [(_distance(p.revision, revision), p) for p in fitting]
    nearest, proposed = min(apart, key=lambda pair: pair[0])
    return (proposed, False) if nearest <= NEAR_SHARE * _distance(base, revision) else (None, False)


def _same_retreat(one: Revision, other: Revision) -> bool:
    return (one.spark_retreat or []) == (other.spark_retreat or [])


def _distance(one: Revision, other: Revision) -> float:
    """How far two revisions lie apart, the parts each on its own scale."""
    scale = {"%": 1.0, "ms": 0.01, "rpm": 100.0, "°": 1.0, "s": 0.1}
    found = [d for d in differences(one, other) if d.part != "curve_top"]
    retreat = 0.0 if _same_retreat(one, other) else NOT_TOLD
    return retreat + sum(abs(d.change) / scale[d.unit] if np.isfinite(d.change) else NOT_TOLD for d in found)


def _origin_words(revision: Revision, proposed: Proposed | None, is_same: bool) -> str:
    if not revision.based_on:
        return "the first one"
    if proposed is None:
        return "by hand, or from a proposal that is no longer here"
    by = f", altered by {proposed.author}" if proposed.author else ""
    return f"{'as proposed' if is_same else 'close to what was proposed'} in {proposed.source}{by}"


def _verdict(entry: Entry, drives: Sequence[Drive], promise: Promise = STEADY_PROMISE) -> PredictionVerdict:
    nan = (float("nan"),) * 3
    predicted = _predicted(entry.proposed, promise)
    source = entry.proposed.source if entry.proposed else ""
    said = _numbers(predicted)
    measured = _last(drives, entry.revision, promise.measured)
    also = next((c.words for c in entry.stated if touches(c, promise.gate)), "")
    found = _numbers(measured[1]) if measured else nan
    where = measured[0].record if measured else ""

    def so(outcome: Outcome, because: str) -> PredictionVerdict:
        return PredictionVerdict(entry.revision, source, said, found, where, outcome, because, promise)

    if entry.proposed is None:
        return so("not shown", "no proposal here matches what was entered, so nothing was predicted of it.")
    if not entry.is_as_proposed or entry.proposed.author:
        return so("not shown", "other values went in than those that the prediction was made for.")
    if also:
        return so("not shown", f"{also} was changed with it, and the prediction knows nothing of that.")
    if not np.isfinite(said).all():
        return so("not shown", f"{source} gives no prediction with an interval.")
    if measured is None:
        return so("not shown", f"no {promise.drive} drive was recorded with {entry.revision} yet.")
    if not np.isfinite(found).all():
        return so("not shown", f"{where} shows no {promise.what} with an interval.")
    return so(*_hold(said, found, promise.unit))


def _predicted(proposed: Proposed | None, promise: Promise) -> Finding | None:
    if proposed is None:
        return None
    return proposed.predicted if promise is STEADY_PROMISE else proposed.further.get(promise.predicted)


def _numbers(finding: Finding | None) -> tuple[float, float, float]:
    if finding is None or finding.status == "not_shown":
        return float("nan"), float("nan"), float("nan")
    value, lower, upper = (
        float("nan") if x is None else float(x) for x in (finding.value, finding.lower, finding.upper)
    )
    return value, lower, upper


def _hold(said: tuple[float, float, float], found: tuple[float, float, float], unit: str) -> tuple[Outcome, str]:
    """Hold the measured error against the predicted one; the interval's half that faces the other one counts."""
    apart = found[0] - said[0]
    halves = (said[2] - said[0], found[0] - found[1]) if apart > 0 else (said[0] - said[1], found[2] - found[0])
    noise = float(np.hypot(*halves))
    size = f"predicted {said[0]:.1f} {unit}, measured {found[0]:.1f} {unit}"
    if abs(apart) <= noise:
        return "held", f"{size}: no further apart than their intervals allow."
    if apart < 0:
        return "better than predicted", f"{size}: further below than their intervals allow."
    return "worse than predicted", f"{size}: further above than their intervals allow; look for what the model lacks."


def _last(drives: Sequence[Drive], revision: str, measured: str = MEASURED) -> tuple[Drive, Finding] | None:
    """Give the last drive with a revision whose record speaks of a finding."""
    ordered = sorted((d for d in drives if d.revision == revision), key=lambda d: (d.date, d.record))
    own = [(d, found) for d in ordered if (found := _measured(d, measured)) is not None]
    shown = [(d, found) for d, found in own if found.status != "not_shown"] or own
    return shown[-1] if shown else None


def _measured(drive: Drive, measured: str) -> Finding | None:
    """What a drive measured; lambda error by itself alone, where that is known. None where it does not speak of it."""
    found = drive.finding(measured)
    alone = drive.finding(MEASURED_ALONE) if found and measured == MEASURED else None
    return alone or found


def _convergence(ordered: Sequence[Revision], drives: Sequence[Drive]) -> pd.DataFrame:
    rows = []
    for revision in ordered:
        last = _last(drives, revision.name)
        numbers = _numbers(last[1]) if last else (float("nan"),) * 3
        limit = last[1].limit if last and last[1].limit is not None else float("nan")
        status = last[1].status if last else "not_shown"
        rows.append((revision.name, revision.date, last[0].record if last else "", *numbers, limit, status))
    names = ["revision", "date", "record", "lambda_error_pct", "lower_pct", "upper_pct", "limit_pct", "status"]
    return pd.DataFrame(rows, columns=names)


def _with_interval(numbers: tuple[float, float, float]) -> str:
    return f"{numbers[0]:.1f} ({numbers[1]:.1f} to {numbers[2]:.1f})" if np.isfinite(numbers).all() else "not shown"


def _sentences(ledger: Ledger) -> list[str]:
    known = ledger.convergence.dropna(subset=["lambda_error_pct"])
    if len(known) < 2:
        return ["How the revisions converge is not shown: fewer than two of them have a recorded steady drive."]
    first, last = known.iloc[0], known.iloc[-1]
    change = last["lambda_error_pct"] - first["lambda_error_pct"]
    halves = (first["lambda_error_pct"] - first["lower_pct"], last["upper_pct"] - last["lambda_error_pct"])
    clear = abs(change) > np.hypot(*halves)
    found = [
        f"Lambda error at steady speed: {first['lambda_error_pct']:.1f} % with {first['revision']}, "
        f"{last['lambda_error_pct']:.1f} % with {last['revision']}"
        + (": a change beyond both intervals." if clear else ": within their intervals, so no clear change.")
    ]
    judged = [v for v in ledger.verdicts if v.outcome != "not shown"]
    held = sum(v.outcome == "held" for v in judged)
    found.append(_held_words(held, len(judged)) if judged else "No prediction could be compared with a drive yet.")
    return found


def _held_words(held: int, judged: int) -> str:
    """How many predictions came true, as one says it."""
    if judged == 1:
        return f"The one prediction that could be compared {'held' if held else 'did not hold'}."
    if held == judged:
        return f"{'Both' if judged == 2 else f'All {judged}'} predictions held."
    return f"{held or 'None'} of {judged} predictions held."
