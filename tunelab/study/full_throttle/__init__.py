"""Full-throttle safety: what came close to the owner's limits, where, and when the driver should have lifted."""

from tunelab.study.full_throttle.study import FullThrottle, check_full_throttle

__all__ = ["FullThrottle", "check_full_throttle"]
