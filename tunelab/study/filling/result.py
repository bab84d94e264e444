"""What the study of a table found: frozen results with intervals, evidence by cell and reasons."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.study.finding import Finding, status_within
from tunelab.study.shown import shows_its_table
from tunelab.study.steady.findings import shared_findings
from tunelab.study.steady.result import (
    BankDifference,
    DeadTimeError,
    LambdaError,
    LeanAtLoad,
    Levels,
    OverallConstant,
    SplitHalf,
)
from tunelab.workspace.car import Car

Basis = Literal["measured", "extended", "unchanged"]


@dataclass(frozen=True)
class Visited:
    """Places of steady driving, one for each block; arrays of shape (places,)."""

    engine_speed_rpm: np.ndarray
    load: np.ndarray  # the table's own axis
    absolute_load: np.ndarray  # share of a filled cylinder (SAE J1979)
    battery_v: np.ndarray
    log_open: np.ndarray  # log of the opening time as it was driven [ms]
    log_meant: np.ndarray  # the same as the ECU means it with the reference in force and trims at zero
    hold: np.ndarray
    seconds: np.ndarray
    unexplained: np.ndarray  # log units: what the fit leaves of its hold beyond the noise of its blocks


@dataclass(frozen=True)
class Draws:
    """Joint draws of the posterior, the first of them its mean."""

    cell: np.ndarray  # log of true over in-force value, shape (draws, cells)
    dead_time_ms: np.ndarray  # off the smooth table in force: level, per volt, per volt squared, shape (draws, 3)
    unknown_ms: np.ndarray  # level that the drive cannot separate from the cells, shape (draws,); 0 where it is known
    scallop: np.ndarray  # share of what straight lines between the cells leave of a smooth surface, shape (draws,)
    rough: float  # scatter of the cells about that surface, log units
    reference_v: float


@shows_its_table
@dataclass(frozen=True)
class FillingFit:
    """Joint fit of a table's cells and the injectors' dead time from steady driving."""

    reference: str  # revision that all is referred to
    sessions: tuple[str, ...]
    confidence: float
    method: str
    load_channel: str
    cells: pd.DataFrame
    """One row per cell of the table: `engine_speed_rpm`, the load (`manifold_kpa` or `throttle_pct`), `in_force`,
    `factor, factor_lower, factor_upper` (true over in-force value, NaN where `basis` is `unchanged`), `seconds` of
    steady driving (each second shared by the cells around it), `holds`, `basis`."""
    key: str  # what the table holds: efficiency_pct or air_mg
    dead_time: DeadTimeError
    constant: OverallConstant
    before: LambdaError
    predicted: LambdaError  # after the whole correction, without caps
    banks: BankDifference | None
    levels: Levels | None
    lean_at_load: LeanAtLoad | None
    blocks: pd.DataFrame
    """One row per steady block: `session, hold, start_s, seconds, samples, engine_speed_rpm`, the load,
    `absolute_load, battery_v, pulse_width_ms, air_flow_kg_h, lambda_measured, lambda_commanded, error_pct, fitted_pct,
    residual_pct, weight`."""
    notes: tuple[str, ...]
    samples_used: int
    samples_flagged: int
    because: str = ""  # why no fit was made; empty where there is one
    visited: Visited | None = field(default=None, repr=False)
    draws: Draws | None = field(default=None, repr=False)
    covariance: np.ndarray | None = field(default=None, repr=False)  # of the cells, for the plan
    prior: np.ndarray | None = field(default=None, repr=False)  # of the cells, as their sizes were found
    split_half: SplitHalf | None = None  # the halves are compared by their level alone

    def summary(self, proposed: LambdaError | None = None) -> pd.DataFrame:
        """One row per estimate: value, lower, upper, unit, seconds. NaN where not shown."""
        dead, flat = self.dead_time, self.constant
        told = {"lambda error now": self.before, "lambda error predicted": proposed}
        rows = [row for name, error in told.items() if error is not None for row in _error_rows(name, error)]
        rows += [
            *_error_rows("lambda error with the whole correction at once", self.predicted),
            ("dead-time error", dead.level_ms, dead.lower_ms, dead.upper_ms, "ms"),
            ("dead-time error per volt", dead.slope_ms_v, dead.slope_lower_ms_v, dead.slope_upper_ms_v, "ms V⁻¹"),
            ("overall constant", flat.factor, flat.lower, flat.upper, "1"),
        ]
        table = pd.DataFrame(rows, columns=["estimate", "value", "lower", "upper", "unit"]).set_index("estimate")
        return table.assign(seconds=float(self.blocks["seconds"].sum()))

    def findings(self, car: Car) -> list[Finding]:
        """Hold the result against the owner's limits; missing evidence is `not_shown`."""
        return [*shared_findings(self, car), _table_finding(self, car)]


def _error_rows(name: str, error: LambdaError) -> list[tuple]:
    return [
        (f"{name}, 95 % of cells below", error.p95_pct, error.lower_pct, error.upper_pct, "%"),
        (f"{name}, worst hold", error.worst_pct, error.worst_lower_pct, error.worst_upper_pct, "%"),
    ]


def _table_finding(fit: FillingFit, car: Car) -> Finding:
    """Largest measured error of a cell, against what one revision may change."""
    limit, known = car.limits.meter_change_max_pct, fit.cells[fit.cells["basis"] == "measured"]
    about = {"id": "steady.table", "title": "Largest error of a cell of the table", "unit": "%", "limit": limit}
    about |= {"samples_used": fit.samples_used, "samples_flagged": fit.samples_flagged}
    if known.empty:
        because = fit.because or "No cell of the table has enough steady driving."
        return Finding(
            **about, value=None, lower=None, upper=None, confidence=None, status="not_shown", because=because
        )
    worst = known.loc[np.log(known["factor"]).abs().idxmax()]
    value, lower, upper = (100 * (worst[name] - 1) for name in ("factor", "factor_lower", "factor_upper"))
    ends = 100 * (known["factor_lower"].min() - 1), 100 * (known["factor_upper"].max() - 1)
    unit = channel(fit.load_channel).shown_unit
    because = (
        f"At {worst['engine_speed_rpm']:.0f} rpm and {worst[fit.load_channel]:.4g} {unit} the engine takes "
        f"{value:+.1f} % more air than the table says; over the {len(known)} cells that were driven the interval runs "
        f"from {ends[0]:+.1f} to {ends[1]:+.1f} %. One revision may change a cell by {limit:g} %."
    )
    return Finding(
        **about, value=float(value), lower=float(lower), upper=float(upper), confidence=fit.confidence,
        status=status_within(value, *ends, least=-limit, most=limit), because=because,
    )  # fmt: skip
