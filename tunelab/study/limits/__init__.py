"""The owner's limits watched over a whole log, whatever was driven: worst value, when, under which conditions."""

from tunelab.study.limits.driving import Driving, find_driving, hold_mixture
from tunelab.study.limits.result import LimitWatch, Watched
from tunelab.study.limits.watch import watch_limits

__all__ = ["Driving", "LimitWatch", "Watched", "find_driving", "hold_mixture", "watch_limits"]
