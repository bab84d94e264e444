"""What to enter for the idle: base value and target over coolant temperature, and the way back to idle.

The base value is what the ECU opens before its own control acts. At a settled idle on target the control has found what
the engine wants, so the opening that is logged there is the base value that was wanted. Each step is small, in the
owner's own breakpoints and within the owner's limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.study.finding import Estimate, Finding, Question, judge, step_of
from tunelab.study.fuel_cut_log import FuelCutStudy
from tunelab.study.idle import IdleStudy
from tunelab.study.idle.events import SETTLED_RPM, idle_blocks
from tunelab.study.table_proposal import (
    CHANGED,
    COLUMNS,
    NOT_MEASURED,
    RIGHT,
    Off,
    TableProposal,
    capped_step,
    nothing_proposed,
    off_finding,
)
from tunelab.workspace.car import Car, stated
from tunelab.workspace.revision import IdleBase, Revision

# All common practice, no source.
BESIDE = 1 / 3  # blocks at a breakpoint lie no further to one side, in steps to its neighbour
LEAST_BLOCKS = 3
BETWEEN_PCT, BETWEEN_AIR = 0.7, 0.05  # one visit to a temperature against another: points of opening, share of air
PRIOR_VISITS = 3  # so many visits' worth is believed of it until a log has enough of its own
FULL_PCT = 100.0
CHANGE_MAX_PCT = 5.0  # where the owner states no limit: points of opening, or per cent of air
MARGIN_PCT = 5.0  # of opening kept to either end of the actuator where the owner states none
TARGET_STEP_RPM = 50.0
SLOWER, QUICKER = 1.3, 0.7  # most that one revision changes the way back to idle by
HANGS = 0.5  # of the settling that is spent hanging: then a quicker fading helps
BASE_TITLE = "Base value of the idle"
TARGET_TITLE = "Idle speed over coolant temperature"
RETURN_TITLE = "Way back to idle"


def propose_idle(
    log: xr.Dataset, car: Car, revision: Revision, idle: IdleStudy, cut: FuelCutStudy
) -> tuple[TableProposal, ...]:
    """Propose every idle table of the revision, or say why nothing is proposed.

    Parameters
    ----------
    log : Dataset
        The flagged log that `idle` and `cut` were studied in.
    car, revision
        The owner's limits, and the tables in force. A table that the revision does not state is not proposed.

    Returns
    -------
    tuple of TableProposal
        Base value, target, way back to idle. Breakpoints that were not measured stay exactly as they are.
    """
    seen = idle_blocks(log, car, revision)
    seen = seen[~seen["loaded"].astype(bool)]
    base = propose_base(seen, car, revision)
    return base, propose_target(seen, car, revision, idle), propose_return(car, revision, cut, waits=base.changes)


@dataclass(frozen=True)
class _At:
    """What was measured at one breakpoint: value with standard error and degrees of freedom, blocks behind it."""

    value: float = float("nan")
    error: float = float("nan")
    freedom: float = float("nan")
    blocks: int = 0


def _window(seen: pd.DataFrame, points: np.ndarray, k: int) -> pd.DataFrame:
    """Blocks near a breakpoint; those of an only breakpoint, or beyond the last ones, as near as on the other side."""
    steps = np.diff(points)
    below = steps[k - 1] if k else (steps[0] if steps.size else 30.0)
    above = steps[k] if k < steps.size else (steps[-1] if steps.size else 30.0)
    offset = seen["coolant_c"] - points[k]
    return seen[(offset >= -BESIDE * below) & (offset <= BESIDE * above)].assign(offset=offset)


def _measured(seen: pd.DataFrame, points: np.ndarray, k: int, column: str, between: float) -> _At:
    """Value at a breakpoint by the visits to its temperature, the slope over temperature taken out.

    Visits differ by more than their own noise (oil, charge, mixture): with few of them the spread that they usually
    have is taken for theirs.
    """
    own = _window(seen, points, k)
    own = own[np.isfinite(own[column])]
    if len(own) < LEAST_BLOCKS:
        return _At(blocks=len(own))
    slope = _slope(own, column)
    levelled = own[column] - slope * own["offset"]
    visits = levelled.groupby(own["visit"]).agg(["mean", "size"])
    visits = visits[visits["size"] >= 2] if (visits["size"] >= 2).any() else visits
    means, count = visits["mean"].to_numpy(), len(visits)
    within = levelled.groupby(own["visit"]).std(ddof=1).mean()
    squares = PRIOR_VISITS * between**2 + float(((means - means.mean()) ** 2).sum())
    spread = np.sqrt(squares / (PRIOR_VISITS + count - 1))
    noise = 0.0 if not np.isfinite(within) else float(within) / np.sqrt(len(own))
    error = float(np.hypot(spread / np.sqrt(count), noise))
    return _At(float(means.mean()), error, float(PRIOR_VISITS + count - 1), len(own))


def _slope(own: pd.DataFrame, column: str) -> float:
    """Slope over temperature within visits; 0 where the temperature hardly moved."""
    x = own["offset"] - own.groupby("visit")["offset"].transform("mean")
    y = own[column] - own.groupby("visit")[column].transform("mean")
    return float((x * y).sum() / (x**2).sum()) if float((x**2).sum()) > len(own) else 0.0


def propose_base(seen: pd.DataFrame, car: Car, revision: Revision) -> TableProposal:
    """Propose the idle's base value at the breakpoints whose temperature was visited."""
    own, counts = revision.idle_base, (len(seen), 0)
    if own is None:
        why = f"{revision.name} does not state [idle_base], so nothing can be proposed in its breakpoints."
        return nothing_proposed(
            "idle_base", BASE_TITLE, revision, why, [_base_error(Off(*[np.empty(0)] * 3), counts, why)]
        )
    column, between, unit = (
        ("opening_pct", BETWEEN_PCT, "%") if own.key == "actuator_pct" else ("air_kg_h", 0.0, "kg/h")
    )
    known = seen[np.isfinite(seen[column])]
    still = not np.isfinite(step_of(known[column].to_numpy())) if len(known) else True
    on_target = known[known["error_rpm"].abs() <= SETTLED_RPM]
    points = np.asarray(own.coolant_c, dtype=float)
    between = between or BETWEEN_AIR * float(np.mean(own.values))
    found = [_At() if still else _measured(on_target, points, k, column, between) for k in range(points.size)]
    value, error, freedom = (np.array([getattr(at, name) for at in found]) for name in ("value", "error", "freedom"))
    why = _why_no_base(known, on_target, still, value, own)
    if why:
        none = _base_error(Off(*[np.empty(0)] * 3), counts, why)
        return nothing_proposed("idle_base", BASE_TITLE, revision, why, [none])
    measured, half = np.isfinite(value), scipy.stats.t.ppf(0.975, np.nan_to_num(freedom, nan=1.0)) * error
    proposed, capped = _base_steps(own, value, half, car)
    basis = np.where(~measured, NOT_MEASURED, np.where(proposed == own.values, RIGHT, CHANGED))
    held = measured & (proposed == own.values) & (np.abs(value - own.values) > half)
    basis = np.where(held, "kept: the actuator's end", basis)
    table = _rows(own.key, points, own.values, (value, value - half, value + half), proposed, unit, found, basis)
    now, then = (
        Off((values - value)[measured], error[measured], freedom[measured]) for values in (own.values, proposed)
    )
    used = (int(sum(at.blocks for at in found)), len(seen) - len(on_target))
    findings = [_base_error(now, used, "at settled idle on target, without electrical loads.", unit=unit)]
    changes = bool((proposed != own.values).any())
    if changes:
        findings.append(_base_error(then, used, "with exactly what is proposed in the ECU.", unit=unit, later=True))
    why = "" if changes else "Every breakpoint that was measured is right within its interval, or held by a limit."
    notes = _base_notes(points, measured)
    content = {own.key: [float(v) for v in proposed]} if changes else {}
    return TableProposal("idle_base", BASE_TITLE, revision, table, why, tuple(findings), capped, notes, content)


