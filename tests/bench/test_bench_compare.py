"""How often noise is called a difference, and a difference is found. Prints figures, judges nothing."""

import numpy as np
import pytest
from visit_pairs import CASES, found

PAIRS = 400


@pytest.mark.bench
@pytest.mark.parametrize("case", CASES)
def test_false_alarms_and_power(case, capsys):
    rng = np.random.default_rng(16)
    same = [found(rng, **CASES[case]) for _ in range(PAIRS)]
    alarms, single = sum(r.told_apart for r in same), sum(r.by_cell["told_apart"].any() for r in same)
    hits = sum((r := found(rng, shift=1.0, **CASES[case])).told_apart and r.difference > 0 for _ in range(PAIRS // 4))
    with capsys.disabled():
        print(
            f"\n{case}: false alarms {100 * alarms / PAIRS:.1f} %, of single operating points "
            f"{100 * single / PAIRS:.1f} %, a shift of one visit's noise found "
            f"{400 * hits / PAIRS:.0f} % of the time"
        )
