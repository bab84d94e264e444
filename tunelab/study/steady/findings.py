"""The steady study's findings, compared with the owner's limits."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from tunelab.channels import channel
from tunelab.study.finding import LEAN_STOP_PCT, Finding, Status, status_within
from tunelab.study.steady.suspects import BATTERY_LIMIT, BEND_DECAY_MS, WITHIN_HOSE

if TYPE_CHECKING:
    from tunelab.study.steady.result import (
        BankDifference,
        DeadTimeError,
        LambdaError,
        LeanAtLoad,
        Levels,
        LevelShift,
        SplitHalf,
        SteadyFit,
    )
    from tunelab.study.steady.suspects import Suspects
    from tunelab.workspace.car import Car

APART_PCT = 2.0  # two sensors that read further apart: in one pipe they cannot both be right; common practice
LEVEL_LIMIT_PCT = 1.0  # by which lambda may differ from half to half and from session to session; common practice
COURSE_LIMIT_PCT = 1.5  # the same from the lowest to the highest quarter of a drive; common practice, no source
WITHIN = (
    "Likely causes: a lambda sensor that ages, warms up or loses its calibration, a fuel pump or regulator that gets "
    "hot, an exhaust leak that opens, a meter that gets wet or dirty. Read the sensor in free air before and after a "
    "drive."
)
BETWEEN = (
    "Likely causes: another tank of fuel, a lambda sensor that was changed, calibrated or has aged, another fuel "
    "pressure, a filter or duct ahead of the meter that was touched. Fit the drives apart until that is settled."
)
GROUND = (
    "Likely causes: the ground or supply of the lambda sensor or its controller moves with the electrical load, or the "
    "fuel pump slows with the voltage. Multimeter between the sensor's ground and the ECU's, lamps on and off: no more "
    "than 0.02 V."
)
LINE = "A bench shows it: flow at 1.5, 2 and 3 ms on one straight line with that at long pulses."
LEAN_WAY_OUT = (
    " That is too lean to load the engine there, whatever its cause. Look at the fuel pressure under load, the filter "
    "and the pump, the injectors' duty, air that comes in after the meter, and the sensor, before it is loaded again."
)


class _Fit(Protocol):
    """What the fit of a meter and the fit of a table have in common, and all that is read of a table's here."""

    @property
    def confidence(self) -> float: ...

    @property
    def samples_used(self) -> int: ...

    @property
    def samples_flagged(self) -> int: ...

    @property
    def because(self) -> str: ...

    @property
    def before(self) -> LambdaError: ...

    @property
    def dead_time(self) -> DeadTimeError: ...

    @property
    def levels(self) -> Levels | None: ...

    @property
    def split_half(self) -> SplitHalf | None: ...

    @property
    def lean_at_load(self) -> LeanAtLoad | None: ...

    @property
    def banks(self) -> BankDifference | None: ...


def steady_findings(fit: SteadyFit, car: Car) -> list[Finding]:
    """Findings of the steady study, in the order in which a reader wants them."""
    limit = car.limits.steady_lambda_error_max_pct
    found = [
        _lambda(fit, "steady.lambda_error", "Lambda error at steady speed, as it is", fit.before, limit),
        _lean_at_load(fit, car),
        _lambda(
            fit, "steady.lambda_predicted", "Lambda error if the whole correction went in at once", fit.predicted, limit
        ),
        _meter(fit, car),
        _dead_time(fit, car),
        _slope(fit),
        _pulsation(fit),
        _repeat(fit),
    ]
    if fit.levels is not None and fit.levels.apart is not None:
        found.append(_sessions(fit, fit.levels, fit.levels.apart))
    if (own := fit.suspects) is not None:
        found += [_battery(fit, own), _injector_line(fit, own), _regulator(fit, own)]
    return found if fit.banks is None else [*found, _banks(fit, fit.banks)]


def shared_findings(fit: _Fit, car: Car) -> list[Finding]:
    """Findings that any car's steady driving gives, whatever its ECU takes the air from.

    `fit` is a SteadyFit, or the fit of a table with the fields of one that are read here.
    """
    limit, title = car.limits.steady_lambda_error_max_pct, "Lambda error at steady speed, as it is"
    found = [
        _lambda(fit, "steady.lambda_error", title, fit.before, limit),
        _lean_at_load(fit, car),
        _dead_time(fit, car),
        _slope(fit),
        _repeat(fit),
    ]
    if fit.levels is not None and fit.levels.apart is not None:
        found.append(_sessions(fit, fit.levels, fit.levels.apart))
    return found if fit.banks is None else [*found, _banks(fit, fit.banks)]


