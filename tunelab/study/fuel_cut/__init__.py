"""Fuel cut on overrun, its end, and the return to idle."""

from tunelab.study.fuel_cut.cut import find_cuts, find_returns
from tunelab.study.fuel_cut.study import FuelCutStudy, study_fuel_cut

__all__ = ["FuelCutStudy", "find_cuts", "find_returns", "study_fuel_cut"]
