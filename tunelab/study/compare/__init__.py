"""Before against after: what is more than noise, in findings and in the logs themselves."""

from tunelab.study.compare.findings import FindingDifference, compare_findings, holm
from tunelab.study.compare.logs import QUANTITIES, LogDifference, Visits, compare_visits, visits_of

__all__ = [
    "QUANTITIES",
    "FindingDifference",
    "LogDifference",
    "Visits",
    "compare_findings",
    "compare_visits",
    "holm",
    "visits_of",
]
