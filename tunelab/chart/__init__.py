"""Draws a result or a log with HoloViews; computes nothing, writes nothing, sets no style of its own on import."""

from tunelab.lazy import load_when_asked

# Loaded when asked for: the still pictures of a first page need no HoloViews, which takes a second to load.
_PLACES = {
    "draw_before_after": "fit",
    "draw_coverage": "coverage",
    "draw_dead_time": "injector",
    "draw_delay": "delay",
    "draw_events": "trace",
    "draw_flags": "trace",
    "draw_meter_curve": "meter",
    "draw_meter_factor": "meter",
    "draw_pulsation_map": "meter",
    "draw_residuals": "fit",
    "draw_table_change": "filling",
    "draw_table_evidence": "filling",
    "draw_table_residuals": "filling",
    "draw_trace": "trace",
    "event_windows": "trace",
}
__all__ = tuple(_PLACES)
__getattr__, __dir__ = load_when_asked(__name__, _PLACES)
