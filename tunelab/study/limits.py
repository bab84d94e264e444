"""Watches a whole log for every limit of the owner's that it can speak of, whatever step was driven."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.align import at_rows, fresh_readings, has, never_moves
from tunelab.log.flag_sample import is_cut
from tunelab.study.delay import DelayFit
from tunelab.study.finding import step_of
from tunelab.study.full_throttle.check import Check, LimitWatch, Quantity, Watched, hold_against, missing
from tunelab.study.full_throttle.study import (
    check_duty,
    check_fuel_pressure,
    check_meter,
    hold_channel,
    hold_rise,
    hold_rows,
)
from tunelab.study.limits_driving import (
    AFTER_START_S,
    NEVER_FULL,
    Driving,
    HeldMixture,
    Spans,
    find_driving,
    hold_mixture,
)
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

# Common practice, no source.
WHEEL_SPEED_DOUBT = (0.05, 0.01)  # driven wheels run ahead by slip, seldom behind; and the sensor's scale
GPS_SPEED_DOUBT = (0.01, 0.01)
OVERSHOOT_S = 0.1  # a limiter's overshoot is shorter than what full throttle is judged over
BOOST_FROM_KPA = 10.0  # above atmosphere: less is no boosted engine


@dataclass(frozen=True)
class Asked:
    """One limit compared with a log, and what its sentence needs beside the numbers."""

    check: Check
    channel: str = ""
    note: str = ""
    where: str = "while the engine ran"


def ask_all(driving: Driving, car: Car, revision: Revision) -> Iterator[Asked]:
    """Hold everything but lambda against its limit, whether or not it is stated or logged."""
    yield from _engine(driving, car, revision)
    yield from _temperatures(driving, car)
    yield from _supply(driving, car)
    yield from _speeds(driving, car, revision)


def _ask(driving: Driving, what: Quantity, channel: str, spans: Spans, note: str = "", where: str = "") -> Asked:
    check = hold_channel(driving.log, what, channel, spans)
    return Asked(check, channel, note, where) if where else Asked(check, channel, note)


def _most(name: str, title: str, unit: str, limit: float | None, key: str, *, lift: bool = True) -> Quantity:
    return Quantity(f"limits.{name}", title, unit, limit, f"limits.{key}", "higher", lift)


def _least(name: str, title: str, unit: str, limit: float | None, key: str) -> Quantity:
    return Quantity(f"limits.{name}", title, unit, limit, f"limits.{key}", "lower", True)


def _engine(driving: Driving, car: Car, revision: Revision) -> list[Asked]:
    """Knock, injectors, the meter's headroom and boost."""
    log, limits = driving.log, car.limits
    knock = _most("knock_retard", "Highest knock retard of the drive", "°", limits.knock_retard_max_deg,
                  "knock_retard_max_deg")  # fmt: skip
    knock = replace(knock, never_below=0.0)
    duty = check_duty(log, car, driving.running)
    return [
        _ask(driving, knock, "knock_retard_deg", driving.running),
        Asked(_renamed(duty, "injector_duty", "Highest injector duty of the drive"), _duty_channel(log)),
        *([_headroom(driving, car, revision)] if car.has_meter else []),
        _boost(driving, car),
    ]


def _headroom(driving: Driving, car: Car, revision: Revision) -> Asked:
    meter = check_meter(driving.log, car, revision, driving.running)
    rail = meter.because.partition(";")[0] if meter.because.startswith("the meter was") else ""
    title = "Smallest air-meter headroom of the drive"
    return Asked(_renamed(meter, "meter_headroom", title), car.meter.channel, rail)


def _duty_channel(log: xr.Dataset) -> str:
    return "pulse_width_ms" if has(log, "pulse_width_ms") else "injector_duty_pct"


def _renamed(check: Check, name: str, title: str) -> Check:
    return replace(check, quantity=replace(check.quantity, id=f"limits.{name}", title=title))


def _boost(driving: Driving, car: Car) -> Asked:
    log = driving.log
    what = _most("boost", "Highest boost of the drive", "kPa", car.limits.boost_max_kpa, "boost_max_kpa")
    if not (has(log, "manifold_kpa") and has(log, "barometer_kpa")):
        lacks = "manifold_kpa" if not has(log, "manifold_kpa") else "barometer_kpa to take from manifold_kpa"
        return Asked(missing(what, f"the log has no {lacks}", 0), "manifold_kpa")
    boost = at_rows(log, "manifold_kpa") - at_rows(log, "barometer_kpa")
    if what.limit is None and not np.nanmax(boost, initial=0.0) > BOOST_FROM_KPA:
        return Asked(missing(what, "the engine has no boost", 0), "manifold_kpa")
    series = hold_rows(log, boost, driving.running, step_of(fresh_readings(log, "manifold_kpa")[1]))
    return Asked(hold_against(what, series, driving.running), "manifold_kpa")