def _finding(
    fit: _Fit,
    key: str,
    title: str,
    *,
    values: tuple[float, float, float] | None,
    unit: str,
    status: Status,
    limit: float | None,
    because: str,
) -> Finding:
    """One finding; NaN ends of `values` mean a figure that has no interval of its own."""
    known = values if values is not None and np.isfinite(values[0]) else (np.nan, np.nan, np.nan)
    value, lower, upper = (v if np.isfinite(v) else None for v in known)
    return Finding(
        id=key,
        title=title,
        value=value,
        unit=unit,
        lower=lower,
        upper=upper,
        confidence=None if lower is None else fit.confidence,
        samples_used=fit.samples_used,
        samples_flagged=fit.samples_flagged,
        status="not_shown" if value is None else status,
        limit=limit,
        because=because,
    )


def _lambda(fit: _Fit, key: str, title: str, error: LambdaError, limit: float) -> Finding:
    """Met only if the whole interval lies within the limit."""
    status = status_within(error.p95_pct, error.lower_pct, error.upper_pct, most=limit)
    if fit.because:
        return _finding(fit, key, title, values=None, unit="%", status=status, limit=limit, because=fit.because)
    because = (
        f"In 95 of 100 cells of engine speed and airflow that were driven undisturbed, lambda lies within "
        f"{error.p95_pct:.1f} % of commanded (limit {limit:g} %); the worst hold is {error.worst_words} and a load of "
        f"{100 * error.worst_load:.0f} %."
    )
    if key == "steady.lambda_error" and error.worst_pct > LEAN_STOP_PCT:
        status = "stop"
        because += " That is too lean to load the engine there before it is set right."
    values = (error.p95_pct, error.lower_pct, error.upper_pct)
    return _finding(fit, key, title, values=values, unit="%", status=status, limit=limit, because=because)


def _lean_at_load(fit: _Fit, car: Car) -> Finding:
    """The leanest hold at load, whatever its cause: a stop beyond the owner's limit, or the usual one."""
    stated, lean = car.limits.lean_under_load_max_pct, fit.lean_at_load
    limit = LEAN_STOP_PCT if stated is None else stated
    title = "Leanest hold at load"
    if lean is None or lean.because:
        because = "" if lean is None else lean.because
        return _finding(
            fit, "steady.lean_at_load", title, values=None, unit="%", status="not_shown", limit=limit,
            because=f"{because} Hold some speeds at half throttle and more, watching lambda.".strip(),
        )  # fmt: skip
    values = (lean.lean_pct, lean.lower_pct, lean.upper_pct)
    status = status_within(*values, most=limit, beyond="stop")
    how = "as it was driven" if lean.as_driven else "with the trims at zero"
    title = f"{title}, {'as driven' if lean.as_driven else 'trims taken out'}"
    side = "leaner" if lean.lean_pct > 0 else "richer"
    rest = f"no hold at load is leaner than {lean.upper_pct:.1f} %"
    rest = rest if np.isfinite(lean.upper_pct) else "too few holds at load to say that none is leaner"
    because = (
        f"At {lean.engine_speed_rpm:.0f} rpm and a load of {100 * lean.load:.0f} % lambda is "
        f"{abs(lean.lean_pct):.1f} % {side} than commanded, {how}; {rest} (limit {limit:g} %, "
        f"{lean.holds} hold{'s' if lean.holds != 1 else ''} at load)."
    )
    if status == "stop":
        because += LEAN_WAY_OUT
    found = _finding(
        fit, "steady.lean_at_load", title, values=values, unit="%", status=status, limit=limit, because=because
    )
    return replace(found, samples_used=lean.samples)


def _meter(fit: SteadyFit, car: Car) -> Finding:
    """Largest measured error of the curve, against what one revision may change."""
    limit, meter = car.limits.meter_change_max_pct, fit.meter
    if not np.isfinite(meter.factor).any():
        because = fit.because or "No reading of the meter has enough steady driving."
        return _finding(
            fit, "steady.meter", "Largest error of the meter curve", values=None, unit="%", status="not_shown",
            limit=limit, because=because,
        )  # fmt: skip
    at = int(np.nanargmax(np.abs(np.log(meter.factor))))
    value, lower, upper = (float(100 * (v[at] - 1)) for v in (meter.factor, meter.lower, meter.upper))
    ends = 100 * (np.nanmin(meter.lower) - 1), 100 * (np.nanmax(meter.upper) - 1)
    status = status_within(value, *ends, least=-limit, most=limit)
    because = (
        f"At a reading of {meter.reading[at]:.4g} {channel(meter.channel).shown_unit} the true flow is "
        f"{value:+.1f} % off the curve; over all readings the interval runs from {ends[0]:+.1f} to "
        f"{ends[1]:+.1f} %. One revision may change it by {limit:g} %."
    )
    return _finding(
        fit, "steady.meter", "Largest error of the meter curve", values=(value, lower, upper), unit="%", status=status,
        limit=limit, because=because,
    )  # fmt: skip


