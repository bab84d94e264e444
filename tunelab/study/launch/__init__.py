"""Launches: held speed, release, bog, slip, time to a distance, repeats and drivers."""

from tunelab.study.launch.find import find_launches
from tunelab.study.launch.measure import Launch
from tunelab.study.launch.result import CUT_CAUTION, HEAT_CAUTION, LET_GO_S, LaunchStudy
from tunelab.study.launch.study import study_launches
from tunelab.study.statistics import contrast, effects_table, one_way

__all__ = [
    "CUT_CAUTION", "HEAT_CAUTION", "LET_GO_S", "Launch", "LaunchStudy", "contrast", "effects_table",
    "find_launches", "one_way", "study_launches",
]  # fmt: skip
