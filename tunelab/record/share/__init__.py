"""A record as one file to give away, what is private taken out; and such a file opened again."""

from tunelab.lazy import load_when_asked

# Loaded when asked for: answers that came back are read by the workspace's history, which runs no record again.
_PLACES = {
    "OpenError": "unpack",
    "ShareError": "pack",
    "Wanted": "pack",
    "open_shared": "join",
    "read_answers": "answer",
    "run_again": "join",
    "share_records": "pack",
}
__all__ = tuple(_PLACES)
__getattr__, __dir__ = load_when_asked(__name__, _PLACES)
