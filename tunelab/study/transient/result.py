"""What the transient study returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from tunelab.study.delay import DelayFit
from tunelab.study.estimate import NAN, Estimate, Question, judge, worst_estimate
from tunelab.study.finding import Finding
from tunelab.study.shown import shows_its_table
from tunelab.study.transient.region import Film
from tunelab.study.transient.signal import TransientSignal
from tunelab.workspace.car import Car

READING_PCT = 0.5  # how finely a sensor tells one excursion of lambda; common practice, no source


@shows_its_table
@dataclass(frozen=True)
class TransientStudy:
    """Excursions of the mixture when the throttle moves, and the wall film behind them."""

    shown: bool
    because: str  # why nothing was judged
    events: pd.DataFrame  # every tip-in, tip-out and end of a cut, as `find_events`
    excursions: pd.DataFrame  # of those that stand alone, as `find_excursions`
    trends: pd.DataFrame  # `side, quantity, slope, lower, upper, unit, events`: how depth goes with what
    films: tuple[Film, ...]  # by region, the widest first
    fuel: pd.DataFrame  # acceleration fuelling by region, as `acceleration_fuel`, with region and film
    signal: TransientSignal | None
    delay: DelayFit | None
    predicted: pd.DataFrame  # `time_s, measured, predicted, window`: the fit over its readings
    samples_used: int
    samples_flagged: int

    @property
    def film(self) -> Film | None:
        """Film of the first region that tells it from the sensor's lag, else of the first region."""
        return next((f for f in self.films if f.told_apart), self.films[0] if self.films else None)

    def of_kind(self, kind: str) -> pd.DataFrame:
        """Excursions of one kind of event."""
        return self.excursions[self.excursions["kind"] == kind]

    def summary(self) -> pd.DataFrame:
        """One row per region: X and tau with interval, stretches, and whether film and lag are separated."""
        rows = [
            (f.region, f.share.value, f.share.lower, f.share.upper, f.tau_s.value, f.tau_s.lower, f.tau_s.upper,
             f.windows, f.told_apart, f.because)
            for f in self.films
        ]  # fmt: skip
        names = ["region", "X", "X lower", "X upper", "tau [s]", "tau lower", "tau upper", "stretches", "separated"]
        return pd.DataFrame(rows, columns=[*names, "because"]).set_index("region")

    def findings(self, car: Car) -> list[Finding]:
        """Hold excursions against the owner's limits; say what the film is."""
        limits = car.limits
        lean = Question(
            "transient.lean", "Lean excursion at tip-in", limits.excursion_lean_max_pct, "limits.excursion_lean_max_pct"
        )
        rich = Question(
            "transient.rich", "Rich excursion at tip-in", limits.excursion_rich_max_pct, "limits.excursion_rich_max_pct"
        )
        return [_depth(self, lean, "lean"), _depth(self, rich, "rich"), *_film_findings(self)]


def _depth(study: TransientStudy, question: Question, side: str) -> Finding:
    table = study.of_kind("tip-in")
    if not study.shown or table.empty:
        why = study.because or "no separate tip-in: each has another event or a fuel cut within 2 s."
        return judge(question, Estimate(NAN, NAN, NAN, "%", 0, study.samples_flagged, why), why)
    sizes = table[f"{side}_pct"].abs()
    estimate = worst_estimate(sizes, "%", step=READING_PCT, flagged=study.samples_flagged, what="tip-ins")
    worst = table.loc[sizes.idxmax()]
    causes = table.loc[table[f"{side}_cause"] != "", f"{side}_cause"].value_counts()
    named = ", ".join(f"{cause} in {count}" for cause, count in causes.items()) or "too small for a cause"
    text = (
        f"{estimate.method}, as the sensor shows them, at {worst['at_s']:.1f} s, {worst['engine_speed_rpm']:.0f} rpm; "
        f"their mean is {sizes.mean():.1f} %; cause: {named}."
    )
    return judge(question, estimate, text)


