"""What the mixture does when the throttle moves."""

from tunelab.study.transient.excursion import NOT_EXPLAINED
from tunelab.study.transient.film import cylinder_air, cylinder_fuel
from tunelab.study.transient.region import Film
from tunelab.study.transient.study import TransientStudy, proposal_sentence, study_transients

__all__ = [
    "NOT_EXPLAINED", "Film", "TransientStudy", "cylinder_air", "cylinder_fuel", "proposal_sentence",
    "study_transients",
]  # fmt: skip
