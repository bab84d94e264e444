"""Visits to operating points before and after, with noise of known kinds; made for tests of comparison."""

from __future__ import annotations

import numpy as np
import pandas as pd
from ready_drives import car

from tunelab.study.compare_logs import QUANTITIES, LogDifference, Visits, compare_visits

LAMBDA = QUANTITIES[0]


def side(rng, *, sessions, shift=0.0, drift=0.0, drive_spread=0.0, visits=60) -> Visits:
    """Visits to 12 cells with each cell's own value; `drift` is slow noise that neighbouring visits share."""
    rows = []
    for session in range(sessions):
        offset = shift + drive_spread * rng.standard_normal()
        slow = 0.0
        for k in range(visits):
            slow = 0.9 * slow + drift * np.sqrt(1 - 0.81) * rng.standard_normal()
            cell = int(rng.integers(12))
            value = 0.5 * cell + offset + slow + rng.standard_normal()
            rows.append((f"s{session}", cell % 4, cell, 10.0 * k, 3.0, value))
    names = ["session", "speed", "reading", "start_s", "seconds", "value"]
    return Visits(LAMBDA, pd.DataFrame(rows, columns=names))


def found(rng, *, shift=0.0, **more) -> LogDifference:
    """A pair, compared; `shift` is the true difference."""
    one, other = side(rng, **more), side(rng, shift=shift, **more)
    return compare_visits([one], [other], car())[0]


CASES = {
    "calm": {"sessions": 1},
    "slow drift": {"sessions": 1, "drift": 1.0},
    "drives that differ": {"sessions": 3, "drive_spread": 1.0},
}