def _film_findings(study: TransientStudy) -> list[Finding]:
    share = Question("transient.film_share", "Share X of the fuel that wets the wall")
    tau = Question("transient.film_time", "Time constant of the wall film")
    fuel = Question("transient.missing_fuel", "Fuel missing per tip-in, all cylinders")
    film = study.film
    if film is None or not film.told_apart:
        why = (study.because or (film.because if film else "no film could be fitted")).removesuffix(".")
        empty = [Estimate(NAN, NAN, NAN, unit, 0, study.samples_flagged, why) for unit in ("1", "s", "mg")]
        return [judge(q, e, f"{why}.") for q, e in zip((share, tau, fuel), empty, strict=True)]
    where = f"{film.region}: {film.because}."
    found = [judge(share, film.share, where), judge(tau, film.tau_s, where)]
    own = study.fuel[study.fuel["region"] == film.region]
    if own.empty:
        why = f"{film.region}: no separate tip-in there."
        return [*found, judge(fuel, Estimate(NAN, NAN, NAN, "mg", 0, 0, why), why)]
    row = own.iloc[0]
    value = Estimate(
        row["missing_mg"], row["missing_lower_mg"], row["missing_upper_mg"], "mg", int(row["tip_ins"]), 0, "per tip-in"
    )
    return [*found, judge(fuel, value, proposal_sentence(row))]


def proposal_sentence(row: pd.Series) -> str:
    """What to change in acceleration fuelling for one region, in words."""
    where = f"Acceleration fuelling, {row['region']}, {row['air_from_kg_h']:.0f} to {row['air_to_kg_h']:.0f} kg/h"
    amounts = f"the wall film takes {row['needed_mg']:.0f} mg, {row['delivered_mg']:.0f} mg was added"
    if not np.isfinite(row["missing_lower_mg"] + row["missing_upper_mg"]):
        return f"{where}: no change; too few separate tip-ins for an interval ({amounts})."
    if row["missing_lower_mg"] <= 0.0 <= row["missing_upper_mg"]:
        return f"{where}: no change; the difference is within its interval ({amounts})."
    way = "more" if row["missing_mg"] > 0 else "less"
    return (
        f"{where}: {abs(row['missing_mg']):.0f} mg {way} is wanted ({amounts}). Right would be "
        f"{row['first_pct']:.0f} % at first, falling with a time constant of {row['decay_s']:.2f} s; go half of the "
        "way, drive the same again."
    )


def depth_trends(excursions: pd.DataFrame) -> pd.DataFrame:
    """How the depth at tip-in goes with throttle rate, engine speed, airflow step and coolant temperature.

    A common straight-line fit; a quantity that hardly varied, or goes along with another one, has wide bounds or is
    left out. Empty below ten tip-ins.
    """
    columns = ["side", "quantity", "slope", "lower", "upper", "unit", "events"]
    table = excursions[excursions["kind"] == "tip-in"]
    rows = []
    for side in ("lean", "rich"):
        rows += _trend(table, side) if len(table) >= 10 else []
    return pd.DataFrame(rows, columns=columns)


_DRIVERS = {
    "throttle rate": ("rate_pct_s", 100.0, "% per 100 %/s"),
    "engine speed": ("engine_speed_rpm", 1000.0, "% per 1000 rpm"),
    "airflow step": ("step_kg_h", 10.0, "% per 10 kg/h of fuel"),
    "coolant": ("coolant_c", 10.0, "% per 10 °C"),
}


def _trend(table: pd.DataFrame, side: str) -> list[tuple]:
    depth = table[f"{side}_pct"].abs().to_numpy(dtype=float)
    data = {name: table[column].to_numpy(dtype=float) / scale for name, (column, scale, _) in _DRIVERS.items()}
    data = {name: values for name, values in data.items() if np.isfinite(values).all() and values.std() > 0.05}
    columns = np.column_stack([np.ones(depth.size), *data.values()])
    if depth.size - columns.shape[1] < 4:
        return []
    inverse = np.linalg.pinv(columns.T @ columns)
    best = inverse @ columns.T @ depth
    freedom = depth.size - columns.shape[1]
    noise = float(np.sum((depth - columns @ best) ** 2) / freedom)
    reach = scipy.stats.t.ppf(0.975, freedom) * np.sqrt(np.maximum(noise * np.diag(inverse), 0.0))
    return [
        (side, name, best[k], best[k] - reach[k], best[k] + reach[k], _DRIVERS[name][2], depth.size)
        for k, name in enumerate(data, start=1)
    ]
