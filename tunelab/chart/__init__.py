"""Draws a result or a log with HoloViews; computes nothing, writes nothing, sets no style of its own on import."""

from tunelab.chart.coverage import draw_coverage
from tunelab.chart.delay import draw_delay
from tunelab.chart.fit import draw_before_after, draw_residuals
from tunelab.chart.injector import draw_dead_time
from tunelab.chart.meter import draw_meter_curve, draw_meter_factor, draw_pulsation_map
from tunelab.chart.trace import draw_events, draw_flags, draw_trace, event_windows

__all__ = [
    "draw_before_after",
    "draw_coverage",
    "draw_dead_time",
    "draw_delay",
    "draw_events",
    "draw_flags",
    "draw_meter_curve",
    "draw_meter_factor",
    "draw_pulsation_map",
    "draw_residuals",
    "draw_trace",
    "event_windows",
]
