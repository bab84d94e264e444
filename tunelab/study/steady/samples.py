"""A log referred to the revision that all is compared with: air, fuel and lambda, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
import xarray as xr

from tunelab.log.flag import trusted, was_logged
from tunelab.physics.fuel import dead_time_at, flow_at_pressure
from tunelab.study.ecu_law import BY_CONTENT, OffLaw, log_stoich, off_law
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import DeadTime, Revision

ASSUMED_BATTERY_V = 14.0  # charging voltage where the battery is not logged; common practice, no source
STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533, where the barometer is not logged


class NothingToFit(ValueError):
    """A log without a channel that nothing can stand in for."""


@dataclass(frozen=True)
class Samples:
    """Arrays of shape (n,) on the log's own clock, all by the reference revision; NaN where not known."""

    session: str
    revision: str  # in the ECU when it was driven
    time: np.ndarray
    episode: np.ndarray
    reading: np.ndarray  # of the meter
    log_air: np.ndarray  # log of the flow of the reference curve [kg/h]
    engine_speed_rpm: np.ndarray
    battery_v: np.ndarray
    pulse_width_ms: np.ndarray
    open_ms: np.ndarray  # pulse width less the current dead time, smooth between its rows
    log_ratio: np.ndarray  # log of fuel × stoichiometric ratio / air
    log_pressure: np.ndarray  # log of the injectors' flow over the current one, from the pressure across them
    pressure_ratio: np.ndarray  # manifold over barometric pressure
    log_lambda: np.ndarray
    log_lambda_2: np.ndarray  # NaN where there is no second sensor
    lambda_commanded: np.ndarray
    fuel_trusted: np.ndarray  # meter, speed, pulse width and battery can be believed
    lambda_read: np.ndarray  # a fresh reading, believed or not
    lambda_trusted: np.ndarray  # believed, and a fresh reading
    lambda_2_trusted: np.ndarray
    misplaced: (
        float  # log of a factor by which the logged readings may lie below the ECU's own; 0: nothing speaks for it
    )
    pressure_known: bool  # False: the pressure across the injectors moves and cannot be corrected
    notes: tuple[str, ...]

    @property
    def flagged(self) -> int:
        """Readings of lambda that cannot be used; rows between two readings are none."""
        return int((self.lambda_read & ~(self.fuel_trusted & self.lambda_trusted)).sum())


def refer(log: xr.Dataset, car: Car, own: Revision, reference: Revision) -> Samples:
    """Refer a flagged log, driven with revision `own` in the ECU, to `reference`.

    Raises
    ------
    NothingToFit
        A channel is missing that nothing can stand in for; it is a ValueError.
    ValueError
        The log was not flagged.
    """
    notes: list[str] = []
    speed = _needed(log, "engine_speed_rpm", "log the engine speed")
    reading, reading_from = _reading(log, car, own, notes)
    battery = _battery(log, notes)
    pulse, pulse_from = _pulse_width(log, car, own, reading, battery, notes)
    pressure, pressure_known = _pressure(log, car, reference, notes)
    dead_time = smooth_dead_time(reference.dead_time, battery)
    log_air = _log(np.interp(reading, reference.meter_curve.reading, reference.meter_curve.flow_kg_h))
    ratio = log_air_fuelled(pulse - dead_time, speed, car, reference) + pressure - log_air
    ratio, misplaced = _corrected(log, car, (own, reference), reading, ratio, notes)
    inside = (reading > car.meter.rail_low) & (reading < car.meter.rail_high)
    names = [name for name in (*reading_from, *pulse_from, "engine_speed_rpm", "battery_v") if name in log]
    first, second = _lambda(log, "lambda_measured"), _lambda(log, "lambda_measured_2")
    _require_lambda(first[0])
    return Samples(
        session=str(log.attrs.get("session", "")),
        revision=own.name,
        time=log["time"].to_numpy(),
        episode=log["episode"].to_numpy() if "episode" in log else np.zeros(log.sizes["time"], dtype=int),
        reading=reading,
        log_air=log_air,
        engine_speed_rpm=speed,
        battery_v=battery,
        pulse_width_ms=pulse,
        open_ms=pulse - dead_time,
        log_ratio=ratio,
        log_pressure=pressure,
        pressure_ratio=_held(log, "manifold_kpa") / _barometer(log),
        log_lambda=first[0],
        log_lambda_2=second[0],
        lambda_commanded=_held(log, "lambda_commanded"),
        fuel_trusted=_trusted(log, *names) & inside & np.isfinite(ratio),
        lambda_read=first[1],
        lambda_trusted=first[2],
        lambda_2_trusted=second[2],
        misplaced=misplaced,
        pressure_known=pressure_known,
        notes=tuple(notes),
    )


