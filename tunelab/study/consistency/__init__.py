"""Does the log agree with itself, the car and the revision that it names? Checks before anything is believed of it."""

from tunelab.study.consistency.check import check_consistency, stops

__all__ = ["check_consistency", "stops"]
