"""What goes into the ECU: the flows at the curve's own breakpoints that serve the measured curve best."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy

from tunelab.channels import channel
from tunelab.study.steady.curve import beside, reach_of
from tunelab.study.steady.leak import Suspicion
from tunelab.study.steady.model import SCALLOP_MEAN_SD, Columns, Coordinate, Design, coordinate_of, hat_matrix
from tunelab.study.steady.points import Points
from tunelab.study.steady.posterior import Posterior, local_mean
from tunelab.study.steady.prediction import (
    Setting,
    fuel_error,
    in_force,
    log_error_draws,
    opened_ms,
)
from tunelab.study.steady.result import DeadTimeError, MeterError
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import DeadTime, MeterCurve, Revision

ENOUGH_SECONDS = 10.0  # of evidence within reach, beyond which a reading weighs no more


SPARSE = 0.3  # weight of a reading without any, between readings that have some


SURE = 0.004  # standard deviation of the log factor beyond which a reading weighs less


HOME = 0.1  # weight of a breakpoint's own measured value beside the straight lines that it draws


ROUNDS = 3


EVEN = 300  # readings along which straight lines are laid, where nothing says which of them count more


DIGITS = 3  # of flows in kg/h and of dead times in ms


@dataclass(frozen=True)
class Evidence:
    """All that a setting is judged by."""

    points: Points  # of the steady blocks
    places: Points  # every place that was driven or idled in
    at_breakpoints: Points  # operating point of each breakpoint
    posterior: Posterior
    meter: MeterError
    dead_time: DeadTimeError
    car: Car
    revision: Revision
    suspicion: Suspicion | None = None  # where an exhaust leak is suspected and not shown

    @property
    def either(self) -> tuple[Posterior, ...]:
        """Posteriors under which no place may come out further off: with a leak and without, where both may be."""
        return (self.posterior,) if self.suspicion is None else (self.suspicion.tight, self.suspicion.leaking)


def full_dead_time(evidence: Evidence) -> DeadTime:
    """Dead times with the whole measured change, not below zero; as current where it is not shown."""
    change = np.nan_to_num(evidence.dead_time.rows["change_ms"].to_numpy())
    return shifted_dead_time(evidence.revision.dead_time, change)


def shifted_dead_time(table: DeadTime, change_ms: np.ndarray) -> DeadTime:
    """Table with a change at every row, not below zero; a row without a change stays exactly as it is."""
    now = np.asarray(table.dead_time_ms)
    moved = np.where(change_ms == 0, now, np.round(np.maximum(now + change_ms, 0.0), DIGITS))
    return table.model_copy(update={"dead_time_ms": moved.tolist()})


def best_curve(evidence: Evidence, dead_time: DeadTime, *, most_change: float) -> MeterCurve:
    """Curve in the revision's breakpoints that leaves the least lambda error with `dead_time` in the ECU.

    The ECU draws straight lines between breakpoints, so their flows are chosen for the lines to follow the measured
    curve where the evidence lies. What a dead time other than the fitted one leaves is taken into the curve, on the
    average of where was driven: a curve never goes in on the assumption of a dead time that does not. Where nothing
    was measured a breakpoint keeps its pulse under the new dead time, and moves beyond that only as far as the
    posterior knows better. `most_change` is the largest relative change of a flow.
    """
    curve = evidence.revision.meter_curve
    flow = np.asarray(curve.flow_kg_h, dtype=float)
    follow = evidence.meter.points["follow"].to_numpy()
    alone = follow < 1
    unmeasured = unmeasured_factor(evidence, dead_time)
    proposed = curve
    for _ in range(ROUNDS):
        factor = np.where(alone, unmeasured, _factors(evidence, Setting(proposed, dead_time), unmeasured))
        moved = flow * np.clip(factor, 1 - most_change, 1 + most_change)
        rising = np.asarray(scipy.optimize.isotonic_regression(moved, weights=_firmness(evidence)).x)
        rises = np.where(flow > 0, rising / np.where(flow > 0, flow, 1.0), 1.0)
        proposed = curve.model_copy(update={"flow_kg_h": as_entered(rises, curve).tolist()})
    return proposed


def as_entered(factor: np.ndarray, curve: MeterCurve) -> np.ndarray:
    """Rising flows as they are typed in [kg/h]; one that hardly moves stays as it is."""
    flow = np.asarray(curve.flow_kg_h, dtype=float)
    wanted = np.maximum(flow * factor, 0.0)
    rounded = np.where(np.abs(wanted - flow) < 10.0**-DIGITS, flow, np.round(wanted, DIGITS))
    return np.maximum.accumulate(rounded)


def _firmness(evidence: Evidence) -> np.ndarray:
    """How little a breakpoint yields for the curve to rise: most where the car goes and nothing was measured."""
    basis = evidence.meter.points["basis"].to_numpy()
    unmeasured = np.where(reached(evidence.revision.meter_curve, evidence.places), 1e6, 1e-3)
    return np.where(basis == "measured", 1.0, np.where(basis == "extended", 0.05, unmeasured))


def reached(curve: MeterCurve, places: Points) -> np.ndarray:
    """Which breakpoints bear on a place that was driven or idled in, steady or not, shape (breakpoints,)."""
    return beside(curve.reading, places.reading)


def unmeasured_factor(evidence: Evidence, dead_time: DeadTime) -> np.ndarray:
    """Factor of each breakpoint's flow if nothing was measured at it, shape (breakpoints,).

    Where the car was seen its pulse stays what it was, so that it is no further off than before, and of the error that
    the posterior expects there as much goes as the posterior is sure of. Where it never was, the curve alone goes on.
    """
    at, posterior, revision = evidence.at_breakpoints, evidence.posterior, evidence.revision
    before, after = (
        np.interp(at.battery_v, table.battery_v, table.dead_time_ms) for table in (revision.dead_time, dead_time)
    )
    opened = opened_ms(at, in_force(revision), evidence.car, revision)
    kept = np.maximum(1.0 - (after - before) / np.maximum(opened, 1e-6), 0.0)
    seen = reached(revision.meter_curve, evidence.places)
    expected = expected_error(at, seen, posterior, evidence.car, revision)[0]
    return np.where(seen, kept, 1.0) * np.exp(evidence.meter.points["follow"].to_numpy() * expected)


def expected_error(at: Points, seen: np.ndarray, posterior: Posterior, car: Car, revision: Revision) -> np.ndarray:
    """Draws of log lambda's error at each breakpoint as it is; of the curve's alone where the car was never seen."""
    factor = np.array([np.interp(at.reading, posterior.reading, row) for row in posterior.log_factor])
    return np.where(seen, log_error_draws(at, posterior, in_force(revision), car, revision), factor)


def _factors(evidence: Evidence, setting: Setting, unmeasured: np.ndarray) -> np.ndarray:
    """Factor of each breakpoint's flow, by weighted least squares on the relative error of the straight lines."""
    curve = evidence.revision.meter_curve
    coordinate = coordinate_of(curve, evidence.points.reading)
    reading, target, weight = _targets(evidence, setting, coordinate)
    flow = np.maximum(np.asarray(curve.flow_kg_h, dtype=float), 1e-6)
    lines = hat_matrix(curve.reading, reading) * flow
    wanted = (lines.sum(axis=1)) * np.exp(target)
    home = _home(evidence, setting, coordinate)
    rows = np.vstack([lines / wanted[:, None] * weight[:, None], HOME * np.eye(flow.size)])
    aim = np.concatenate([weight, HOME * home])
    fixed = evidence.meter.points["follow"].to_numpy() < 1
    factor = unmeasured.copy()
    if (~fixed).any():
        left = aim - rows[:, fixed] @ factor[fixed]
        factor[~fixed] = np.linalg.lstsq(rows[:, ~fixed], left, rcond=None)[0]
    return factor


