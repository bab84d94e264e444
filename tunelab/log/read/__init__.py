"""From a raw file to a table in which every row is accounted for; the file itself is never changed."""

from tunelab.log.read.entry import read_raw
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, ReadError, SetAside

__all__ = ["Dialect", "RawColumn", "RawTable", "ReadError", "SetAside", "read_raw"]
