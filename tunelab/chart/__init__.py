"""Draws a result or a log with HoloViews; computes nothing, writes nothing, sets no style of its own on import."""

from importlib import import_module
from typing import Any

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
    "draw_trace": "trace",
    "event_windows": "trace",
}
__all__ = tuple(_PLACES)


def __getattr__(name: str) -> Any:
    """Load a public name from its module, the first time that it is asked for (PEP 562)."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_PLACES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names too, loaded or not."""
    return sorted({*globals(), *_PLACES})
