"""A second engine for the tests, written apart from the kit's simulator and with other functional forms.

Quasi-steady: air flow follows a schedule of holds, the meter is a King's-law hot film with bumps and a pulsation
over-reading, injectors have a dead time, part of the fuel goes through a wall film, lambda arrives late, lagged, noisy
and with a slow drift, trims close the loop, the link drops rows. Faults may be asked for, as fields of the engine: fuel
that goes missing (`lean_at_load`), a lambda sensor whose level steps or drifts (`level_step`, `level_drift`) or that
misreads by operating point (`misread`), air behind the meter (`unmetered`), injectors that bend at short pulses
(`bend`). All numbers are invented.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.signal import lfilter

from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

MASKS = {"missing": 1, "stale": 2, "spike": 4, "out_of_range": 8, "rail": 16, "warming_up": 32}
MASKS |= {"excluded": 64, "gap": 128, "cold": 256, "fuel_cut": 512, "transient": 1024}
BREAKS = 5  # of the link in one drive, of 10 minutes as a rule
LITRE_DENSITY = 1.184e-3  # kg/L, for absolute load


def nothing_of(*places: np.ndarray) -> np.ndarray:
    """No fault anywhere."""
    return 0.0 * sum(np.asarray(place, dtype=float) for place in places)


@dataclass(frozen=True)
class PlainEngine:
    """One invented car: what the kit is told (`car`, `revision`) and the truth."""

    car: Car
    revision: Revision
    true_flow: Callable[[np.ndarray], np.ndarray]  # kg/h at a meter reading, steady flow
    true_dead_time: Callable[[np.ndarray], np.ndarray]  # ms at a battery voltage
    over_reading: Callable[[np.ndarray, np.ndarray], np.ndarray]  # log of indicated over true air, at (rpm, load)
    volts: np.ndarray  # a fine table of the meter, rising
    flows: np.ndarray
    traits: dict[str, float]
    starved: Callable[[np.ndarray, np.ndarray], np.ndarray] = nothing_of  # log of fuel that goes missing, (rpm, load)
    sensor_shift: Callable[[np.ndarray], np.ndarray] = nothing_of  # log that lambda reads too lean, at a time [s]
    misread: Callable[..., np.ndarray] = nothing_of  # log that lambda reads too lean, at (rpm, air kg/h, battery V)
    unmetered: Callable[[np.ndarray, np.ndarray], np.ndarray] = nothing_of  # air behind the meter [kg/h], (rpm, load)
    bend: Callable[[np.ndarray], np.ndarray] = nothing_of  # opening that acts beyond the straight line [ms], at open ms

    def load(self, air_kg_h: np.ndarray, rpm: np.ndarray) -> np.ndarray:
        """Absolute load as a share (1: cylinders filled at 1.184 kg/m³)."""
        per_cycle_kg = np.asarray(air_kg_h) / 60 / np.asarray(rpm) * 2
        return per_cycle_kg / (LITRE_DENSITY * self.car.engine.displacement_l)

    def manifold_kpa(self, load: np.ndarray) -> np.ndarray:
        """Manifold pressure at a load; burnt gas that stays behind takes a tenth of the cylinder."""
        return 101.3 * (np.asarray(load) + 0.1) / 0.98

    def reading(self, air_kg_h: np.ndarray, rpm: np.ndarray) -> np.ndarray:
        """Meter reading without noise."""
        air_kg_h = np.maximum(air_kg_h - self.unmetered(rpm, self.load(air_kg_h, rpm)), 0.1)
        seen = air_kg_h * np.exp(self.over_reading(rpm, self.load(air_kg_h, rpm)))
        return np.interp(np.log(seen), np.log(self.flows), self.volts)

    def fuel_g(self, pulse_ms: np.ndarray, battery: np.ndarray) -> np.ndarray:
        """Fuel of one injection [g]; below the dead time none."""
        opened = np.maximum(pulse_ms - self.true_dead_time(battery), 0)
        return np.maximum(opened + self.bend(opened), 0) / 60e3 * self.revision.injectors.flow_g_min


def lean_at_load(
    share: float, *, onset: float, speed_power: float = 0.0
) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Fuel that goes missing above an absolute load, such as with a weak pump: lambda rises by `share`.

    With a `speed_power` above zero the share grows with engine speed from its own at 3000 rpm.
    """

    def missing(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
        return np.log1p(share) * np.clip((load - onset) / 0.05, 0, 1) * (np.asarray(rpm) / 3000) ** speed_power

    return missing


def level_step(share: float, *, at_s: float) -> Callable[[np.ndarray], np.ndarray]:
    """A lambda sensor that reads leaner by `share` from a time on."""
    return lambda time: np.log1p(share) * (np.asarray(time) >= at_s)


def level_drift(share: float, *, over_s: float) -> Callable[[np.ndarray], np.ndarray]:
    """A lambda sensor that comes to read leaner by `share`, evenly over a time."""
    return lambda time: np.log1p(share) * np.asarray(time) / over_s


def car_of(rng: np.random.Generator) -> Car:
    """What `car.toml` would say."""
    cylinders = int(rng.choice([4, 6, 8]))
    delay = {
        "delay_s": rng.uniform(0.03, 0.08),
        "delay_flow_s_kg_h": rng.uniform(2, 8),
        "lag_s": rng.uniform(0.06, 0.15),
    }
    litres = cylinders * rng.uniform(0.4, 0.6)
    flow = litres / cylinders * rng.uniform(450, 800)
    injectors = {"count": cylinders, "injections_per_cycle": 1, "rated_flow_g_min": flow, "rated_pressure_kpa": 300.0}
    injectors |= {"pressure": "manifold-referenced", "rail_pressure_kpa": 300.0, "ecu_compensates_pressure": False}
    limits = {
        "rev_limit_rpm": 7000.0,
        "top_speed_km_h": 200.0,
        "lambda_max_full_load": 0.9,
        "injector_duty_max_pct": 85.0,
    }
    limits |= {"knock_retard_max_deg": 4.0, "coolant_min_c": 70.0, "coolant_max_c": 110.0, "intake_air_max_c": 60.0}
    limits |= {"battery_min_v": 11.0, "steady_lambda_error_max_pct": 2.0, "meter_change_max_pct": 80.0}
    return Car.model_validate(
        {
            "name": "plain",
            "engine": {"displacement_l": litres, "cylinders": cylinders, "idle_target_rpm": 850.0},
            "meter": {"kind": "voltage", "rail_low": 0.05, "rail_high": 4.95},
            "injectors": injectors,
            "lambda_sensor": {"rail_low": 0.65, "rail_high": 1.6, "warm_up_s": 20.0, **delay},
            "fuel": {"name": "E5", "hydrogen_to_carbon": 1.9, "oxygen_to_carbon": 0.016, "density_kg_l": 0.745},
            "limits": limits | {"dead_time_change_max_ms": 1.0},
        }
    )


def wavy(rng: np.random.Generator, low: float, high: float, *, width: float, count: int) -> Callable:
    """A random sum of bell curves of about unit spread."""
    centre, size = rng.uniform(low, high, count), rng.normal(size=count)
    wide = width * rng.uniform(0.7, 1.4, count)

    def curve(x: np.ndarray) -> np.ndarray:
        return np.sum(size * np.exp(-0.5 * ((np.asarray(x)[..., None] - centre) / wide) ** 2), axis=-1)

    return curve


def over_reading_of(rng: np.random.Generator, shape: str) -> Callable:
    """Over-reading by intake pulsation in one of several shapes, nothing at low load."""
    size, onset = rng.uniform(0.02, 0.16), rng.uniform(0.5, 0.75)
    peak, wide = rng.uniform(1200, 3000), rng.uniform(400, 900)

    def resonance(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
        return size / (1 + np.exp(-(load - onset - 0.12) / 0.03)) / (1 + ((rpm - peak) / wide) ** 2)

    def hinge(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
        return 3 * size * np.clip(load - onset, 0, None) ** 1.5 * (1200 / rpm) ** 0.7 * 2

    def standing_wave(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
        step = np.clip((load - onset) / 0.25, 0, 1) ** 2
        return size * 0.6 * step * (0.6 + 0.8 * np.cos(2 * np.pi * (rpm - peak) / 2600)) * np.exp(-rpm / 5000)

    def none(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
        return 0.0 * rpm * load

    return {"resonance": resonance, "hinge": hinge, "standing_wave": standing_wave, "none": none}[shape]


def invent(seed: int) -> PlainEngine:
    """Invent a car and its revision r01."""
    rng = np.random.default_rng([seed, 11])
    car = car_of(rng)
    volts = np.linspace(0.5, 4.9, 2000)
    zero, exponent = rng.uniform(0.1, 0.45), rng.uniform(0.42, 0.58)
    top = car.engine.displacement_l * rng.uniform(190, 300)
    narrow = wavy(rng, 0.9, 4.6, width=rng.uniform(0.1, 0.25), count=9)
    king = ((volts**2 - zero**2) / (4.9**2 - zero**2)) ** (1 / exponent) * top
    flows = king * np.exp(rng.uniform(0.002, 0.016) * narrow(volts))
    broad, tilt = wavy(rng, 0.5, 4.9, width=rng.uniform(0.6, 1.4), count=5), rng.normal(0, 0.05)
    error = 0.09 * broad(volts) + tilt * (volts - 2.5) + rng.normal(0, 0.04)
    points = int(rng.choice([14, 24, 40, 96]))
    at = np.linspace(0.5, 4.9, points) if rng.random() < 0.6 else 0.5 + 4.4 * np.linspace(0, 1, points) ** 0.8
    in_force = np.maximum.accumulate(np.interp(at, volts, flows * np.exp(-error)))
    level, power = rng.uniform(0.6, 1.3), rng.uniform(1.1, 2.1)
    shift, power_in_force = rng.normal(0, 0.12), rng.uniform(1.1, 2.1)
    rows = np.array([8.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0])[:: int(rng.choice([1, 2]))]
    table = np.maximum((level - shift) * (14 / rows) ** power_in_force, 0.1)
    revision = {
        "name": "r01",
        "date": datetime.date(2026, 4, 1),
        "fuelling": {"stoich_afr": 14.4, "rev_limit_rpm": 7000.0},
    }
    revision |= {"meter_curve": {"flow_kg_h": in_force.tolist(), "meter_v": at.tolist()}}
    revision |= {"injectors": {"flow_g_min": car.injectors.rated_flow_g_min}}
    revision |= {"dead_time": {"battery_v": rows.tolist(), "dead_time_ms": table.tolist()}}
    shape = str(rng.choice(["resonance", "hinge", "standing_wave", "none"], p=[0.35, 0.3, 0.25, 0.1]))
    traits = {"film": rng.uniform(0.05, 0.35), "film_s": rng.uniform(0.15, 0.6), "closed": float(rng.random() < 0.6)}
    traits |= {
        "noise_v": rng.uniform(0.002, 0.012),
        "noise_lambda": rng.uniform(0.002, 0.006),
        "gain": rng.normal(0, 0.01),
    }
    traits |= {
        "drift": rng.uniform(0, 0.004),
        "lambda_every": float(rng.choice([1, 1, 2, 4])),
        "hold": rng.uniform(0, 0.004),
    }
    return PlainEngine(
        car=car,
        revision=Revision.model_validate(revision),
        true_flow=lambda v: np.exp(np.interp(v, volts, np.log(flows))),
        true_dead_time=lambda b: level * (14 / np.asarray(b)) ** power,
        over_reading=over_reading_of(rng, shape),
        volts=volts,
        flows=flows,
        traits=traits,
    )


def schedule(rng: np.random.Generator, seconds: float, kind: str) -> np.ndarray:
    """Random holds, columns start, rpm, load; `grid` covers speed × load, `line` keeps to one speed-load line."""
    rows, at = [], 0.0
    while at < seconds:
        rpm = rng.uniform(1300, 5200)
        load = rng.uniform(0.18, 0.92)
        if kind == "line":
            load = 0.2 + 0.13 * rpm / 1000 * rng.normal(1, 0.01)
        elif rng.random() < 0.12:
            rpm, load = 850.0, rng.uniform(0.14, 0.2)
        rows.append((at, rpm, load))
        at += rng.uniform(5, 13)
    return np.array(rows)


def smoothed(values: np.ndarray, tau_s: float, rate_hz: float) -> np.ndarray:
    """First-order lag."""
    keep = np.exp(-1 / (tau_s * rate_hz))
    return lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]


def wander(rng: np.random.Generator, n: int, tau_s: float, rate_hz: float) -> np.ndarray:
    """Slow coloured noise of unit spread."""
    keep = np.exp(-1 / (tau_s * rate_hz))
    return lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.normal(size=n))


def drive(
    engine: PlainEngine,
    revision: Revision,
    *,
    seed: int,
    minutes: float,
    rate_hz: float,
    kind: str = "grid",
    holds: np.ndarray | None = None,
    with_manifold: bool = False,
) -> xr.Dataset:
    """Drive the car with `revision` in its ECU; returns the flagged log (the truth of lambda is not in it).

    `with_manifold` logs the manifold's pressure too. `holds` are to be driven in place of random ones: rows of
    start [s], rpm, load and volts that consumers take.
    """
    rng = np.random.default_rng([seed, 23])
    n = int(minutes * 60 * rate_hz)
    time = np.arange(n) / rate_hz + rng.uniform(-0.1, 0.1, n) / rate_hz
    plan = schedule(rng, minutes * 60, kind) if holds is None else holds
    which = np.searchsorted(plan[:, 0], time, side="right").clip(1) - 1
    rpm = smoothed(plan[which, 1], 0.5, rate_hz) * np.exp(0.006 * wander(rng, n, 3, rate_hz))
    load = smoothed(plan[which, 2], 0.35, rate_hz) * np.exp(0.01 * wander(rng, n, 2, rate_hz))
    cut = (time - plan[which, 0] < 1.0) & (rng.random(len(plan)) < 0.15)[which]
    air = load * LITRE_DENSITY * engine.car.engine.displacement_l * rpm / 2 * 60
    volt = (
        engine.reading(air, rpm) + engine.traits["noise_v"] * (rng.normal(size=n) + wander(rng, n, 0.3, rate_hz)) / 1.4
    )
    electric = np.cumsum(rng.random(n) < 1 / (45 * rate_hz)) % 4
    drop = np.array([0, 0.35, 0.8, 1.5])[electric] if holds is None else holds[which, 3]
    battery = 14.1 - drop - 0.6 * (rpm < 1100) + 0.04 * wander(rng, n, 1, rate_hz)
    hold_error = engine.traits["hold"] * rng.normal(size=len(plan))[which]
    columns = fuelling(engine, revision, rng, rate_hz, rpm=rpm, load=load, air=air, volt=volt, battery=battery, cut=cut)
    columns["lambda_measured"] = columns["lambda_measured"] * np.exp(hold_error)
    columns |= {"engine_speed_rpm": rpm, "meter_v": volt, "battery_v": battery}
    columns |= {"manifold_kpa": engine.manifold_kpa(load)} if with_manifold else {}
    breaks = BREAKS if holds is None else round(BREAKS * minutes / 10)
    return logged(engine, rng, time, cut, columns, breaks=breaks)


def fuelling(
    engine, revision, rng, rate_hz, *, rpm, load, air, battery, cut, volt=None, believed=None, short=0.0
) -> dict[str, np.ndarray]:
    """ECU, injectors, wall film, exhaust and lambda sensor, sample by sample because trims close the loop.

    The ECU takes the air from the meter at `volt`, or it is given as `believed` [kg/h]. `short` is the share of fuel
    that the ECU holds back unasked, shape (time,) or scalar.
    """
    car, trait, n = engine.car, engine.traits, len(rpm)
    curve, table, afr = revision.meter_curve, revision.dead_time, revision.fuelling.stoich_afr
    if believed is None:
        believed = np.interp(smoothed(volt, 0.04, rate_hz), curve.reading, curve.flow_kg_h)
    per_cycle_g = believed * 1000 / 60 / rpm * 2 / car.engine.cylinders
    commanded = np.where(load > 0.78, 0.89, np.where(cut, 1.0, 1.0))
    dead = np.interp(battery, table.battery_v, table.dead_time_ms)
    base = per_cycle_g / (afr * commanded * (1.0 + short))
    true_air = air * 1000 / 60 / rpm * 2 / car.engine.cylinders
    scale_ms, true_dead = 60e3 / revision.injectors.flow_g_min, engine.true_dead_time(battery)
    sensor = car.lambda_sensor
    late = np.clip((sensor.delay_s + sensor.delay_flow_s_kg_h / air) * rate_hz, 1, 3 * rate_hz)
    keep, lag = np.exp(-1 / (trait["film_s"] * rate_hz)), np.exp(-1 / (sensor.lag_s * rate_hz))
    noise = trait["noise_lambda"] * (rng.normal(size=n) + wander(rng, n, 0.4, rate_hz)) / 1.4
    noise += trait["gain"] + trait["drift"] * wander(rng, n, 150, rate_hz)
    noise += engine.sensor_shift(np.arange(n) / rate_hz) + engine.misread(rpm, air, battery)
    reaches = np.exp(-engine.starved(rpm, load))  # share of the metered fuel
    closed = bool(trait["closed"])
    pulse, trims, cylinder, measured = (np.zeros(n) for _ in range(4))
    film, trim, seen = base[0] / 1.0, 0.0, 1.0
    for i in range(n):
        loop = closed and load[i] < 0.75 and not cut[i]
        trims[i] = trim if loop else 0.0
        pulse[i] = 0.0 if cut[i] else base[i] * (1 + trims[i]) * scale_ms + dead[i]
        opened = max(pulse[i] - true_dead[i], 0.0)
        injected = max(opened + float(engine.bend(opened)), 0.0) / scale_ms * reaches[i]
        film = keep * film + (1 - keep) * injected
        gone = (1 - trait["film"]) * injected + trait["film"] * film
        cylinder[i] = min(true_air[i] / max(afr * gone, 1e-9), 5.0)
        back = i - late[i]
        j = max(int(back), 0)
        arrived = cylinder[j] + (back - j) * (cylinder[min(j + 1, i)] - cylinder[j]) if back > 0 else cylinder[0]
        seen = lag * seen + (1 - lag) * arrived
        measured[i] = seen * np.exp(noise[i])
        if loop:
            trim = min(max(trim + 0.5 / rate_hz * (measured[i] - commanded[i]), -0.25), 0.25)
    measured = np.clip(measured, sensor.rail_low, sensor.rail_high)
    return {
        "pulse_width_ms": np.round(pulse, 3),
        "lambda_measured": measured,
        "lambda_commanded": commanded,
        "trim_short_pct": 100 * trims,
        "true_lambda": cylinder,
        "air_flow_kg_h": believed,
    }


def logged(engine, rng, time, cut, columns, *, breaks: int = BREAKS, spiked: str = "meter_v") -> xr.Dataset:
    """Rows drop out, single readings spike, lambda refreshes slowly; flags by the log contract."""
    car, every, n = engine.car, int(engine.traits["lambda_every"]), len(time)
    columns = {name: values for name, values in columns.items() if name != "true_lambda"}
    kept = np.ones(n, dtype=bool)
    for start in rng.integers(0, n, breaks):
        kept[start : start + int(rng.uniform(10, 120))] = False
    held = np.arange(n) // every * every
    columns["lambda_measured"] = columns["lambda_measured"][held]
    after = np.convolve(cut, np.ones(int(1.7 / np.median(np.diff(time)))))[:n] > 0
    spike = rng.random(n) < 5e-4
    columns[spiked] = np.where(spike, columns[spiked] * 1.3, columns[spiked])
    flags = {f"{name}_flag": np.zeros(n, dtype=np.int32) for name in columns}
    flags[f"{spiked}_flag"] = np.where(spike, MASKS["spike"], 0).astype(np.int32)
    lam = columns["lambda_measured"]
    at_rail = (lam <= car.lambda_sensor.rail_low) | (lam >= car.lambda_sensor.rail_high)
    flags["lambda_measured_flag"] = np.where(at_rail, MASKS["rail"], 0).astype(np.int32)
    flags["sample_flag"] = np.where(cut | after, MASKS["fuel_cut"], 0).astype(np.int32)
    data = {name: ("time", values[kept]) for name, values in (columns | flags).items()}
    data["episode"] = ("time", np.cumsum(np.diff(time[kept], prepend=time[0]) > 1.0).astype(np.int32))
    if every > 1:
        data["lambda_measured_fresh"] = ("time", (np.arange(n) % every == 0)[kept].astype(np.int8))
    log = xr.Dataset(
        data, coords={"time": time[kept]}, attrs={"session": "drive", "revision": "r01", "title": "plain engine"}
    )
    for name in flags:
        log[name].attrs = {"flag_masks": list(MASKS.values()), "flag_meanings": " ".join(MASKS)}
    return log.assign_attrs(files=json.dumps([]))


def score(engine: PlainEngine, revision: Revision, *, seed: int) -> float:
    """95th percentile of |true lambda / commanded − 1| [%] over visited, undisturbed points with `revision` in force.

    Up to the one constant that no log can separate: the lambda sensor's gain.
    """
    rng = np.random.default_rng([seed, 23])
    plan = schedule(rng, 600, "grid")[:, 1:]
    rng = np.random.default_rng([seed, 29])
    rpm, load = np.repeat(plan, 12, axis=0).T * np.exp(rng.normal(0, [[0.006], [0.01]], (2, 12 * len(plan))))
    calm = engine.over_reading(rpm, load) < 0.003
    return float(np.percentile(np.abs(error_at(engine, revision, rpm[calm], load[calm], battery=13.7)), 95))


def error_at(
    engine: PlainEngine, revision: Revision, rpm: np.ndarray, load: np.ndarray, *, battery: float
) -> np.ndarray:
    """Error of lambda [%] at operating points, trims at zero, as a sensor with this car's gain error would read it."""
    air = load * LITRE_DENSITY * engine.car.engine.displacement_l * rpm / 2 * 60
    believed = np.interp(engine.reading(air, rpm), revision.meter_curve.reading, revision.meter_curve.flow_kg_h)
    grams = believed / 60 / rpm * 2 / engine.car.engine.cylinders * 1000 / revision.fuelling.stoich_afr
    dead = np.interp(battery, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    pulse = grams * 60e3 / revision.injectors.flow_g_min + dead
    fuel = engine.fuel_g(pulse, battery) * np.exp(-engine.starved(rpm, load))
    true = air * 1000 / 60 / rpm * 2 / engine.car.engine.cylinders / (revision.fuelling.stoich_afr * fuel)
    return 100 * (true * np.exp(engine.traits["gain"]) - 1)


def drive_pulls(
    engine: PlainEngine, *, seed: int, count: int = 6, rate_hz: float = 25.0, overrun: str = "cut", lean: float = 0.0
) -> tuple[xr.Dataset, np.ndarray]:
    """Drive cruises in closed loop, full-throttle pulls and the overrun after each; returns an unflagged log.

    `overrun` is "cut" (the ECU cuts the fuel as the throttle shuts: plain air passes the sensor) or "fuelled". `lean`
    is the share by which the upper half of every pull runs lean. Second: the true lambda of each charge, shape (time,).
    """
    rng = np.random.default_rng([seed, 31])
    phases = np.array([part for _ in range(count) for part in _one_pull(rng)])
    ends = np.cumsum(phases[:, 0])
    n = int(ends[-1] * rate_hz)
    time = np.arange(n) / rate_hz + rng.uniform(-0.1, 0.1, n) / rate_hz
    which = np.searchsorted(ends, time, side="right").clip(0, len(phases) - 1)
    share = ((time - (ends - phases[:, 0])[which]) / phases[which, 0]).clip(0, 1)
    rpm = phases[which, 1] + (phases[which, 2] - phases[which, 1]) * share
    rpm = smoothed(rpm, 0.15, rate_hz) * np.exp(0.003 * wander(rng, n, 2, rate_hz))
    load = smoothed(phases[which, 3], 0.06, rate_hz) * np.exp(0.006 * wander(rng, n, 2, rate_hz))
    shut, full = phases[which, 3] < 0.12, phases[which, 3] > 0.9
    cut = shut & (overrun == "cut")
    air = load * LITRE_DENSITY * engine.car.engine.displacement_l * rpm / 2 * 60
    volt = engine.reading(air, rpm) + engine.traits["noise_v"] * rng.normal(size=n)
    battery = 14.0 + 0.04 * wander(rng, n, 1, rate_hz)
    short = np.where(full & (share > 0.5), lean, 0.0)
    columns = fuelling(
        engine, engine.revision, rng, rate_hz,
        rpm=rpm, load=load, air=air, volt=volt, battery=battery, cut=cut, short=short,
    )  # fmt: skip
    truth = columns.pop("true_lambda")
    columns |= {"engine_speed_rpm": rpm, "meter_v": volt, "battery_v": battery}
    columns["throttle_pct"] = np.where(full, 99.5, np.where(shut, 0.3, 25.0)) + 0.2 * rng.normal(size=n)
    columns["road_speed_km_h"] = rpm / 45.0
    columns["fuel_mode"] = np.where(cut, 3.0, np.where(full, 4.0, 2.0))
    data = {name: ("time", values) for name, values in columns.items()}
    log = xr.Dataset(data, coords={"time": time}, attrs={"session": "pulls", "revision": "r01"})
    return log.assign(episode=("time", np.zeros(n, dtype=np.int32))), truth


def _one_pull(rng: np.random.Generator) -> list[tuple[float, float, float, float]]:
    """Seconds, speed from and to [rpm], load of a cruise, a pull, the overrun and a slow cruise."""
    cruise, low, top = rng.uniform(1800, 2600), rng.uniform(2300, 2700), rng.uniform(6000, 6500)
    return [
        (rng.uniform(4, 6), cruise, cruise, 0.28),
        (rng.uniform(4.5, 6.5), low, top, 0.95),
        (2.5, top, 2000.0, 0.08),
        (5.0, 1500.0, 1500.0, 0.15),
    ]
