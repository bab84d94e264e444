"""The factor from the day of the drive to a standard day."""

from __future__ import annotations

from typing import Literal

import numpy as np
import xarray as xr

from tunelab.physics.air import StandardDayFactor, dry_pressure, iso_1585_factor, sae_j1349_factor
from tunelab.study.gearing.reading import has, trusted_values
from tunelab.study.power.result import StandardDay
from tunelab.study.pull.result import Pull
from tunelab.workspace.session import Session

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
        float(own.factor), _allowed(own), own.standard, float(other.factor), other.standard, dry, weather.air_c,
        f"weather of session.toml{_intake_note(log, pulls)}",
    )  # fmt: skip


def _allowed(factor: StandardDayFactor) -> bool:
    return bool(factor.is_within_band)


def _intake_note(log: xr.Dataset, pulls: tuple[Pull, ...]) -> str:
    """What the intake sensor read meanwhile."""
    if not has(log, "intake_air_c") or not pulls:
        return ""
    values = trusted_values(log, "intake_air_c")
    rows = np.concatenate([values[pull.rows] for pull in pulls])
    return f"; the intake sensor read {np.nanmedian(rows):.0f} °C in the pulls" if np.isfinite(rows).any() else ""
