"""Logs to look at together: the session's own, and those of others that are named."""

from __future__ import annotations

from collections.abc import Sequence

import xarray as xr

from tunelab.log.flag import channels_of, flag_log
from tunelab.log.load import load_session
from tunelab.record.chapter import Verdict
from tunelab.record.display import show_duration
from tunelab.record.evidence import Evidence
from tunelab.record.notebook import hint
from tunelab.record.opened import OpenedSession
from tunelab.study.explore import EventSet


def gather_logs(opened: OpenedSession, evidence: Evidence, others: Sequence[str]) -> dict[str, xr.Dataset]:
    """Flagged logs by session: the opened one first, then the others of the same workspace.

    Raises
    ------
    ValueError
        A name that is no session of the workspace, or a log that cannot be read.
    """
    sessions = opened.workspace.sessions
    unknown = [name for name in others if name not in sessions]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no session of this workspace; {hint(unknown[0], list(sessions))}")
    return {opened.name: evidence.log} | {name: flagged_log(opened, name) for name in others if name != opened.name}


def flagged_log(opened: OpenedSession, name: str) -> xr.Dataset:
    """Read and flag the log of another session of the same workspace."""
    session = opened.workspace.sessions[name].session
    revision = opened.workspace.revisions[session.revision]
    return flag_log(load_session(opened.workspace, name), opened.car, session, revision=revision)


def log_verdict(evidence: Evidence, events: EventSet) -> Verdict:
    """Say how much was logged, how much of it carries no flag, and how often what was looked for happened."""
    log = evidence.log
    clean = 100 * float(evidence.flags.set_index("reason").loc["none", "share"])
    count = len(events.traces)
    happened = f"{count or 'No'} {events.kind} event{'s' if count > 1 else ''} found"
    return Verdict(
        f"{show_duration(evidence.duration_s)} of log with {len(channels_of(log))} channels; {clean:.0f} % of its "
        f"{log.sizes['time']} samples carry no flag. {happened}."
    )


def first_present(log: xr.Dataset, names: Sequence[str]) -> str:
    """First of some channels that the log has.

    Raises
    ------
    ValueError
        It has none of them; the message names those that it has.
    """
    for name in names:
        if name in log:
            return name
    raise ValueError(f"the log has none of {', '.join(names)}; it has {', '.join(channels_of(log))}.")
