"""A car on a road in plain numpy, written apart from the kit: known truth for pulls, gears, coast-downs and power.

Nothing here calls the kit's formulas. One explicit Euler step per 4 ms; the driver follows a list of phases. Numbers
are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import xarray as xr

STEP_S = 0.004
GRAVITY = 9.80665
LONGEST_PULL_S = 60.0


@dataclass(frozen=True)
class PlainVehicle:
    """What the car truly is; the owner's file may say otherwise."""

    mass_kg: float = 1060.0
    wheel_inertia_kg_m2: float = 3.4
    engine_inertia_kg_m2: float = 0.17
    radius_m: float = 0.302
    ratios: tuple[float, ...] = (3.20, 2.05, 1.48, 1.14, 0.91)
    final_drive: float = 3.64
    efficiency: float = 0.90  # of gearbox, shaft and final drive
    a_n: float = 150.0
    b_n_s_m: float = 1.5
    c_n_s2_m2: float = 0.45
    slip_per_g: float = 0.07  # tyre slip per unit of force over weight
    torque_scale: float = 1.0

    def overall(self, gear: int) -> float:
        return self.ratios[gear - 1] * self.final_drive

    def torque_nm(self, rpm):
        """Brake torque at wide-open throttle: a broad hump that falls towards the limit."""
        x = (np.asarray(rpm, dtype=float) - 4600.0) / 3400.0
        return self.torque_scale * (265.0 - 62.0 * x**2 - 22.0 * x**3 + 4.0 * np.sin(rpm / 420.0))

    def wheel_power_kw(self, rpm):
        """What the wheels would get at steady engine speed, at wide-open throttle."""
        return self.efficiency * self.torque_nm(rpm) * np.asarray(rpm) * np.pi / 30 / 1000

    def speed_m_s(self, rpm, gear):
        return np.asarray(rpm) * np.pi / 30 * self.radius_m / self.overall(gear)


@dataclass(frozen=True)
class EvenPower(PlainVehicle):
    """Flat torque up to 4600 rpm, then power that hardly falls, so that two gears pull almost alike."""

    ratios: tuple[float, ...] = (3.2, 2.2, 1.75, 1.45, 1.2)
    c_n_s2_m2: float = 0.3
    fall: float = 1.15  # torque over the power of engine speed: 1 keeps the power level

    def torque_nm(self, rpm):
        over = 4600.0 + 60.0 * np.logaddexp(0.0, (np.asarray(rpm, dtype=float) - 4600.0) / 60.0)
        return 230.0 * (4600.0 / over) ** self.fall


@dataclass
class Drive:
    """Truth of a drive, sampled every STEP_S."""

    columns: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in NAMES})

    def array(self, name: str) -> np.ndarray:
        return np.asarray(self.columns[name])


NAMES = ("time", "rpm", "speed", "throttle", "gear", "x", "clutch", "slip", "acceleration")


@dataclass(frozen=True)
class Road:
    """Slope met on the way out and head wind then, each with what comes and goes: hills by place, gusts by time."""

    grade: float = 0.0
    wind_m_s: float = 0.0
    hills: np.ndarray = field(default_factory=lambda: np.zeros(2))  # slope over the mean every HILL_M, from x = -5 km
    gusts: np.ndarray = field(default_factory=lambda: np.zeros(2))  # wind over the mean every second, from t = 0

    def slope(self, x_m: float) -> float:
        return self.grade + float(np.interp((x_m + 5000) / HILL_M, np.arange(self.hills.size), self.hills))

    def wind(self, time_s: float) -> float:
        return self.wind_m_s + float(np.interp(time_s, np.arange(self.gusts.size), self.gusts))


HILL_M = 10.0


def undulating(rng: np.random.Generator, *, hill: float, hill_m: float, gust_m_s: float, gust_s: float, **road) -> Road:
    """A road whose slope varies with standard deviation `hill` over `hill_m`, in wind that gusts over `gust_s`."""
    hills = _wander(rng, 1000, hill, hill_m / HILL_M)
    return Road(hills=hills, gusts=_wander(rng, 3000, gust_m_s, gust_s), **road)


