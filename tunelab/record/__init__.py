"""Runs notebooks and writes the record.

Notebooks call `set_up_display` first, `open_session` and `gather_evidence` to read what is on disk, `write` last.
"""

from tunelab.lazy import load_when_asked

# Loaded when asked for: a command that only looks at a notebook need not wait for every study.
_PLACES = {
    "Chapter": "chapter",
    "NextRevision": "chapter",
    "Section": "chapter",
    "bullets": "display",
    "cells_table": "filling",
    "dead_time_table": "steady",
    "filling_chapter": "filling",
    "filling_lines": "filling",
    "gather_evidence": "evidence",
    "halves_table": "steady",
    "meter_table": "steady",
    "open_session": "opened",
    "plan_after": "plan",
    "plan_sentence": "plan",
    "plan_table": "plan",
    "pool_sessions": "earlier",
    "set_up_display": "display",
    "steady_chapter": "steady",
    "steady_lines": "steady",
    "withhold_table": "filling",
    "write": "chapter",
}
__all__ = tuple(_PLACES)
__getattr__, __dir__ = load_when_asked(__name__, _PLACES)
