"""Power at the wheels from pulls, with an honest band; and whether two revisions differ by more than noise."""

from tunelab.study.power.compare import EnergyCheck, PowerComparison, check_energy, compare_power
from tunelab.study.power.fit import fit_power
from tunelab.study.power.inputs import RoadDoubt
from tunelab.study.power.result import PowerFit

__all__ = ["EnergyCheck", "PowerComparison", "PowerFit", "RoadDoubt", "check_energy", "compare_power", "fit_power"]
