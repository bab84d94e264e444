"""Whether the logs show that the car may run: gates, bounds, and what is left to drive before a day."""

from tunelab.study.readiness.gate import GATES, Breach, Drive, Reach, reach_of
from tunelab.study.readiness.judge import GateState, Readiness, judge_readiness
from tunelab.study.readiness.pace import Plan, plan_to_event

__all__ = [
    "GATES", "Breach", "Drive", "GateState", "Plan", "Reach", "Readiness", "judge_readiness", "plan_to_event",
    "reach_of",
]  # fmt: skip