def _why_no_base(known: pd.DataFrame, on_target: pd.DataFrame, still: bool, value: np.ndarray, own: IdleBase) -> str:
    if known.empty:
        what = "idle_actuator_pct" if own.key == "actuator_pct" else "airflow"
        return f"no settled idle with coolant temperature and {what} is in the log."
    if still:
        return "the reading never changed at idle, so it may as well be a dead one."
    if on_target.empty:
        return (
            f"the idle was never within {SETTLED_RPM:g} rpm of its target: the control does not reach it, so its "
            "opening is not what the target wants. Look at the throttle stop, for false air and at the target first."
        )
    if not np.isfinite(value).any():
        return "no breakpoint was idled at long enough: 9 s within a third of the way to its neighbours are wanted."
    return ""


def _base_steps(own: IdleBase, value: np.ndarray, half: np.ndarray, car: Car) -> tuple[np.ndarray, tuple[str, ...]]:
    """Values to enter, rounded to a tenth, and where a limit applied."""
    now, limits = own.values, car.limits
    most = CHANGE_MAX_PCT if limits.idle_base_change_max_pct is None else limits.idle_base_change_max_pct
    wanted = np.where(np.isfinite(value) & (np.abs(value - now) > half), value, now)
    room = most if own.key == "actuator_pct" else now * most / 100
    step, lines = np.round(capped_step(wanted, now, room), 1), []
    short = np.abs(wanted - now) > room + 0.05
    if short.any():
        unit = "points of opening" if own.key == "actuator_pct" else "% of the air"
        lines.append(
            f"At {_list(own, short)} °C the idle wants more of a change than one revision may make ({most:g} {unit}); "
            "drive again after entering this."
        )
    if own.key == "actuator_pct":
        margin = MARGIN_PCT if limits.idle_actuator_margin_min_pct is None else limits.idle_actuator_margin_min_pct
        ends = np.clip(step, np.minimum(margin, now), np.maximum(FULL_PCT - margin, now))
        beyond = ends != step
        if beyond.any():
            lines.append(
                f"At {_list(own, beyond)} °C the idle wants an opening closer than {margin:g} % to the actuator's end: "
                "set the throttle stop or the bypass by hand, and look for false air; no table can do that."
            )
        step = ends
    return np.where(wanted == now, now, step), tuple(lines)


