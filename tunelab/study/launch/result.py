"""What the launch study returns, and what it says: held speed, zero-speed condition, bog, slip, time, heat, drivers."""

from __future__ import annotations

import collections
import re
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from tunelab.study.finding import NAN, Estimate, Finding, Question, estimate_table, judge, nothing, shows_its_table
from tunelab.study.launch.find import LaunchSpan
from tunelab.study.launch.measure import Launch
from tunelab.study.statistics import DriverContrast, OneWay
from tunelab.workspace.car import Car

# What is compared between repeats and drivers: field, words, unit.
QUANTITIES = (
    ("time_to_distance_s", "time to the distance", "s"),
    ("held_rpm", "held speed", "rpm"),
    ("bog_rpm", "bog", "rpm"),
    ("recovery_s", "recovery", "s"),
    ("slip_peak_pct", "largest wheel slip over 0.2 s", "%"),
)
NOT_MOMENTARY = "The largest mean over 0.2 s: for a moment the wheels may slip more than the interval says."
HOLD_SHARE = 0.05  # of the hold: from here on it works by this; common practice, no source
LET_GO_S = 0.15  # allowed where the owner states nothing; common practice, no source
HEAT_CAUTION = (
    "A hold by retarded spark burns fuel in the exhaust: manifold, sensor and valves get hot in seconds. Keep holds "
    "short, give the engine a minute of easy driving between them, and stop at any glow, smell or loss of power."
)
CUT_CAUTION = (
    "A hold by fuel cut runs cylinders lean as they come and go: no load against it for longer than needed, and none "
    "with a catalyst in the pipe."
)


@shows_its_table
@dataclass(frozen=True)
class LaunchStudy:
    """Launches, measured and compared."""

    shown: bool
    because: str
    launches: tuple[Launch, ...]  # of this session first
    spans: tuple[LaunchSpan, ...]  # of this session, in the same order
    distance_m: float
    held: Estimate
    bog: Estimate
    recovery: Estimate
    slip: Estimate
    time_to_distance: Estimate
    repeatability: Estimate  # standard deviation of this session's times to the distance
    longest_hold: Estimate
    effects: dict[str, OneWay]  # quantity → analysis, where two drivers have two repeats
    contrasts: tuple[DriverContrast, ...]
    sessions: tuple[DriverContrast, ...]  # sessions of this driver compared, in the time to the distance
    late: tuple[int, ...]  # numbers of launches of this session whose hold let go late
    not_engaged: tuple[int, ...]
    session: str
    samples_used: int
    samples_flagged: int

    @property
    def own(self) -> tuple[Launch, ...]:
        """Launches of this session."""
        return self.launches[: len(self.spans)]

    def table(self) -> pd.DataFrame:
        """One row per launch, all that was measured."""
        names = [field.name for field in fields(Launch)]
        return pd.DataFrame(
            [{name: getattr(launch, name) for name in names} for launch in self.launches], columns=names
        )

    def summary(self) -> pd.DataFrame:
        """One row per value: value, lower, upper, unit, launches."""
        parts = {
            "held speed": self.held,
            "bog": self.bog,
            "recovery": self.recovery,
            "largest slip over 0.2 s": self.slip,
            f"time to {self.distance_m:g} m": self.time_to_distance,
            "spread of that time": self.repeatability,
        }
        return estimate_table(parts, "launches")

    def findings(self, car: Car) -> list[Finding]:
        """Hold the launches against the owner's limits."""
        return launch_findings(self, car)


def launch_findings(study: LaunchStudy, car: Car) -> list[Finding]:
    """Findings of the launches, in the order in which a reader wants them."""
    limits, why = car.limits, study.because
    bog = Question("launch.bog", "Bog after the release", limits.launch_bog_max_rpm, "limits.launch_bog_max_rpm")
    hold = Question("launch.hold_time", "Longest hold", limits.launch_hold_max_s, "limits.launch_hold_max_s")
    time = Question("launch.time", f"Time to {study.distance_m:g} m from the first movement")
    spread = Question("launch.repeat", f"Spread of the time to {study.distance_m:g} m between repeats")
    return [
        _held_finding(study, car),
        judge(Question("launch.held", "Engine speed at the hold"), study.held, why or study.held.method + "."),
        _zero_speed(study, car),
        judge(bog, study.bog, why or study.bog.method + "."),
        judge(
            Question("launch.recovery", "Recovery after the release"),
            study.recovery,
            why or study.recovery.method + ".",
        ),
        judge(
            Question("launch.slip", "Largest slip of the driven wheels, mean over 0.2 s"),
            study.slip,
            why or _slip_text(study),
        ),
        judge(time, study.time_to_distance, why or study.time_to_distance.method + "."),
        judge(spread, study.repeatability, why or study.repeatability.method + "."),
        judge(hold, study.longest_hold, why or _heat_text(study)),
        _drivers(study),
    ]


def _held_finding(study: LaunchStudy, car: Car) -> Finding:
    wanted, tolerance = car.limits.launch_hold_rpm, car.limits.launch_hold_tolerance_rpm
    key = "limits.launch_hold_rpm and limits.launch_hold_tolerance_rpm"
    limit = None if wanted is None else tolerance
    question = Question("launch.held_speed", "Held speed against its setting", limit, key, "away")
    held = study.held
    if not held.shown:
        return judge(question, held, study.because or held.method)
    spreads = [launch.held_spread_rpm for launch in study.own if np.isfinite(launch.held_spread_rpm)]
    drifts = [launch.held_drift_rpm_s for launch in study.own if np.isfinite(launch.held_rpm)]
    left_out = without_held_speed(study.own)
    text = (
        f"mean {held.value:.0f} rpm over {held.samples_used} launches, spread in a hold {np.mean(spreads):.0f} rpm, "
        f"drift {np.mean(drifts):+.0f} rpm/s{f'; {left_out}' if left_out else ''}."
    )
    base = wanted or 0.0
    moved = Estimate(
        held.value - base, held.lower - base, held.upper - base, "rpm", held.samples_used, held.samples_flagged,
        held.method,
    )  # fmt: skip
    return judge(question, moved if wanted else held, text)


