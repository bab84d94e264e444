"""Gearing: which gear was engaged, what the ratios are, and whether the speed sensor tells the truth."""

from tunelab.study.gearing.ratio import SpeedRatio, log_ratio, speed_ratio
from tunelab.study.gearing.ratios import GearRatio, RatioFit, estimate_ratios
from tunelab.study.gearing.scale import SpeedCheck, check_speed
from tunelab.study.gearing.trace import GearTrace, trace_gears
from tunelab.study.gearing.tyre import RollingRadius, rolling_radius

__all__ = [
    "GearRatio",
    "GearTrace",
    "RatioFit",
    "RollingRadius",
    "SpeedCheck",
    "SpeedRatio",
    "check_speed",
    "estimate_ratios",
    "log_ratio",
    "rolling_radius",
    "speed_ratio",
    "trace_gears",
]
