"""Full throttle judged: the margins of everything that the owner limits, and every stretch against all of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS, FUEL_MODES, in_words
from tunelab.log.align import OF_NO_MATTER, at_rows, fresh_readings, has, never_moves, row_step_s
from tunelab.log.flag import MASKS, trusted, trusted_rows
from tunelab.physics import STANDARD_ATMOSPHERE_KPA
from tunelab.physics.fuel import injector_duty
from tunelab.study.delay import DelayFit
from tunelab.study.finding import Finding, shows_its_table, step_of
from tunelab.study.full_throttle.check import (
    LIFT_COLUMNS,
    NEVER_MOVED,
    Breach,
    Check,
    Quantity,
    Series,
    Stretch,
    first_breaches,
    full_throttle_stretches,
    hold_against,
    missing,
)
from tunelab.study.full_throttle.mixture import Mixture, check_mixture
from tunelab.study.pull import is_full_throttle
from tunelab.study.pull_result import PullSet
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

START_S = 0.5  # mean over this long after opening is the start that a rise or drop counts from
MODE_SETTLE_S = 0.5  # an ECU may take this long to leave closed loop
NEAR_LIMIT_RPM = 150.0  # fuel cut this close below the limit is the limiter at work
Stretches = tuple[Stretch, ...]


def check_margins(log: xr.Dataset, car: Car, revision: Revision, stretches: Stretches) -> list[Check]:
    """Hold every quantity but lambda against its limit."""
    return [
        _duty(log, car, stretches),
        *([_meter(log, car, revision, stretches)] if car.has_meter else []),
        _knock(log, car, stretches),
        *_temperatures(log, car, stretches),
        _battery(log, car, stretches),
        _fuel_pressure(log, car, stretches),
        _oil_pressure(log, car, stretches),
        _mode(log, car, revision, stretches),
    ]


def _duty(log: xr.Dataset, car: Car, stretches: Stretches) -> Check:
    limit = car.limits.injector_duty_max_pct
    what = _quantity("injector_duty", "Highest injector duty", "%", limit, "injector_duty_max_pct", "higher", lift=True)
    if has(log, "pulse_width_ms") and has(log, "engine_speed_rpm"):
        ok = trusted(log, "pulse_width_ms", "engine_speed_rpm", allow=OF_NO_MATTER).values
        pulse, rpm = (np.maximum(at_rows(log, name), 0) for name in ("pulse_width_ms", "engine_speed_rpm"))
        duty = injector_duty(pulse, rpm, injections_per_cycle=car.injectors.injections_per_cycle)
        share = np.nanmax(np.where(pulse > 0, duty / np.where(pulse > 0, pulse, 1.0), 0.0), initial=0.0)
        step = share * _step(log, "pulse_width_ms", "engine_speed_rpm")
        return hold_against(what, _rows(log, np.where(ok, duty, np.nan), stretches, step), stretches)
    return _simple(log, what, "injector_duty_pct", stretches, "pulse_width_ms")


def _meter(log: xr.Dataset, car: Car, revision: Revision, stretches: Stretches) -> Check:
    """Meter headroom; at its rail or beyond the end of its curve the ECU no longer sees more air."""
    limit = car.limits.meter_headroom_min_pct or 0.0
    key, title = "meter_headroom_min_pct", "Smallest air-meter headroom"
    what = _quantity("meter_headroom", title, "%", limit, key, "lower", lift=True)
    channel = car.meter.channel
    if not has(log, channel):
        return missing(what, f"the log has no {in_words(channel)}", 0)
    curve = revision.meter_curve
    top = min(float(curve.reading[-1]), car.meter.rail_high)
    most = float(np.interp(top, curve.reading, curve.flow_kg_h))
    ok = _believed(log, channel, despite=("rail",))
    reading = np.where(ok, log[channel].values, np.nan)
    headroom = 100 * (1 - np.interp(reading, curve.reading, curve.flow_kg_h) / most)
    headroom = np.where(np.isfinite(reading), headroom, np.nan)
    series = _rows(log, headroom, stretches, step_of(headroom))
    check = hold_against(what, series, stretches)
    return _with_rail(check, log, channel, top, stretches)


def _with_rail(check: Check, log: xr.Dataset, channel: str, top: float, stretches: Stretches) -> Check:
    """Name a meter that stood at its stop: nothing above it was measured, so nothing above it is said."""
    stuck = [s.name for s in stretches if np.mean(log[channel].values[s.rows] >= top) > 0.05]
    if not stuck:
        return check
    unit = CHANNELS[channel].unit
    where = f"at its rail or the end of its curve ({top:g} {unit}) in {', '.join(stuck)}"
    return replace(check, because=f"the meter was {where}: more air was not seen; {check.because}")


def _knock(log: xr.Dataset, car: Car, stretches: Stretches) -> Check:
    limit = car.limits.knock_retard_max_deg
    what = _quantity("knock_retard", "Highest knock retard", "°", limit, "knock_retard_max_deg", "higher", lift=True)
    what = replace(what, never_below=0.0)
    check = _simple(log, what, "knock_retard_deg", stretches)
    if not np.isfinite(check.value):
        return check
    at = int(np.argmin(np.abs(log["time"].values - check.at_s)))
    extra = [
        f"{CHANNELS[name].label} {at_rows(log, name)[at]:.3g} {unit}"
        for name, unit in (
            ("spark_deg", "°"),
            ("air_flow_kg_h", "kg/h"),
            ("manifold_kpa", "kPa"),
            ("intake_air_c", "°C"),
        )
        if has(log, name) and np.isfinite(at_rows(log, name)[at])
    ]
    tail = f" There: {', '.join(extra)}." if extra else ""
    return replace(check, because=check.because + tail)


def _temperatures(log: xr.Dataset, car: Car, stretches: Stretches) -> list[Check]:
    limits, found = car.limits, []
    for channel, title, most, most_key, rise, rise_key in (
        ("intake_air_c", "intake air", limits.intake_air_max_c, "intake_air_max_c", limits.intake_air_rise_max_c,
         "intake_air_rise_max_c"),
        ("coolant_c", "coolant", limits.coolant_max_c, "coolant_max_c", limits.coolant_rise_max_c,
         "coolant_rise_max_c"),
    ):  # fmt: skip
        hottest = _quantity(channel[:-2], f"Hottest {title}", "°C", most, most_key, "higher", lift=True)
        found.append(_simple(log, hottest, channel, stretches))
        warming = _quantity(
            f"{channel[:-2]}_rise", f"Largest rise of {title}", "°C", rise, rise_key, "higher", lift=False
        )
        found.append(_change(log, warming, channel, stretches))
    return found


def _battery(log: xr.Dataset, car: Car, stretches: Stretches) -> Check:
    limit = car.limits.battery_min_v
    what = _quantity("battery", "Lowest battery voltage", "V", limit, "battery_min_v", "lower", lift=True)
    return _simple(log, what, "battery_v", stretches)


def _oil_pressure(log: xr.Dataset, car: Car, stretches: Stretches) -> Check:
    limit = car.limits.oil_pressure_min_kpa
    what = _quantity("oil_pressure", "Lowest oil pressure", "kPa", limit, "oil_pressure_min_kpa", "lower", lift=True)
    return _simple(log, what, "oil_pressure_kpa", stretches)


def _fuel_pressure(log: xr.Dataset, car: Car, stretches: Stretches) -> Check:
    """By how much the rail falls short of what its regulator should hold."""
    limit, key = car.limits.fuel_pressure_drop_max_kpa, "fuel_pressure_drop_max_kpa"
    title = "Largest fuel-pressure drop"
    what = _quantity("fuel_pressure_drop", title, "kPa", limit, key, "higher", lift=True)
    if not has(log, "fuel_pressure_kpa"):
        return missing(what, f"the log has no {in_words('fuel_pressure_kpa')}", 0)
    wanted = np.full(log.sizes["time"], car.injectors.rail_pressure_kpa)
    names: tuple[str, ...] = ("fuel_pressure_kpa",)
    if car.injectors.pressure == "manifold-referenced" and has(log, "manifold_kpa"):
        outside = at_rows(log, "barometer_kpa") if has(log, "barometer_kpa") else STANDARD_ATMOSPHERE_KPA
        wanted, names = wanted + at_rows(log, "manifold_kpa") - outside, (*names, "manifold_kpa")
    ok = _believed(log, "fuel_pressure_kpa")
    short = np.where(ok, wanted - at_rows(log, "fuel_pressure_kpa"), np.nan)
    return hold_against(what, _rows(log, short, stretches, _step(log, *names)), stretches)


def _mode(log: xr.Dataset, car: Car, revision: Revision, stretches: Stretches) -> Check:
    """Seconds in closed loop, or with the fuel cut below the limit, when the throttle was fully open."""
    title = "Time in the wrong fuelling mode"
    what = Quantity("full_throttle.fuel_mode", title, "s", 0.1, "fixed: 0.1 s", "higher", lift=True, never_below=0.0)
    if not has(log, "fuel_mode"):
        return missing(what, "the log has no fuel_mode", 0)
    mode, rpm, time = log["fuel_mode"].values, _speed(log), log["time"].values
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm) - NEAR_LIMIT_RPM
    wrong = (mode == 2) | ((mode == 3) & ~(rpm > limit))
    names: set[str] = set()
    spent = []
    for stretch in stretches:
        late = (time >= stretch.start_s + MODE_SETTLE_S) & (time <= stretch.end_s)
        bad = late & wrong
        names |= {FUEL_MODES[int(m)].replace("_", " ") for m in np.unique(mode[bad])}
        running = np.cumsum(np.where(bad, np.gradient(time), 0.0))
        spent.append(np.where(late, running - running[stretch.first], np.nan))
    total = np.nanmax(np.stack([np.full(time.size, -np.inf), *spent]), axis=0)
    step = row_step_s(log) if np.isfinite(_step(log, "fuel_mode")) else float("nan")
    series = _rows(log, np.where(np.isfinite(total), total, np.nan), stretches, step)
    check = hold_against(what, series, stretches)
    if not names or not np.isfinite(check.value):
        return check
    return replace(check, because=f"{' and '.join(sorted(names))} at full throttle; {check.because}")


def _quantity(
    name: str, title: str, unit: str, limit: float | None, key: str, worse: Literal["higher", "lower"], *, lift: bool
) -> Quantity:
    return Quantity(f"full_throttle.{name}", title, unit, limit, f"limits.{key}", worse, lift)


def _simple(log: xr.Dataset, what: Quantity, channel: str, stretches: Stretches, other: str = "") -> Check:
    """Hold a channel as it was logged against its limit."""
    if not has(log, channel):
        return missing(what, f"the log has no {' or '.join(in_words(x) for x in (other, channel) if x)}", 0)
    time, values = fresh_readings(log, channel)
    what = replace(what, channel=channel)
    return hold_against(what, _picked(log, time, values, channel, stretches), stretches)


def _change(log: xr.Dataset, what: Quantity, channel: str, stretches: Stretches) -> Check:
    """Hold the rise of a channel since the start of each stretch against its limit."""
    if not has(log, channel):
        return missing(what, f"the log has no {in_words(channel)}", 0)
    values, time = at_rows(log, channel), log["time"].values
    rise = np.full(time.size, np.nan)
    for stretch in stretches:
        early = (time >= stretch.start_s) & (time <= stretch.start_s + START_S)
        if np.isfinite(values[early]).any():
            rise[stretch.rows] = values[stretch.rows] - np.nanmean(values[early])
    what = replace(what, channel=channel)
    return hold_against(what, _rows(log, rise, stretches, 2**0.5 * _step(log, channel)), stretches)


def _believed(log: xr.Dataset, channel: str, *, despite: tuple[str, ...] = ()) -> np.ndarray:
    return trusted(log, channel, allow=(*OF_NO_MATTER, *despite)).values


def _step(log: xr.Dataset, channel: str, *more: str) -> float:
    """Smallest step between two readings of a channel; NaN where it never moves, or one of `more` that goes with it."""
    return float("nan") if any(never_moves(log, name) for name in more) else step_of(fresh_readings(log, channel)[1])


def _rows(log: xr.Dataset, values: np.ndarray, stretches: Stretches, step: float) -> Series:
    """Series from values on every row, NaN where not to be trusted."""
    inside = np.concatenate([np.arange(s.first, s.last + 1) for s in stretches]) if stretches else np.array([], int)
    number = np.concatenate([np.full(s.last - s.first + 1, s.number) for s in stretches]) if stretches else inside
    keep = np.isfinite(values[inside])
    rows = inside[keep]
    time = log["time"].values[rows]
    rpm = _speed(log)[rows]
    return Series(time, time, values[rows], rpm, number[keep], int((~keep).sum()), step)


def _picked(log: xr.Dataset, time: np.ndarray, values: np.ndarray, channel: str, stretches: Stretches) -> Series:
    """Series from fresh readings."""
    number = np.zeros(time.size, dtype=int)
    for stretch in stretches:
        number[(time >= stretch.start_s) & (time <= stretch.end_s)] = stretch.number
    keep = number > 0
    rows = np.searchsorted(log["time"].values, time[keep])
    bits = log[f"{channel}_flag"].values | log["sample_flag"].values
    ignored = sum(MASKS[reason] for reason in OF_NO_MATTER)
    flagged = sum(int(((bits[s.rows] & ~np.int32(ignored)) != 0).sum()) for s in stretches)
    return Series(time[keep], time[keep], values[keep], _speed(log)[rows], number[keep], flagged, step_of(values))


def _speed(log: xr.Dataset) -> np.ndarray:
    return at_rows(log, "engine_speed_rpm") if has(log, "engine_speed_rpm") else np.full(log.sizes["time"], np.nan)


# What a study with stretches of its own (`study/limits`) holds against the same limits, in the same way.
check_duty, check_meter, check_fuel_pressure = _duty, _meter, _fuel_pressure
hold_channel, hold_rise, hold_rows = _simple, _change, _rows


@shows_its_table
@dataclass(frozen=True)
class FullThrottle:
    """Every check of full throttle, and the first moment in each stretch at which the driver should have lifted."""

    shown: bool
    because: str  # why nothing was judged
    stretches: tuple[Stretch, ...]
    checks: tuple[Check, ...]
    mixture: Mixture | None
    limit_lambda: float
    lift: pd.DataFrame
    """`stretch, lift_s, seconds_after_opening, engine_speed_rpm, check, worst`: the first breach that the driver could
    have seen, per stretch that has one."""
    samples_used: int  # rows of full throttle
    samples_flagged: int  # of those, rows left out by a flag of the whole sample

    def summary(self) -> pd.DataFrame:
        """One row per check: value, interval, limit, margin, status, where."""
        rows = [
            (
                c.quantity.title,
                c.value,
                c.lower,
                c.upper,
                c.quantity.unit,
                c.quantity.limit,
                c.margin,
                c.status,
                c.because,
            )
            for c in self.checks
        ]
        names = ["check", "value", "lower", "upper", "unit", "limit", "margin", "status", "because"]
        return pd.DataFrame(rows, columns=names).set_index("check")

    def breaches(self) -> pd.DataFrame:
        """One row per breach, in the order in which they were to be seen."""
        found: list[Breach] = sorted((b for c in self.checks for b in c.breaches), key=lambda b: b.seen_s)
        names = ["stretch", "check", "start_s", "end_s", "seen_s", "engine_speed_rpm", "worst", "lift"]
        return pd.DataFrame([{name: getattr(b, name) for name in names} for b in found], columns=names)

    def findings(self) -> list[Finding]:
        """One finding per check; where nothing was driven a single one that says so."""
        if not self.shown:
            title = "Full throttle"
            return [Finding("full_throttle", title, None, "1", None, None, None, 0, 0, "not_shown", None, self.because)]
        return [check.finding() for check in self.checks]


def check_full_throttle(
    log: xr.Dataset,
    car: Car,
    revision: Revision,
    pulls: PullSet,
    delay: DelayFit,
    *,
    beside: tuple[xr.Dataset, ...] = (),
    earlier: tuple[pd.DataFrame, ...] = (),
) -> FullThrottle:
    """Judge full throttle: mixture, injectors, meter, knock, temperatures, supply, fuelling mode.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    car, revision
        The owner's limits are the authority; curve and current dead time.
    pulls : PullSet
        Of `find_pulls` on the same log. Stretches of full throttle that make no pull are judged too.
    delay : DelayFit
        Transport delay and lag of the lambda sensor, from `estimate_delay`.
    beside : tuple of Dataset
        Other flagged logs of the same car and logger. A reading that never moves in this log is alive if it does there.
    earlier : tuple of DataFrame
        `by_pull` of the mixture of earlier drives with this revision: what lambda is off is the mean over all pulls.

    Returns
    -------
    FullThrottle
        A check whose channel or limit is missing is not shown and says so; it never counts as met. Nor does a reading
        that never changed.
    """
    stretches = full_throttle_stretches(log, is_full_throttle(log), pulls)
    if not stretches:
        because = pulls.because or "the throttle was never fully open for half a second."
        empty = pd.DataFrame(columns=LIFT_COLUMNS)
        return FullThrottle(False, because, (), (), None, car.limits.lambda_max_full_load, empty, 0, 0)
    mixture = check_mixture(log, car, revision, stretches, delay, earlier=earlier)
    first = (
        _no_mixture(car, mixture)
        if isinstance(mixture, str)
        else [mixture.lean, mixture.against_commanded, mixture.rich]
    )
    checks = tuple(_alive_beside(c, beside) for c in (*first, *check_margins(log, car, revision, stretches)))
    known = None if isinstance(mixture, str) else mixture
    limit = car.limits.lambda_max_full_load
    lift = first_breaches(checks, stretches)
    return FullThrottle(True, "", stretches, checks, known, limit, lift, *count_rows(log, stretches))


def count_rows(log: xr.Dataset, stretches: Stretches) -> tuple[int, int]:
    """Rows of the stretches, and how many of those are left out by a flag of the whole sample: a pull is no steady
    driving, and a check that wants a warm engine or no fuel cut looks for itself, so those flags leave nothing out."""
    good = trusted_rows(log, allow=OF_NO_MATTER)
    return sum(s.last - s.first + 1 for s in stretches), sum(int((~good[s.rows]).sum()) for s in stretches)


def _alive_beside(check: Check, beside: tuple[xr.Dataset, ...]) -> Check:
    """Give a reading that never moved in this log the step that it shows in another log of the car."""
    channel = check.quantity.channel
    if check.moved or not channel or not np.isfinite(check.value):
        return check
    steps = [step_of(fresh_readings(log, channel)[1]) for log in beside if has(log, channel)]
    if not np.isfinite(steps).any():
        return check
    half = float(np.nanmin(steps)) / 2
    lower = max(check.value - half, check.quantity.never_below)
    text = f"{check.because.removesuffix(NEVER_MOVED)}It never changed in this log, but does in another of the car."
    return replace(check, lower=lower, upper=check.value + half, because=text)


def _no_mixture(car: Car, why: str) -> list[Check]:
    limit, key = car.limits.lambda_max_full_load, "limits.lambda_max_full_load"
    title = "Leanest lambda at full throttle"
    return [missing(Quantity("full_throttle.lambda", title, "1", limit, key, "higher", lift=True), why, 0)]
