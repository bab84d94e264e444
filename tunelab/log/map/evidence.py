"""What one column says about another: settles units that a column's own numbers leave open, or opens a wrong guess."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from tunelab.log.map.match import Match
from tunelab.log.map.quantity import LAMBDAS, Form, to_usual
from tunelab.log.read import RawTable
from tunelab.physics.air import dry_air_density
from tunelab.physics.load import volumetric_efficiency
from tunelab.workspace.car import Car

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
    seen = _numbers(raw, matches, witness.form.channel)
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
    return _in_usual(raw, found[0], found[0].form)


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
    breathed = {form: _breathing(_in_usual(raw, match, form), *engine, displacement_l) for form in flows}
    if any(found is None for found in breathed.values()):
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
