"""Shift points: the engine speed at which the next gear pulls harder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from tunelab.physics.driveline import road_speed_km_h
from tunelab.study.finding import Finding, status_within
from tunelab.study.gearing.tyre import rolling_radius
from tunelab.study.power.result import CONFIDENCE, PowerFit
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

NEAR_LIMIT_RPM = 300.0  # a pull that ended this close below the limit has reached it
Verdict = Literal["shift at", "still pulling at the limit", "not shown"]


@dataclass(frozen=True)
class ShiftPoint:
    """Change from one gear to the next. NaN where not shown."""

    from_gear: int
    to_gear: int
    verdict: Verdict
    engine_speed_rpm: float  # at which to change; the limit where the gear still pulls harder there
    lower_rpm: float
    upper_rpm: float
    road_speed_km_h: float
    drops_to_rpm: float  # engine speed after the change
    share_still_pulling: float  # of the draws
    because: str


@dataclass(frozen=True)
class ShiftChart:
    """Shift points of all gears and the acceleration that they rest on."""

    shown: bool
    because: str
    limit_rpm: float  # the lower of the owner's mechanical limit and that of the revision
    points: tuple[ShiftPoint, ...]
    acceleration: pd.DataFrame  # gear, engine_speed_rpm, road_speed_km_h, acceleration_m_s2, lower_m_s2, upper_m_s2
    limit_speeds: pd.DataFrame  # gear, road_speed_km_h at the limit
    samples_used: int
    samples_flagged: int
    confidence: float = CONFIDENCE
    method: str = "acceleration in each gear from the draws of the power curve, on the level in still air, no slip"

    def summary(self) -> pd.DataFrame:
        """One row per change of gear."""
        names = ["from_gear", "to_gear", "verdict", "engine_speed_rpm", "lower_rpm", "upper_rpm", "road_speed_km_h"]
        rows = [{name: getattr(p, name) for name in [*names, "drops_to_rpm", "because"]} for p in self.points]
        return pd.DataFrame(rows, columns=[*names, "drops_to_rpm", "because"])

    def findings(self) -> list[Finding]:
        """One finding per change of gear."""
        counts = (self.samples_used, self.samples_flagged)
        if not self.shown:
            return [
                Finding(
                    "shift", "Shift points", None, "rpm", None, None, None, *counts, "not_shown", None, self.because
                )
            ]
        return [self._finding(point, counts) for point in self.points]

    def _finding(self, point: ShiftPoint, counts: tuple[int, int]) -> Finding:
        name = f"shift.{point.from_gear}_{point.to_gear}"
        title = f"Shift from gear {point.from_gear} to {point.to_gear}"
        if point.verdict == "not shown":
            return Finding(
                name, title, None, "rpm", None, None, None, *counts, "not_shown", self.limit_rpm, point.because
            )
        numbers = (point.engine_speed_rpm, "rpm", point.lower_rpm, point.upper_rpm, self.confidence)
        ends = (point.engine_speed_rpm, point.lower_rpm, point.upper_rpm)
        status = status_within(*ends, most=self.limit_rpm)
        return Finding(name, title, *numbers, *counts, status, self.limit_rpm, point.because)


@dataclass(frozen=True)
class Limit:
    """The limit in force, and the highest engine speed that a pull reached."""

    rpm: float
    reached_rpm: float


def find_shift_points(fit: PowerFit, car: Car, revision: Revision) -> ShiftChart:
    """For each gear, the engine speed at which the next one accelerates the car harder.

    Never beyond the owner's mechanical limit. What the engine makes below or above the measured range is not guessed: a
    change that would drop the engine below it is not shown.

    Parameters
    ----------
    fit : PowerFit
        With a curve; one that went one way only will do, since the road's slope is the same for both gears.
    """
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    counts = (fit.samples_used, fit.samples_flagged)
    if fit.inputs is None or not np.isfinite(fit.wheel_power_kw).any():
        empty = pd.DataFrame()
        return ShiftChart(False, f"no shift points: {fit.because}", limit, (), empty, limit_speeds(car, limit), *counts)
    gears = range(1, len(car.gearing.ratios) + 1)
    known = np.isfinite(fit.wheel_power_kw) & (fit.engine_speed_rpm <= limit)
    rpm, power = fit.engine_speed_rpm[known], fit.draws_kw[:, known]
    pulls = [_acceleration(fit, car, gear, rpm, power) for gear in gears]
    reached = max(p.pull.to_rpm for p in fit.pulls)
    points = tuple(_point(car, gear, rpm, pulls, Limit(limit, reached)) for gear in gears[:-1])
    table = pd.concat([_table(car, gear, rpm, pulls[gear - 1]) for gear in gears], ignore_index=True)
    return ShiftChart(True, "", limit, points, table, limit_speeds(car, limit), *counts)


def limit_speeds(car: Car, limit_rpm: float) -> pd.DataFrame:
    """Road speed in each gear at an engine speed; empty without gearing or tyres."""
    if car.gearing is None or car.tyres is None:
        return pd.DataFrame(columns=["gear", "road_speed_km_h"])
    overall = np.asarray(car.gearing.ratios) * car.gearing.final_drive
    speed = road_speed_km_h(limit_rpm, overall, rolling_radius(car).radius_m)
    return pd.DataFrame({"gear": np.arange(1, overall.size + 1), "road_speed_km_h": speed})


def _acceleration(fit: PowerFit, car: Car, gear: int, rpm: np.ndarray, power_kw: np.ndarray) -> np.ndarray:
    """Acceleration that the power gives in a gear on the level; shape (draws, rpm). [m/s²]

    The engine's inertia takes its share in each gear; the other inputs stand at their values, as they act on both gears
    alike.
    """
    value = {row.name: row.value for row in fit.inputs.rows}
    ratio = car.gearing.ratios[gear - 1] * car.gearing.final_drive
    radius = value["rolling radius"]
    speed = convert(rpm, "rpm", "rad/s") / ratio * radius
    road = value["a_n"] + value["b_n_s_m"] * speed + value["c_n_s2_m2"] * speed**2
    through = 1 - convert(value["driveline loss"], "percent", "1")
    engine = value["engine inertia"] * through * ratio**2
    mass = value["mass"] + (value["wheel inertia"] + engine) / radius**2
    return (convert(power_kw, "kW", "W") / speed - road) / mass


def _point(car: Car, gear: int, rpm: np.ndarray, pulls: list[np.ndarray], limit: Limit) -> ShiftPoint:
    """Where the next gear takes over, draw by draw."""
    drop = car.gearing.ratios[gear] / car.gearing.ratios[gear - 1]
    comparable = rpm * drop >= rpm[0]
    if not comparable.any():
        text = f"changing up at {rpm[-1]:.0f} rpm drops the engine to {rpm[-1] * drop:.0f} rpm, below what was measured"
        return _unknown(gear, f"{text} (from {rpm[0]:.0f} rpm); start the pull lower.")
    here, there = pulls[gear - 1][:, comparable], pulls[gear]
    after = np.stack([np.interp(rpm[comparable] * drop, rpm, row) for row in there])
    at = np.array([_crossing(rpm[comparable], row) for row in after - here])
    return _verdict(car, gear, rpm, at, limit, drop)


def _crossing(rpm: np.ndarray, gain: np.ndarray) -> float:
    """Engine speed above which the next gear stays ahead; infinite where it never gets there."""
    behind = np.flatnonzero(gain < 0)
    if not behind.size:
        return float(rpm[0])
    last = behind[-1]
    if last == rpm.size - 1:
        return float("inf")
    return float(rpm[last] - gain[last] * (rpm[last + 1] - rpm[last]) / (gain[last + 1] - gain[last]))


def _verdict(car: Car, gear: int, rpm: np.ndarray, at: np.ndarray, bounds: Limit, drop: float) -> ShiftPoint:
    still, limit = float(np.mean(~np.isfinite(at[1:]))), bounds.rpm
    if not np.isfinite(at[0]):
        if bounds.reached_rpm < limit - NEAR_LIMIT_RPM:
            text = f"gear {gear} still pulls harder at {rpm[-1]:.0f} rpm, the highest speed measured"
            return _unknown(gear, f"{text}; a pull that ends nearer the limit of {limit:.0f} rpm would show it.")
        text = f"gear {gear} still pulls harder up to {rpm[-1]:.0f} rpm; the limit of {limit:.0f} rpm stands."
        lower = min(_quantile(at, 0.025, limit), float(rpm[-1]))  # beyond it no power was measured
        return ShiftPoint(gear, gear + 1, "still pulling at the limit", limit, lower, limit,
                          *_speeds(car, gear, limit, drop), still, text)  # fmt: skip
    lower, upper = _quantile(at, 0.025, limit), _quantile(at, 0.975, limit)
    text = f"above {at[0]:.0f} rpm gear {gear + 1} pulls harder" + (
        f" ({still:.0%} of draws: never)." if still else "."
    )
    return ShiftPoint(
        gear, gear + 1, "shift at", float(at[0]), lower, upper, *_speeds(car, gear, at[0], drop), still, text
    )


def _quantile(at: np.ndarray, share: float, limit: float) -> float:
    return float(np.quantile(np.minimum(at[1:], limit), share))


def _speeds(car: Car, gear: int, rpm: float, drop: float) -> tuple[float, float]:
    overall = car.gearing.ratios[gear - 1] * car.gearing.final_drive
    return float(road_speed_km_h(rpm, overall, rolling_radius(car).radius_m)), float(rpm * drop)


def _unknown(gear: int, because: str) -> ShiftPoint:
    return ShiftPoint(gear, gear + 1, "not shown", *[float("nan")] * 6, because)


def _table(car: Car, gear: int, rpm: np.ndarray, pull: np.ndarray) -> pd.DataFrame:
    overall = car.gearing.ratios[gear - 1] * car.gearing.final_drive
    lower, upper = np.quantile(pull[1:], [0.025, 0.975], axis=0)
    return pd.DataFrame(
        {
            "gear": gear,
            "engine_speed_rpm": rpm,
            "road_speed_km_h": road_speed_km_h(rpm, overall, rolling_radius(car).radius_m),
            "acceleration_m_s2": pull[0],
            "lower_m_s2": lower,
            "upper_m_s2": upper,
        }
    )
