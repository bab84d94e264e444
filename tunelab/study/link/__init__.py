"""The data link and the noise on its signals: when it drops out, under what, and whether a change of wiring helped."""

from tunelab.study.link.account import LinkAccount, account_link
from tunelab.study.link.findings import CAUTIONS, Clue, find_clues, link_findings, wiring_checks
from tunelab.study.link.noise import NoiseTable, Supply, channel_noise, supply_voltage
from tunelab.study.link.order import OrderNoise, alias_table, engine_orders, order_noise
from tunelab.study.link.study import LinkStudy, study_link

__all__ = [
    "CAUTIONS", "Clue", "LinkAccount", "LinkStudy", "NoiseTable", "OrderNoise", "Supply", "account_link",
    "alias_table", "channel_noise", "engine_orders", "find_clues", "link_findings", "order_noise", "study_link",
    "supply_voltage", "wiring_checks",
]  # fmt: skip
