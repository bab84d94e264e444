"""What the watch over the owner's limits says in the summary: limits passed come first, each with what to do."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tunelab.channels import CHANNELS
from tunelab.record.chapter import Chapter, Section
from tunelab.study.cautions import HIGH_LOAD
from tunelab.study.full_throttle.check import Check
from tunelab.study.limits import LimitWatch

LIFT = "At the first breach of a limit lift, coast, and do not repeat the run before the reason is found."
SETTLE = {
    "lean_under_load": "do not load the engine there before lambda reads right: look at fuel pressure first, then at "
    "the curve",
    "lambda_full_load": "no full throttle before lambda there reads right: look at fuel pressure first, then at the "
    "curve",
    "knock_retard": "less spark advance there, or fuel that knocks less, before the engine is loaded there again",
    "injector_duty": "stay below that engine speed and load until larger injectors or more rail pressure are in",
    "meter_headroom": "stay below that airflow: beyond it the meter sees no more air",
    "boost": "less boost before the next run",
    "coolant": "let it cool, and find what heats it before it is loaded again",
    "coolant_cold": "warm the engine up before it is fully opened",
    "intake_air": "let it cool; if the car was only heat-soaked at rest, drive off gently",
    "coolant_rise": "shorter pulls, with more time to cool between them",
    "intake_air_rise": "shorter pulls, with more time to cool between them",
    "oil_temperature": "let it cool, and find what heats it before it is loaded again",
    "exhaust": "less load and engine speed until mixture and spark there are looked at",
    "oil_pressure": "switch off at once when it happens again; oil level and pump before anything else",
    "fuel_pressure_drop": "pump, filter and regulator before the next load",
    "battery": "charging and cables before the next drive",
    "engine_speed": "lower the limiter by what it overshoots, and shift earlier",
    "limiter": "allow for the overshoot where the limiter is set",
    "road_speed": "end the next run at a lower speed, or show that the speed sensor reads high",
}


def limits_chapter(found: LimitWatch) -> Chapter:
    """Put the watch over the limits into a chapter."""
    return Chapter(
        notebook="limits",
        findings=tuple(found.findings()),
        tables={"limits": found.table().reset_index()},
        driven=Section((driven_sentence(found),)),
        change=Section(tuple(settle_sentences(found)), short=_in_short(found)),
        cautions=Section((HIGH_LOAD, LIFT)),
    )


def driven_sentence(found: LimitWatch) -> str:
    """Say how much was compared with how many limits, and how many were passed."""
    shown = [check for check in found.checks if check.finding().status != "not_shown"]
    count = len(found.passed)
    passed = "none was passed" if not count else "one was passed" if count == 1 else f"{count} were passed"
    return (
        f"The engine ran for {found.seconds_running:.0f} s, {found.seconds_loaded:.0f} s of it under load (from "
        f"{found.load_from_pct:g} % of absolute load); {len(shown)} of the owner's limits could be checked against it, "
        f"{passed}."
    )


def passed_words(check: Check) -> str:
    """Name a limit that was passed, with its value and the limit."""
    unit = {"1": "", "°": "°"}.get(check.quantity.unit, f" {check.quantity.unit}")
    return f"{check.quantity.title}: {_plain(check.value)}{unit}, limit {check.quantity.limit:g}{unit}"


def _plain(value: float) -> str:
    """Three digits, never with an exponent."""
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def settle_sentences(found: LimitWatch) -> list[str]:
    """Say of each limit that was passed what happened, and what comes before the next drive."""
    return [
        f"{passed_words(check)}. {check.because[:1].upper()}{check.because[1:]} Before the next drive: "
        f"{SETTLE[check.quantity.id.removeprefix('limits.')]}."
        for check in found.passed
    ]


def _in_short(found: LimitWatch) -> str:
    if not found.passed:
        return ""
    told = [f"{c.quantity.title}: {SETTLE[c.quantity.id.removeprefix('limits.')]}" for c in found.passed]
    return f"Limits passed, to be settled first: {'. '.join(told)}."


def limit_sentences(found: LimitWatch) -> list[str]:
    """Name every limit passed, or say that none was among those that could be judged."""
    absent = [check.quantity.title for check in found.checks if check.finding().status == "not_shown"]
    rows = settle_sentences(found) or ["No limit was passed among those that this log can speak of."]
    return [*rows, f"Not shown, and never the same as met: {'; '.join(absent)}."] if absent else rows


def conditions_table(found: LimitWatch) -> pd.DataFrame:
    """Worst moment of each limit with its conditions, as a reader wants it; what is not known stays empty."""
    rows = [
        {
            "check": item.check.quantity.title,
            "at [s]": item.check.at_s,
            f"{CHANNELS['engine_speed_rpm'].axis_label}": item.check.engine_speed_rpm,
            f"{CHANNELS['throttle_pct'].axis_label}": item.throttle_pct,
            "absolute load [%]": item.load_pct,
            "gear": item.gear or "",
            "beyond [s]": item.seconds_beyond,
            "lift at [s]": item.lift_s,
        }
        for item in found.watched
        if np.isfinite(item.check.value)
    ]
    return pd.DataFrame(rows)
