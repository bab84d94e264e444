"""Shift points: the engine speed at which the next gear pulls harder."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from tunelab.physics import STANDARD_GRAVITY_M_S2
from tunelab.physics.driveline import road_speed_km_h
from tunelab.study.finding import Finding, shows_its_table, status_within
from tunelab.study.gearing import rolling_radius
from tunelab.study.power.inputs import PowerInputs, deviates
from tunelab.study.power.result import CONFIDENCE, PowerFit
from tunelab.units import convert
from tunelab.workspace.car import Car, stated
from tunelab.workspace.revision import Revision

NEAR_LIMIT_RPM = 300.0  # a pull that ended this close below the limit has reached it
WIDEST_RPM = 800.0  # an interval wider than this says that no difference is shown, not when to change
# What a driveline loses differs from gear to gear by about this, one standard deviation. Common practice, no source.
GEAR_LOSS = 0.01
SLIP_ROUNDS = 3
SLOWEST_GAIN_M_S2 = 0.01  # a gear that accelerates the car by less is as good as none
RESERVE_RPM = 200.0  # of the rev limit above the highest engine speed worth driving to; common practice, no source
STEP_RPM = 50.0  # in which a rev limit is set
OVERSHOOT_RPM = 150.0  # most that an engine is taken to pass its limiter by; common practice, no source
Verdict = Literal["shift at", "still pulling at the limit", "no difference shown", "not shown"]


@dataclass(frozen=True)
class ShiftPoint:
    """Change from one gear to the next. NaN where not shown.

    Where no difference is shown there is no engine speed to change at; `lower_rpm` and `upper_rpm` say between which
    speeds either gear may pull harder.
    """

    from_gear: int
    to_gear: int
    verdict: Verdict
    engine_speed_rpm: float  # at which to change; the limit where the gear still pulls harder there
    lower_rpm: float
    upper_rpm: float
    road_speed_km_h: float
    drops_to_rpm: float  # engine speed after the change
    because: str


@shows_its_table
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
    top_speed_km_h: float = np.inf  # the owner's; no change of gear is named past it
    confidence: float = CONFIDENCE
    method: str = (
        "acceleration in each gear from joint draws of the power curve and of what does not act on both gears alike "
        "(inertias, slip, road load, losses), on the level in still air; the change that leaves least time to the top"
    )

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
        if not np.isfinite(point.engine_speed_rpm):
            return Finding(
                name, title, None, "rpm", None, None, None, *counts, "not_shown", self.limit_rpm, point.because
            )
        numbers = (point.engine_speed_rpm, "rpm", point.lower_rpm, point.upper_rpm, self.confidence)
        ends = (point.engine_speed_rpm, point.lower_rpm, point.upper_rpm)
        status = status_within(*ends, most=self.limit_rpm)
        if point.verdict == "still pulling at the limit" and point.lower_rpm < self.limit_rpm - NEAR_LIMIT_RPM:
            status = "watch"  # no power was measured up there
        return Finding(name, title, *numbers, *counts, status, self.limit_rpm, point.because)


@dataclass(frozen=True)
class RevLimitProposal:
    """The rev limit that the power measured asks for. It is never raised: above it nothing was measured."""

    base: Revision
    proposed_rpm: float  # the current one where nothing speaks for a lower one
    because: str
    useful: ShiftPoint | None = None  # the highest engine speed worth driving to; None where one is not shown
    samples: tuple[int, int] = (0, 0)  # used and flagged
    owners_rpm: float | None = None  # the owner's mechanical limit

    def findings(self) -> list[Finding]:
        """The highest engine speed worth driving to, and what is expected of a lower limit, where there is one.

        The power does not depend on the limit, so the same speed is expected to be worth driving to then.
        """
        title = "Highest engine speed worth driving to"
        if self.useful is None:
            return [Finding("shift.useful", title, None, "rpm", None, None, None, *self.samples, "not_shown", None,
                            self.because)]  # fmt: skip
        ends, because = (
            (self.useful.engine_speed_rpm, self.useful.lower_rpm, self.useful.upper_rpm),
            self.useful.because,
        )
        now = self._expected("shift.useful", title, ends, None, because)
        if not self.parts():
            return [now]
        text = "power is taken not to depend on the rev limit."
        same = self._expected("shift.useful_predicted", f"{title}: predicted with the lower limit", ends, None, text)
        most = (self.proposed_rpm, 0.0, self.proposed_rpm + OVERSHOOT_RPM)
        title, text = "Highest engine speed: predicted with the lower limit", "a maximum; drivers may shift before it."
        return [now, same, self._expected("rev_limit.predicted", title, most, self.owners_rpm, text)]

    def _expected(
        self, name: str, title: str, ends: tuple[float, float, float], most: float | None, because: str
    ) -> Finding:
        status = status_within(*ends, most=most)
        numbers = (ends[0], "rpm", ends[1], ends[2], CONFIDENCE)
        return Finding(name, title, *numbers, *self.samples, status, most, because)

    @property
    def in_force_rpm(self) -> float:
        """Rev limit of the revision."""
        return self.base.fuelling.rev_limit_rpm

    def parts(self) -> tuple[str, ...]:
        """Keys of the revision that it changes."""
        return ("fuelling",) if self.proposed_rpm < self.in_force_rpm else ()

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write it as the revision `name`; `date` stands in until a person enters it.

        Raises
        ------
        ValueError
            The rev limit stays.
        """
        if not self.parts():
            raise ValueError("nothing to write: the rev limit stays.")
        fuelling = self.base.fuelling.model_dump() | {"rev_limit_rpm": self.proposed_rpm}
        return self.base.followed_by(name, date, {"fuelling": fuelling})