def _list(own: IdleBase, mask: np.ndarray) -> str:
    return ", ".join(f"{point:g}" for point in np.asarray(own.coolant_c)[mask])


def _base_notes(points: np.ndarray, measured: np.ndarray) -> tuple[str, ...]:
    gone = ", ".join(f"{point:g}" for point in points[~measured])
    if not gone:
        return ()
    return (f"Not idled at, and left exactly as they are: {gone} °C. Toward them the change fades along the table.",)


def _base_error(off: Off, counts: tuple[int, int], because: str, *, unit: str = "%", later: bool = False) -> Finding:
    if later:
        title = f"{BASE_TITLE} against what the idle wants, largest: predicted with the proposal"
        return off_finding("idle.base_predicted", title, unit, off, counts, because)
    return off_finding(
        "idle.base_error", f"{BASE_TITLE} against what the idle wants, largest", unit, off, counts, because
    )


def _rows(
    quantity: str, points: np.ndarray, now: np.ndarray, measured: tuple[np.ndarray, np.ndarray, np.ndarray],
    proposed: np.ndarray, unit: str, found: Sequence[_At], basis: np.ndarray,
) -> pd.DataFrame:  # fmt: skip
    """Rows of a proposal's table over coolant temperature."""
    values = dict(zip(("measured", "lower", "upper"), measured, strict=True))
    table = pd.DataFrame({
        "quantity": quantity, "coolant_c": points, "engine_speed_rpm": np.nan, "in_force": now, **values,
        "proposed": proposed, "unit": unit, "samples": [at.blocks for at in found], "basis": basis,
    })  # fmt: skip
    return table[COLUMNS]