def _corrected(
    log: xr.Dataset, car: Car, revisions: tuple[Revision, Revision], reading: np.ndarray, ratio: np.ndarray,
    notes: list[str],
) -> tuple[np.ndarray, float]:  # fmt: skip
    """The log ratio by the fuel's logged content and by what the ECU did, and how far its readings are misplaced.

    `revisions` are the one in the ECU and the reference.
    """
    own, reference = revisions
    if np.any(by_content := log_stoich(log, car, reference)):
        ratio = ratio + by_content
        notes.append(BY_CONTENT)
    off = off_law(log, car, own)
    if off is None:
        return ratio, 0.0
    notes.append(
        f"The ECU's pulses are {100 * np.expm1(off.level):+.1f} % off what {own.name} commands from air and trims. "
        "The proposal goes by what the ECU did: find out what differs (injector flow, engine speed, meter voltage)."
    )
    return ratio - off.at(reading), _as_reading(off, own)


def _require_lambda(log_lambda: np.ndarray) -> None:
    if not np.isfinite(log_lambda).any():
        raise NothingToFit("lambda_measured is not in the log: without measured lambda nothing can be fitted.")


def _as_reading(off: OffLaw, own: Revision) -> float:
    """By what factor the meter's reading would have to be off for the ECU's pulses to be off as they are, as a log."""
    curve = own.meter_curve
    low, high = off.reading[0], off.reading[-1]
    if not high > low > 0:
        return 0.0
    flow = np.interp([low, high], curve.reading, curve.flow_kg_h)
    return off.level * float(np.log(high / low) / np.log(flow[1] / flow[0]))


def _log(values: np.ndarray) -> np.ndarray:
    return np.log(np.where(values > 0, values, np.nan))


def log_air_fuelled(open_ms: np.ndarray, speed_rpm: np.ndarray, car: Car, reference: Revision) -> np.ndarray:
    """Log of the air that the fuel of the pulses needs at lambda 1 [kg/h], by the reference revision's flow."""
    injections_min = car.injectors.count * car.injectors.injections_per_cycle * speed_rpm / 2
    fuel_g_min = convert(open_ms, "ms", "min") * reference.injectors.flow_g_min * injections_min
    return _log(convert(fuel_g_min, "g/min", "kg/h") * reference.fuelling.stoich_afr)


def _trusted(log: xr.Dataset, *names: str) -> np.ndarray:
    """Trusted samples; the blocks judge steady more strictly than the flag does, and missing values are held or NaN."""
    return trusted(log, *names, allow=("transient", "missing")).to_numpy()


def _needed(log: xr.Dataset, name: str, way_out: str) -> np.ndarray:
    if name not in log:
        raise NothingToFit(f"{name} is not in the log of {log.attrs.get('session', 'the session')}; {way_out}.")
    return _held(log, name)


def _held(log: xr.Dataset, name: str) -> np.ndarray:
    """Channel on every row, the last reading held for up to 1 s where a slow channel leaves rows empty."""
    if name not in log:
        return np.full(log.sizes["time"], np.nan)
    values, time = log[name].to_numpy(), log["time"].to_numpy()
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), 0))
    return np.where(known[last] & (time - time[last] <= 1.0), values[last], np.nan)


NO_METER = 'where the ECU has no air meter, say so in car.toml (load_from = "manifold_pressure" or "throttle")'


def _reading(log: xr.Dataset, car: Car, own: Revision, notes: list[str]) -> tuple[np.ndarray, list[str]]:
    """Raw meter reading or, in episodes whose logger has none, the one that the ECU's airflow came from."""
    channel = car.meter.channel
    has_reading = was_logged(log, channel) if channel in log else np.zeros(log.sizes["time"], dtype=bool)
    if has_reading.all() or (has_reading.any() and "air_flow_kg_h" not in log):
        return _held(log, channel), [channel]
    air = _needed(log, "air_flow_kg_h", f"log {channel} or the airflow that the ECU computes; {NO_METER}")
    flow, reading = np.asarray(own.meter_curve.flow_kg_h), own.meter_curve.reading
    rising = np.append(True, np.diff(np.maximum.accumulate(flow)) > 0)
    found = np.interp(air, flow[rising], reading[rising], left=np.nan, right=np.nan)
    where = "in a part of the log" if has_reading.any() else ""
    notes.append(
        f"{channel} is not logged{where and ' ' + where}: the reading was found backwards from air_flow_kg_h through "
        f"the curve of {own.name}."
    )
    return np.where(has_reading, _held(log, channel), found), [channel, "air_flow_kg_h"]


