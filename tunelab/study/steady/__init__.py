"""The steady study: how wrong the air meter and the injectors' dead time are, from steady driving."""

from tunelab.study.steady.blocks import Delay
from tunelab.study.steady.fit import fit_steady, stated_delay
from tunelab.study.steady.result import (
    BankDifference,
    DeadTimeError,
    LambdaError,
    MeterError,
    OverallConstant,
    PulsationMap,
    SplitHalf,
    SteadyFit,
)

__all__ = [
    "BankDifference",
    "DeadTimeError",
    "Delay",
    "LambdaError",
    "MeterError",
    "OverallConstant",
    "PulsationMap",
    "SplitHalf",
    "SteadyFit",
    "fit_steady",
    "stated_delay",
]
