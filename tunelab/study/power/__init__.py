"""Power at the wheels from pulls, with an honest band; and whether two revisions differ by more than noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import xarray as xr

from tunelab.log.align import has, rate_hz, trusted_values
from tunelab.physics.air import dry_pressure, iso_1585_factor, sae_j1349_factor
from tunelab.study.coast_down.result import CoastDownFit
from tunelab.study.power.compare import EnergyCheck, PowerComparison, check_energy, compare_power
from tunelab.study.power.inputs import PowerInputs, RoadDoubt, gather_inputs
from tunelab.study.power.pulls import Drawing, Rise, common_grid, effect_table, mean_of_ways, measure_pull, pull_rise
from tunelab.study.power.result import PowerFit, PullPower, StandardDay, nothing_shown
from tunelab.study.pull_result import Pull, PullSet
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

__all__ = ["EnergyCheck", "PowerComparison", "PowerFit", "RoadDoubt", "check_energy", "compare_power", "fit_power"]

Standard = Literal["ISO 1585", "SAE J1349"]


def standard_day(log: xr.Dataset, session: Session, pulls: tuple[Pull, ...], *, standard: Standard) -> StandardDay:
    """Factor that power at full throttle is multiplied with, by the named standard; the other one beside it.

    The temperature is that of the weather: a sensor in the intake reads the heat of the engine bay too, which a
    standard day would not take away. Pressure and humidity are the weather's.

    Raises
    ------
    ValueError
        An unknown standard, or no weather.
    """
    if standard not in ("ISO 1585", "SAE J1349"):
        raise ValueError(f"standard is {standard!r}; wanted is 'ISO 1585' or 'SAE J1349'.")
    if session.weather is None:
        raise ValueError("session.toml has no [weather], so power on a standard day cannot be calculated.")
    weather = session.weather
    dry = float(dry_pressure(weather.pressure_kpa, weather.air_c, weather.humidity_pct))
    both = [iso_1585_factor(dry, weather.air_c), sae_j1349_factor(dry, weather.air_c)]
    own, other = both if standard == "ISO 1585" else both[::-1]
    return StandardDay(
        float(own.factor), bool(own.is_within_band), own.standard, float(other.factor), other.standard, dry,
        weather.air_c, f"weather of session.toml{_intake_note(log, pulls)}",
    )  # fmt: skip


def _intake_note(log: xr.Dataset, pulls: tuple[Pull, ...]) -> str:
    """What the intake sensor read meanwhile."""
    if not has(log, "intake_air_c") or not pulls:
        return ""
    values = trusted_values(log, "intake_air_c")
    rows = np.concatenate([values[pull.rows] for pull in pulls])
    return f"; the intake sensor read {np.nanmedian(rows):.0f} °C in the pulls" if np.isfinite(rows).any() else ""


SLOWEST_RATE_HZ = 8.0  # 10 Hz measures as well as 25 Hz; 5 Hz leaves seven readings in the window
METHOD = (
    "local quadratic over 0.7 to 1.4 s of engine speed; noise by moving-block bootstrap of 0.4 s; named inputs by "
    "Monte Carlo, {draws} draws, seed {seed}; mean of the pulls of each direction, then of the directions"
)


def fit_power(
    log: xr.Dataset,
    car: Car,
    session: Session,
    pulls: PullSet,
    doubt: RoadDoubt,
    *,
    coast_down: CoastDownFit | None,
    drawing: Drawing,
    standard: Standard,
) -> PowerFit:
    """Measure wheel power from the full-throttle pulls of a session.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    car, session
        Mass, inertias, tyres, gearing, road load; weather.
    pulls : PullSet
        Of `find_pulls` on the same log.
    doubt : RoadDoubt
        What is not known of the road's slope and of the wind.
    coast_down : CoastDownFit or None
        Used in place of the owner's road load where it is shown.
    drawing : Drawing
        Use the same in two sessions that are to be compared.
    standard : {"ISO 1585", "SAE J1349"}
        For the standard-day factor.

    Returns
    -------
    PowerFit
        Not shown, with the reason, where something is missing.
    """
    name = str(log.attrs.get("session", ""))
    why = _why_not(log, pulls)
    if why:
        return nothing_shown(why, name, session.revision, log.sizes["time"])
    try:
        inputs = gather_inputs(car, session, doubt, coast_down=coast_down)
    except ValueError as problem:
        return nothing_shown(str(problem), name, session.revision, log.sizes["time"])
    draws = _common_draws(inputs, drawing, name)
    rises, skipped = _usable(log, pulls)
    if not rises:
        text = f"no pull can be used: {'; '.join(f'pull {n}: {why}' for n, why in skipped)}."
        return nothing_shown(text, name, session.revision, log.sizes["time"])
    grid = common_grid([rise for _, rise in rises])
    measured = [(measure_pull(pull, rise, car, inputs, draws, drawing, grid), rise) for pull, rise in rises]
    day = standard_day(log, session, tuple(pull for pull, _ in rises), standard=standard)
    return _together(log, car, session, Measured(grid, measured, skipped, inputs, draws, drawing, day))


@dataclass(frozen=True)
class Measured:
    """Everything that goes into the combined curve."""

    grid: np.ndarray
    pulls: list[tuple[PullPower, Rise]]
    skipped: list[tuple[int, str]]
    inputs: PowerInputs
    draws: dict[str, np.ndarray]
    drawing: Drawing
    day: StandardDay


def _why_not(log: xr.Dataset, pulls: PullSet) -> str:
    if not pulls.pulls:
        return pulls.because
    if not pulls.full:
        return "no power: there are pulls at part throttle only."
    if all(pull.gear == 0 for pull in pulls.full):
        return f"no power: the gear is not known ({pulls.gear_source})"
    rate = rate_hz(log, "engine_speed_rpm")
    if not rate >= SLOWEST_RATE_HZ:
        return f"no power: {rate:.1f} readings of engine speed a second; at least {SLOWEST_RATE_HZ:g} are wanted."
    return ""


def _common_draws(inputs: PowerInputs, drawing: Drawing, salt: str) -> dict[str, np.ndarray]:
    """Draws of what all pulls share; row 0 is the nominal value."""
    draws = inputs.draw(drawing.draws, drawing.seed, salt=salt)
    for row in inputs.rows:
        draws[row.name][0] = row.value
    mass = draws["mass"] + draws["load of the day"]
    scale = mass / inputs["mass"].value if inputs.coast_down_mass_kg is not None else np.ones_like(mass)
    return draws | {"road-load scale": scale}


def _usable(log: xr.Dataset, pulls: PullSet) -> tuple[list[tuple[Pull, Rise]], list[tuple[int, str]]]:
    """Smoothed full-throttle pulls, and the numbers of the others with the reason."""
    rises, skipped = [], []
    for pull in pulls.full:
        rise, why = pull_rise(log, pull)
        if rise is None:
            skipped.append((pull.number, why))
        else:
            rises.append((pull, rise))
    return rises, skipped


def _together(log: xr.Dataset, car: Car, session: Session, found: Measured) -> PowerFit:
    by_way = {w: [p for p, _ in found.pulls if p.pull.direction == w] for w in ("out", "back", "unknown")}
    both = bool(by_way["out"]) and bool(by_way["back"])
    ways = [by_way["out"], by_way["back"]] if both else [[p for p, _ in found.pulls]]
    draws, spread = mean_of_ways(ways, found.drawing)
    lower, upper = np.quantile(draws[1:], [0.025, 0.975], axis=0)
    used = sum(p.samples for p, _ in found.pulls)
    effects = effect_table(found.pulls, ways, found.inputs, car, found.grid)
    return PowerFit(
        both and bool(np.isfinite(draws[0]).any()), _why_not_absolute(by_way, both, draws), found.grid, draws[0], lower,
        upper, draws, tuple(p for p, _ in found.pulls), tuple(found.skipped), both, spread, found.day, found.inputs,
        effects, session.revision, str(log.attrs.get("session", "")), used, log.sizes["time"] - used,
        METHOD.format(draws=found.drawing.draws, seed=found.drawing.seed), found.inputs.notes,
        found.draws,
    )  # fmt: skip


def _why_not_absolute(by_way: dict[str, list[PullPower]], both: bool, draws: np.ndarray) -> str:
    if both:
        return "" if np.isfinite(draws[0]).any() else "the pulls of the two directions share no engine speed."
    if by_way["unknown"]:
        text = (
            "which way each pull went is not known, or they lie on different roads: log the position, or add "
            "turned_at_s to session.toml"
        )
    else:
        text = f"all {len(by_way['out'])} pulls went one way"
    return (
        f"no absolute power: {text}; the slope of the road cannot be separated from power. Drive the same stretch back."
    )
