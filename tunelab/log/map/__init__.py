"""From a raw table to a log: columns become channels in their own units, on a clock that only goes forward."""

from tunelab.log.map.entry import map_raw
from tunelab.log.map.text import MapError

__all__ = ["MapError", "map_raw"]
