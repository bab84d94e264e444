"""Gearing: which gear was engaged, what the ratios are, and whether the speed sensor tells the truth."""

from tunelab.study.gearing.ratios import (
    GearRatio,
    RatioFit,
    RollingRadius,
    SpeedRatio,
    estimate_ratios,
    log_ratio,
    rolling_radius,
    speed_ratio,
)
from tunelab.study.gearing.trace import GearTrace, SpeedCheck, check_speed, trace_gears

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