def propose_target(seen: pd.DataFrame, car: Car, revision: Revision, idle: IdleStudy) -> TableProposal:
    """Propose a higher idle speed where the idle is too restless by the owner's limits; never outside the owner's own.

    It is raised by one small step, and never lowered: what a lower idle would do, no log shows.
    """
    own, limits = revision.idle_target, car.limits
    low, high = limits.idle_target_min_rpm, limits.idle_target_max_rpm
    why = _why_no_target(seen, car, revision)
    if why or own is None or low is None or high is None:
        return nothing_proposed("idle_target", TARGET_TITLE, revision, why)
    points = np.asarray(own.coolant_c, dtype=float)
    found = [
        _measured(seen, points, k, "spread_rpm", 0.2 * float(seen["spread_rpm"].mean())) for k in range(points.size)
    ]
    value, error, freedom = (np.array([getattr(at, name) for at in found]) for name in ("value", "error", "freedom"))
    half = scipy.stats.t.ppf(0.975, np.nan_to_num(freedom, nan=1.0)) * error
    restless = (value - half > (limits.idle_speed_spread_max_rpm or np.inf)) | _hunts(idle, points, car)
    proposed = np.where(restless, np.minimum(own.values + TARGET_STEP_RPM, high), own.values)
    proposed = np.clip(np.maximum(proposed, own.values), low, high)
    at_top = restless & (proposed == own.values)
    basis = np.where(~np.isfinite(value), NOT_MEASURED, np.where(restless, CHANGED, RIGHT))
    basis = np.where(at_top, "kept: the owner's limit", basis)
    ends = (value, value - half, value + half)
    table = _rows("target_rpm", points, own.values, ends, proposed, "rpm", found, basis)
    changes = bool((proposed != own.values).any())
    notes = ("Measured here is the spread of the idle speed. A hunting idle has a cause: look for it first.",)
    if not changes:
        what = (
            f"the owner's limit of {high:g} rpm holds it" if at_top.any() else "it is no more restless than the limits"
        )
        return TableProposal("idle_target", TARGET_TITLE, revision, table, f"{what.capitalize()}.", notes=notes)
    e, title = idle.speed_error, "Idle speed against its target: predicted with the higher target"
    key = "limits.idle_speed_error_max_rpm"
    question = Question("idle.target_predicted", title, limits.idle_speed_error_max_rpm, key, "away")
    then = judge(question, e, idle.because or "the control is taken to hold the new target as it holds this one.")
    content = {"target_rpm": [float(v) for v in proposed]}
    return TableProposal("idle_target", TARGET_TITLE, revision, table, "", (then,), (), notes, content)


def _why_no_target(seen: pd.DataFrame, car: Car, revision: Revision) -> str:
    limits = car.limits
    if revision.idle_target is None:
        return f"{revision.name} does not state [idle_target]."
    if limits.idle_target_min_rpm is None or limits.idle_target_max_rpm is None:
        return (
            "car.toml does not state limits.idle_target_min_rpm and limits.idle_target_max_rpm, within which it may be."
        )
    if limits.idle_speed_spread_max_rpm is None and limits.idle_hunting_max_rpm is None:
        return "car.toml states no limit of an idle's restlessness (idle_speed_spread_max_rpm, idle_hunting_max_rpm)."
    return "no settled idle with coolant temperature is in the log." if seen.empty else ""


def _hunts(idle: IdleStudy, points: np.ndarray, car: Car) -> np.ndarray:
    """Breakpoints at whose temperature a swing beyond the owner's limit was seen, by its whole interval."""
    limit, found = car.limits.idle_hunting_max_rpm, np.zeros(points.size, dtype=bool)
    if limit is None:
        return found
    coolant = idle.stretches.set_index("start_s")["coolant_c"]
    for swing in idle.hunting:
        starts = coolant.index.to_numpy(dtype=float)
        if swing.shown and swing.amplitude_lower_rpm > limit and starts.size:
            at = float(coolant.iloc[int(np.argmin(np.abs(starts - swing.start_s)))])
            if np.isfinite(at):
                found[int(np.argmin(np.abs(points - at)))] = True
    return found


