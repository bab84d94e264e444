"""The next revision: the meter curve and the dead times that the steady fit supports, for a person to review."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.study.steady.prediction import Setting, predict_lambda_error
from tunelab.study.steady.result import LambdaError, SteadyFit
from tunelab.study.steady.setting import DIGITS, Evidence, best_curve, full_dead_time, shifted_dead_time
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

HELD = 0.005  # of the flow: what is less is not worth a word


@dataclass(frozen=True)
class Proposal:
    """What to enter next: curve and dead time belong together and go in together."""

    base: Revision  # the revision it changes
    curve: pd.DataFrame
    """`meter_v` (or `meter_hz`, `meter_counts`), `flow_in_force_kg_h, factor, factor_lower, factor_upper,
    flow_proposed_kg_h, seconds, basis`; factor is the measured one, NaN where `basis` is `unchanged`."""
    dead_time: pd.DataFrame
    """`battery_v, dead_time_in_force_ms, change_ms, change_lower_ms, change_upper_ms, dead_time_proposed_ms, basis`."""
    capped: tuple[str, ...]
    """Where the owner's cap, the floor at zero or an untouched neighbour bit, one plain sentence each."""
    predicted: LambdaError  # with exactly these values in the ECU, trims at zero
    notes: tuple[str, ...]

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write the proposal as the revision `name`, based on the one it changes and saying that nothing else changes.

        `date` stands in until a person enters it.
        """
        flow, table = self.curve["flow_proposed_kg_h"].tolist(), self.dead_time["dead_time_proposed_ms"].tolist()
        changed = self.base.model_dump() | {"name": name, "date": date, "based_on": self.base.name}
        changed |= {"proposed_in": None, "entered_by": None, "also_changed": []}
        changed["meter_curve"]["flow_kg_h"] = flow
        changed["dead_time"]["dead_time_ms"] = table
        changed["notes"] = f"Proposed from the steady study; changes {self.base.name}. Review before entering."
        return Revision.model_validate(changed)


def propose(fit: SteadyFit, car: Car, revision: Revision) -> Proposal:
    """Propose the next curve and dead times within the owner's caps.

    Raises
    ------
    ValueError
        The fit refers to another revision.

    Notes
    -----
    Where the study shows nothing the proposal changes nothing and says why.
    """
    if fit.reference != revision.name:
        raise ValueError(
            f"the fit refers to revision {fit.reference}, not to {revision.name}: fit with reference={revision.name!r}."
        )
    if fit.because:
        return _nothing(fit, revision)
    evidence = Evidence(fit.points, fit.posterior, fit.meter, fit.dead_time, car, revision)
    setting, predicted, scaled = _within_caps(evidence)
    return Proposal(
        base=revision,
        curve=_curve_table(fit, setting),
        dead_time=_dead_time_table(fit, setting),
        capped=_capped(evidence, setting, scaled),
        predicted=predicted,
        notes=_notes(fit, predicted),
    )


def _nothing(fit: SteadyFit, revision: Revision) -> Proposal:
    """Leave all as it is, where there is no fit to propose from."""
    as_it_is = Setting(revision.meter_curve, revision.dead_time)
    tables = {"curve": _curve_table(fit, as_it_is), "dead_time": _dead_time_table(fit, as_it_is)}
    return Proposal(base=revision, **tables, capped=(), predicted=fit.predicted, notes=(fit.because, *fit.notes))


def _within_caps(evidence: Evidence) -> tuple[Setting, LambdaError, bool]:
    """Best of two ways to keep the caps: each value by itself, or curve and dead time by one common share.

    Meter error and dead-time error often pull lambda opposite ways; cutting only one of them short can leave more
    error than there was. A common share always leaves less.
    """
    limits = evidence.car.limits
    most = float(convert(limits.meter_change_max_pct, "percent", "1"))
    table = evidence.revision.dead_time
    change = np.asarray(full_dead_time(evidence).dead_time_ms) - np.asarray(table.dead_time_ms)
    held = np.clip(change, -limits.dead_time_change_max_ms, limits.dead_time_change_max_ms)
    singly = shifted_dead_time(table, held)
    settings = [(Setting(best_curve(evidence, singly, most_change=most), singly), False)]
    share = _common_share(evidence, change, most)
    if share < 1.0:
        settings.append((_shared(evidence, change, share), True))
    judged = [(s, predict_lambda_error(evidence.points, evidence.posterior, s, evidence.car, evidence.revision), scaled)
              for s, scaled in settings]  # fmt: skip
    return min(judged, key=lambda row: row[1].p95_pct)


def _full_curve(evidence: Evidence) -> np.ndarray:
    return np.asarray(best_curve(evidence, full_dead_time(evidence), most_change=np.inf).flow_kg_h)


def _log_change(evidence: Evidence) -> np.ndarray:
    """Log of the full curve over the one in force, 0 where either is zero."""
    now, then = np.asarray(evidence.revision.meter_curve.flow_kg_h), _full_curve(evidence)
    both = (now > 0) & (then > 0)
    return np.log(np.where(both, then, 1.0) / np.where(both, now, 1.0))


def _common_share(evidence: Evidence, change_ms: np.ndarray, most: float) -> float:
    """Largest share of the whole change that keeps every cap."""
    log_change = _log_change(evidence)
    room = np.where(log_change > 0, np.log1p(most), -np.log(max(1 - most, 1e-6)))
    ratios = np.concatenate(
        [np.abs(log_change) / room, np.abs(change_ms) / evidence.car.limits.dead_time_change_max_ms]
    )
    return float(1.0 / max(1.0, ratios.max()))


def _shared(evidence: Evidence, change_ms: np.ndarray, share: float) -> Setting:
    curve = evidence.revision.meter_curve
    flow = np.round(np.asarray(curve.flow_kg_h) * np.exp(share * _log_change(evidence)), DIGITS)
    unchanged = (evidence.meter.points["basis"] == "unchanged").to_numpy()
    flow = np.where(unchanged, curve.flow_kg_h, flow)
    return Setting(
        curve.model_copy(update={"flow_kg_h": np.maximum.accumulate(flow).tolist()}),
        shifted_dead_time(evidence.revision.dead_time, share * change_ms),
    )


def _curve_table(fit: SteadyFit, setting: Setting) -> pd.DataFrame:
    table = fit.meter.points.rename(columns={"reading": fit.meter.channel})
    table.insert(5, "flow_proposed_kg_h", setting.curve.flow_kg_h)
    return table


def _dead_time_table(fit: SteadyFit, setting: Setting) -> pd.DataFrame:
    table = fit.dead_time.rows.copy()
    table.insert(5, "dead_time_proposed_ms", setting.dead_time.dead_time_ms)
    return table


def _capped(evidence: Evidence, setting: Setting, scaled: bool) -> tuple[str, ...]:
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
        lines.append("Curve and dead time go in by one common share, because they belong together.")
    return (*lines, *_held_by_neighbours(evidence, setting, most))


def _held_by_neighbours(evidence: Evidence, setting: Setting, most: float) -> list[str]:
    """Say where a measured breakpoint stops at the flow of one that stays: a curve has to rise."""
    table = evidence.meter.points
    now, flow = table["flow_in_force_kg_h"].to_numpy(), np.asarray(setting.curve.flow_kg_h)
    stays = np.isin(np.round(flow, DIGITS), np.round(now[table["basis"] == "unchanged"], DIGITS))
    wanted = now * np.clip(table["factor"].to_numpy(), 1 - most, 1 + most)
    unit = channel(evidence.meter.channel).shown_unit
    lines = []
    for i in np.flatnonzero((table["basis"] == "measured") & stays & (np.abs(wanted / flow - 1) > HELD)):
        side, left = ("above", "lean") if wanted[i] > flow[i] else ("below", "rich")
        lines.append(
            f"At {table['reading'].iloc[i]:.4g} {unit} the curve wants {wanted[i]:.4g} kg/h and goes in with "
            f"{flow[i]:.4g}: {side} it nothing was measured, what stands there stays, and a curve has to rise. About "
            f"{100 * abs(wanted[i] / flow[i] - 1):.1f} % {left} is left there until the range {side} is driven."
        )
    return lines


def _notes(fit: SteadyFit, predicted: LambdaError) -> tuple[str, ...]:
    notes = ["Curve and dead time go in together: either alone leaves more lambda error than both."]
    if not fit.dead_time.shown:
        notes = [f"The dead time stays as it is. {fit.dead_time.because}"]
    if predicted.p95_pct > fit.before.p95_pct:
        notes.append("With these values lambda is not expected to get better: do not enter them before a better drive.")
    if (fit.meter.points["basis"] == "unchanged").any():
        notes.append("Breakpoints without enough calm driving stay exactly as they are.")
    return tuple(notes)