def without_held_speed(launches: Sequence[Launch]) -> str:
    """Say why launches have no held speed, and how many; empty if all have one."""
    reasons = collections.Counter(launch.held_because for launch in launches if launch.held_because)
    return "; ".join(f"{count} of {len(launches)} {reason}" for reason, count in reasons.items())


def _zero_speed(study: LaunchStudy, car: Car) -> Finding:
    allowed = car.limits.launch_let_go_max_s
    question = Question(
        "launch.zero_speed", "The hold lets go after the car moves by", LET_GO_S if allowed is None else allowed
    )
    known = [launch for launch in study.own if np.isfinite(launch.let_go_s)]
    bad = [f"launch {n} did not engage" for n in study.not_engaged] + [f"launch {n} let go late" for n in study.late]
    if not known and not study.not_engaged:
        why = study.because or "the log shows neither the launch hold's state nor a fuel cut at rest."
        return judge(question, nothing("s", why), why)
    worst = max((launch.let_go_s for launch in known), default=NAN)
    text = "; ".join(bad) if bad else f"all {len(known)} holds engaged at rest and let go in time"
    if study.not_engaged and not known:
        return Finding(
            question.id,
            question.title,
            None,
            "s",
            None,
            None,
            None,
            0,
            len(study.own),
            "watch",
            question.limit,
            f"{text}.",
        )
    step = 0.05
    estimate = Estimate(worst, worst - step, worst + step, "s", len(known), len(study.own) - len(known), "latest")
    finding = judge(question, estimate, f"latest of {len(known)}: {text}.")
    status = "watch" if bad else finding.status
    return Finding(**{**{f.name: getattr(finding, f.name) for f in fields(finding)}, "status": status})


def _slip_text(study: LaunchStudy) -> str:
    sources = list(dict.fromkeys(launch.slip_source for launch in study.own))
    if not sources:
        return study.slip.method
    if len(sources) == 1:
        return f"{NOT_MOMENTARY} Ground speed from: {sources[0]}."
    kinds = dict.fromkeys(source.split(" (")[0] for source in sources)
    factors = [float(text) for source in sources for text in re.findall(r"factor (\d+\.\d+)", source)]
    ends = f" (factor {min(factors):.3f} to {max(factors):.3f})" if factors else ""
    return f"{NOT_MOMENTARY} Ground speed from: {'; '.join(kinds)}{ends}."


def _heat_text(study: LaunchStudy) -> str:
    cut = [launch.fuel_cut_share for launch in study.own if np.isfinite(launch.fuel_cut_share)]
    spark = [launch.spark_retard_share for launch in study.own if np.isfinite(launch.spark_retard_share)]
    parts = []
    if cut:
        parts.append(f"fuel cut in {100 * np.mean(cut):.0f} % of the hold")
    if spark:
        parts.append(f"spark retarded in {100 * np.mean(spark):.0f} %")
    hot = max((launch.exhaust_peak_c for launch in study.own if np.isfinite(launch.exhaust_peak_c)), default=NAN)
    if np.isfinite(hot):
        parts.append(f"hottest exhaust {hot:.0f} °C")
    by_spark, by_cut = (bool(shares) and np.mean(shares) > HOLD_SHARE for shares in (spark, cut))
    cautions = [text for text, own in ((HEAT_CAUTION, by_spark or not by_cut), (CUT_CAUTION, by_cut)) if own]
    return f"{', '.join(parts) if parts else 'how the hold works is not in the log'}. {' '.join(cautions)}"


def _drivers(study: LaunchStudy) -> Finding:
    question = Question("launch.drivers", "Difference between drivers in the time to the distance")
    own = [c for c in study.contrasts if c.quantity == QUANTITIES[0][1]]
    if not own:
        names = sorted({launch.driver for launch in study.launches if launch.driver})
        who = f"only {', '.join(names)} drove" if names else "no driver is named in session.toml"
        why = study.because or f"{who}, or fewer than two launches each reached the distance."
        return judge(question, nothing("s", why), why)
    first = max(own, key=lambda c: abs(c.difference))
    used = sum(first.repeats)
    text = " ".join([first.sentence, *_day(study, first)])
    return judge(question, Estimate(first.difference, first.lower, first.upper, "s", used, 0, ""), text)


def _day(study: LaunchStudy, pair: DriverContrast) -> list[str]:
    """What the day could have to do with a difference between two drivers."""
    drove = [{launch.session for launch in study.launches if launch.driver == who} for who in (pair.first, pair.second)]
    said = (
        [] if drove[0] & drove[1] else ["Each drove sessions of their own: surface, tyres and day count as the driver."]
    )
    differ = [c for c in study.sessions if c.lower > 0.0 or c.upper < 0.0]
    if differ:
        said.append(
            f"Sessions of one driver differ too ({differ[0].sentence}) So do not put all of it down to driving."
        )
    elif study.sessions:
        said.append("Sessions of one driver show no difference.")
    return said