def _temperatures(driving: Driving, car: Car) -> list[Asked]:
    log, limits, running = driving.log, car.limits, driving.running
    coolant = _most("coolant", "Hottest coolant of the drive", "°C", limits.coolant_max_c, "coolant_max_c")
    oil = _most("oil_temperature", "Hottest oil of the drive", "°C", limits.oil_max_c, "oil_max_c")
    exhaust = _most("exhaust", "Hottest exhaust gas of the drive", "°C", limits.exhaust_max_c, "exhaust_max_c")
    cold = _least("coolant_cold", "Coldest coolant at full throttle", "°C", limits.coolant_min_c, "coolant_min_c")
    cold = replace(cold, lift=False, worst_status="watch")
    rises = [
        _most(f"{name}_rise", f"Largest rise of {title} within a pull", "°C", limit, f"{name}_rise_max_c", lift=False)
        for name, title, limit in (
            ("coolant", "the coolant", limits.coolant_rise_max_c),
            ("intake_air", "intake air", limits.intake_air_rise_max_c),
        )
    ]
    return [
        _ask(driving, coolant, "coolant_c", running),
        _full_cold(driving, cold),
        _intake_air(driving, car),
        *(
            Asked(hold_rise(log, what, channel, driving.pulls), channel, where="within a pull, of which there is none")
            for what, channel in zip(rises, ("coolant_c", "intake_air_c"), strict=True)
        ),
        _ask(driving, oil, "oil_c", running),
        _ask(driving, exhaust, "exhaust_c", running),
    ]


def _full_cold(driving: Driving, cold: Quantity) -> Asked:
    if has(driving.log, "coolant_c") and not driving.full:
        return Asked(missing(cold, NEVER_FULL, 0), "coolant_c")
    return _ask(driving, cold, "coolant_c", driving.full, where="at full throttle")


def _intake_air(driving: Driving, car: Car) -> Asked:
    """Intake air over its limit hurts under load; heat that soaks in while the car stands is to be looked at only."""
    limit = car.limits.intake_air_max_c
    what = _most("intake_air", "Hottest intake air of the drive", "°C", limit, "intake_air_max_c")
    under = hold_channel(driving.log, what, "intake_air_c", driving.loaded)
    if under.status == "stop":
        return Asked(under, "intake_air_c", "under load")
    soaked = replace(what, worst_status="watch", lift=False)
    note = "under load it stayed within the limit, or was not loaded"
    asked = _ask(driving, soaked, "intake_air_c", driving.running)
    return replace(asked, note=note) if asked.check.status == "watch" else asked


def _supply(driving: Driving, car: Car) -> list[Asked]:
    limits, log = car.limits, driving.log
    oil = _least("oil_pressure", "Lowest oil pressure above idle", "kPa", limits.oil_pressure_min_kpa,
                 "oil_pressure_min_kpa")  # fmt: skip
    battery = _least("battery", "Lowest battery voltage of the drive", "V", limits.battery_min_v, "battery_min_v")
    started = f"from {AFTER_START_S:g} s after a start"
    fuel = _renamed(
        check_fuel_pressure(log, car, _where_fuel_pressure_is_known(driving, car)), "fuel_pressure_drop",
        "Largest fuel-pressure drop under load",
    )  # fmt: skip
    follows = car.injectors.pressure == "manifold-referenced" and not has(log, "manifold_kpa")
    where = "at full throttle; elsewhere it follows the manifold, which is not logged" if follows else "under load"
    return [
        _ask(driving, oil, "oil_pressure_kpa", driving.above_idle, where="above idle"),
        Asked(fuel, "fuel_pressure_kpa", where=where),
        _ask(driving, battery, "battery_v", driving.running, note=started),
    ]


def _where_fuel_pressure_is_known(driving: Driving, car: Car) -> Spans:
    """Under load; where the regulator follows a manifold that is not logged, at full throttle."""
    if car.injectors.pressure == "manifold-referenced" and not has(driving.log, "manifold_kpa"):
        return driving.full
    return driving.full if driving.no_load else driving.loaded


