"""Coast-down: road load from rolling out of gear in both directions."""

from tunelab.study.coast_down.fit import fit_coast_down
from tunelab.study.coast_down.result import CoastDownFit
from tunelab.study.coast_down.run import find_coasts

__all__ = ["CoastDownFit", "find_coasts", "fit_coast_down"]
