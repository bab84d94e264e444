"""What one column may be: by its name, unit, range and movement, and by what other columns say."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import polars as pl

from tunelab.channels import CHANNELS
from tunelab.log.map.heading import Heading, usual_ends
from tunelab.log.map.quantity import LAMBDAS, SWITCHES, Form, Spread, guess_forms, stated_forms, to_usual
from tunelab.log.read import RawColumn, RawTable
from tunelab.physics.air import dry_air_density
from tunelab.physics.load import volumetric_efficiency
from tunelab.units import recognise_unit
from tunelab.workspace.car import Car
from tunelab.workspace.channel_map import ColumnRule

Sure = Literal["said", "stated", "likely", "open", "none"]


@dataclass(frozen=True)
class Match:
    """What one column is taken to be.

    `sure`: said (by channels.toml), stated (the file names quantity and unit), likely (the unit was found from the
    numbers, only one fits), open (several remain: `forms` holds them), none (not a channel, or left out).
    """

    column: RawColumn
    heading: Heading
    forms: tuple[Form, ...]
    sure: Sure
    why: str
    rule: ColumnRule | None = None
    continues: str = ""  # key of the column that this one goes on with, below another heading of its file

    @property
    def form(self) -> Form | None:
        """The form, where it is settled."""
        return self.forms[0] if self.sure in ("said", "stated", "likely") else None

    @property
    def settled(self) -> Form:
        """The form of a column that is known to be settled; ValueError where it is not."""
        if self.form is None:
            raise ValueError(f"{self.column.heading!r} is not settled: {self.why}.")
        return self.form


_TEMPERATURES = ("degree_Celsius", "degree_Fahrenheit")
# Degrees Celsius that are natural in a drive: of the middle of the readings, or, of coolant and oil, of their high end;
# where they would have been logged as degrees Celsius, and as degrees Fahrenheit. A unit is taken from another column
# only where the numbers are natural in it and not in the other one. Common practice, no source.
_NATURAL = {
    "degree_Celsius": {"air": (-15.0, 60.0), "engine": (45.0, 125.0), "exhaust_c": (150.0, 1000.0)},
    "degree_Fahrenheit": {"air": (8.0, 60.0), "engine": (45.0, 125.0), "exhaust_c": (150.0, 1000.0)},
}
_PLACES = {"coolant_c": "engine", "oil_c": "engine", "exhaust_c": "exhaust_c"}
_LEAST_SAMPLES = 50
_SLOWEST_RPM = 500.0
_OFF_STOICHIOMETRIC = 0.03  # logarithm of lambda: only rows in which both are so far off 1 tell rich from lean
_AGREED = 0.8  # of these rows, for two lambdas to be on one side of 1, or on different sides

# Volumetric efficiency against the atmosphere: from a closed throttle to full load. Against the manifold it moves far
# less. Common practice, no source. A unit is taken where its middle and its high end lie in the first band and every
# other unit lies outside the second; between the two it stays open.
_BELIEVED = {"atmosphere": (0.10, 1.3), "manifold": (0.35, 1.25)}
_POSSIBLE = {"atmosphere": (0.05, 2.5), "manifold": (0.32, 1.45)}


def agree_on_temperature(raw: RawTable, matches: Sequence[Match]) -> list[Match]:
    """Settle open temperatures by the others of the file, where these all are in one unit: a logger uses one.

    Numbers that are natural in both units stay open, and so do those that are in neither: another instrument may write
    into the log.
    """
    known = {match.form.unit: match for match in matches if match.form and match.form.unit in _TEMPERATURES}
    if len(known) != 1:
        return list(matches)
    [(unit, witness)] = known.items()
    return [_take_unit(raw, match, unit, witness) for match in matches]


def _take_unit(raw: RawTable, match: Match, unit: str, witness: Match) -> Match:
    forms = tuple(form for form in match.forms if form.unit == unit)
    if match.sure != "open" or len(forms) != 1 or not all(form.unit in _TEMPERATURES for form in match.forms):
        return match
    natural = {form.unit for form in match.forms if _is_natural(raw, match, form)}
    if natural != {unit}:
        return match
    why = f"no unit stated; {unit} as {witness.column.heading!r}, {witness.sure} to be so"
    return replace(match, forms=forms, sure="likely", why=why)


def _is_natural(raw: RawTable, match: Match, form: Form) -> bool:
    place = _PLACES.get(form.channel, "air")
    low, high = _NATURAL[form.unit][place]
    return low <= float(np.nanpercentile(_in_usual(raw, match, form), 98 if place == "engine" else 50)) <= high


def agree_on_mixture(raw: RawTable, matches: Sequence[Match]) -> list[Match]:
    """Settle whether an equivalence ratio is phi or lambda by a settled lambda beside it: rich is rich in both.

    Left open where the two are hardly ever both off 1, where they disagree, or where no other lambda is settled.
    """
    witness = next((m for m in matches if m.form and m.form.channel in LAMBDAS), None)
    if witness is None or not any(_is_open_mixture(match) for match in matches):
        return list(matches)
    seen = _numbers(raw, matches, witness.settled.channel)
    return list(matches) if seen is None else [_take_mixture(raw, match, seen, witness) for match in matches]


def _is_open_mixture(match: Match) -> bool:
    return match.sure == "open" and {form.kind for form in match.forms} == {"plain", "phi"}


def _take_mixture(raw: RawTable, match: Match, seen: np.ndarray, witness: Match) -> Match:
    if not _is_open_mixture(match):
        return match
    forms = {form.kind: form for form in match.forms}
    share = _share_on_one_side(_in_usual(raw, match, forms["plain"]), seen)
    if not (share >= _AGREED or share <= 1 - _AGREED):
        return match
    kind, sides = ("plain", "the same side") if share >= _AGREED else ("phi", "the other side")
    why = f"an equivalence ratio may be phi or lambda; it lies on {sides} of 1 as {witness.column.heading!r}"
    return replace(match, forms=(forms[kind],), sure="likely", why=why)


def _share_on_one_side(one: np.ndarray, other: np.ndarray) -> float:
    """Share of the rows clearly off 1 in both columns that are so to the same side; NaN with under 50 such rows."""
    with np.errstate(invalid="ignore", divide="ignore"):
        one, other = np.log(one), np.log(other)
        clear = (np.abs(one) > _OFF_STOICHIOMETRIC) & (np.abs(other) > _OFF_STOICHIOMETRIC)
    clear &= np.isfinite(one) & np.isfinite(other)
    return float(np.mean(one[clear] * other[clear] > 0)) if clear.sum() >= _LEAST_SAMPLES else float("nan")


def weigh_air_flow(raw: RawTable, matches: Sequence[Match], car: Car | None) -> list[Match]:
    """Hold an airflow without a unit against what the engine can breathe at its speed.

    Needs the car's displacement and a settled engine speed; a settled manifold pressure makes it sharper. An airflow
    that was settled by its own numbers is opened again where the engine cannot breathe so.
    """
    if car is None or not any(_is_weighed(match) for match in matches):
        return list(matches)
    speed = _numbers(raw, matches, "engine_speed_rpm")
    if speed is None:
        return list(matches)
    manifold = _numbers(raw, matches, "manifold_kpa")
    against = "atmosphere" if manifold is None else "manifold"
    density = dry_air_density(np.full(speed.size, 100.0) if manifold is None else np.fmax(manifold, 1.0), 25.0)
    return [_weigh(raw, match, (speed, density), car.engine.displacement_l, against) for match in matches]


def _is_weighed(match: Match) -> bool:
    """Whether a column may be an airflow whose unit is a guess."""
    is_guess = match.sure == "open" or (match.sure == "likely" and match.rule is None)
    return is_guess and any(form.channel == "air_flow_kg_h" for form in match.forms)


def _numbers(raw: RawTable, matches: Sequence[Match], channel: str) -> np.ndarray | None:
    """Numbers of the one column settled as a channel, in about the channel's unit, shape (rows,)."""
    found = [match for match in matches if match.form and match.form.channel == channel]
    if len(found) != 1 or not raw.frame[found[0].column.key].dtype.is_numeric():
        return None
    return _in_usual(raw, found[0], found[0].settled)


