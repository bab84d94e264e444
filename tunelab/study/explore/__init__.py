"""Looking at a log at hand: a channel over speed and load, its distribution, events side by side, a selection."""

from tunelab.study.explore.cells import EngineLoad, LoadMap, engine_load, fullest_load, map_channel, map_lambda_error
from tunelab.study.explore.compare import GroupDifference, LineFit, compare_groups, fit_line
from tunelab.study.explore.distribution import Distribution, distribute
from tunelab.study.explore.events import EventSet, EventTrace, align_events, kind_present
from tunelab.study.explore.select import samples_inside

__all__ = [
    "Distribution",
    "EngineLoad",
    "EventSet",
    "EventTrace",
    "GroupDifference",
    "LineFit",
    "LoadMap",
    "align_events",
    "compare_groups",
    "distribute",
    "engine_load",
    "fit_line",
    "fullest_load",
    "kind_present",
    "map_channel",
    "map_lambda_error",
    "samples_inside",
]
