"""The next revision: the meter curve and the dead times that the steady fit supports, for a person to review."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.study.finding import shows_its_table
from tunelab.study.steady.leak import LeakBelief
from tunelab.study.steady.posterior import Posterior
from tunelab.study.steady.prediction import (
    Setting,
    in_force,
    log_error_draws,
    predict_everywhere,
    predict_lambda_error,
    predict_next_drive,
)
from tunelab.study.steady.result import LambdaError, SteadyFit
from tunelab.study.steady.setting import (
    Evidence,
    best_curve,
    common_share,
    full_dead_time,
    reached,
    shared_change,
    shifted_dead_time,
    spared_for_a_leak,
    with_over_reading,
    within_caps_of,
)
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

RIGHT_PCT = 2.0  # lambda this near counts as right: a place right by chance may move within it; common practice

HARM_WEIGHT = 8.0  # of lambda further off than before at one place, against as much of it everywhere

UNLIKELY = 0.1  # chance of a leak below which only that it is unlikely is said; the kit's own
LEAK_WORD_PCT = 0.5  # beyond the prediction's upper end: what a leak adds less than is not worth a word

FOLDS = (0.4, 0.7, 1.0)  # shares of the mean over-reading that the curve may take in

FOLD_GAIN_PCT = 0.1  # by which that has to lower the error over all that was driven, to be offered

NEXT_DRIVE_SEED = 1  # the same fit predicts the same

SHARES = (0.0, 0.25, 0.5, 0.75)  # of the dead time's change, where all of it with its curve is not to be had


@dataclass(frozen=True)
class Everywhere:
    """Lambda error over all that was driven, and what a table can do where pulsation makes the meter over-read."""

    now: LambdaError
    unfolded: LambdaError  # with the curve that leaves the over-reading out
    folded: LambdaError | None  # with the curve that takes its mean in; None where that does not lower it
    folded_undisturbed: LambdaError | None  # what that one leaves where the intake does not pulse
    chosen: bool  # the proposal takes it in, as the owner asks in car.toml

    def sentence(self) -> str:
        """Say what a table can and cannot do there, and how to choose."""
        can = (
            "Where the intake pulses, the meter reads more than the air. The same reading is right at another engine "
            f"speed, so no curve sets both right. Now 95 % of all cells that were driven are within "
            f"{self.now.p95_pct:.1f} % of commanded lambda. With a curve that is right where the intake does not "
            f"pulse, they are within {self.unfolded.p95_pct:.1f} %."
        )
        if self.folded is None or self.folded_undisturbed is None:
            return f"{can} Taking the mean over-reading into the curve would not lower that."
        with_it = (
            f"A curve that takes the mean over-reading in leaves {self.folded.p95_pct:.1f} % over all cells, and "
            f"{self.folded_undisturbed.p95_pct:.1f} % where the intake does not pulse."
        )
        choice = "As car.toml asks, that is the one proposed."
        if not self.chosen:
            choice = "To choose that one, write fold_pulsation = true under [meter] of car.toml."
        return f"{can} {with_it} {choice}"


@shows_its_table
@dataclass(frozen=True)
class Proposal:
    """What to enter next: curve and dead time belong together and go in together."""

    base: Revision  # the revision it changes
    curve: pd.DataFrame
    """`meter_v` (or `meter_hz`, `meter_counts`), `flow_in_force_kg_h, factor, factor_lower, factor_upper,
    flow_proposed_kg_h, seconds, basis`; factor is the measured one, NaN where `basis` is `unchanged` or `kept pulse`
    (not measured, and moved only so that its pulse stays under the new dead time)."""
    dead_time: pd.DataFrame
    """`battery_v, dead_time_in_force_ms, change_ms, change_lower_ms, change_upper_ms, dead_time_proposed_ms, basis`."""
    capped: tuple[str, ...]
    """Where the owner's cap, the floor at zero or an untouched neighbour bit, one plain sentence each."""
    predicted: LambdaError  # with exactly these values in the ECU, trims at zero
    notes: tuple[str, ...]
    everywhere: Everywhere | None = None  # None where the meter is not seen to over-read

    def summary(self) -> pd.DataFrame:
        """The curve to enter, one row per breakpoint; the dead times stand in `dead_time`."""
        return self.curve

    def to_revision(self, name: str, date: datetime.date) -> Revision:
        """Write the proposal as the revision `name`, based on the one it changes and saying that nothing else changes.

        `date` stands in until a person enters it.
        """
        flow, table = self.curve["flow_proposed_kg_h"].tolist(), self.dead_time["dead_time_proposed_ms"].tolist()
        return self.base.followed_by(name, date, {
            "meter_curve": self.base.meter_curve.model_dump() | {"flow_kg_h": flow},
            "dead_time": self.base.dead_time.model_dump() | {"dead_time_ms": table},
            "notes": f"Proposed from the steady study; changes {self.base.name}. Review before entering.",
        })  # fmt: skip


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
    points, places, at, posterior = fit.points, fit.places, fit.at_breakpoints, fit.posterior
    if points is None or places is None or at is None or posterior is None:
        raise ValueError("the fit does not hold the points that a proposal is judged by: take it from fit_steady.")
    evidence = Evidence(points, places, at, posterior, fit.meter, fit.dead_time, car, revision, suspicion=fit.suspicion)
    unfolded = _within_caps(evidence)
    folded = _folded(evidence, unfolded) if points.disturbed.any() else None
    chosen = folded if folded and car.meter.fold_pulsation else unfolded
    setting, everywhere = chosen.setting, _everywhere(evidence, unfolded, folded)
    predicted = predict_next_drive(points, posterior, setting, car, revision, np.random.default_rng(NEXT_DRIVE_SEED))
    return Proposal(
        base=revision,
        curve=_curve_table(fit, setting),
        dead_time=_dead_time_table(fit, setting),
        capped=within_caps_of(evidence, setting, chosen.scaled),
        predicted=predicted,
        notes=(*_notes(fit, evidence, chosen), *([everywhere.sentence()] if everywhere else [])),
        everywhere=everywhere,
    )