def _in_usual(raw: RawTable, match: Match, form: Form) -> np.ndarray:
    values = raw.frame[match.column.key].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    if form.kind == "phi":
        return 1.0 / np.where(values > 0, values, np.nan)
    base = to_usual(form, 0.0)
    return base + (to_usual(form, 1.0) - base) * values


def _weigh(
    raw: RawTable, match: Match, engine: tuple[np.ndarray, np.ndarray], displacement_l: float, against: str
) -> Match:
    if not _is_weighed(match):
        return match
    flows = [form for form in match.forms if form.channel == "air_flow_kg_h"]
    tried = [(form, _breathing(_in_usual(raw, match, form), *engine, displacement_l)) for form in flows]
    breathed = {form: found for form, found in tried if found is not None}
    if len(breathed) < len(tried):
        return match
    possible = [f for f in match.forms if f not in breathed or _is_within(breathed[f], _POSSIBLE[against])]
    believed = [f for f in possible if f in breathed and _is_within(breathed[f], _BELIEVED[against])]
    shown = "; ".join(f"{form} would be {low:.2g} to {high:.2g}" for form, (low, high) in breathed.items())
    why = f"breathing of the engine against its {against}: {shown}"
    if len(possible) == 1 and (believed or possible[0] not in breathed):
        return replace(match, forms=tuple(possible), sure="likely", why=f"no unit stated; {why}")
    if match.sure == "likely" and believed:
        return match
    return replace(match, forms=tuple(possible) or match.forms, sure="open", why=f"no unit stated, and {why}")


