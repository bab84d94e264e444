"""Looking at a log at hand: a channel over speed and load, its distribution, events side by side, a selection."""

from tunelab.study.explore.cells import (
    Distribution,
    EngineLoad,
    LoadMap,
    distribute,
    engine_load,
    fullest_load,
    map_channel,
    map_lambda_error,
    samples_inside,
)
from tunelab.study.explore.events import (
    EventSet,
    EventTrace,
    GroupDifference,
    LineFit,
    align_events,
    compare_groups,
    fit_line,
    kind_present,
)

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
