"""What the mixture does when the throttle moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.align import at_rows, has
from tunelab.study.delay import DelayFit
from tunelab.study.finding import NAN, Estimate, Finding, Question, judge, shows_its_table, worst_estimate
from tunelab.study.fuel_cut import off_the_wheels
from tunelab.study.transient.excursion import COLUMNS, NOT_EXPLAINED, find_excursions
from tunelab.study.transient.film import FilmFit, Prior, cylinder_air, cylinder_fuel, first_prior, leftover
from tunelab.study.transient.region import (
    EVENT_COLUMNS,
    Film,
    Window,
    acceleration_fuel,
    find_events,
    fit_region,
    number_readings,
    regions_of,
    windows_of,
)
from tunelab.study.transient.signal import NotInLog, TransientSignal, away_from, transient_signal
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

__all__ = [
    "NOT_EXPLAINED", "Film", "TransientStudy", "cylinder_air", "cylinder_fuel", "proposal_sentence",
    "study_transients",
]  # fmt: skip

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


RESTING_KM_H = 2.0
LEAST_FOR_FUEL = 2  # tip-ins of a region from which fuel is calculated


def study_transients(log: xr.Dataset, car: Car, revision: Revision, delay: DelayFit) -> TransientStudy:
    """Study what the mixture does when the throttle moves.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    car, revision
        Sensor rails and limits; curve, dead time and current injector flow.
    delay : DelayFit
        Of `estimate_delay`; where it showed nothing the stated values come with wide intervals, and the film is then
        seldom separated from the sensor's lag.

    Returns
    -------
    TransientStudy
        Not shown, with the reason, where a channel is missing or the throttle never moved.
    """
    try:
        signal = transient_signal(log, car, revision)
    except (NotInLog, ValueError) as problem:
        return _nothing(f"{problem}.", delay)
    events = find_events(log, car, revision)
    if events.empty:
        return _nothing("the throttle never moved quickly in this log, and no fuel cut ended.", delay, signal)
    clear = away_from(signal, signal.cut, delay.delay_s, delay.delay_flow_s_kg_h) & ~signal.after_gap
    windows = [_with_coolant(window, signal) for window in windows_of(events, signal.grid_time)]
    coupled = away_from(signal, _clutch_at_work(log, signal), delay.delay_s, delay.delay_flow_s_kg_h)
    number = number_readings(signal.reading_s, clear & coupled & ~signal.at_rail, windows)
    films = _films(signal, car, windows, number, delay)
    parameters = _best(films, signal, delay)
    excursions = _excursions(signal, events, films, clear, car, parameters)
    return TransientStudy(
        shown=True,
        because="",
        events=events,
        excursions=excursions,
        trends=depth_trends(excursions),
        films=films,
        fuel=_fuel(films, excursions, car),
        signal=signal,
        delay=delay,
        predicted=_predicted(signal, car, parameters, number),
        samples_used=int((number >= 0).sum()),
        samples_flagged=signal.samples_flagged + int((~clear).sum()),
    )


def _nothing(why: str, delay: DelayFit, signal: TransientSignal | None = None) -> TransientStudy:
    predicted = pd.DataFrame(columns=["time_s", "measured", "predicted", "window"])
    flagged = signal.samples_flagged if signal else 0
    return TransientStudy(
        False, why, pd.DataFrame(columns=EVENT_COLUMNS), pd.DataFrame(columns=COLUMNS),
        depth_trends(pd.DataFrame(columns=COLUMNS)), (), pd.DataFrame(columns=["region"]), signal, delay, predicted, 0,
        flagged,
    )  # fmt: skip


def _with_coolant(window: Window, signal: TransientSignal) -> Window:
    """The window with the coolant temperature that slow channels give between their readings."""
    coolant = float(np.interp(window.start_s, signal.grid_s, signal.coolant_c))
    return Window(window.start_s, window.end_s, window.kinds, window.engine_speed_rpm, coolant)


def _clutch_at_work(log: xr.Dataset, signal: TransientSignal) -> np.ndarray:
    """Where the engine is off the wheels of a rolling car; bool, on the grid.

    Engine speed then moves by a third within tenths of a second, and air, gas and fuel are not in step: on drives with
    many changes of gear the film came out larger by 0.02 and quicker by a tenth.
    """
    loose = off_the_wheels(log)
    rolls = at_rows(log, "road_speed_km_h") > RESTING_KM_H if has(log, "road_speed_km_h") else np.ones_like(loose)
    return np.interp(signal.clock_s, log["time"].values, (loose & rolls).astype(float)) > 0.5


def _films(
    signal: TransientSignal, car: Car, windows: list[Window], number: np.ndarray, delay: DelayFit
) -> tuple[Film, ...]:
    """The region with most windows first, with the delay study's priors; the others start from what it found."""
    regions = regions_of(windows, car.limits.coolant_min_c)
    counted = {name: np.intersect1d(np.flatnonzero(own), number).size for name, own in regions.items()}
    order = sorted(regions, key=lambda name: -counted[name])
    prior = first_prior(signal, delay)
    films: dict[str, Film] = {}
    for name in order:
        film = fit_region(signal, car.lambda_sensor, windows, (name, regions[name]), number, prior)
        films[name] = film
        if name == order[0] and film.fit is not None:
            prior = _narrowed(prior, film.fit)
    return tuple(films[name] for name in regions)