def _wander(rng: np.random.Generator, n: int, spread: float, steps: float) -> np.ndarray:
    """A first-order random walk about zero with a correlation that falls to 1/e in `steps`."""
    keep, values = np.exp(-1 / steps), np.empty(n)
    values[0] = rng.normal(0, spread)
    for k, kick in enumerate(rng.normal(0, spread * np.sqrt(1 - keep**2), n - 1)):
        values[k + 1] = keep * values[k] + kick
    return values


def drive(car: PlainVehicle, phases, *, grade: float = 0.0, wind_m_s: float = 0.0, road: Road | None = None) -> Drive:
    """Drive `phases`, a list of tuples, and return the truth.

    ("hold", gear, rpm, seconds) | ("pull", gear, to_rpm[, throttle_pct, spin]) | ("lift", gear, seconds) |
    ("coast", to_km_h) | ("shift", gear, seconds) | ("turn",) which stops and turns the car round.
    `grade` is the slope met on the way out and `wind_m_s` the head wind then; on the way back both change sign.
    """
    log, state = Drive(), {"v": 0.0, "t": 0.0, "x": 0.0, "way": 1.0}
    for phase in phases:
        _PHASES[phase[0]](car, log, state, phase, road or Road(grade, wind_m_s))
    return log


def _resistance(car: PlainVehicle, state, road: Road) -> float:
    grade, wind = road.slope(state["x"]) * state["way"], road.wind(state["t"]) * state["way"]
    air = state["v"] + wind
    return car.a_n + car.b_n_s_m * state["v"] + car.c_n_s2_m2 * air * abs(air) + car.mass_kg * GRAVITY * grade


def _note(log: Drive, state, rpm, throttle, gear, **more) -> None:
    slip, clutch, acceleration = more.get("slip", 0.0), more.get("clutch", 0.0), more.get("acceleration", 0.0)
    row = (state["t"], rpm, state["v"], throttle, gear, state["x"], clutch, slip, acceleration)
    for name, value in zip(NAMES, row, strict=True):
        log.columns[name].append(float(value))
    state["t"] += STEP_S
    state["x"] += state["way"] * state["v"] * STEP_S


def _in_gear(car: PlainVehicle, log, state, gear, crank_nm, throttle, road, spin=0.0) -> float:
    """One step in gear; returns engine speed after it."""
    ratio, radius = car.overall(gear), car.radius_m
    through = car.efficiency if crank_nm > 0 else 1 / car.efficiency
    mass = car.mass_kg + car.wheel_inertia_kg_m2 / radius**2
    mass += through * car.engine_inertia_kg_m2 * (ratio / radius) ** 2
    acceleration = (crank_nm * ratio * through / radius - _resistance(car, state, road)) / mass
    force = car.mass_kg * acceleration + _resistance(car, state, road)
    slip = car.slip_per_g * force / (car.mass_kg * GRAVITY) + spin
    rpm = state["v"] / (radius * (1 - slip)) * ratio * 30 / np.pi
    _note(log, state, rpm, throttle, gear, slip=slip, acceleration=acceleration)
    state["v"] = max(state["v"] + acceleration * STEP_S, 0.0)
    return rpm


def _hold(car, log, state, phase, road) -> None:
    _, gear, rpm, seconds = phase
    state["v"] = float(car.speed_m_s(rpm, gear))
    for _ in range(round(seconds / STEP_S)):
        need = _resistance(car, state, road) * car.radius_m / car.overall(gear) / car.efficiency
        _in_gear(car, log, state, gear, need, 22.0, road)


def _pull(car, log, state, phase, road) -> None:
    _, gear, to_rpm = phase[:3]
    throttle = phase[3] if len(phase) > 3 else 100.0
    spin = phase[4] if len(phase) > 4 else 0.0
    rpm = state["v"] / car.radius_m * car.overall(gear) * 30 / np.pi
    started = state["t"]
    while rpm < to_rpm:
        if state["t"] - started > LONGEST_PULL_S:
            raise ValueError(f"this car never reaches {to_rpm} rpm in gear {gear}")
        rpm = _in_gear(car, log, state, gear, car.torque_nm(rpm) * throttle / 100, throttle, road, spin)


def _lift(car, log, state, phase, road) -> None:
    _, gear, seconds = phase
    for _ in range(round(seconds / STEP_S)):
        _in_gear(car, log, state, gear, -25.0, 0.0, road)