def _dead_time(fit: _Fit, car: Car) -> Finding:
    dead, limit = fit.dead_time, car.limits.dead_time_change_max_ms
    status = status_within(dead.level_ms, dead.lower_ms, dead.upper_ms, least=-limit, most=limit)
    at = f" at {dead.reference_v:.1f} V" if np.isfinite(dead.reference_v) else ""
    return _finding(
        fit, "steady.dead_time", f"Dead-time error{at}",
        values=(dead.level_ms, dead.lower_ms, dead.upper_ms), unit="ms", status=status, limit=limit,
        because=dead.because,
    )  # fmt: skip


def _slope(fit: _Fit) -> Finding:
    dead = fit.dead_time
    values = (dead.slope_ms_v, dead.slope_lower_ms_v, dead.slope_upper_ms_v)
    return _finding(
        fit, "steady.dead_time_slope", "Dead-time error per volt", values=values, unit="ms/V",
        status=status_within(*values), limit=None, because=dead.slope_because,
    )  # fmt: skip


def _pulsation(fit: SteadyFit) -> Finding:
    over = fit.pulsation
    values: tuple[float, float, float] | None = None
    clear = np.where(over.lower_pct > 0, over.over_reading_pct, np.nan)
    if over.shown and np.isfinite(clear).any():
        at = np.unravel_index(np.nanargmax(clear), clear.shape)
        values = (float(over.over_reading_pct[at]), float(over.lower_pct[at]), float(over.upper_pct[at]))
    return _finding(
        fit, "steady.pulsation", "Largest over-reading from intake pulsation", values=values, unit="%",
        status="not_shown" if values is None else status_within(*values), limit=None, because=over.because,
    )  # fmt: skip


def _repeat(fit: _Fit) -> Finding:
    """Second half of the drive against the first: a fixed limit, whatever the misfit."""
    title = "Lambda in the second half of the drive against the first"
    levels = fit.levels
    halves = () if levels is None else levels.halves
    if levels is None or not halves:
        return _finding(
            fit, "steady.halves", title, values=None, unit="%", status="not_shown", limit=LEVEL_LIMIT_PCT,
            because=fit.because or "Too few holds to halve.",
        )  # fmt: skip
    worst = max(halves, key=lambda half: abs(half.shift_pct))
    ends = min(half.lower_pct for half in halves), max(half.upper_pct for half in halves)
    status = status_within(worst.shift_pct, *ends, least=-LEVEL_LIMIT_PCT, most=LEVEL_LIMIT_PCT)
    because = (
        f"At the same speed and load the second half of {worst.session} reads {worst.shift_pct:+.2f} % against the "
        f"first (limit {LEVEL_LIMIT_PCT:g} %); from the lowest quarter to the highest it is "
        f"{levels.course_pct:.1f} %."
    )
    if fit.split_half is not None:
        half = fit.split_half
        because += (
            f" Fitted apart, the curves of the halves differ by {half.difference_rms_pct:.2f} % (RMS); their intervals "
            f"lead one to expect {half.expected_rms_pct:.2f} %."
        )
        apart = half.difference_rms_pct > 2 * half.expected_rms_pct
        status = "watch" if status == "met" and apart else status
    if levels.moved_within:
        status, because = "watch", f"{because} The dead time is not shown, and the curve's interval reaches both. "
        because += WITHIN
    return _finding(
        fit, "steady.halves", title, values=(worst.shift_pct, worst.lower_pct, worst.upper_pct), unit="%",
        status=status, limit=LEVEL_LIMIT_PCT, because=because,
    )  # fmt: skip


def _sessions(fit: _Fit, levels: Levels, apart: LevelShift) -> Finding:
    """The two sessions that lie furthest apart."""
    values = (apart.shift_pct, apart.lower_pct, apart.upper_pct)
    status = status_within(*values, least=-LEVEL_LIMIT_PCT, most=LEVEL_LIMIT_PCT)
    each = ", ".join(
        f"{own.session} {own.shift_pct:+.2f} ({own.lower_pct:+.2f} to {own.upper_pct:+.2f})" for own in levels.sessions
    )
    because = f"At the same speed and load lambda reads, against the mean of all, in %: {each}."
    if abs(apart.shift_pct) > LEVEL_LIMIT_PCT:
        because += f" The curve's interval reaches all of them. {BETWEEN}"
    return _finding(
        fit, "steady.sessions", "Lambda from session to session, largest difference", values=values, unit="%",
        status=status, limit=LEVEL_LIMIT_PCT, because=because,
    )  # fmt: skip