def beyond_lines(design: Design, columns: Columns, reading: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of what the ECU's straight lines cannot follow of the curve at readings, and what is added to them.

    The breakpoints' flows are those whose lines lie nearest to the curve all along these readings, as in a proposal.
    """
    curve, parts = np.asarray(design.curve.reading, dtype=float), columns.parts
    flow = np.maximum(np.asarray(design.curve.flow_kg_h, dtype=float), 1e-6)

    def bends(at: np.ndarray) -> np.ndarray:
        rows = np.zeros((at.size, columns.matrix.shape[1]))
        rows[:, parts["curve"]] = hat_matrix(design.nodes, design.coordinate.at(at))
        rows[:, parts["scallop"]] = design.scallop_at(at)[:, None]
        return rows

    def lines(at: np.ndarray) -> np.ndarray:
        share = hat_matrix(curve, at) * flow
        return share / share.sum(axis=1, keepdims=True)

    even = np.linspace(reading.min(), reading.max(), EVEN)
    firm = lines(even).T @ lines(even) + HOME**2 * np.eye(curve.size)
    nearest = np.linalg.solve(firm, lines(even).T @ bends(even) + HOME**2 * bends(curve))
    beyond = bends(reading) - lines(reading) @ nearest
    return beyond, SCALLOP_MEAN_SD[0] * beyond[:, parts["scallop"]].sum(axis=1)


def _targets(evidence: Evidence, setting: Setting, coordinate: Coordinate) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Readings from the first to the last measured one, log change wanted at each, and its weight."""
    meter, posterior, points = evidence.meter, evidence.posterior, evidence.points
    measured = np.flatnonzero(np.isfinite(meter.factor))
    if not measured.size:
        return np.empty(0), np.empty(0), np.empty(0)
    between = slice(measured[0], measured[-1] + 1)
    reading, log_factor = posterior.reading[between], posterior.log_factor[0, between]
    seconds = reach_of(coordinate, points.reading, float(points.seconds.mean()), reading)
    driven = SPARSE + (1 - SPARSE) * np.minimum(seconds, ENOUGH_SECONDS) / ENOUGH_SECONDS
    weight = np.sqrt(driven / (1 + (posterior.log_factor_sd[between] / SURE) ** 2))
    return reading, log_factor - _fuel_at(evidence, setting, coordinate, reading), weight


def _home(evidence: Evidence, setting: Setting, coordinate: Coordinate) -> np.ndarray:
    """Factor that each breakpoint would take by itself; 1 where unchanged."""
    table = evidence.meter.points
    own = fuel_error(
        evidence.at_breakpoints, evidence.posterior.dead_time_ms[:1], setting, evidence.car, evidence.revision
    )[0]
    measured = (table["basis"] == "measured").to_numpy()
    fuel = np.where(measured, _fuel_at(evidence, setting, coordinate, table["reading"].to_numpy()), own)
    return table["factor"].fillna(1.0).to_numpy() * np.exp(-fuel)


def _fuel_at(evidence: Evidence, setting: Setting, coordinate: Coordinate, reading: np.ndarray) -> np.ndarray:
    """Mean fuel error about each reading with the setting in the ECU, over the undisturbed points."""
    points = evidence.points
    error = fuel_error(points, evidence.posterior.dead_time_ms[:1], setting, evidence.car, evidence.revision)[0]
    kept = ~points.disturbed if (~points.disturbed).any() else points.disturbed
    return local_mean(coordinate.at(points.reading[kept]), error[kept], coordinate.at(reading))


def best_setting(evidence: Evidence) -> Setting:
    """All of the fit in the ECU, no caps."""
    dead_time = full_dead_time(evidence)
    return Setting(best_curve(evidence, dead_time, most_change=np.inf), dead_time)


def spared_for_a_leak(evidence: Evidence, *, right: float) -> tuple[Evidence, Evidence]:
    """Give the evidence with lean left at little air for an exhaust leak that may be: the least that does, and enough.

    Enough is as lean as it is now, up to the expected leak: with one and without, lambda then moves the right way.
    To go by lambda as it was read would leave places richer than now, and than `right` (a share), if there is a leak.
    """
    suspicion, posterior, points = evidence.suspicion, evidence.posterior, evidence.points
    if suspicion is None:
        raise ValueError("no exhaust leak is suspected: nothing has to be left lean for one.")
    tight = suspicion.tight
    only_mean = replace(tight, log_factor=tight.log_factor[:1], dead_time_ms=tight.dead_time_ms[:1])
    now = log_error_draws(points, only_mean, in_force(evidence.revision), evidence.car, evidence.revision)[0]
    coordinate = coordinate_of(evidence.revision.meter_curve, points.reading)
    kept = ~points.disturbed if (~points.disturbed).any() else points.disturbed
    places = coordinate.at(points.reading[kept]), now[kept], coordinate.at(posterior.reading)
    error, belief = local_mean(*places), suspicion.belief
    return _leaner(evidence, belief.left_lean(error, right=right)), _leaner(evidence, belief.between(error))


def with_over_reading(evidence: Evidence, share: float) -> Evidence:
    """Give the evidence with a share of the mean over-reading from pulsation at each reading taken into the curve."""
    posterior, points = evidence.posterior, evidence.points
    coordinate = coordinate_of(evidence.revision.meter_curve, points.reading)
    over = np.where(points.disturbed, -posterior.pulsation[0], 0.0)
    return _leaner(evidence, share * local_mean(coordinate.at(points.reading), over, coordinate.at(posterior.reading)))


def _leaner(evidence: Evidence, left: np.ndarray) -> Evidence:
    """Give the evidence with a log lambda error, as it is read, left at each reading; shape (grid,)."""
    posterior, table = evidence.posterior, evidence.meter.points
    factor = table["factor"] * np.exp(-np.interp(table["reading"], posterior.reading, left))
    return replace(
        evidence,
        posterior=replace(posterior, log_factor=np.vstack([posterior.log_factor[0] - left, posterior.log_factor[1:]])),
        meter=replace(evidence.meter, points=table.assign(factor=factor)),
    )


HELD = 0.005  # of the flow: what is less is not worth a word


def _full_curve(evidence: Evidence) -> np.ndarray:
    return np.asarray(best_curve(evidence, full_dead_time(evidence), most_change=np.inf).flow_kg_h)


def _log_change(evidence: Evidence) -> np.ndarray:
    """Log of the full curve over the current one; 0 where either is zero or the car neither was nor is followed."""
    now, then = np.asarray(evidence.revision.meter_curve.flow_kg_h), _full_curve(evidence)
    bears = reached(evidence.revision.meter_curve, evidence.places) | (evidence.meter.points["follow"] > 0).to_numpy()
    both = (now > 0) & (then > 0) & bears
    return np.log(np.where(both, then, 1.0) / np.where(both, now, 1.0))


def common_share(evidence: Evidence, change_ms: np.ndarray, most: float) -> float:
    """Largest share of the whole change that keeps every cap."""
    log_change = _log_change(evidence)
    room = np.where(log_change > 0, np.log1p(most), -np.log(max(1 - most, 1e-6)))
    ratios = np.concatenate(
        [np.abs(log_change) / room, np.abs(change_ms) / evidence.car.limits.dead_time_change_max_ms]
    )
    return float(1.0 / max(1.0, ratios.max()))


def shared_change(evidence: Evidence, change_ms: np.ndarray, share: float) -> Setting:
    """A setting with this share of both changes: the curve's and the dead time's."""
    curve, log_change = evidence.revision.meter_curve, _log_change(evidence)
    dead_time = shifted_dead_time(evidence.revision.dead_time, share * change_ms)
    nothing_known = (evidence.meter.points["follow"] == 0).to_numpy()
    most = float(convert(evidence.car.limits.meter_change_max_pct, "percent", "1"))
    kept = np.clip(unmeasured_factor(evidence, dead_time), 1 - most, 1 + most)
    factor = np.where(nothing_known, kept, np.exp(share * log_change))
    return Setting(curve.model_copy(update={"flow_kg_h": as_entered(factor, curve).tolist()}), dead_time)


def within_caps_of(evidence: Evidence, setting: Setting, scaled: bool) -> tuple[str, ...]:
    """Say where a cap or the floor bit."""
    limits, lines = evidence.car.limits, []
    most = float(convert(limits.meter_change_max_pct, "percent", "1"))
    wanted = np.exp(_log_change(evidence))
    beyond = np.abs(wanted - 1) > most + 1e-3
    if beyond.any():
        at = evidence.revision.meter_curve.reading[beyond]
        unit = channel(evidence.meter.channel).shown_unit
        lines.append(
            f"The curve wanted up to {100 * np.abs(wanted[beyond] - 1).max():.1f} % at readings from {at[0]:.4g} to "
            f"{at[-1]:.4g} {unit}; one revision may change it by {limits.meter_change_max_pct:g} %."
        )
    rows = evidence.dead_time.rows
    change, now = np.nan_to_num(rows["change_ms"].to_numpy()), rows["dead_time_in_force_ms"].to_numpy()
    if (now + change < 0).any():
        lines.append("The dead time was kept at zero where the change would have taken it below.")
    if (np.abs(np.maximum(change, -now)) > limits.dead_time_change_max_ms + 5e-4).any():
        lines.append(
            f"The dead time wanted {change[np.argmax(np.abs(change))]:+.3f} ms; one revision may change it by "
            f"{limits.dead_time_change_max_ms:g} ms. The curve was chosen for the dead time that goes in."
        )
    if scaled:
        lines.append(
            "Curve and dead time go in by one common share, because they belong together and the whole of both would "
            "pass a cap or leave some place further off than it is."
        )
    if setting == in_force(evidence.revision):
        lines.append("Nothing is changed: any change within the caps is expected to leave some place further off.")
    return (*lines, *_held_by_neighbours(evidence, setting, most))


def _held_by_neighbours(evidence: Evidence, setting: Setting, most: float) -> list[str]:
    """Say where a measured breakpoint stops at the flow of one that stays: a curve has to rise."""
    table = evidence.meter.points
    now, flow = table["flow_in_force_kg_h"].to_numpy(), np.asarray(setting.curve.flow_kg_h)
    unmeasured = reached(evidence.revision.meter_curve, evidence.places) & (table["basis"] == "unchanged").to_numpy()
    stays = np.isin(np.round(flow, DIGITS), np.round(flow[unmeasured], DIGITS))
    wanted = now * np.clip(table["factor"].to_numpy(), 1 - most, 1 + most)
    short = np.abs(wanted - flow) > HELD * flow
    unit = channel(evidence.meter.channel).shown_unit
    lines = []
    for i in np.flatnonzero((table["basis"] == "measured") & stays & short):
        side, left = ("above", "lean") if wanted[i] > flow[i] else ("below", "rich")
        lines.append(
            f"At {table['reading'].iloc[i]:.4g} {unit} the curve wants {wanted[i]:.4g} kg/h and goes in with "
            f"{flow[i]:.4g}: nothing was measured {side} it, so the value there stays, and a curve has to rise. About "
            f"{100 * abs(wanted[i] / flow[i] - 1):.1f} % {left} is left there until the range {side} is driven."
        )
    return lines