def _shift(car, log, state, phase, road) -> None:
    _, gear, seconds = phase
    start = log.columns["rpm"][-1]
    goal = state["v"] / car.radius_m * car.overall(gear) * 30 / np.pi
    steps = round(seconds / STEP_S)
    for k in range(steps):
        acceleration = -_resistance(car, state, road) / car.mass_kg
        _note(log, state, start + (goal - start) * k / steps, 5.0, 0, clutch=1.0, acceleration=acceleration)
        state["v"] += acceleration * STEP_S


def _coast(car, log, state, phase, road) -> None:
    mass = car.mass_kg + car.wheel_inertia_kg_m2 / car.radius_m**2
    while state["v"] > phase[1] / 3.6:
        acceleration = -_resistance(car, state, road) / mass
        _note(log, state, 900.0, 0.0, 0, acceleration=acceleration)
        state["v"] += acceleration * STEP_S


def _turn(car, log, state, phase, road) -> None:
    state["v"] = 0.0
    for _ in range(round(4 / STEP_S)):
        _note(log, state, 900.0, 2.0, 0)
    state["way"] *= -1


_PHASES = {"hold": _hold, "pull": _pull, "lift": _lift, "shift": _shift, "coast": _coast, "turn": _turn}


@dataclass(frozen=True)
class Logger:
    """What is written down: rate, noise, resolution."""

    rate_hz: float = 25.0
    rpm_noise: float = 8.0
    speed_noise_km_h: float = 0.15
    speed_step_km_h: float = 0.1
    speed_scale: float = 1.0
    gps: bool = True


def write_down(truth: Drive, logger: Logger, rng: np.random.Generator) -> xr.Dataset:
    """Sample the truth as a logger would, in canonical channels."""
    time = np.arange(0.0, truth.array("time")[-1], 1 / logger.rate_hz)
    pick = np.minimum((time / STEP_S).astype(int), truth.array("time").size - 1)
    speed = truth.array("speed")[pick] * 3.6
    wheel = speed / (1 - truth.array("slip")[pick]) * logger.speed_scale
    wheel = wheel + rng.normal(0, logger.speed_noise_km_h, time.size) * (speed > 0)
    data = {
        "engine_speed_rpm": truth.array("rpm")[pick] + rng.normal(0, logger.rpm_noise, time.size),
        "road_speed_km_h": np.maximum(np.round(wheel / logger.speed_step_km_h) * logger.speed_step_km_h, 0),
        "throttle_pct": truth.array("throttle")[pick] + rng.normal(0, 0.2, time.size),
        "clutch_pressed": truth.array("clutch")[pick],
    }
    if logger.gps:
        data["gps_speed_km_h"] = np.maximum(speed + rng.normal(0, 0.25, time.size), 0)
        data["latitude_deg"] = 46.0 + truth.array("x")[pick] / 111_195.0
        data["longitude_deg"] = np.full(time.size, 8.0)
    log = xr.Dataset({k: ("time", v) for k, v in data.items()}, coords={"time": time})
    return log.assign(episode=("time", np.zeros(time.size, dtype=np.int32)))


def out_and_back(gear: int, low_rpm: float, high_rpm: float, *, pairs: int) -> list[tuple]:
    """Phases of `pairs` full-throttle pulls each way."""
    one = [("hold", gear, low_rpm, 3.0), ("pull", gear, high_rpm), ("lift", gear, 2.0), ("turn",)]
    return one * (2 * pairs)


def true_shift(car: PlainVehicle, gear: int) -> float:
    """Engine speed at which acceleration in the next gear equals that in this one; plain numpy."""
    rpm = np.arange(4000.0, 6700.0, 5.0)

    def acceleration(n, g):
        ratio, r = car.overall(g), car.radius_m
        speed = n * np.pi / 30 / ratio * r
        mass = car.mass_kg + (car.wheel_inertia_kg_m2 + car.efficiency * car.engine_inertia_kg_m2 * ratio**2) / r**2
        road = car.a_n + car.b_n_s_m * speed + car.c_n_s2_m2 * speed**2
        return (car.efficiency * car.torque_nm(n) * ratio / r - road) / mass

    after = acceleration(rpm * car.ratios[gear] / car.ratios[gear - 1], gear + 1)
    return float(rpm[np.argmax(after > acceleration(rpm, gear))])
