"""What the power study returns."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tunelab.physics.driveline import torque_from_power
from tunelab.study.finding import CONFIDENCE, Finding, Status, shows_its_table, status_within
from tunelab.study.power.inputs import PowerInputs
from tunelab.study.pull_result import Pull


@dataclass(frozen=True)
class PullPower:
    """Power of one pull on the common grid of engine speeds; NaN outside the pull's range."""

    pull: Pull
    power_kw: np.ndarray  # shape (grid,)
    lower_kw: np.ndarray
    upper_kw: np.ndarray
    draws_kw: np.ndarray = field(repr=False)  # shape (draws, grid)
    samples: int
    window_s: float


@dataclass(frozen=True)
class StandardDay:
    """The factor to a standard day, and what it rests on. NaN without weather."""

    factor: float
    is_within_band: bool  # the standards allow a correction between 0.93 and 1.07 only
    standard: str
    other_factor: float
    other_standard: str
    dry_kpa: float
    intake_c: float
    intake_source: str


@shows_its_table
@dataclass(frozen=True)
class PowerFit:
    """Wheel power over engine speed: what the wheels would get at steady engine speed, as driven on the day.

    `shown` is False where no absolute figure can be stated, with the reason in `because`; where pulls went one way only
    the curve is still there to be looked at, the slope of the road inside its band. Arrays have shape (grid,), NaN
    where not both directions (or, one way only, no pull) reached.
    """

    shown: bool
    because: str
    engine_speed_rpm: np.ndarray
    wheel_power_kw: np.ndarray
    lower_kw: np.ndarray
    upper_kw: np.ndarray
    draws_kw: np.ndarray = field(repr=False)  # shape (draws, grid); scope-"all" inputs alike in every session
    pulls: tuple[PullPower, ...]
    skipped: tuple[tuple[int, str], ...]  # pull number and why it was left out
    both_ways: bool
    run_to_run_pct: float  # standard deviation between pulls of one direction, NaN with fewer than two
    standard_day: StandardDay
    inputs: PowerInputs | None
    effects: pd.DataFrame  # input, value, uncertainty, unit, scope, effect_pct, source
    revision: str
    session: str
    samples_used: int
    samples_flagged: int
    method: str
    notes: tuple[str, ...]
    input_draws: dict[str, np.ndarray] = field(default_factory=dict, repr=False)  # those of `draws_kw`, (draws, 1) each
    confidence: float = CONFIDENCE

    @property
    def wheel_torque_nm(self) -> np.ndarray:
        """Wheel power over engine speed: torque at the wheels divided by the overall ratio."""
        return torque_from_power(self.wheel_power_kw, self.engine_speed_rpm)

    @property
    def wheel_torque_band(self) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper end of `wheel_torque_nm`; shapes (grid,)."""
        lower, upper = (torque_from_power(power, self.engine_speed_rpm) for power in (self.lower_kw, self.upper_kw))
        return lower, upper

    @property
    def peak(self) -> tuple[float, float]:
        """Engine speed of the highest power, and the power. NaN where there is no curve."""
        if not np.isfinite(self.wheel_power_kw).any():
            return float("nan"), float("nan")
        k = int(np.nanargmax(self.wheel_power_kw))
        return float(self.engine_speed_rpm[k]), float(self.wheel_power_kw[k])

    def table(self) -> pd.DataFrame:
        """Rows of `tables/power_curve.csv`: every pull, then all together (`pull` "all", gear 0)."""
        parts = [self._rows(str(p.pull.number), p.pull.gear, p.power_kw, p.lower_kw, p.upper_kw) for p in self.pulls]
        parts.append(self._rows("all", 0, self.wheel_power_kw, self.lower_kw, self.upper_kw))
        return pd.concat(parts, ignore_index=True)

    def _rows(self, name: str, gear: int, power: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> pd.DataFrame:
        known = np.isfinite(power)
        rpm = self.engine_speed_rpm[known]
        columns = {
            "pull": name,
            "gear": gear,
            "engine_speed_rpm": rpm,
            "wheel_power_kw": power[known],
            "lower_kw": lower[known],
            "upper_kw": upper[known],
            "wheel_torque_nm": torque_from_power(power[known], rpm),
            "standard_day_factor": self.standard_day.factor,
        }
        return pd.DataFrame(columns)

    def summary(self) -> pd.DataFrame:
        """One row per figure: value, lower, upper, unit."""
        rows = [
            ("highest wheel power", *self._at_peak(self.draws_kw, self.wheel_power_kw), "kW"),
            ("highest wheel torque", *self._torque_peak(), "N m"),
            ("standard-day factor", self.standard_day.factor, np.nan, np.nan, "1"),
            ("run to run", self.run_to_run_pct, np.nan, np.nan, "%"),
        ]
        return pd.DataFrame(rows, columns=["figure", "value", "lower", "upper", "unit"]).set_index("figure")

    def _at_peak(self, draws: np.ndarray, curve: np.ndarray) -> tuple[float, float, float]:
        if not np.isfinite(curve).any():
            return float("nan"), float("nan"), float("nan")
        k = int(np.nanargmax(curve))
        low, high = np.quantile(draws[:, k], [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2])
        return float(curve[k]), float(low), float(high)

    def _torque_peak(self) -> tuple[float, float, float]:
        if not np.isfinite(self.wheel_power_kw).any():
            return float("nan"), float("nan"), float("nan")
        return self._at_peak(torque_from_power(self.draws_kw, self.engine_speed_rpm), self.wheel_torque_nm)

    def findings(self) -> list[Finding]:
        """Highest wheel power, the standard-day factor and the run-to-run spread."""
        power = self._at_peak(self.draws_kw, self.wheel_power_kw)
        speed = self.peak[0]
        text = f"highest at {speed:.0f} rpm{self._still_rising}; {len(self.pulls)} pulls, both ways."
        text = text if self.shown else self.because
        return [
            self._finding("power.wheel_peak", "Highest wheel power", *power, "kW", text),
            self._standard_day_finding(),
        ]

    @property
    def _still_rising(self) -> str:
        """Says so where the highest power is that of the highest engine speed measured."""
        known = np.flatnonzero(np.isfinite(self.wheel_power_kw))
        is_last = known.size and self.peak[0] == self.engine_speed_rpm[known[-1]]
        return ", the end of what was measured: it may rise further" if is_last else ""

    def _finding(
        self, name: str, title: str, value: float, lower: float, upper: float, unit: str, because: str
    ) -> Finding:
        counts = (self.samples_used, self.samples_flagged)
        if not self.shown:
            return Finding(name, title, None, unit, None, None, None, *counts, "not_shown", None, because)
        numbers = (value, unit, lower, upper, self.confidence)
        return Finding(name, title, *numbers, *counts, status_within(value, lower, upper), None, because)

    def _standard_day_finding(self) -> Finding:
        day = self.standard_day
        title, counts = "Factor to a standard day", (self.samples_used, self.samples_flagged)
        if not np.isfinite(day.factor):
            why = self.because  # without a power there is nothing that the factor goes with
            return Finding("power.standard_day", title, None, "1", None, None, None, *counts, "not_shown", None, why)
        status: Status = "met" if day.is_within_band else "watch"
        tail = "" if day.is_within_band else "; outside 0.93 to 1.07, where the standards allow no correction"
        text = f"{day.standard} at {day.dry_kpa:.1f} kPa dry, {day.intake_c:.0f} °C; {day.other_standard} gives "
        text += f"{day.other_factor:.3f}{tail}."
        return Finding("power.standard_day", title, day.factor, "1", None, None, None, *counts, status, None, text)


def nothing_shown(because: str, session: str, revision: str, flagged: int) -> PowerFit:
    """Build a power measurement that shows nothing."""
    nan = float("nan")
    day = StandardDay(nan, False, "", nan, "", nan, nan, "")
    empty = np.array([])
    effects = pd.DataFrame(columns=["input", "value", "uncertainty", "unit", "scope", "effect_pct", "source"])
    return PowerFit(
        False, because, empty, empty, empty, empty, np.empty((0, 0)), (), (), False, nan, day, None, effects,
        revision, session, 0, flagged, "not measured", (),
    )  # fmt: skip
