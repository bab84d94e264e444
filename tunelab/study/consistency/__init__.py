"""Does the log agree with itself, the car and the revision that it names? Checks before anything is believed of it."""

from tunelab.study.consistency.air import LEAK
from tunelab.study.consistency.check import (
    assumptions_table,
    check_consistency,
    checks_table,
    stops,
    withhold,
    withhold_findings,
)

__all__ = ["LEAK", "assumptions_table", "check_consistency", "checks_table", "stops", "withhold", "withhold_findings"]
