"""What the idle study returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.estimate import Estimate, Question, judge
from tunelab.study.finding import Finding
from tunelab.study.idle.hunting import Hunting
from tunelab.study.shown import shows_its_table
from tunelab.workspace.car import Car

OVERLAP_CAUTION = (
    "With a long-overlap camshaft fresh air passes straight into the exhaust at idle and the sensor reads leaner than "
    "what burns. Do not add fuel at idle for this reading alone: go by even running, by the least throttle that holds "
    "the speed, and by what the plugs show; believe the sensor from about 1500 rpm under load."
)
ALWAYS = "An exhaust leak before the sensor, or a misfire, also reads lean at idle: look for both before changing fuel."


@shows_its_table
@dataclass(frozen=True)
class IdleStudy:
    """How the car idles. Headline values are those of the warm engine; `bands` has all coolant temperatures."""

    shown: bool
    because: str  # why nothing was judged
    stretches: pd.DataFrame
    """`start_s, end_s, coolant_c, target_rpm, error_rpm, spread_rpm, lambda_error_pct, lambda_spread_pct, spark_deg,
    spark_spread_deg, actuator_pct, actuator_low_pct, actuator_high_pct, hunting_rpm, hunting_hz, samples`"""
    bands: pd.DataFrame  # by coolant temperature: the same, from all stretches of the band, with intervals
    speed_error: Estimate  # engine speed less target
    speed_spread: Estimate  # standard deviation of engine speed
    lambda_error: Estimate  # lambda over commanded, less 1, in per cent
    lambda_spread: Estimate
    spark_spread: Estimate
    actuator_margin: Estimate  # least opening left to either end of the actuator
    hunting: tuple[Hunting, ...]  # of each settled stretch long enough to look, the warm ones first
    load_steps: pd.DataFrame
    flares: pd.DataFrame
    samples_used: int
    samples_flagged: int

    @property
    def worst_hunting(self) -> Hunting | None:
        """The largest swing of any stretch that shows one, else the stretch that saw most; None where none could."""
        known = [h for h in self.hunting if np.isfinite(h.frequency_hz)]
        swings = [h for h in known if h.shown]
        if swings:
            return max(swings, key=lambda h: h.amplitude_rpm)
        return min(known, key=lambda h: h.amplitude_upper_rpm) if known else None

    def summary(self) -> pd.DataFrame:
        """One row per headline value: value, lower, upper, unit, samples."""
        parts = {
            "speed error": self.speed_error,
            "speed spread": self.speed_spread,
            "lambda error": self.lambda_error,
            "lambda spread": self.lambda_spread,
            "spark spread": self.spark_spread,
            "actuator margin": self.actuator_margin,
        }
        rows = [(k, e.value, e.lower, e.upper, e.unit, e.samples_used, e.samples_flagged) for k, e in parts.items()]
        names = ["quantity", "value", "lower", "upper", "unit", "samples", "flagged"]
        return pd.DataFrame(rows, columns=names).set_index("quantity")

    def findings(self, car: Car) -> list[Finding]:
        """Hold the idle against the owner's limits."""
        return idle_findings(self, car)


def idle_findings(study: IdleStudy, car: Car) -> list[Finding]:
    """Findings of the idle, in the order in which a reader wants them."""
    limits = car.limits
    bound = {
        "error": Question(
            "idle.speed_error", "Idle speed against its target", limits.idle_speed_error_max_rpm,
            "limits.idle_speed_error_max_rpm", "away",
        ),
        "spread": Question(
            "idle.speed_spread", "Spread of idle speed", limits.idle_speed_spread_max_rpm,
            "limits.idle_speed_spread_max_rpm",
        ),
        "margin": Question(
            "idle.actuator_margin", "Idle actuator's margin", limits.idle_actuator_margin_min_pct,
            "limits.idle_actuator_margin_min_pct", "lower",
        ),
    }  # fmt: skip
    why = study.because or "warm engine, settled idle."
    spark = Question("idle.spark_spread", "Spread of spark at idle")
    return [
        judge(bound["error"], study.speed_error, why),
        judge(bound["spread"], study.speed_spread, why),
        _hunting(study, car),
        _lambda(study, car),
        judge(bound["margin"], study.actuator_margin, study.because or study.actuator_margin.method),
        judge(spark, study.spark_spread, study.because or study.spark_spread.method),
        _load_step(study),
        _flare(study, car),
    ]


