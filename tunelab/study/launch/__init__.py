"""Launches: held speed, release, bog, slip, time to a distance, repeats and drivers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import scipy
import xarray as xr

from tunelab.log.align import row_step_s
from tunelab.study.finding import NAN, Estimate, mean_estimate, nothing, worst_estimate
from tunelab.study.launch.find import find_launches
from tunelab.study.launch.measure import Launch, is_late, measure
from tunelab.study.launch.result import CUT_CAUTION, HEAT_CAUTION, LET_GO_S, QUANTITIES, LaunchStudy, without_held_speed
from tunelab.study.statistics import DriverContrast, OneWay, contrast, effects_table, one_way
from tunelab.workspace.car import Car

__all__ = [
    "CUT_CAUTION", "HEAT_CAUTION", "LET_GO_S", "Launch", "LaunchStudy", "contrast", "effects_table",
    "find_launches", "one_way", "study_launches",
]  # fmt: skip

BOG_STEP_RPM = 10.0  # what a reading of engine speed is good for


def study_launches(
    log: xr.Dataset, car: Car, *, driver: str, distance_m: float, others: Sequence[tuple[xr.Dataset, str]] = ()
) -> LaunchStudy:
    """Study the launches of a flagged log, with those of other sessions beside them.

    Parameters
    ----------
    log : Dataset
    car : Car
    driver : str
        Who drove this session.
    distance_m : float
        Distance for which the time is wanted. [m]
    others : sequence of (log, driver)
        Flagged logs of other sessions, to compare repeats and drivers with.
    """
    spans, because = find_launches(log, car)
    own = [measure(log, car, span, driver=driver, distance_m=distance_m) for span in spans]
    more = [
        measure(other, car, span, driver=name, distance_m=distance_m)
        for other, name in others
        for span in find_launches(other, car)[0]
    ]
    allowed = car.limits.launch_let_go_max_s
    late = [
        launch.number for launch in own if is_late(launch, LET_GO_S if allowed is None else allowed, row_step_s(log))
    ]
    used = sum(launch.samples for launch in own)
    effects, contrasts = _compare([*own, *more] if own else [])
    return LaunchStudy(
        shown=bool(own),
        because=because,
        launches=(*own, *more),
        spans=spans,
        distance_m=distance_m,
        **_values(own, because),
        effects=effects,
        contrasts=contrasts,
        sessions=_sessions(own, more),
        late=tuple(late),
        not_engaged=tuple(launch.number for launch in own if launch.engaged is False),
        session=str(log.attrs.get("session", "")),
        samples_used=used,
        samples_flagged=log.sizes["time"] - used,
    )


def _sessions(own: list[Launch], more: list[Launch]) -> tuple[DriverContrast, ...]:
    """Sessions of this session's driver, compared with each other in the time to the distance."""
    groups: dict[str, list[float]] = {}
    for launch in [*own, *more]:
        if own and launch.driver and launch.driver == own[0].driver:
            groups.setdefault(launch.session, []).append(launch.time_to_distance_s)
    _, words, unit = QUANTITIES[0]
    return tuple(contrast(groups, words, unit, of="sessions"))


def _values(own: list[Launch], because: str) -> dict[str, Estimate]:
    """Means over the launches of this session."""

    def mean(name: str, unit: str) -> Estimate:
        values = np.array([getattr(launch, name) for launch in own], dtype=float)
        known = int(np.isfinite(values).sum())
        if not known:
            return nothing(unit, because or "the log does not show it")
        return mean_estimate(values, unit, used=known, flagged=values.size - known, what="launches")

    longest = max((launch.hold_seconds for launch in own), default=NAN)
    return {
        "held": _held(own, because),
        "bog": _bog([launch.bog_rpm for launch in own], because),
        "recovery": mean("recovery_s", "s"),
        "slip": _slip(mean("slip_peak_pct", "%"), own),
        "time_to_distance": _time(mean("time_to_distance_s", "s"), own, because),
        "repeatability": _spread([launch.time_to_distance_s for launch in own], because),
        "longest_hold": Estimate(longest, longest - 0.1, longest + 0.1, "s", len(own), 0, "longest hold"),
    }


