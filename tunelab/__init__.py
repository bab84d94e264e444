"""Notebook kit for tuning a self-built engine management from drive logs.

From Python, five lines lead from a drive to what to enter next; every verb says more about itself::

    import tunelab

    drive = tunelab.open_drive("my-car/sessions/2026-05-03-steady")
    fit = tunelab.fit(drive)
    proposal = tunelab.propose(fit, drive)
    tunelab.draw(proposal)

A proposal is for a person to read, doubt and enter; nothing is ever sent to an ECU.
"""

from typing import TYPE_CHECKING

from tunelab.lazy import load_when_asked

if TYPE_CHECKING:
    from tunelab.verbs import Drive, draw, estimate_delay, fit, flag, open_drive, open_workspace, propose, read_log

__version__ = "0.1.0"
__all__ = ("Drive", "draw", "estimate_delay", "fit", "flag", "open_drive", "open_workspace", "propose", "read_log")
__getattr__, __dir__ = load_when_asked(__name__, dict.fromkeys(__all__, "verbs"))
