"""What the coast-down study returns, and whether its road load is one that a rolling car can have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.physics.air import moist_air_density
from tunelab.physics.driveline import RoadLoadCurve, road_load
from tunelab.study.finding import NORMAL_95, Finding, Status, shows_its_table
from tunelab.study.pull_result import Direction, RefusedPull
from tunelab.units import convert
from tunelab.workspace.car import stated
from tunelab.workspace.session import Weather

# Rolling resistance falls as air and tyre warm. 1/K, about 20 °C. ISO 10521-1 / UN GTR 15, from memory, not opened.
ROLLING_PER_K = 8.6e-3
REFERENCE_AIR_C = 20.0
LEAST_OF_100 = 0.85  # runs from a lower share of 100 km/h say nothing of the force there


@dataclass(frozen=True)
class CoastRun:
    """One stretch of rolling out of gear."""

    number: int
    first: int  # row of the log
    last: int  # row of the log, included
    start_s: float
    end_s: float
    direction: Direction
    from_km_h: float
    to_km_h: float
    offset_n: float = float("nan")  # what the fit leaves this run above the common road load
    spread_km_h: float = float("nan")  # standard deviation of its residuals

    @property
    def rows(self) -> slice:
        """Rows of the run."""
        return slice(self.first, self.last + 1)


def weather_density(weather: Weather | None) -> float:
    """Density of the air of a session, whose weather is stated. [kg/m³]"""
    weather = stated(weather, "[weather] in session.toml")
    return float(moist_air_density(weather.pressure_kpa, weather.air_c, weather.humidity_pct))


@shows_its_table
@dataclass(frozen=True)
class CoastDownFit:
    """Road load F = A + B·v + C·v² (v in m/s) on the level in still air, in the weather of the session.

    Where `shown` is False every number is NaN and `because` says why and what to drive. Intervals hold the scatter of
    speed, gusts and slopes from run to run, the speed sensor's scale and the stated mass. `covariance` leaves the mass
    out: road load scales with the effective mass that it was worked out for.
    """

    shown: bool
    because: str
    a_n: float
    a_interval: tuple[float, float]
    b_n_s_m: float
    b_interval: tuple[float, float]
    c_n_s2_m2: float
    c_interval: tuple[float, float]
    covariance: np.ndarray  # of A, B, C, shape (3, 3)
    drag_area_m2: float
    drag_area_interval: tuple[float, float]
    rolling_coefficient: float
    rolling_interval: tuple[float, float]
    grade_n: float  # force of the road's mean slope on the way out
    grade_interval: tuple[float, float]
    head_wind_m_s: float  # on the way out
    head_wind_interval: tuple[float, float]
    effective_mass_kg: float
    mass_uncertainty: float  # one standard deviation, as a share
    density_kg_m3: float
    air_c: float
    speed_range_km_h: tuple[float, float]
    runs: tuple[CoastRun, ...]
    refused: tuple[RefusedPull, ...]
    trace: pd.DataFrame  # run, time_s, speed_km_h, fitted_km_h
    samples_used: int
    samples_flagged: int
    method: str
    confidence: float = 0.95

    def curve(self) -> RoadLoadCurve:
        """A, B, C in the weather of the session."""
        return RoadLoadCurve(self.a_n, self.b_n_s_m, self.c_n_s2_m2)

    def at_weather(self, weather: Weather) -> tuple[RoadLoadCurve, np.ndarray]:
        """A, B, C and their covariance in other weather: rolling by temperature, drag by density."""
        rolling = _rolling_factor(weather.air_c) / _rolling_factor(self.air_c)
        factor = np.array([rolling, rolling, weather_density(weather) / self.density_kg_m3])
        a, b, c = factor * (self.a_n, self.b_n_s_m, self.c_n_s2_m2)
        return RoadLoadCurve(float(a), float(b), float(c)), self.covariance * np.outer(factor, factor)

    def force(self, speed_km_h: np.ndarray) -> pd.DataFrame:
        """Force with its interval at given road speeds: speed_km_h, force_n, lower_n, upper_n."""
        speed = convert(speed_km_h, "km/h", "m/s")
        basis = np.stack([np.ones_like(speed), speed, speed**2])
        force = road_load(speed, self.curve())
        fit = np.einsum("in,ij,jn->n", basis, self.covariance, basis)
        half = NORMAL_95 * np.sqrt(fit + (self.mass_uncertainty * force) ** 2)
        columns = {"speed_km_h": speed_km_h, "force_n": force, "lower_n": force - half, "upper_n": force + half}
        return pd.DataFrame(columns)

    def summary(self) -> pd.DataFrame:
        """One row per coefficient: value, lower, upper, unit."""
        rows = [
            ("A", self.a_n, *self.a_interval, "N"),
            ("B", self.b_n_s_m, *self.b_interval, "N s/m"),
            ("C", self.c_n_s2_m2, *self.c_interval, "N s²/m²"),
            ("drag area", self.drag_area_m2, *self.drag_area_interval, "m²"),
            ("rolling coefficient", self.rolling_coefficient, *self.rolling_interval, "1"),
            ("force of the mean slope, way out", self.grade_n, *self.grade_interval, "N"),
            ("head wind, way out", self.head_wind_m_s, *self.head_wind_interval, "m/s"),
        ]
        return pd.DataFrame(rows, columns=["coefficient", "value", "lower", "upper", "unit"]).set_index("coefficient")

    def run_table(self) -> pd.DataFrame:
        """One row per run: when, which way, from and to which speed, what it differs by."""
        names = ["start_s", "end_s", "direction", "from_km_h", "to_km_h", "offset_n", "spread_km_h"]
        rows = [{"run": run.number} | {name: getattr(run, name) for name in names} for run in self.runs]
        return pd.DataFrame(rows, columns=["run", *names]).set_index("run")

    def findings(self) -> list[Finding]:
        """Road load as findings; there is no limit to hold them against."""
        rows = [
            ("coast_down.drag_area", "Drag area", self.drag_area_m2, self.drag_area_interval, "m²"),
            ("coast_down.rolling", "Rolling coefficient", self.rolling_coefficient, self.rolling_interval, "1"),
            ("coast_down.force_100", "Road load at 100 km/h", *self._at_100(), "N"),
        ]
        return [self._finding(*row) for row in rows]

    def _at_100(self) -> tuple[float, tuple[float, float]]:
        if not self.shown or self.speed_range_km_h[1] < LEAST_OF_100 * 100:
            return float("nan"), (float("nan"), float("nan"))
        row = self.force(np.array([100.0])).iloc[0]
        return float(row["force_n"]), (float(row["lower_n"]), float(row["upper_n"]))

    def _finding(self, name: str, title: str, value: float, interval: tuple[float, float], unit: str) -> Finding:
        low, high = interval
        shown = self.shown and bool(low > 0) and bool(np.isfinite(interval).all())
        numbers = (value, low, high, self.confidence) if shown else (None, None, None, None)
        ways = (
            f"{len(self.runs)} runs both ways, {self.speed_range_km_h[0]:.0f} to {self.speed_range_km_h[1]:.0f} km/h."
        )
        because = ways if shown else self.because or f"{ways} do not separate it from the other terms of road load"
        status: Status = "met" if shown else "not_shown"
        known, lower, upper, sure = numbers
        counts = (self.samples_used, self.samples_flagged)
        return Finding(name, title, known, unit, lower, upper, sure, *counts, status, None, because)


def _rolling_factor(air_c: float) -> float:
    return 1.0 - ROLLING_PER_K * (air_c - REFERENCE_AIR_C)


def not_shown(because: str, runs: tuple[CoastRun, ...], refused: tuple[RefusedPull, ...], flagged: int) -> CoastDownFit:
    """Build a coast-down that shows nothing."""
    nan, none = float("nan"), (float("nan"), float("nan"))
    trace = pd.DataFrame(columns=["run", "time_s", "speed_km_h", "fitted_km_h"])
    return CoastDownFit(
        False, because, nan, none, nan, none, nan, none, np.full((3, 3), nan), nan, none, nan, none, nan, none,
        nan, none, nan, nan, nan, nan, none, runs, refused, trace, 0, flagged, "not fitted",
    )  # fmt: skip


# What cars have at the outside; an interval that lies beyond comes of brakes, a gear or a wrong mass. Common practice.
ROLLING = (0.004, 0.03)
DRAG_AREA_M2 = (0.1, 3.0)
LEAST_KNOWN = 0.5  # half-width of the force over the force: a guess by the owner is better than a worse one


def believed(fit: CoastDownFit) -> CoastDownFit:
    """The fit itself, or one that shows nothing and says what is wrong with it."""
    why = _not_a_rolling_car(fit) or _hardly_known(fit)
    return not_shown(why, fit.runs, fit.refused, fit.samples_used + fit.samples_flagged) if why else fit


def _not_a_rolling_car(fit: CoastDownFit) -> str:
    if fit.a_n <= 0 or fit.c_n_s2_m2 <= 0:
        return (
            f"no road load: the runs give A = {fit.a_n:.0f} N and C = {fit.c_n_s2_m2:.2f} N s²/m², and a rolling car "
            "has both above zero; these stretches were braked, driven or in gear, or span too little speed."
        )
    for name, value, (low, high), (least, most), unit in (
        ("a rolling coefficient", fit.rolling_coefficient, fit.rolling_interval, ROLLING, ""),
        ("a drag area", fit.drag_area_m2, fit.drag_area_interval, DRAG_AREA_M2, " m²"),
    ):
        if high < least or low > most:
            return (
                f"no road load: the runs give {name} of {value:.2g}{unit}, which no rolling car has; "
                "a brake, a gear, a wrong mass or speed unit would do that."
            )
    return ""


def _hardly_known(fit: CoastDownFit) -> str:
    low, high = fit.speed_range_km_h
    row = fit.force(np.array([(low + high) / 2])).iloc[0]
    half = (row["upper_n"] - row["lower_n"]) / 2
    if row["force_n"] > 0 and half <= LEAST_KNOWN * row["force_n"]:
        return ""
    return (
        f"no road load: {len(fit.runs)} runs from {high:.0f} to {low:.0f} km/h leave it open "
        f"({row['force_n']:.0f} ± {half:.0f} N at {row['speed_km_h']:.0f} km/h); "
        "roll longer, from a higher speed, without brakes, at least twice each way."
    )
