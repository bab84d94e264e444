"""What is left of a steady study when a check has stopped it: nothing to enter, and the reason."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from tunelab.study.consistency.check import stops
from tunelab.study.finding import Finding
from tunelab.study.proposal import Proposal

NAN = float("nan")


def withhold(proposal: Proposal, checks: Iterable[Finding]) -> Proposal:
    """Give the proposal as it is, or one that changes nothing and says why where a check stands at `stop`."""
    stopped = stops(checks)
    if not stopped:
        return proposal
    curve, dead = proposal.curve, proposal.dead_time
    bounds = dict.fromkeys(("factor", "factor_lower", "factor_upper"), NAN)
    changes = dict.fromkeys(("change_ms", "change_lower_ms", "change_upper_ms"), NAN)
    figures = ("p95_pct", "lower_pct", "upper_pct", "median_pct", "worst_pct", "worst_lower_pct", "worst_upper_pct")
    after = dict.fromkeys((*figures, "leaking_p95_pct"), NAN)
    return dataclasses.replace(
        proposal,
        curve=curve.assign(flow_proposed_kg_h=curve["flow_in_force_kg_h"], basis="unchanged", **bounds),
        dead_time=dead.assign(dead_time_proposed_ms=dead["dead_time_in_force_ms"], basis="unchanged", **changes),
        capped=(),
        predicted=dataclasses.replace(proposal.predicted, **after),
        notes=tuple(f"Withheld. {finding.title}: {finding.because}" for finding in stopped),
        everywhere=None,
    )


def withhold_findings(findings: Iterable[Finding], checks: Iterable[Finding]) -> tuple[Finding, ...]:
    """Give findings as they are, or all as `not_shown` with the reason where a check stands at `stop`."""
    stopped = stops(checks)
    if not stopped:
        return tuple(findings)
    because = " ".join(f"Withheld. {finding.title}: {finding.because}" for finding in stopped)
    empty = {"value": None, "lower": None, "upper": None, "confidence": None, "status": "not_shown"}
    return tuple(dataclasses.replace(finding, **empty, because=because) for finding in findings)
