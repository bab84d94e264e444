"""What the steady study found: frozen results with intervals, seconds of evidence and reasons."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from tunelab.study.finding import Finding, shows_its_table
from tunelab.study.steady.findings import COURSE_LIMIT_PCT, LEVEL_LIMIT_PCT, steady_findings
from tunelab.study.steady.leak import LeakBelief, Suspicion
from tunelab.study.steady.points import Points
from tunelab.study.steady.posterior import Posterior
from tunelab.study.steady.suspects import Suspects
from tunelab.workspace.car import Car

Basis = Literal["measured", "extended", "kept pulse", "unchanged"]


@dataclass(frozen=True)
class OverallConstant:
    """What no log can separate: injector flow, meter scale, lambda gain and stoichiometric ratio together.

    `factor` multiplies the whole meter curve; it is already inside `MeterError.factor`. The same lambda would come from
    dividing the injector flow by it instead. Its interval is that of what lambda reads, not of what the sensor is
    worth.
    """

    factor: float
    lower: float
    upper: float
    because: str  # why it stands apart, in one plain sentence


@dataclass(frozen=True)
class MeterError:
    """The meter's error over its range: true flow over the flow of the current curve, at the same reading.

    Arrays of shape (n,) on a dense grid that includes the revision's breakpoints; NaN where nothing was measured.
    """

    channel: str  # canonical channel of the reading: meter_v, meter_hz or meter_counts
    reading: np.ndarray  # in the channel's unit, rising
    flow_in_force_kg_h: np.ndarray  # by linear interpolation of the current curve
    factor: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    seconds: np.ndarray  # seconds of steady driving within the grid's own cell; 0 where none
    points: pd.DataFrame
    """At the revision's breakpoints: `reading, flow_in_force_kg_h, factor, factor_lower, factor_upper, seconds, basis,
    follow`.

    `seconds` is the evidence: each second is shared by the two breakpoints it lies between, so that they add up to what
    was driven; factor is NaN where `basis` is `unchanged`. `follow` is the share of the expected error that a proposal
    takes out there: 1 where driven or beside it, less where the posterior knows less, 0 where `basis` is `unchanged`.
    """
    because: str = ""  # why nothing at all is known of it; empty where something is


@dataclass(frozen=True)
class DeadTimeError:
    """The injectors' dead-time error: true dead time less the current one. Positive: the ECU adds too little.

    Where `shown` is False every value is NaN and `because` says why and which drive would show it. Where only
    `slope_shown` is False the level stands and no change with voltage is claimed.
    """

    shown: bool
    because: str
    slope_shown: bool
    slope_because: str
    level_ms: float  # at `reference_v`
    lower_ms: float
    upper_ms: float
    slope_ms_v: float  # change of the error per volt of battery voltage
    slope_lower_ms_v: float
    slope_upper_ms_v: float
    reference_v: float  # mean battery voltage of the evidence
    visited_v: tuple[float, float]  # battery voltage, 1st and 99th percentile of the evidence
    rows: pd.DataFrame
    """At its rows: `battery_v, dead_time_in_force_ms, change_ms, change_lower_ms, change_upper_ms, basis`."""

    @classmethod
    def not_shown(cls, because: str, slope_because: str, rows: pd.DataFrame) -> DeadTimeError:
        """One that shows nothing; `rows` hold the dead times in force."""
        nan = np.nan
        return cls(False, because, False, slope_because, nan, nan, nan, nan, nan, nan, nan, (nan, nan), rows)


@dataclass(frozen=True)
class PulsationMap:
    """By how much the meter over-reads at an operating point beyond what its curve can say, from intake pulsation.

    2-D arrays have shape (loads, speeds); NaN where nothing was driven. A voltage-to-flow curve cannot remove it.
    """

    engine_speed_rpm: np.ndarray
    load: (
        np.ndarray
    )  # air per stroke over that of a filled cylinder at 1.184 kg/m³ (SAE J1979 absolute load, as a share)
    over_reading_pct: np.ndarray  # positive: the meter reads more than the air
    lower_pct: np.ndarray
    upper_pct: np.ndarray
    seconds: np.ndarray
    shown: bool  # False: no pulsation beyond the noise, or no high load driven
    because: str


@dataclass(frozen=True)
class LambdaError:
    """Size of |lambda / commanded − 1| [%] with trims at zero, over the steady, undisturbed points that were visited.

    Each cell of engine speed and airflow counts alike, however long it was held; a worst hold stands beside the p95,
    because a single place such as idle is lost in it.
    """

    p95_pct: float
    lower_pct: float
    upper_pct: float
    median_pct: float
    worst_pct: float  # signed, positive lean: mean over the worst region
    worst_reading: float  # meter reading, engine speed and load at the middle of the worst region
    worst_speed_rpm: float
    worst_load: float
    seconds: float  # seconds of evidence behind it
    worst_lower_pct: float = np.nan
    worst_upper_pct: float = np.nan
    cells: int = 0  # of engine speed and airflow that were visited
    leaking_p95_pct: float = np.nan  # p95 if the curve's rise toward little air were an exhaust leak

    @classmethod
    def not_shown(cls) -> LambdaError:
        """One that shows nothing."""
        return cls(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, seconds=0.0)

    @property
    def worst_words(self) -> str:
        """The worst hold in words, such as `5.2 % lean at 850 rpm`; what is missing is called not shown."""
        if not np.isfinite(self.worst_pct):
            return "not shown"
        side = "lean" if self.worst_pct > 0 else "rich"
        return f"{abs(self.worst_pct):.1f} % {side} at {self.worst_speed_rpm:.0f} rpm"


@dataclass(frozen=True)
class LeanAtLoad:
    """The leanest hold at load as it was measured, whatever its cause; NaN where no hold at load was driven.

    The ends are NaN where there are too few holds at load for an interval.
    """

    lean_pct: float  # lambda over commanded less one, positive lean: mean of the leanest hold
    lower_pct: float
    upper_pct: float  # no hold at load is leaner than this
    as_driven: bool  # False: leaner still with the trims at zero, and given so
    engine_speed_rpm: float
    load: float
    session: str
    start_s: float  # of the leanest hold, on its log's own clock
    holds: int  # at load
    seconds: float
    samples: int
    because: str  # why nothing is shown; empty where something is


@dataclass(frozen=True)
class BankDifference:
    """Second lambda sensor against the first: log ratio as a percentage, positive when the second reads leaner."""

    placement: Literal["other bank", "same pipe"]
    difference_pct: float
    lower_pct: float
    upper_pct: float
    blocks: int
    disagrees: bool  # same pipe: apart by more than 2 %; other bank: apart by more than the interval allows
    because: str


@dataclass(frozen=True)
class LevelShift:
    """By how much lambda reads leaner than elsewhere at the same operating point; positive: leaner."""

    session: str
    shift_pct: float
    lower_pct: float
    upper_pct: float


@dataclass(frozen=True)
class Levels:
    """Whether lambda kept its level within each drive and from session to session."""

    halves: tuple[LevelShift, ...]  # second half of a drive less its first; empty where no drive has enough holds
    sessions: tuple[LevelShift, ...]  # each session less the mean of all; empty where there is but one
    apart: LevelShift | None  # the two sessions furthest apart; None where there is but one
    course_pct: float  # from the lowest to the highest quarter of a drive
    between_pct: float  # from the lowest to the highest session

    @property
    def moved_within(self) -> str:
        """How lambda changed its level within a drive, in words; empty where it kept it."""
        worst = max(self.halves, key=lambda half: abs(half.shift_pct), default=None)
        if worst is not None and abs(worst.shift_pct) > LEVEL_LIMIT_PCT:
            side = "leaner" if worst.shift_pct > 0 else "richer"
            return f"The second half of {worst.session} reads {abs(worst.shift_pct):.1f} % {side} than the first."
        if self.course_pct > COURSE_LIMIT_PCT:
            return f"Lambda wandered by {self.course_pct:.1f} % within a drive."
        return ""


@dataclass(frozen=True)
class SplitHalf:
    """The first half of each drive against its second, fitted apart: does the result hold?"""

    reading: np.ndarray  # shape (n,)
    factor_first: np.ndarray  # NaN where that half measured nothing
    factor_second: np.ndarray
    dead_time_first_ms: float
    dead_time_second_ms: float
    difference_rms_pct: float  # between the two curves, where both measured
    expected_rms_pct: float  # what their own intervals lead one to expect


@shows_its_table
@dataclass(frozen=True)
class SteadyFit:
    """Joint fit of meter error and injector dead-time error from steady driving."""

    reference: str  # revision that all is referred to
    sessions: tuple[str, ...]
    confidence: float  # 0.95 for a 95 % interval
    method: str
    meter: MeterError
    dead_time: DeadTimeError
    constant: OverallConstant
    pulsation: PulsationMap
    before: LambdaError  # with the reference revision in the ECU, trims at zero
    predicted: LambdaError  # after applying all of the fit at the revision's breakpoints, no caps
    banks: BankDifference | None
    split_half: SplitHalf | None  # None: too few holds to halve
    blocks: pd.DataFrame
    """One row per steady block: `session, hold, start_s, seconds, samples, reading, engine_speed_rpm, load,
    battery_v, pulse_width_ms, air_flow_kg_h` (current curve), `lambda_measured, lambda_commanded`,
    `error_pct` (measured), `fitted_pct, residual_pct, weight` (robust, 0-1), `pulsation_pct` (fitted over-reading),
    `disturbed` (bool)."""
    notes: tuple[str, ...]  # fall-backs and what could not be corrected, one plain sentence each
    samples_used: int
    samples_flagged: int
    points: Points | None = field(repr=False)  # the visited points, for the proposal; None without a fit
    posterior: Posterior | None = field(repr=False)  # joint draws, for the proposal; None without a fit
    because: str = ""  # why no fit was made; empty where there is one
    levels: Levels | None = None  # None without a fit
    suspects: Suspects | None = None  # what else lambda may show; None without a fit
    lean_at_load: LeanAtLoad | None = None  # None only where a result was put together by hand
    places: Points | None = field(default=None, repr=False)  # every place that was driven or idled in, steady or not
    at_breakpoints: Points | None = field(default=None, repr=False)  # operating point of each breakpoint
    leak: LeakBelief | None = field(default=None, repr=False)  # ahead of the lambda sensor; None without a fit
    suspicion: Suspicion | None = field(default=None, repr=False)  # where a leak is suspected and not shown

    def summary(self, proposed: LambdaError | None = None) -> pd.DataFrame:
        """One row per estimate: value, lower, upper, unit, seconds. NaN where not shown.

        With `proposed`, what the proposal is predicted to leave, in rows of its own.
        """
        return summary_rows(self, proposed)

    def findings(self, car: Car) -> list[Finding]:
        """Hold the result against the owner's limits; missing evidence is `not_shown`."""
        return steady_findings(self, car)


def summary_rows(fit: SteadyFit, proposed: LambdaError | None) -> pd.DataFrame:
    """Table behind `SteadyFit.summary`."""
    dead, flat = fit.dead_time, fit.constant
    seconds = float(fit.blocks["seconds"].sum())
    rows = _error_rows("lambda error now", fit.before)
    if proposed is not None:
        rows += _error_rows("lambda error predicted", proposed)
    rows += [
        *_error_rows("lambda error with the whole correction at once", fit.predicted),
        ("dead-time error", dead.level_ms, dead.lower_ms, dead.upper_ms, "ms"),
        ("dead-time error per volt", dead.slope_ms_v, dead.slope_lower_ms_v, dead.slope_upper_ms_v, "ms V⁻¹"),
        ("overall constant", flat.factor, flat.lower, flat.upper, "1"),
    ]
    table = pd.DataFrame(rows, columns=["estimate", "value", "lower", "upper", "unit"]).set_index("estimate")
    return table.assign(seconds=seconds)


def _error_rows(name: str, error: LambdaError) -> list[tuple]:
    return [
        (f"{name}, 95 % of cells below", error.p95_pct, error.lower_pct, error.upper_pct, "%"),
        (f"{name}, worst hold", error.worst_pct, error.worst_lower_pct, error.worst_upper_pct, "%"),
    ]