def _nothing(fit: SteadyFit, revision: Revision) -> Proposal:
    """Leave all as it is, where there is no fit to propose from."""
    as_it_is = Setting(revision.meter_curve, revision.dead_time)
    tables = {"curve": _curve_table(fit, as_it_is), "dead_time": _dead_time_table(fit, as_it_is)}
    return Proposal(base=revision, **tables, capped=(), predicted=fit.predicted, notes=(fit.because, *fit.notes))


@dataclass(frozen=True)
class _Judged:
    """A setting with what it is expected to leave."""

    setting: Setting
    predicted: LambdaError
    scaled: bool  # curve and dead time by one common share
    harm_pct: float  # by how much lambda is expected to be further off than now, and than right, where it gets worst
    cost_pct: float  # what is to be least
    spared: bool = False  # lean was left at little air for an exhaust leak that may be


def _within_caps(evidence: Evidence) -> _Judged:
    """Best setting within the caps: least error where was driven, and no place further off than it is.

    Meter error and dead-time error often pull lambda opposite ways; cutting only one of them short can leave more
    error than there was. Each share of the dead time is tried with the curve that serves it best, and both by one
    common share, which always leaves less. As it is, is the last choice.
    """
    limits = evidence.car.limits
    most = float(convert(limits.meter_change_max_pct, "percent", "1"))
    table = evidence.revision.dead_time
    change = np.asarray(full_dead_time(evidence).dead_time_ms) - np.asarray(table.dead_time_ms)
    held = np.clip(change, -limits.dead_time_change_max_ms, limits.dead_time_change_max_ms)
    share = common_share(evidence, change, most)
    whole = _judge(evidence, _with_dead_time(evidence, held, most), scaled=False)
    if share == 1.0 and whole.harm_pct <= 0:
        return whole
    tried = [whole, _judge(evidence, shared_change(evidence, change, share), scaled=True)]
    tried += [_judge(evidence, _with_dead_time(evidence, part * held, most), scaled=False) for part in SHARES]
    tried += [_judge(evidence, shared_change(evidence, change, part * share), scaled=True) for part in SHARES[1:]]
    if evidence.suspicion is not None:
        spared = spared_for_a_leak(evidence, right=_right_pct(evidence) / 100)
        careful = [_with_dead_time(one, part * held, most) for one in spared for part in (1.0, *SHARES)]
        tried += [_judge(evidence, one, scaled=False, spared=True) for one in careful]
    tried.append(_judge(evidence, in_force(evidence.revision), scaled=False))
    return min(tried, key=lambda one: one.cost_pct)


