"""Launches: held speed, release, bog, slip, time to a distance, repeats and drivers."""

from tunelab.study.launch.find import Ground, LaunchSpan, find_launches, ground_speed
from tunelab.study.launch.measure import Launch
from tunelab.study.launch.result import CUT_CAUTION, HEAT_CAUTION, LET_GO_S, LaunchStudy
from tunelab.study.launch.study import study_launches
from tunelab.study.statistics import DriverContrast, OneWay, contrast, effects_table, one_way

__all__ = [
    "CUT_CAUTION",
    "HEAT_CAUTION",
    "LET_GO_S",
    "DriverContrast",
    "Ground",
    "Launch",
    "LaunchSpan",
    "LaunchStudy",
    "OneWay",
    "contrast",
    "effects_table",
    "find_launches",
    "ground_speed",
    "one_way",
    "study_launches",
]
