"""How the car idles."""

from tunelab.study.idle.result import ALWAYS, OVERLAP_CAUTION, Hunting, IdleStudy, Spectrum, find_hunting, spectrum
from tunelab.study.idle.study import study_idle

__all__ = ["ALWAYS", "OVERLAP_CAUTION", "Hunting", "IdleStudy", "Spectrum", "find_hunting", "spectrum", "study_idle"]