def propose_rev_limit(chart: ShiftChart, car: Car, revision: Revision) -> RevLimitProposal:
    """Propose a rev limit from the shift points: lower where no gear gains anything up there, never higher.

    The owner's mechanical limit goes first. Of a shift point the upper end of its interval counts; a gear whose shift
    point is not known leaves the limit where it is.
    """
    found, shown = _rev_limit(chart, car, revision), [p for p in chart.points if np.isfinite(p.upper_rpm)]
    known = chart.shown and bool(shown) and len(shown) == len(chart.points)
    useful = max(shown, key=lambda point: point.upper_rpm) if known else None
    useful = None if useful is not None and not np.isfinite(useful.engine_speed_rpm) else useful
    samples = (chart.samples_used, chart.samples_flagged)
    return replace(found, useful=useful, samples=samples, owners_rpm=car.limits.rev_limit_rpm)


def _rev_limit(chart: ShiftChart, car: Car, revision: Revision) -> RevLimitProposal:
    """The limit to propose, with the reason."""
    now, owners = revision.fuelling.rev_limit_rpm, car.limits.rev_limit_rpm
    most = min(now, owners)
    if now > owners:
        return RevLimitProposal(revision, most, f"the owner's mechanical limit is {owners:.0f} rpm and goes first.")
    if not chart.shown or not chart.points:
        return RevLimitProposal(revision, most, chart.because or "no gear can be changed up from.")
    unknown = [point.from_gear for point in chart.points if not np.isfinite(point.upper_rpm)]
    if unknown:
        text = f"it stays: the shift point of gear {', '.join(map(str, unknown))} is not shown."
        return RevLimitProposal(revision, most, text)
    if any(point.verdict == "still pulling at the limit" for point in chart.points):
        left = f" The owner's limit of {owners:.0f} rpm would allow more, but no power was measured up there." * (
            owners > now
        )
        seen = min(point.lower_rpm for point in chart.points if point.verdict == "still pulling at the limit")
        at = "at it" if seen >= most - NEAR_LIMIT_RPM else f"at {seen:.0f} rpm, where the measurement ends,"
        return RevLimitProposal(revision, most, f"it stays: a gear still pulls harder {at} than the next one.{left}")
    useful = max(point.upper_rpm for point in chart.points)
    lower = STEP_RPM * np.ceil((useful + RESERVE_RPM) / STEP_RPM)
    if lower > most - RESERVE_RPM:
        return RevLimitProposal(revision, most, f"it stays: engine speeds up to {useful:.0f} rpm are worth driving to.")
    top_km_h = float(limit_speeds(car, lower)["road_speed_km_h"].max())
    if not top_km_h >= car.limits.top_speed_km_h:
        text = f"it stays: at {lower:.0f} rpm the last gear ends at {top_km_h:.0f} km/h, below the top speed stated."
        return RevLimitProposal(revision, most, text)
    text = f"above {useful:.0f} rpm the next gear pulls harder, in every gear and by the whole interval of each."
    return RevLimitProposal(revision, float(lower), text)


@dataclass(frozen=True)
class Limit:
    """The current limit, and the highest engine speed that a pull reached."""

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
    gears = range(1, len(stated(car.gearing, "[gearing] in car.toml").ratios) + 1)
    known = np.isfinite(fit.wheel_power_kw) & (fit.engine_speed_rpm <= limit)
    rpm = fit.engine_speed_rpm[known]
    power = fit.draws_kw[:, known] + _undulation_kw(fit, fit.inputs, car, rpm)
    pulls = [_drive(fit, car, gear, rpm, power) for gear in gears]
    reached = max(p.pull.to_rpm for p in fit.pulls)
    points = tuple(_point(car, gear, rpm, pulls, Limit(limit, reached)) for gear in gears[:-1])
    table = pd.concat([_table(car, gear, rpm, pulls[gear - 1].acceleration_m_s2) for gear in gears], ignore_index=True)
    speeds = limit_speeds(car, limit)
    return ShiftChart(True, "", limit, points, table, speeds, *counts, car.limits.top_speed_km_h)


