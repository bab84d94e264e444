"""Pulls: stretches of rising engine speed in one gear at one throttle opening, and why the others were refused."""

from tunelab.study.pull.detect import find_pulls
from tunelab.study.pull.result import Pull, PullSet, RefusedPull

__all__ = ["Pull", "PullSet", "RefusedPull", "find_pulls"]
