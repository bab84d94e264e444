"""Runs notebooks and writes the record.

Notebooks use three calls: `set_up_display` first, `open_session` to read what is on disk, `write` last.
"""

from tunelab.record.chapter import Chapter, NextRevision, Section, write
from tunelab.record.display import set_up_display
from tunelab.record.opened import OpenedSession, open_session

__all__ = ["Chapter", "NextRevision", "OpenedSession", "Section", "open_session", "set_up_display", "write"]
