"""The next revision: the meter curve and the dead times that the steady fit supports, for a person to review."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import pandas as pd

from tunelab.study.steady.result import LambdaError
from tunelab.workspace.revision import Revision


@dataclass(frozen=True)
class Proposal:
    """What to enter next: curve and dead time belong together and go in together."""

    base: Revision  # the revision it changes
    curve: pd.DataFrame
    """`meter_v` (or `meter_hz`, `meter_counts`), `flow_in_force_kg_h, factor, factor_lower, factor_upper,
    flow_proposed_kg_h, seconds, basis`; factor is the measured one, NaN where `basis` is `unchanged`."""
    dead_time: pd.DataFrame
    """`battery_v, dead_time_in_force_ms, change_ms, change_lower_ms, change_upper_ms, dead_time_proposed_ms, basis`."""
    capped: tuple[str, ...]  # where the owner's cap or the floor at zero bit, one plain sentence each; empty: nowhere
    predicted: LambdaError  # with exactly these values in the ECU, trims at zero
    notes: tuple[str, ...]

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write the proposal as the revision `name`, based on the one it changes."""
        raise NotImplementedError
