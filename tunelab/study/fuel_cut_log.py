"""Fuel cut and return to idle of a whole log, with findings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.align import has
from tunelab.study.finding import (
    LEAST_FOR_INTERVAL,
    NAN,
    Estimate,
    Finding,
    Question,
    counted,
    estimate_table,
    judge,
    mean_estimate,
    shows_its_table,
    worst_estimate,
)
from tunelab.study.fuel_cut import find_cuts, find_returns
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

READING_PCT = 0.5  # how finely a sensor tells one excursion of lambda; common practice, no source
READING_RPM = 10.0  # what a reading of engine speed is good for
ALIKE_RPM = 60.0  # ends of cuts within this are one speed of the ECU; common practice, no source
ENDED = {
    "throttle": "ended with the throttle",
    "clutch": "with the clutch",
    "unclear": "just before foot or clutch moved, or where the log does not show it",
    "gap": "with the log",
}


@shows_its_table
@dataclass(frozen=True)
class FuelCutStudy:
    """Fuel cuts on overrun and returns to idle."""

    cuts: pd.DataFrame  # as `find_cuts`
    returns: pd.DataFrame  # as `find_returns`
    entry_rpm: Estimate  # lowest engine speed at which a cut began
    exit_rpm: Estimate  # engine speed at which fuel came back by itself, throttle closed
    undershoot_rpm: Estimate  # mean of the returns; the interval is where the next one is to be expected
    settling_s: Estimate  # likewise
    hang_s: Estimate  # likewise
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per value: value, lower, upper, unit, events."""
        parts = {
            "lowest speed of a cut's begin": self.entry_rpm,
            "speed at which fuel comes back": self.exit_rpm,
            "undershoot": self.undershoot_rpm,
            "settling": self.settling_s,
            "hang": self.hang_s,
        }
        return estimate_table(parts, "events")

    def findings(self, car: Car) -> list[Finding]:
        """Hold cut and return against the owner's limits."""
        limits = car.limits
        entry = Question("fuel_cut.entry", "Lowest engine speed at which the fuel is cut")
        out = Question("fuel_cut.exit", "Engine speed at which fuel comes back")
        under = Question(
            "return.undershoot", "Undershoot on the return to idle", limits.idle_undershoot_max_rpm,
            "limits.idle_undershoot_max_rpm",
        )  # fmt: skip
        settling = Question(
            "return.settling", "Time until the idle has settled", limits.idle_settling_max_s,
            "limits.idle_settling_max_s",
        )  # fmt: skip
        return [
            judge(entry, self.entry_rpm, self.entry_rpm.method + "."),
            judge(out, self.exit_rpm, self.exit_rpm.method + "."),
            _stumble(self),
            _dip(self, car),
            judge(under, self.undershoot_rpm, self.undershoot_rpm.method + "."),
            judge(settling, self.settling_s, self.settling_s.method + "."),
            judge(Question("return.hang", "Hang on the return to idle"), self.hang_s, self.hang_s.method + "."),
        ]


def study_fuel_cut(log: xr.Dataset, car: Car, revision: Revision) -> FuelCutStudy:
    """Study fuel cuts on overrun and returns to idle in one flagged log.

    Without engine speed and throttle in the log nothing is shown.
    """
    cuts, returns = find_cuts(log, car, revision), find_returns(log, car)
    return FuelCutStudy(
        cuts=cuts,
        returns=returns,
        entry_rpm=_lowest(cuts["entry_rpm"]),
        exit_rpm=_fuel_back(cuts, has(log, "clutch_pressed")),
        undershoot_rpm=_next_return(returns, "undershoot_rpm", "rpm"),
        settling_s=_next_return(returns, "settling_s", "s"),
        hang_s=_next_return(returns, "hang_s", "s"),
        samples_used=len(cuts) + len(returns),
        samples_flagged=int((cuts["ended_by"] == "gap").sum()),
    )


def _fuel_back(cuts: pd.DataFrame, clutch_logged: bool) -> Estimate:
    """Engine speed at which the ECU gives fuel back; not shown where something else may have ended the cuts."""
    by_speed = cuts[cuts["ended_by"] == "speed"]
    ended = alike_ends(by_speed)
    if len(ended) and 2 * len(ended) >= len(by_speed):
        return mean_estimate(
            ended["exit_rpm"], "rpm", used=len(ended), flagged=len(cuts) - len(ended),
            what="re-entries, foot and clutch at rest",
        )  # fmt: skip
    tail = "" if clutch_logged else " (the clutch is not logged)"
    if len(by_speed):
        span = f"{by_speed['exit_rpm'].min():.0f} and {by_speed['exit_rpm'].max():.0f} rpm"
        why = f"{len(by_speed)} cuts ended by themselves, anywhere between {span}: no speed of the ECU's shows{tail}"
    else:
        counts = cuts["ended_by"].value_counts()
        parts = [f"{counts[kind]} {text}" for kind, text in ENDED.items() if kind in counts]
        why = f"of {len(cuts)} fuel cuts {', '.join(parts)}{tail}" if parts else "no fuel cut on overrun is in the log"
    return Estimate(NAN, NAN, NAN, "rpm", 0, len(cuts), why)


