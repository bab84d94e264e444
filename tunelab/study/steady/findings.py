"""The steady study's findings, held against the owner's limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tunelab.study.finding import Finding

if TYPE_CHECKING:
    from tunelab.study.steady.result import SteadyFit
    from tunelab.workspace.car import Car


def steady_findings(fit: SteadyFit, car: Car) -> list[Finding]:
    """Findings of the steady study, in the order in which a reader wants them."""
    raise NotImplementedError