def limit_speeds(car: Car, limit_rpm: float) -> pd.DataFrame:
    """Road speed in each gear at an engine speed; empty without gearing or tyres."""
    if car.gearing is None or car.tyres is None:
        return pd.DataFrame(columns=["gear", "road_speed_km_h"])
    overall = np.asarray(car.gearing.ratios) * car.gearing.final_drive
    speed = road_speed_km_h(limit_rpm, overall, rolling_radius(car).radius_m)
    return pd.DataFrame({"gear": np.arange(1, overall.size + 1), "road_speed_km_h": speed})


@dataclass(frozen=True)
class InGear:
    """How the car goes in one gear at full throttle; shapes (draws, rpm), row 0 the estimate itself."""

    speed_m_s: np.ndarray
    acceleration_m_s2: np.ndarray


def _overall(car: Car, gear: int) -> float:
    """Turns of the engine for one of the wheels; first gear is 1."""
    gearing = stated(car.gearing, "[gearing] in car.toml")
    return gearing.ratios[gear - 1] * gearing.final_drive


def _undulation_kw(fit: PowerFit, inputs: PowerInputs, car: Car, rpm: np.ndarray) -> np.ndarray:
    """Power that rises and falls of the road feigned along the pulls; shape (draws, rpm), zero in row 0. [kW]

    The draws of the curve let each pull's slope be off as a whole, which is the same for both gears. A slope that
    changes on the way bends the curve. Half a wave over the range, with the stated doubt of the local slope.
    """
    draws, pulls = fit.draws_kw.shape[0], fit.pulls
    angle = np.pi * (rpm - rpm[0]) / max(np.ptp(rpm), 1.0)
    sine, cosine = (deviates(draws, 0, f"undulation {part}")[:, None] for part in ("sine", "cosine"))
    wander = sine * np.sin(angle) + cosine * np.cos(angle)
    wander[0] = 0.0
    slope = convert(inputs["local grade"].uncertainty, "percent", "1") / np.sqrt(len(pulls))
    force = inputs["mass"].value * STANDARD_GRAVITY_M_S2 * slope
    ratio = _overall(car, pulls[0].pull.gear)
    speed = convert(rpm, "rpm", "rad/s") / ratio * inputs["rolling radius"].value
    return wander * convert(force * speed, "W", "kW")


def _drive(fit: PowerFit, car: Car, gear: int, rpm: np.ndarray, power_kw: np.ndarray) -> InGear:
    """How the power drives the car in a gear, on the level in still air.

    Everything that is not known of the car is drawn together with the power that was measured through it: what acts on
    both gears alike cancels, what does not (inertias, slip, road load, the loss of each gear) widens the answer.
    """
    value = fit.input_draws
    ratio = _overall(car, gear)
    loss = GEAR_LOSS * deviates(power_kw.shape[0], 0, f"loss of gear {gear}")[:, None]
    loss[0] = 0.0
    wheel = convert(rpm, "rpm", "rad/s") / ratio * value["rolling radius"]
    push = convert(power_kw, "kW", "W") * (1 + loss) / wheel
    own = value["mass"] + value["load of the day"]
    through = 1 - convert(value["driveline loss"], "percent", "1")
    turning = value["wheel inertia"] + value["engine inertia"] * through * ratio**2
    slip = np.zeros_like(push)
    for _ in range(SLIP_ROUNDS):
        speed = wheel * (1 - slip)
        road = value["a_n"] + value["b_n_s_m"] * speed + value["c_n_s2_m2"] * speed**2
        road = road * value["road-load scale"]
        gain = (push - road) / (own + turning / (value["rolling radius"] ** 2 * (1 - slip)))
        slip = convert(value["tyre slip"], "percent", "1") * (own * gain + road) / (own * STANDARD_GRAVITY_M_S2)
    return InGear(speed, gain)