def _speeds(driving: Driving, car: Car, revision: Revision) -> list[Asked]:
    limits, limiter = car.limits, revision.fuelling.rev_limit_rpm
    owners = _most("engine_speed", "Highest engine speed", "rpm", limits.rev_limit_rpm, "rev_limit_rpm")
    owners = replace(owners, smooth_s=OVERSHOOT_S)
    own = _ask(driving, owners, "engine_speed_rpm", driving.running)
    own = replace(own, note=_limiter_note(driving, own.check, car, revision))
    found = [own, _road_speed(driving, car)]
    if limiter < limits.rev_limit_rpm:
        title, key = f"Highest engine speed, by the limiter of {revision.name}", "fuelling.rev_limit_rpm"
        what = Quantity("limits.limiter", title, "rpm", limiter, key, "higher", lift=False, worst_status="watch")
        what = replace(what, smooth_s=OVERSHOOT_S)
        held = _ask(driving, what, "engine_speed_rpm", driving.running)
        found.insert(1, replace(held, note=_overshoot(held.check, limiter)))
    return found


def _limiter_note(driving: Driving, check: Check, car: Car, revision: Revision) -> str:
    """What may have let engine speed pass the owner's limit."""
    if not check.margin < 0:
        return ""
    limiter = revision.fuelling.rev_limit_rpm
    time, cut = driving.log["time"].values, is_cut(driving.log, car, revision)
    at_work = cut[np.abs(time - check.at_s) <= 0.5].any()
    work = "The fuel was cut meanwhile, so it was at work, but e" if at_work else "E"
    past = f"{work}ngine speed ran {check.value - limiter:.0f} rpm past it"
    stands = f"the limiter of {revision.name} is set to {limiter:.0f} rpm"
    return f"{stands}. {past}. Set it lower by as much, or look for a gear missed"


def _overshoot(check: Check, limiter: float) -> str:
    if not check.value > limiter:
        return ""
    return f"engine speed ran {check.value - limiter:.0f} rpm past the limiter: it swings so far, or a gear was missed"


def _road_speed(driving: Driving, car: Car) -> Asked:
    """Road speed against the owner's top speed: beyond it for certain only where slip and scale cannot explain it."""
    log, limit = driving.log, car.limits.top_speed_km_h
    what = _most("road_speed", "Highest road speed", "km/h", limit, "top_speed_km_h")
    channel = "road_speed_km_h"
    if has(log, "gps_speed_km_h") and _share(log, "gps_speed_km_h") >= 0.9 * _share(log, channel):
        channel = "gps_speed_km_h"
    whole = tuple(replace(span, kind="driving") for span in driving.running)
    check = hold_channel(log, what, channel, whole)
    if not np.isfinite(check.value + check.lower):
        return Asked(check, channel)
    down, up = WHEEL_SPEED_DOUBT if channel == "road_speed_km_h" else GPS_SPEED_DOUBT
    lower = min(check.lower, check.value / (1 + down))
    certain = lower > limit
    check = replace(
        check, lower=lower, upper=max(check.upper, check.value * (1 + up)),
        quantity=what if certain else replace(what, worst_status="watch"),
    )  # fmt: skip
    told = (
        "slip of driven wheels and the sensor's scale" if channel == "road_speed_km_h" else "the position's own doubt"
    )
    return Asked(check, channel, "" if certain or check.margin >= 0 else f"{told} may explain it")


def _share(log: xr.Dataset, channel: str) -> float:
    """Share of a log's time between the first and the last trusted reading of a channel."""
    time, _ = fresh_readings(log, channel) if has(log, channel) else (np.array([]), None)
    whole = float(log["time"].values[-1] - log["time"].values[0])
    return float(time[-1] - time[0]) / whole if time.size > 1 and whole > 0 else 0.0


NO_LIMIT = "car.toml states no limit to compare it with"


def watch_limits(log: xr.Dataset, car: Car, revision: Revision, session: Session, delay: DelayFit) -> LimitWatch:
    """Hold every reading of a log against the owner's limits.

    Parameters
    ----------
    log : Dataset
        A flagged log of any step.
    car, revision
        The owner's limits are the authority; curve, dead time and current rev limit.
    session : Session
        Its steps: only in the step full-throttle an opening below 90 % may count as full throttle.
    delay : DelayFit
        Transport delay and lag of the lambda sensor, from `estimate_delay`.

    Returns
    -------
    LimitWatch
        A limit that is not stated, a channel that is not logged and a reading that never moves are not shown, each with
        its reason. A quantity that car.toml has no limit for and that the log does not hold is left out.
    """
    driving = find_driving(log, car, revision, session)
    mixture = hold_mixture(driving, car, revision, delay)
    watched = tuple(_watched(driving, item) for item in _ask_limits(driving, car, revision, mixture))
    running, loaded = (sum(s.end_s - s.start_s for s in spans) for spans in (driving.running, driving.loaded))
    because = "" if any(np.isfinite(w.check.value) for w in watched) else "no reading could be compared with a limit."
    return LimitWatch(watched, mixture.readings, driving.load_from_pct, running, loaded, delay, because)