def _folded(evidence: Evidence, unfolded: _Judged) -> _Judged | None:
    """Best setting with a share of the mean over-reading in the curve, and the same dead time.

    None where it does not lower the error over all that was driven, or would leave some place further off.
    """
    most = float(convert(evidence.car.limits.meter_change_max_pct, "percent", "1"))
    dead_time = unfolded.setting.dead_time
    curves = [best_curve(with_over_reading(evidence, share), dead_time, most_change=most) for share in FOLDS]
    judged = [_judge(evidence, Setting(curve, dead_time), scaled=False) for curve in curves]
    tried = [one for one in judged if one.harm_pct <= unfolded.harm_pct]
    best = min(tried, key=lambda one: _over_all(evidence, one.setting).p95_pct, default=unfolded)
    gain = _over_all(evidence, unfolded.setting).p95_pct - _over_all(evidence, best.setting).p95_pct
    return best if gain > FOLD_GAIN_PCT else None


def _over_all(evidence: Evidence, setting: Setting) -> LambdaError:
    return predict_everywhere(evidence.points, evidence.posterior, setting, evidence.car, evidence.revision)


def _everywhere(evidence: Evidence, unfolded: _Judged, folded: _Judged | None) -> Everywhere | None:
    if not evidence.points.disturbed.any():
        return None
    return Everywhere(
        now=_over_all(evidence, in_force(evidence.revision)),
        unfolded=_over_all(evidence, unfolded.setting),
        folded=_over_all(evidence, folded.setting) if folded else None,
        folded_undisturbed=folded.predicted if folded else None,
        chosen=bool(folded and evidence.car.meter.fold_pulsation),
    )


def _with_dead_time(evidence: Evidence, change_ms: np.ndarray, most: float) -> Setting:
    dead_time = shifted_dead_time(evidence.revision.dead_time, change_ms)
    return Setting(best_curve(evidence, dead_time, most_change=most), dead_time)


def _judge(evidence: Evidence, setting: Setting, *, scaled: bool, spared: bool = False) -> _Judged:
    """What a setting is expected to leave where was driven steadily, and at every place where the car was seen.

    Where an exhaust leak is suspected the harm is that of the worse case: there is one, or there is none.
    """
    predicted = predict_lambda_error(evidence.points, evidence.posterior, setting, evidence.car, evidence.revision)
    harm, right = 0.0, _right_pct(evidence)
    for belief in evidence.either:
        now, then = (_size_at_places(evidence, one, belief) for one in (in_force(evidence.revision), setting))
        harm = max(harm, float((then - np.maximum(now, right)).max(initial=0.0)))
    expected = _size_at_places(evidence, setting, evidence.posterior)
    cost = predicted.p95_pct + float(np.percentile(expected, 95)) + HARM_WEIGHT * harm
    return _Judged(setting, predicted, scaled, harm, cost, spared)


def _right_pct(evidence: Evidence) -> float:
    return min(RIGHT_PCT, evidence.car.limits.steady_lambda_error_max_pct)


def _size_at_places(evidence: Evidence, setting: Setting, belief: Posterior) -> np.ndarray:
    """Expected size of lambda's error at every undisturbed place, shape (places,). [%]"""
    return np.abs(_error_at_places(evidence, setting, belief)[1:]).mean(axis=0)


def _error_at_places(evidence: Evidence, setting: Setting, belief: Posterior) -> np.ndarray:
    places, e = evidence.places, evidence
    calm = ~places.disturbed | places.disturbed.all()
    return 100 * np.expm1(log_error_draws(places, belief, setting, e.car, e.revision))[:, calm]


def _curve_table(fit: SteadyFit, setting: Setting) -> pd.DataFrame:
    """Table of the curve; one that moved without evidence kept its pulse, or was drawn along for the curve to rise."""
    table = fit.meter.points.drop(columns="follow").rename(columns={"reading": fit.meter.channel})
    table.insert(5, "flow_proposed_kg_h", setting.curve.flow_kg_h)
    if fit.places is None:
        return table
    alone = (table["basis"] == "unchanged") & (table["flow_proposed_kg_h"] != table["flow_in_force_kg_h"])
    seen = reached(setting.curve, fit.places)
    return table.assign(basis=table["basis"].mask(alone & seen, "kept pulse").mask(alone & ~seen, "extended"))


