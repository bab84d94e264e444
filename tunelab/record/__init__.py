"""Runs notebooks and writes the record.

Notebooks call `set_up_display` first, `open_session` and `gather_evidence` to read what is on disk, `write` last.
"""

from importlib import import_module
from typing import Any

# Loaded when asked for: a command that only looks at a notebook need not wait for every study.
_PLACES = {
    "Chapter": "chapter",
    "Evidence": "evidence",
    "NextRevision": "chapter",
    "OpenedSession": "opened",
    "Section": "chapter",
    "bullets": "display",
    "dead_time_table": "steady",
    "gather_evidence": "evidence",
    "halves_table": "steady",
    "meter_table": "steady",
    "open_session": "opened",
    "plan_after": "planning",
    "plan_chapter": "plan",
    "plan_sentence": "plan",
    "plan_table": "plan",
    "pool_sessions": "steady",
    "set_up_display": "display",
    "steady_chapter": "steady",
    "steady_lines": "steady",
    "write": "chapter",
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