def _battery(log: xr.Dataset, notes: list[str]) -> np.ndarray:
    if "battery_v" in log and np.isfinite(log["battery_v"]).any():
        return _held(log, "battery_v")
    notes.append(f"battery_v is not logged: {ASSUMED_BATTERY_V:g} V was taken for all of it.")
    return np.full(log.sizes["time"], ASSUMED_BATTERY_V)


def _pulse_width(
    log: xr.Dataset, car: Car, own: Revision, reading: np.ndarray, battery: np.ndarray, notes: list[str]
) -> tuple[np.ndarray, list[str]]:
    """Logged pulse width, or what the ECU's law makes of airflow, commanded lambda and trims."""
    if "pulse_width_ms" in log:
        return _held(log, "pulse_width_ms"), ["pulse_width_ms"]
    commanded = _needed(log, "lambda_commanded", "log the pulse width, or commanded lambda and the trims")
    air = _held(log, "air_flow_kg_h") if "air_flow_kg_h" in log else None
    air = np.interp(reading, own.meter_curve.reading, own.meter_curve.flow_kg_h) if air is None else air
    trims = [name for name in ("trim_short_pct", "trim_long_pct") if name in log]
    factor = np.prod([1 + convert(_held(log, name), "percent", "1") for name in trims], axis=0) if trims else 1.0
    injections_h = car.injectors.count * car.injectors.injections_per_cycle * _held(log, "engine_speed_rpm") / 2 * 60
    grams = convert(air, "kg/h", "g/h") / (own.fuelling.stoich_afr * commanded) * factor / injections_h
    dead_time = dead_time_at(battery, own.dead_time.battery_v, own.dead_time.dead_time_ms)
    notes.append(
        "pulse_width_ms is not logged: it was calculated from airflow, commanded lambda and trims; enrichment that the "
        "log does not show is missing."
    )
    return convert(grams / own.injectors.flow_g_min, "min", "ms") + dead_time, ["lambda_commanded", *trims]


def _pressure(log: xr.Dataset, car: Car, reference: Revision, notes: list[str]) -> tuple[np.ndarray, bool]:
    """Log of the injectors' true flow over the current one, and whether it is known."""
    n, injectors = log.sizes["time"], car.injectors
    if injectors.pressure == "manifold-referenced":
        return np.zeros(n), True
    if "manifold_kpa" not in log:
        notes.append(
            "The fuel pressure does not follow the manifold and manifold_kpa is not logged: the injectors' flow "
            "changes with load by several percent, which cannot be separated from a dead-time error."
        )
        return np.zeros(n), False
    difference = np.maximum(injectors.rail_pressure_kpa + _barometer(log) - _held(log, "manifold_kpa"), 1.0)
    flow = flow_at_pressure(reference.injectors.flow_g_min, injectors.rail_pressure_kpa, difference)
    notes.append("The injectors' flow was corrected for the logged manifold pressure by the square-root law.")
    if not injectors.ecu_compensates_pressure:
        notes.append(
            "The ECU does not correct its pulse width for the pressure across the injectors: what that does to lambda "
            "from load to load stays, whatever the curve; the curve takes up its mean at each reading."
        )
    return np.log(flow / reference.injectors.flow_g_min), True


def _barometer(log: xr.Dataset) -> np.ndarray:
    if "barometer_kpa" in log and np.isfinite(log["barometer_kpa"]).any():
        return _held(log, "barometer_kpa")
    return np.full(log.sizes["time"], STANDARD_ATMOSPHERE_KPA)


def smooth_dead_time(table: DeadTime, battery_v: np.ndarray) -> np.ndarray:
    """Dead time by a smooth, monotone curve through the table's rows [ms]; end values beyond.

    Injectors bend smoothly with voltage where the ECU draws straight lines, 2 to 10 µs off between rows of 1 to 2 V.
    """
    if len(table.battery_v) < 3:
        return dead_time_at(battery_v, table.battery_v, table.dead_time_ms)
    inside = np.clip(battery_v, table.battery_v[0], table.battery_v[-1])
    return scipy.interpolate.PchipInterpolator(table.battery_v, table.dead_time_ms)(inside)


def _lambda(log: xr.Dataset, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log of lambda, whether it is a fresh reading, and whether that is to be trusted."""
    n = log.sizes["time"]
    if name not in log:
        return np.full(n, np.nan), np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    values = _log(log[name].to_numpy())
    fresh = log[f"{name}_fresh"].to_numpy() > 0 if f"{name}_fresh" in log else np.ones(n, dtype=bool)
    return values, fresh, _trusted(log, name) & np.isfinite(values) & fresh