def _bog(bogs: list[float], because: str) -> Estimate:
    """Deepest bog of the launches; none may pass the limit."""
    worst = worst_estimate(bogs, "rpm", step=BOG_STEP_RPM, flagged=int(np.isnan(bogs).sum()), what="launches")
    return worst if worst.shown else nothing("rpm", because or "the log does not show it")


def _slip(mean: Estimate, own: list[Launch]) -> Estimate:
    """The mean slip, its interval widened by what all launches share: scale and lateness of the ground speed."""
    if not mean.shown:
        return mean
    reach = float(np.hypot(mean.upper - mean.value, 1.96 * np.nanmean([launch.slip_se_pct for launch in own])))
    text = f"{mean.method}, and scale and lateness of the ground speed, which all share"
    return replace(mean, lower=mean.value - reach, upper=mean.value + reach, method=text)


def _time(mean: Estimate, own: list[Launch], because: str) -> Estimate:
    """The mean time, its interval widened by what all launches share: scale and lateness of the speed."""
    if not mean.shown:
        return nothing("s", because or _short(own))
    half = np.array([(launch.time_upper_s - launch.time_lower_s) / 2 for launch in own])
    reach = float(np.hypot(mean.upper - mean.value, np.nanmean(half)))
    text = f"{mean.method}, and scale and lateness of the speed, which all share"
    return replace(mean, lower=mean.value - reach, upper=mean.value + reach, method=text)


def _short(own: list[Launch]) -> str:
    """Why no launch has a time."""
    driven = [launch.end_distance_m for launch in own if np.isfinite(launch.end_distance_m)]
    if not driven:
        return own[0].slip_source.removeprefix("not shown: ")
    return f"no launch reached the distance: the longest ended after {max(driven):.0f} m"


def _held(own: list[Launch], because: str) -> Estimate:
    """Mean held speed; never surer than the holds' own standard errors let it be.

    Where some holds engaged, those that did not are left out: they are the foot's speed, not the hold's.
    """
    engaged = [launch for launch in own if launch.engaged is not False] or own
    values = np.array([launch.held_rpm for launch in engaged], dtype=float)
    errors = np.array([launch.held_se_rpm for launch in engaged], dtype=float)
    known = int(np.isfinite(values).sum())
    if not known:
        return nothing("rpm", because or without_held_speed(own))
    found = mean_estimate(values, "rpm", used=known, flagged=len(own) - known, what="launches")
    within = 1.96 * float(np.sqrt(np.nanmean(errors**2) / known))
    loose = len(own) - len(engaged)
    left_out = f"{loose} of {len(own)} did not engage and are left out" if loose else ""
    method = "; ".join(text for text in (found.method, left_out, without_held_speed(own)) if text)
    if found.upper - found.value >= within:
        return replace(found, method=method)
    method += "; interval from within the holds"
    return replace(found, lower=found.value - within, upper=found.value + within, method=method)


def _spread(times: list[float], because: str) -> Estimate:
    """Standard deviation of repeats, chi-squared interval."""
    values = np.array(times, dtype=float)
    known = values[np.isfinite(values)]
    if known.size < 3:
        return nothing("s", because or f"{known.size} launches reached the distance; three are wanted for a spread")
    spread, free = float(known.std(ddof=1)), known.size - 1
    low, high = (float(np.sqrt(free / scipy.stats.chi2.ppf(q, free))) for q in (0.975, 0.025))
    text = f"standard deviation of {known.size} launches, chi-squared interval"
    return Estimate(spread, spread * low, spread * high, "s", known.size, values.size - known.size, text)


def _compare(launches: list[Launch]) -> tuple[dict[str, OneWay], tuple[DriverContrast, ...]]:
    """Analyse every quantity by driver; those without two drivers of two repeats are left out."""
    effects, contrasts = {}, []
    for name, words, unit in QUANTITIES:
        groups: dict[str, list[float]] = {}
        for launch in launches:
            if launch.driver:
                groups.setdefault(launch.driver, []).append(float(getattr(launch, name)))
        try:
            effects[words] = one_way(groups)
        except ValueError:
            continue
        contrasts += contrast(groups, words, unit)
    return effects, tuple(contrasts)