def _battery(fit: SteadyFit, own: Suspects) -> Finding:
    """What lambda does with the battery's voltage, beside the dead time."""
    limit, (lower, upper) = 100 * BATTERY_LIMIT, own.battery.ends
    values = (100 * own.battery.value, 100 * lower, 100 * upper)
    because = f"{own.battery_words} The battery moved by {own.volts:.1f} V."
    if own.battery.beyond(BATTERY_LIMIT):
        because += f" {GROUND} The dead time is not shown, and the curve's interval reaches over the volts driven."
    way_out = f"The battery moved by {own.volts:.1f} V: hold one speed with lights, fan and heater off and on."
    return _suspected(
        fit, "steady.battery", "Lambda for each volt more at the battery, at the same speed and load", values=values,
        unit="%/V", limit=limit, because=because, way_out=way_out, least=-limit,
    )  # fmt: skip


def _suspected(
    fit: SteadyFit,
    key: str,
    title: str,
    *,
    values: tuple[float, float, float],
    unit: str,
    limit: float,
    because: str,
    way_out: str,
    least: float | None = None,
) -> Finding:
    """Watch a size beyond its limit; one that the drive cannot tell from none or from too much is not shown."""
    status = status_within(*values, least=least, most=limit)
    known = bool(np.isfinite(values[0]))
    if known and (status == "met" or status_within(values[0], values[0], values[0], least=least, most=limit) != "met"):
        return _finding(fit, key, title, values=values, unit=unit, status=status, limit=limit, because=because)
    reach = f"The drive shows it to ± {(values[2] - values[1]) / 2:.1f} {unit} only. " if known else ""
    return _finding(
        fit, key, title, values=None, unit=unit, status="not_shown", limit=limit, because=f"{reach}{way_out}"
    )


def _injector_line(fit: SteadyFit, own: Suspects) -> Finding:
    """Whether the injectors' flow keeps to a straight line down to the shortest pulses driven."""
    bend = own.bend
    at_shortest = 1000 * np.exp(-bend.shortest_ms / BEND_DECAY_MS)
    value, lower, upper = (float(at_shortest * value) for value in (bend.size.value, *bend.size.ends))
    values = (value, lower, upper)
    allowed = "The intervals of curve and dead time are those without a bend: this drive does not speak for one."
    if bend.spoken_for:
        allowed = "The intervals of curve and dead time allow for it."
    because = (
        f"At the shortest pulses, open for {bend.shortest_ms:.1f} ms, the injectors act as if open "
        f"{abs(value):.0f} µs {'longer' if value >= 0 else 'shorter'} than the line through the long pulses says. By "
        "this drive the chance that they bend at all is "
        f"{100 * bend.chance:.0f} %. {allowed} {LINE}"
    )
    return _finding(
        fit, "steady.injector_line", "Injectors off their straight line at the shortest pulses", values=values,
        unit="µs", status="watch" if bend.suspected else status_within(*values), limit=None, because=because,
    )  # fmt: skip


def _regulator(fit: SteadyFit, own: Suspects) -> Finding:
    """How much of what a fuel-pressure regulator off the manifold does is in the mixture."""
    limit, (lower, upper) = 100 * WITHIN_HOSE, own.regulator.ends
    values = (100 * own.regulator.value, 100 * lower, 100 * upper)
    because = "100 % would be a regulator whose hose is off the manifold, 0 % one whose hose is on."
    return _suspected(
        fit, "steady.regulator", "Mixture over load, as a regulator off the manifold would change it", values=values,
        unit="%", limit=limit, because=own.regulator_words if own.regulator.value > WITHIN_HOSE else because,
        way_out="Drive the same airflow at several engine speeds and loads, with manifold_kpa logged.",
    )  # fmt: skip


def _banks(fit: _Fit, bank: BankDifference) -> Finding:
    values = (bank.difference_pct, bank.lower_pct, bank.upper_pct)
    within = status_within(*values, least=-APART_PCT, most=APART_PCT)
    return _finding(
        fit, "steady.banks", "Second lambda sensor against the first", values=values, unit="%",
        status="watch" if bank.disagrees else within, limit=APART_PCT, because=bank.because,
    )  # fmt: skip