def _point(car: Car, gear: int, rpm: np.ndarray, pulls: list[InGear], limit: Limit) -> ShiftPoint:
    """Where the next gear takes over, draw by draw."""
    ratios = stated(car.gearing, "[gearing] in car.toml").ratios
    drop = ratios[gear] / ratios[gear - 1]
    comparable = rpm * drop >= rpm[0]
    if not comparable.any():
        text = f"changing up at {rpm[-1]:.0f} rpm drops the engine to {rpm[-1] * drop:.0f} rpm, below what was measured"
        return _unknown(gear, f"{text} (from {rpm[0]:.0f} rpm); start the pull lower.")
    here, there = pulls[gear - 1], pulls[gear]
    own, speed = here.acceleration_m_s2[:, comparable], here.speed_m_s[:, comparable]
    rows = zip(speed, there.speed_m_s, there.acceleration_m_s2, strict=True)
    after = np.stack([np.interp(at, *curve) for at, *curve in rows])
    at = np.array([_change(rpm[comparable], *row) for row in zip(speed, own, after, strict=True)])
    return _verdict(car, gear, rpm, at, limit, drop)


def _change(rpm: np.ndarray, speed_m_s: np.ndarray, here: np.ndarray, after: np.ndarray) -> float:
    """Engine speed at which a change leaves the least time to the top; infinite where that is never.

    Of several crossings it is the one that the whole course above it bears out: noise at one end decides nothing.
    """
    won = 1 / np.maximum(here, SLOWEST_GAIN_M_S2) - 1 / np.maximum(after, SLOWEST_GAIN_M_S2)
    ahead = np.append(np.cumsum((won * np.gradient(speed_m_s))[::-1])[::-1], 0.0)
    k = int(np.argmax(ahead))
    if k == rpm.size:
        return float("inf")
    gain = after - here
    if k == 0 or gain[k] <= gain[k - 1]:
        return float(rpm[k])
    return float(rpm[k] - np.clip(gain[k] / (gain[k] - gain[k - 1]), 0.0, 1.0) * (rpm[k] - rpm[k - 1]))


def _verdict(car: Car, gear: int, rpm: np.ndarray, at: np.ndarray, bounds: Limit, drop: float) -> ShiftPoint:
    still, limit = float(np.mean(~np.isfinite(at[1:]))), bounds.rpm
    lower, upper = _quantile(at, 0.025, limit), _quantile(at, 0.975, limit)
    top = float(rpm[-1])  # beyond it no power was measured
    if not np.isfinite(at[0]) and bounds.reached_rpm < limit - NEAR_LIMIT_RPM:
        text = f"gear {gear} still pulls harder at {top:.0f} rpm, the highest speed measured"
        return _unknown(gear, f"{text}; a pull that ends nearer the limit of {limit:.0f} rpm would show it.")
    if not np.isfinite(at[0]) and lower >= top - NEAR_LIMIT_RPM:
        text = f"gear {gear} still pulls harder up to {top:.0f} rpm; shift at the limit of {limit:.0f} rpm."
        if top < limit - NEAR_LIMIT_RPM:
            text = (
                f"gear {gear} still pulls harder up to {top:.0f} rpm, where the measurement ends; what comes up to the "
                f"limit of {limit:.0f} rpm is not shown."
            )
        return ShiftPoint(gear, gear + 1, "still pulling at the limit", limit, min(lower, top), limit,
                          *_speeds(car, gear, limit, drop), text)  # fmt: skip
    if not np.isfinite(at[0]) or upper - lower > WIDEST_RPM:
        text = f"between {lower:.0f} and {upper:.0f} rpm gears {gear} and {gear + 1} show no difference"
        text += f"; changing at {lower:.0f} rpm spares the engine."
        nan = float("nan")
        return ShiftPoint(gear, gear + 1, "no difference shown", nan, lower, upper, nan, nan, text)
    value = float(np.clip(at[0], lower, upper))
    text = f"above {value:.0f} rpm gear {gear + 1} pulls harder" + (
        f" ({100 * still:.0f} % of draws: never)." if still else "."
    )
    return ShiftPoint(gear, gear + 1, "shift at", value, lower, upper, *_speeds(car, gear, value, drop), text)


def _quantile(at: np.ndarray, share: float, limit: float) -> float:
    return float(np.quantile(np.minimum(at[1:], limit), share))


def _speeds(car: Car, gear: int, rpm: float, drop: float) -> tuple[float, float]:
    overall = _overall(car, gear)
    return float(road_speed_km_h(rpm, overall, rolling_radius(car).radius_m)), float(rpm * drop)


def _unknown(gear: int, because: str) -> ShiftPoint:
    nan = float("nan")
    return ShiftPoint(gear, gear + 1, "not shown", nan, nan, nan, nan, nan, because)


def _table(car: Car, gear: int, rpm: np.ndarray, pull: np.ndarray) -> pd.DataFrame:
    overall = _overall(car, gear)
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