def _dead_time_table(fit: SteadyFit, setting: Setting) -> pd.DataFrame:
    table = fit.dead_time.rows.copy()
    table.insert(5, "dead_time_proposed_ms", setting.dead_time.dead_time_ms)
    return table


def _notes(fit: SteadyFit, evidence: Evidence, chosen: _Judged) -> tuple[str, ...]:
    notes = ["Curve and dead time go in together: either alone leaves more lambda error than both."]
    if not fit.dead_time.shown:
        notes = [
            f"The dead time stays as it is. {fit.dead_time.because} The curve was chosen for the current dead time: "
            "it sets lambda right along what was driven, and says less about the rest."
        ]
    if chosen.predicted.p95_pct > fit.before.p95_pct:
        notes.append("With these values lambda is not expected to get better: do not enter them before a better drive.")
    basis = _curve_table(fit, chosen.setting)["basis"]
    if (basis == "kept pulse").any():
        notes.append(
            "Breakpoints marked kept pulse were not driven steadily: they move only so that the injectors' pulse stays "
            "there what it is now, under the new dead time."
        )
    if (basis == "unchanged").any():
        notes.append("Breakpoints without enough steady driving stay exactly as they are.")
    return (*notes, _worst_place(evidence, chosen.setting), *(_leak_notes(fit.leak, chosen) if fit.leak else ()))


def _leak_notes(leak: LeakBelief, chosen: _Judged) -> list[str]:
    """Say how an exhaust leak, which no steady log tells for certain, was allowed for, and what it would leave."""
    predicted, notes = chosen.predicted, []
    if leak.shown:
        notes.append(
            f"By {leak.because}, air leaks into the exhaust ahead of the lambda sensor: about "
            f"{100 * np.expm1(leak.mean):.0f} % of the air at idle. The values go by lambda corrected for that, with "
            "its doubt in every interval. Find and close the leak, and drive again."
        )
    elif leak.possible:
        allowed = "The intervals are those without one: this drive does not speak for it."
        if leak.suspected:
            allowed = (
                "The interval of the prediction allows for it, and no place comes out further off than now whether "
                "there is one or not."
            )
        notes.append(f"{_leak_words(leak)} {allowed}")
    if chosen.spared:
        notes.append(
            "At little air lambda is left as much leaner than commanded, as it is read, as that takes: to go by it "
            "whole would leave places richer than now if there is a leak. Look for one by hand, and drive again."
        )
    if leak.possible and predicted.leaking_p95_pct > predicted.upper_pct + LEAK_WORD_PCT:
        notes.append(
            "The curve rises toward little air, as it would if air leaked into the exhaust ahead of the lambda sensor. "
            f"If all of that is a leak, these values leave lambda up to {predicted.leaking_p95_pct:.0f} % rich there, "
            "more than the interval of the prediction holds. Look for a leak by hand first."
        )
    return notes


def _worst_place(evidence: Evidence, setting: Setting) -> str:
    """Name the place where most error is expected, of all where the car was driven or idled."""
    error, places = _error_at_places(evidence, setting, evidence.posterior), evidence.places
    calm = np.flatnonzero(~places.disturbed | places.disturbed.all())
    at = int(np.abs(error[0]).argmax())
    lower, upper = np.quantile(error[1:, at], [0.025, 0.975])
    reading, speed = places.reading[calm[at]], places.engine_speed_rpm[calm[at]]
    return (
        f"By the fit the worst place is then {speed:.0f} rpm at {reading:.3g} "
        f"{channel(evidence.meter.channel).shown_unit}: lambda {_signed(error[0, at])}, between {_signed(lower)} and "
        f"{_signed(upper)}; a single hold scatters about that."
    )


def _signed(error_pct: float) -> str:
    return f"{abs(error_pct):.1f} % {'lean' if error_pct > 0 else 'rich'}"


def _leak_words(leak: LeakBelief) -> str:
    """How likely air leaks into the exhaust ahead of the lambda sensor; by what, where it is not unlikely."""
    chance = f"{100 * leak.chance:.0f} %"
    if leak.chance < UNLIKELY:
        return f"A leak into the exhaust ahead of the lambda sensor is unlikely ({chance})."
    return f"By {leak.because}, the chance of a leak into the exhaust ahead of the lambda sensor is {chance}."
