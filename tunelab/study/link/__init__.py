"""The data link and the noise on its signals: when it drops out, under what, and whether a change of wiring helped."""

from tunelab.study.link.account import LinkAccount, account_link
from tunelab.study.link.findings import CAUTIONS, Clue, find_clues, link_findings, wiring_checks
from tunelab.study.link.noise import NoiseTable, Supply, channel_noise, supply_voltage
from tunelab.study.link.order import (
    OrderNoise,
    alias_frequency,
    alias_table,
    engine_orders,
    order_noise,
)
from tunelab.study.link.rate import (
    RateRatio,
    Settling,
    minutes_to_settle,
    poisson_interval,
    power_of_comparison,
    rate_of,
    rate_ratio,
)
from tunelab.study.link.study import LinkStudy, compare_wirings, rates_by_state, study_link
from tunelab.study.statistics import SurvivalCurve, compare_survival, survival_curve

__all__ = [
    "CAUTIONS",
    "Clue",
    "LinkAccount",
    "LinkStudy",
    "NoiseTable",
    "OrderNoise",
    "RateRatio",
    "Settling",
    "Supply",
    "SurvivalCurve",
    "account_link",
    "alias_frequency",
    "alias_table",
    "channel_noise",
    "compare_survival",
    "compare_wirings",
    "engine_orders",
    "find_clues",
    "link_findings",
    "minutes_to_settle",
    "order_noise",
    "poisson_interval",
    "power_of_comparison",
    "rate_of",
    "rate_ratio",
    "rates_by_state",
    "study_link",
    "supply_voltage",
    "survival_curve",
    "wiring_checks",
]