def alike_ends(ended: pd.DataFrame) -> pd.DataFrame:
    """Ends of cuts near the lowest: fuel stayed off down to there, so what ended the others was not their speed.

    The ECU ends cuts at one speed; a clutch or a gear change that the log does not show ends them anywhere above.
    """
    return ended[ended["exit_rpm"] - ended["exit_rpm"].min() <= ALIKE_RPM] if len(ended) else ended


def _lowest(entries: pd.Series) -> Estimate:
    """Lowest entry: the log shows that cuts begin at least down to it; below, no driver asked."""
    known = np.asarray(entries, dtype=float)
    known = known[np.isfinite(known)]
    if not known.size:
        return Estimate(NAN, NAN, NAN, "rpm", 0, len(entries), "no fuel cut on overrun is in the log")
    text = f"lowest of {known.size} cuts (highest {known.max():.0f} rpm); below it no throttle closed, or no cut came"
    low, step = float(known.min()), READING_RPM
    return Estimate(
        low,
        low - step,
        low + step,
        "rpm",
        known.size,
        len(entries) - known.size,
        f"{text}; the interval is the reading's own",
    )


def _said(value: float, unit: str) -> str:
    return f"{value:.0f} {unit}" if unit == "rpm" else f"{value:.2f} {unit}"


def _next_return(returns: pd.DataFrame, column: str, unit: str) -> Estimate:
    """Mean of the returns; the interval is where the next one is to be expected."""
    values = returns[column].to_numpy(dtype=float)
    known = values[np.isfinite(values)]
    left_out = values.size - known.size
    if not known.size:
        return Estimate(NAN, NAN, NAN, unit, 0, left_out, "no return to idle is in the log that could be followed")
    mean, worst = float(known.mean()), int(np.nanargmax(values))
    most = _said(known.max(), unit)
    text = f"mean of {counted(known.size, 'returns')}, largest {most} at {returns['start_s'].iloc[worst]:.1f} s"
    if left_out:
        text += f"; {left_out} more had not settled before the throttle opened or the log ended"
    if known.size < LEAST_FOR_INTERVAL:
        return Estimate(mean, NAN, NAN, unit, known.size, left_out, text)
    reach = scipy.stats.t.ppf(0.975, known.size - 1) * known.std(ddof=1) * np.sqrt(1 + 1 / known.size)
    text += "; the interval covers the next return to idle"
    furthest = max(mean + float(reach), float(known.max()))
    return Estimate(mean, max(mean - float(reach), 0.0), furthest, unit, known.size, left_out, text)


def ended_alone(cuts: pd.DataFrame) -> pd.DataFrame:
    """Cuts that ended by themselves, after which it is known how far engine speed fell below its target."""
    return cuts[(cuts["ended_by"] == "speed") & np.isfinite(cuts["dip_rpm"].astype(float))] if len(cuts) else cuts


def _dip(study: FuelCutStudy, car: Car) -> Finding:
    question = Question(
        "fuel_cut.dip", "Dip below the idle target after a fuel cut", car.limits.idle_undershoot_max_rpm,
        "limits.idle_undershoot_max_rpm",
    )  # fmt: skip
    known, flagged = ended_alone(study.cuts), len(study.cuts)
    if known.empty:
        why = "no fuel cut ended by itself."
        return judge(question, Estimate(NAN, NAN, NAN, "rpm", 0, flagged, why), why)
    left_out = flagged - len(known)
    estimate = worst_estimate(known["dip_rpm"], "rpm", step=READING_RPM, flagged=left_out, what="re-entries")
    return judge(question, estimate, f"{estimate.method}, foot and clutch at rest.")


def _stumble(study: FuelCutStudy) -> Finding:
    question = Question("fuel_cut.stumble", "Leanest lambda after fuel comes back, over commanded")
    known = study.cuts[np.isfinite(study.cuts["lean_pct"].astype(float))] if len(study.cuts) else study.cuts
    if not len(known):
        why = "no re-entry with lambda in the log."
        return judge(question, Estimate(NAN, NAN, NAN, "%", 0, len(study.cuts), why), why)
    left_out = len(study.cuts) - len(known)
    estimate = worst_estimate(known["lean_pct"], "%", step=READING_PCT, flagged=left_out, what="re-entries")
    stalls = int(known["stalled"].sum())
    dips = int((known["dip_rpm"] > 50.0).sum())
    text = (
        f"{estimate.method}, once the gas burnt after them is at the sensor; engine speed dipped "
        f"below idle in {dips}, stalled in {stalls}. The film on the wall is empty after a cut, so some lean "
        "reading is natural."
    )
    return judge(question, estimate, text)