def _narrowed(prior: Prior, fit: FilmFit) -> Prior:
    """Priors for further regions: film as open as before, delay, lag and air as the first fit left them."""
    mean, spread = prior.mean.copy(), prior.spread.copy()
    mean[2:], spread[2:] = fit.values[2:], np.maximum(fit.spread[2:], 0.25 * prior.spread[2:])
    return Prior(mean, spread)


def _best(films: tuple[Film, ...], signal: TransientSignal, delay: DelayFit) -> np.ndarray:
    """Parameters with which excursions are referred back and split: of the film separated best, else the priors'."""
    known = [(f, f.fit) for f in films if f.fit is not None]
    told = [(f, fit) for f, fit in known if f.told_apart] or known
    if told:
        return max(told, key=lambda pair: pair[0].windows)[1].values
    return first_prior(signal, delay).mean


def _excursions(
    signal: TransientSignal,
    events: pd.DataFrame,
    films: tuple[Film, ...],
    clear: np.ndarray,
    car: Car,
    best: np.ndarray,
) -> pd.DataFrame:
    """Excursions, each referred back and split with the film of its own region where that is separated.

    Where several regions hold an event, the one of most stretches; where none does, `best`. A cold wall holds more.
    """
    found = find_excursions(signal, events, best, clear)
    told = sorted((film for film in films if film.told_apart), key=lambda film: -film.windows)
    left = np.ones(len(found), dtype=bool)
    tables = []
    for film in told:
        if film.fit is None:
            raise ValueError(f"{film.region}: separated from the sensor's lag without a fit.")
        inside = regions_of(_places(found), car.limits.coolant_min_c) if left.any() else {}
        own = left & inside.get(film.region, False)
        left &= ~own
        if own.any() and film.fit.values is not best:
            table = find_excursions(signal, events, film.fit.values, clear)
            tables.append(table[table["at_s"].isin(found.loc[own, "at_s"])])
            found, left = found[~own], left[~own]
    return pd.concat([found, *tables]).sort_values("at_s", ignore_index=True) if tables else found


def _places(excursions: pd.DataFrame) -> list[Window]:
    """A window of no length at every excursion, to tell its region."""
    rows = excursions.itertuples()
    return [Window(row.at_s, row.at_s, (row.kind,), row.engine_speed_rpm, row.coolant_c) for row in rows]


def _fuel(films: tuple[Film, ...], excursions: pd.DataFrame, car: Car) -> pd.DataFrame:
    """One row per region that tells film from lag and has tip-ins that stand alone."""
    tip_ins = excursions[(excursions["kind"] == "tip-in") & (excursions["air_to_kg_h"] > excursions["air_from_kg_h"])]
    if tip_ins.empty:
        return pd.DataFrame(columns=["region"])
    inside = regions_of(_places(tip_ins), car.limits.coolant_min_c)
    rows = []
    for film in films:
        own = tip_ins[inside[film.region]] if film.region in inside else tip_ins.iloc[:0]
        if film.told_apart and film.tau_s.shown and len(own) >= LEAST_FOR_FUEL:
            head = {"region": film.region, "share": film.share.value, "tau_s": film.tau_s.value}
            rows.append(head | acceleration_fuel(film, own))
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["region"])


def _predicted(signal: TransientSignal, car: Car, parameters: np.ndarray, number: np.ndarray) -> pd.DataFrame:
    """Measured and predicted lambda of the readings in use, with an empty row wherever some were left out between."""
    whole = leftover(signal, car.lambda_sensor, parameters, number)[1]
    own = number >= 0
    table = pd.DataFrame(
        {
            "time_s": signal.log_time(signal.reading_s[own]),
            "measured": signal.reading[own],
            "predicted": np.exp(whole[own]),
            "window": number[own],
        }
    )
    left_out = table["time_s"].diff() > 0.4
    empty = table[left_out].assign(time_s=table["time_s"][left_out] - 0.2, measured=np.nan, predicted=np.nan)
    return pd.concat([table, empty]).sort_values("time_s", ignore_index=True)