def propose_return(car: Car, revision: Revision, cut: FuelCutStudy, *, waits: bool) -> TableProposal:
    """Propose how the extra air fades on the way back to idle, from how the returns dipped and settled.

    Slower where they dip further than the owner allows; quicker where they settle too late because they hang and none
    dips. `waits`: the base value changes in the same revision, which moves the returns by itself.
    """
    own, limits = revision.idle_return, car.limits
    dip, settling, hang = cut.undershoot_rpm, cut.settling_s, cut.hang_s
    most_dip, most_s = limits.idle_undershoot_max_rpm, limits.idle_settling_max_s

    def none(why: str) -> TableProposal:
        return nothing_proposed("idle_return", RETURN_TITLE, revision, why)

    if own is None:
        return none(f"{revision.name} does not state [idle_return].")
    if most_dip is None or most_s is None:
        return none("car.toml does not state limits.idle_undershoot_max_rpm and limits.idle_settling_max_s.")
    if waits:
        return none("the base value changes first: it moves the returns by itself. Drive again after entering it.")
    if not np.isfinite([dip.lower, dip.upper, settling.lower, settling.upper, hang.value]).all():
        return none(f"three returns to idle with an interval are wanted ({dip.method}).")
    stalls = bool(cut.returns["stalled"].any()) if len(cut.returns) else False
    if dip.value > most_dip or stalls:
        then = _return_predicted(
            "return.undershoot_predicted", dip, 1 / SLOWER, most_dip, "limits.idle_undershoot_max_rpm"
        )
        return _fades(
            revision, cut, SLOWER, then, f"the returns dip by {dip.words(0)}, the owner allows {most_dip:g} rpm"
        )
    if settling.value > most_s and hang.value >= HANGS * settling.value and dip.upper <= most_dip:
        factor = max(QUICKER, most_s / settling.value)
        shorter = 1 - hang.value * (1 - factor) / settling.value
        then = _return_predicted("return.settling_predicted", settling, shorter, most_s, "limits.idle_settling_max_s")
        said = f"the returns hang: they settle after {settling.words(1)}, the owner allows {most_s:g} s"
        return _fades(revision, cut, factor, then, said)
    if settling.value > most_s:
        return none("the returns settle late, but neither hang nor dip: the control's own gains make that, not this.")
    return none("the returns dip and settle within the owner's limits.")


def _return_predicted(name: str, now: Estimate, factor: float, limit: float, key: str) -> Finding:
    """What a return is expected to do then: no worse than now, and better by as much as the air fades otherwise."""
    later = Estimate(
        now.value * factor, max(now.lower * factor - 1e-9, 0.0), now.upper, now.unit, now.samples_used,
        now.samples_flagged, now.method,
    )  # fmt: skip
    what = "Undershoot on the return to idle" if "undershoot" in name else "Time until the idle has settled"
    because = "the interval reaches from all that the change can do to nothing at all."
    return judge(Question(name, f"{what}: predicted with the proposal", limit, key), later, because)


def _fades(revision: Revision, cut: FuelCutStudy, factor: float, then: Finding, said: str) -> TableProposal:
    own = stated(revision.idle_return, f"[idle_return] in revisions/{revision.name}.toml")
    proposed, count = round(own.decay_s * factor, 2), len(cut.returns)
    row = ("decay_s", np.nan, np.nan, own.decay_s, own.decay_s * factor, np.nan, np.nan, proposed, "s", count, CHANGED)
    table = pd.DataFrame([row], columns=COLUMNS)
    notes = (f"By {count} returns: {said}.",)
    content = {"decay_s": proposed}
    return TableProposal("idle_return", RETURN_TITLE, revision, table, "", (then,), (), notes, content)
