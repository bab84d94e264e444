"""Runs notebooks and writes the record.

Notebooks call `set_up_display` first, `open_session` and `gather_evidence` to read what is on disk, `write` last.
"""

from tunelab.record.chapter import Chapter, NextRevision, Section, write
from tunelab.record.display import bullets, set_up_display
from tunelab.record.evidence import Evidence, gather_evidence
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.plan import plan_chapter, plan_sentence, plan_table
from tunelab.record.steady import dead_time_table, halves_table, meter_table, steady_chapter, steady_lines

__all__ = [
    "Chapter",
    "Evidence",
    "NextRevision",
    "OpenedSession",
    "Section",
    "bullets",
    "dead_time_table",
    "gather_evidence",
    "halves_table",
    "meter_table",
    "open_session",
    "plan_chapter",
    "plan_sentence",
    "plan_table",
    "set_up_display",
    "steady_chapter",
    "steady_lines",
    "write",
]
