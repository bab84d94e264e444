"""Draws a result or a log with HoloViews; computes nothing, writes nothing, sets no style of its own on import."""

from tunelab.lazy import load_when_asked

# Loaded when asked for: the still pictures of a first page need no HoloViews, which takes a second to load.
_PLACES = {
    "draw_before_after": "steady",
    "draw_coverage": "steady",
    "draw_dead_time": "steady",
    "draw_delay": "steady",
    "draw_events": "trace",
    "draw_flags": "trace",
    "draw_meter_curve": "steady",
    "draw_meter_factor": "steady",
    "draw_pulsation_map": "steady",
    "draw_residuals": "steady",
    "draw_table_change": "filling",
    "draw_table_evidence": "filling",
    "draw_table_residuals": "filling",
    "draw_trace": "trace",
    "event_windows": "trace",
}
__all__ = tuple(_PLACES)
__getattr__, __dir__ = load_when_asked(__name__, _PLACES)