def ask_every_limit(driving: Driving, car: Car, revision: Revision, delay: DelayFit) -> list[Asked]:
    """Hold what was driven against every limit of the owner's, before anything is said of sensors that never moved."""
    return _ask_limits(driving, car, revision, hold_mixture(driving, car, revision, delay))


def _ask_limits(driving: Driving, car: Car, revision: Revision, mixture: HeldMixture) -> list[Asked]:
    asked = [
        Asked(mixture.lean, "lambda_measured", mixture.lean_note, "under load"),
        Asked(mixture.full, "lambda_measured", where="at full throttle"),
        *ask_all(driving, car, revision),
    ]
    return [item for item in asked if item.check.quantity.limit is not None or _is_logged(driving.log, item)]


def _is_logged(log: xr.Dataset, item: Asked) -> bool:
    return np.isfinite(item.check.value) if item.channel == "manifold_kpa" else has(log, item.channel)


def _watched(driving: Driving, item: Asked) -> Watched:
    check = item.check
    still = never_moved(driving.log, item.channel, check)
    if check.quantity.limit is None:
        check = replace(check, because=f"{NO_LIMIT}.")
    elif still:
        check = missing(check.quantity, still, check.samples_flagged)
    elif not np.isfinite(check.value):
        known = has(driving.log, item.channel) and check.samples_used == 0 and "no reading" in check.because
        check = replace(check, because=f"no reading to be trusted {item.where}.") if known else check
    if not np.isfinite(check.value):
        nan = float("nan")
        return Watched(check, item.channel, nan, nan, 0, nan)
    at = int(np.argmin(np.abs(driving.log["time"].values - check.at_s)))
    throttle = _at(driving.log, "throttle_pct", at)
    load, gear, lift = float(driving.load_pct[at]), int(driving.gear[at]), _lift(check)
    if check.quantity.limit is not None:
        check = replace(check, because=_because(driving, check, item.note, (throttle, load, gear, lift)))
    return Watched(check, item.channel, throttle, load, gear, lift)


def never_moved(log: xr.Dataset, channel: str, check: Check) -> str:
    """Say that the reading behind a check never moved in a log; empty where it did, or was not logged."""
    if not never_moves(log, channel):
        return ""
    value = float(np.nanmax(log[channel].values))
    about = CHANNELS[channel]
    text = f"{about.label} never moved in this log ({value:g} {about.shown_unit} throughout)"
    more = "; that lies beyond the limit, so look at the sensor and at what it measures" if check.margin < 0 else ""
    return f"{text}: a dead sensor reads the same, so it shows nothing{more}"


def _lift(check: Check) -> float:
    """First moment at which the driver could have seen a limit passed and should have lifted; NaN where he need not."""
    if not check.quantity.lift or check.status not in ("stop", "watch") or check.margin >= 0:
        return float("nan")
    return min((breach.seen_s for breach in check.breaches), default=check.at_s)


def _at(log: xr.Dataset, name: str, row: int) -> float:
    return float(at_rows(log, name)[row]) if has(log, name) else float("nan")


def _because(driving: Driving, check: Check, note: str, conditions: tuple[float, float, int, float]) -> str:
    """One sentence: when, under which conditions, how long beyond, when to lift."""
    throttle, load, gear, lift = conditions
    log, at = driving.log, int(np.argmin(np.abs(driving.log["time"].values - check.at_s)))
    spark = _at(log, "spark_deg", at) if check.quantity.id == "limits.knock_retard" else float("nan")
    speed = np.nan if check.quantity.id == "limits.engine_speed" else check.engine_speed_rpm  # that is the value itself
    parts = [f"worst at {check.at_s:.1f} s"]
    parts += [
        text.format(value)
        for text, value in (("{:.0f} rpm", speed), ("throttle {:.0f} %", throttle),
                            ("load {:.0f} %", load), ("gear {}", gear or np.nan), ("spark {:.3g}°", spark))
        if np.isfinite(value)
    ]  # fmt: skip
    told = ", ".join(parts)
    if check.margin < 0 and check.breaches:
        seconds = sum(breach.end_s - breach.start_s for breach in check.breaches)
        times = {1: "once", 2: "twice"}.get(len(check.breaches), f"{len(check.breaches)} times")
        told = f"{told}; beyond the limit {times}, {seconds:.1f} s in all"
    if np.isfinite(lift):
        told = f"{told}; the driver should first have lifted at {lift:.1f} s"
    return f"{told}; {note}." if note else f"{told}."
