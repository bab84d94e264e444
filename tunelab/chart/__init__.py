"""Draws a result or a log with HoloViews; computes nothing, writes nothing, sets no style of its own on import."""

from tunelab.lazy import load_when_asked

# Loaded when asked for: the still pictures of a first page need no HoloViews, which takes a second to load.
_PLACES = {
    "draw_before_after": "steady",
    "draw_coverage": "steady",
    "draw_dead_time": "steady",
    "draw_delay": "steady",
    "draw_events": "log",
    "draw_flags": "log",
    "draw_meter_curve": "steady",
    "draw_meter_factor": "steady",
    "draw_pulsation_map": "steady",
    "draw_residuals": "steady",
    "draw_table_change": "revision",
    "draw_table_evidence": "revision",
    "draw_table_residuals": "revision",
    "draw_trace": "log",
    "event_windows": "log",
}
__all__ = tuple(_PLACES)
__getattr__, __dir__ = load_when_asked(__name__, _PLACES)