def _lambda(study: IdleStudy, car: Car) -> Finding:
    question = Question(
        "idle.lambda_error", "Lambda at idle against commanded", car.limits.steady_lambda_error_max_pct,
        "limits.steady_lambda_error_max_pct", "away",
    )  # fmt: skip
    found = judge(question, study.lambda_error, study.because or study.lambda_error.method)
    if car.engine.long_overlap_cam and study.lambda_error.shown and study.lambda_error.value > 0:
        return judge(question, _unshown(study.lambda_error), f"reads {study.lambda_error.words(1)}. {OVERLAP_CAUTION}")
    return found


def _unshown(estimate: Estimate) -> Estimate:
    nan = float("nan")
    return Estimate(nan, nan, nan, estimate.unit, estimate.samples_used, estimate.samples_flagged, estimate.method)


def _hunting(study: IdleStudy, car: Car) -> Finding:
    question = Question(
        "idle.hunting", "Hunting of the idle (half its swing)", car.limits.idle_hunting_max_rpm,
        "limits.idle_hunting_max_rpm",
    )  # fmt: skip
    worst = study.worst_hunting
    if worst is None:
        why = study.because or "no stretch of settled idle is long enough to see a swing, or speed never moved."
        return judge(question, Estimate(*[float("nan")] * 3, "rpm", 0, study.samples_flagged, ""), why)
    sizes = (worst.amplitude_rpm, worst.amplitude_lower_rpm, worst.amplitude_upper_rpm)
    swings = sum(h.shown for h in study.hunting)
    text = f"{worst.because} Swings are above the noise in {swings} of {len(study.hunting)} stretches."
    return judge(question, Estimate(*sizes, "rpm", worst.samples, study.samples_flagged, ""), text)


def _load_step(study: IdleStudy) -> Finding:
    question = Question("idle.load_step", "Dip of idle speed when an electrical load comes on")
    table = study.load_steps[study.load_steps["battery_step_v"] < 0] if len(study.load_steps) else study.load_steps
    if not len(table):
        why = "no electrical load came on while the idle was steady; switch on lights, fan and heater once, and log it."
        return judge(question, Estimate(*[float("nan")] * 3, "rpm", 0, study.samples_flagged, ""), why)
    worst = table.loc[table["dip_rpm"].idxmin()]
    back = f"back after {worst['back_s']:.1f} s" if np.isfinite(worst["back_s"]) else "not back within 5 s"
    text = f"deepest of {len(table)}, at {worst['at_s']:.1f} s: battery {worst['battery_step_v']:.2f} V, {back}."
    dip, jitter = float(worst["dip_rpm"]), 5.0  # a reading of engine speed
    value = Estimate(dip, dip - jitter, dip + jitter, "rpm", len(table), 0, "deepest dip")
    return judge(question, value, text)


def _flare(study: IdleStudy, car: Car) -> Finding:
    question = Question("idle.flare", "Flare after a start", car.limits.idle_flare_max_rpm, "limits.idle_flare_max_rpm")
    known = study.flares[np.isfinite(study.flares["flare_rpm"].astype(float))] if len(study.flares) else study.flares
    if not len(known):
        reasons = "; ".join(dict.fromkeys(study.flares["because"])) if len(study.flares) else "no start is in the log"
        return judge(question, Estimate(*[float("nan")] * 3, "rpm", 0, len(study.flares), ""), f"{reasons}.")
    worst = known.loc[known["flare_rpm"].idxmax()]
    value, jitter = float(worst["flare_rpm"]), max(5.0, 0.01 * float(worst["peak_rpm"]))
    warm = f"coolant {worst['coolant_c']:.0f} °C" if np.isfinite(worst["coolant_c"]) else "coolant not logged"
    text = (
        f"largest of {len(known)} starts, at {worst['start_s']:.1f} s ({warm}): to {worst['peak_rpm']:.0f} rpm, "
        f"{worst['above_100_s']:.1f} s more than 100 rpm above what it settled to; the interval is the reading's own."
    )
    estimate = Estimate(value, value - jitter, value + jitter, "rpm", len(known), len(study.flares) - len(known), "")
    return judge(question, estimate, text)
