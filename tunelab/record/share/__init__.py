"""A record as one file to give away, what is private taken out; and such a file opened again."""

from tunelab.record.share.again import Again, run_again
from tunelab.record.share.answer import GivenAnswer, read_answers
from tunelab.record.share.join import Opened, open_shared
from tunelab.record.share.pack import Shared, ShareError, Wanted, share_records
from tunelab.record.share.unpack import OpenError

__all__ = [
    "Again",
    "GivenAnswer",
    "OpenError",
    "Opened",
    "ShareError",
    "Shared",
    "Wanted",
    "open_shared",
    "read_answers",
    "run_again",
    "share_records",
]