def _breathing(
    flow: np.ndarray, speed: np.ndarray, density: np.ndarray, displacement_l: float
) -> tuple[float, float] | None:
    """10th and 98th percentile of the volumetric efficiency while the engine runs; None with under 50 samples."""
    usable = np.isfinite(flow) & (flow > 0) & (speed > _SLOWEST_RPM) & np.isfinite(density)
    if usable.sum() < _LEAST_SAMPLES:
        return None
    every = max(int(usable.sum()) // 20000, 1)
    sample = np.flatnonzero(usable)[::every]
    found = volumetric_efficiency(flow[sample], speed[sample], density[sample], displacement_l=displacement_l)
    low, high = np.percentile(found, (10, 98))
    return float(low), float(high)


def _is_within(ends: tuple[float, float], band: tuple[float, float]) -> bool:
    return band[0] <= ends[0] and ends[1] <= band[1]


MOST = 6  # candidates named; more help nobody
CODES = ("fuel_mode", "gear")
MOST_CODES = 12  # different whole numbers
# Quantities that take many seconds to go through their range; common practice, no source.
SLOW = (
    "coolant_c", "intake_air_c", "ambient_c", "oil_c", "barometer_kpa", "altitude_m", "latitude_deg", "longitude_deg",
    "idle_target_rpm", "battery_v",
)  # fmt: skip
QUICK_STEP = 0.25  # of its range, from one reading to the next that differs: too quick for those
RARE = ("latitude_deg", "longitude_deg", "altitude_m", "air_charge_mg", "meter_counts", "ambient_c", "exhaust_c")
FIRST = (
    "engine_speed_rpm", "meter_v", "pulse_width_ms", "lambda_measured", "lambda_commanded", "throttle_pct",
    "trim_short_pct", "battery_v", "coolant_c", "road_speed_km_h",
)  # fmt: skip
MADE_HERE = ("lambda_at_fuelling", "lambda_at_fuelling_2")


def find_candidates(series: pl.Series, match: Match, taken: Collection[str]) -> tuple[Form, ...]:
    """Find the channels that a column without a known name may be.

    Parameters
    ----------
    series : Series, shape (rows,)
        The column's numbers; words have no candidates.
    match : Match
        Its match, without a channel; its heading may hold a unit.
    taken : collection of str
        Channels that other columns of the file have.

    Returns
    -------
    tuple of Form
        At most MOST, what most logs hold first; empty where nothing fits, or everything would.
    """
    if not series.dtype.is_numeric() or series.len() == series.null_count():
        return ()
    spread, unit = Spread(series), match.column.unit or match.heading.unit
    if not spread.count or spread.low == spread.high:
        return ()
    free = [name for name in CHANNELS if name not in taken and name not in MADE_HERE and _moves_like(name, series)]
    forms = [form for name in free if (form := _fitting(name, unit, match.heading.key, spread)) is not None]
    return tuple(sorted(forms, key=_likely_first))[:MOST]


def _moves_like(channel: str, series: pl.Series) -> bool:
    """Whether a column moves as a channel does: two values, a few codes, slowly, or freely."""
    values = series.drop_nulls().to_numpy()
    values = values[np.isfinite(values)]
    different = np.unique(values[: 20 * MOST_CODES * 100])
    few_whole = different.size <= MOST_CODES and bool((different == np.round(different)).all())
    if channel in SWITCHES:
        return different.size == 2
    if channel in CODES:
        return few_whole
    if different.size <= 2 and channel not in SLOW:
        return False
    return channel not in SLOW or _is_slow(values)


def _is_slow(values: np.ndarray) -> bool:
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0]
    span = np.ptp(values)
    return not steps.size or float(np.quantile(steps, 0.9)) < QUICK_STEP * span


def _fitting(channel: str, unit: str, key: str, spread: Spread) -> Form | None:
    """Form of a channel that the column's unit and numbers allow; None where they do not."""
    if unit and recognise_unit(unit) is not None:
        forms = [form for form in stated_forms(channel, unit, key, spread) if _is_usual(form, spread)]
    else:
        forms = list(guess_forms(channel, key, spread).fits)
    forms = [form for form in forms if form.kind != "sensor"]
    return forms[0] if forms else None


def _is_usual(form: Form, spread: Spread) -> bool:
    numbers = sorted(to_usual(form, x) for x in (spread.low, spread.middle, spread.high))
    ends = usual_ends(form.channel)
    return all(limits is None or limits[0] <= x <= limits[1] for x, limits in zip(numbers, ends, strict=True))


def _likely_first(form: Form) -> tuple[bool, bool, int]:
    """What the steps need before the rest, then the order of the vocabulary; second banks and positions last."""
    rare = form.channel.endswith(("_2_pct", "_2")) or form.channel in RARE
    return rare, form.channel not in FIRST, list(CHANNELS).index(form.channel)
