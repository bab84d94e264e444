"""Whether more fuel would arrive at full load: what the injectors, the pressure and lambda's own answer say.

A breakpoint that reads lean may be lean because the supply gives no more: then a richer command is no cure, and hides
what has to be mended first. Four things show it: the ECU commands another lambda than the table says, the injectors are
at the owner's limit of duty, the rail's pressure falls short, or lambda did not answer a longer pulse.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import at_rows, has
from tunelab.physics.fuel import dead_time_at, injector_duty
from tunelab.workspace.car import Car
from tunelab.workspace.revision import STANDARD_ATMOSPHERE_KPA, Revision

CHANNELS = ["opened_ms", "duty_pct", "short_kpa"]  # what is taken from the log at each reading of a pull
SHORT_SHARE = 0.1  # of the rail pressure, that may be missing where no limit is stated: 5 % less fuel; common practice
OTHER_TABLE = 0.02  # commanded lambda off the table by this share: another table was at work
LEAST_MORE = 0.03  # log units that the pulse has to be longer by for lambda's answer to be judged
ANSWERS = (
    0.5  # share of a longer pulse that lambda has to answer; an answer below it for certain shows a starved supply
)
FIRST = "fuel supply first"  # the basis of a breakpoint that gets no more fuel until its supply is looked at
NOT_ACTING = "another table acts"
LOOK = (
    "Look at the fuel supply before anything is entered there: pressure at full load, pump and its voltage, filter, "
    "lines, regulator, then the injectors."
)


def at_readings(log: xr.Dataset, car: Car, revision: Revision, fuelled_s: np.ndarray) -> pd.DataFrame:
    """CHANNELS at the moments of fuelling, shape (readings,); NaN where the log does not hold them."""
    rows = log.sizes["time"]
    nothing = np.full(rows, np.nan)
    opened, duty, short = nothing, nothing, nothing
    if has(log, "pulse_width_ms") and has(log, "battery_v"):
        dead = dead_time_at(at_rows(log, "battery_v"), revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
        opened = np.where(at_rows(log, "pulse_width_ms") > dead, at_rows(log, "pulse_width_ms") - dead, np.nan)
    if has(log, "pulse_width_ms") and has(log, "engine_speed_rpm"):
        pulse, rpm = (np.maximum(at_rows(log, name), 0.0) for name in ("pulse_width_ms", "engine_speed_rpm"))
        duty = injector_duty(pulse, rpm, injections_per_cycle=car.injectors.injections_per_cycle)
    elif has(log, "injector_duty_pct"):
        duty = at_rows(log, "injector_duty_pct")
    if has(log, "fuel_pressure_kpa"):
        short = _wanted_kpa(log, car) - at_rows(log, "fuel_pressure_kpa")
    time = log["time"].to_numpy()
    return pd.DataFrame({
        name: np.interp(fuelled_s, time, values) for name, values in zip(CHANNELS, (opened, duty, short), strict=True)
    })  # fmt: skip


def _wanted_kpa(log: xr.Dataset, car: Car) -> np.ndarray:
    """What the regulator should hold above atmosphere at every row. [kPa]"""
    wanted = np.full(log.sizes["time"], car.injectors.rail_pressure_kpa)
    if car.injectors.pressure == "manifold-referenced" and has(log, "manifold_kpa"):
        outside = at_rows(log, "barometer_kpa") if has(log, "barometer_kpa") else STANDARD_ATMOSPHERE_KPA
        wanted = wanted + at_rows(log, "manifold_kpa") - outside
    return wanted


def supply_doubts(
    seen: pd.DataFrame, step: np.ndarray, car: Car, *, earlier: pd.DataFrame | None = None
) -> list[tuple[str, str]]:
    """Say for each breakpoint why no more fuel is to be entered there.

    Parameters
    ----------
    seen : DataFrame
        One row per breakpoint: `engine_speed_rpm, lambda, se, commanded, asked` (commanded lambda by the table),
        `in_force` and CHANNELS.
    step : array, shape (breakpoints,)
        Log of the fuel that the pulls ask for.
    car : Car
        The owner's limits.
    earlier : DataFrame, optional
        Pulls with an earlier revision, as the table of their own proposal: `engine_speed_rpm, lambda, lower, upper,
        commanded, in_force, opened_ms`.

    Returns
    -------
    list of (str, str)
        Basis and sentence; both empty where more fuel may be entered.
    """
    rows = seen.to_dict("records")
    return [_doubt(row, float(more), car, earlier) for row, more in zip(rows, step, strict=True)]


def acts_in_part(seen: pd.DataFrame) -> np.ndarray:
    """Breakpoints around which the ECU commands another lambda than the table of full load says, shape (breakpoints,).

    Enrichment that begins at a load, or another table, is at work there beside it.
    """
    return (np.abs(np.log(seen["commanded"] / seen["asked"])) > OTHER_TABLE).to_numpy()


def _doubt(row: dict, more: float, car: Car, earlier: pd.DataFrame | None) -> tuple[str, str]:
    place, was = f"At {row['engine_speed_rpm']:.0f} rpm", _of(earlier, row["engine_speed_rpm"])
    if other := _other_table(row, more, was):
        return NOT_ACTING, f"{place} {other}"
    if not more > 0:
        return "", ""
    limit, pressure = car.limits.injector_duty_max_pct, car.limits.fuel_pressure_drop_max_kpa
    short = pressure or SHORT_SHARE * car.injectors.rail_pressure_kpa
    if row["duty_pct"] * np.exp(more) > limit:
        return FIRST, (
            f"{place} the injectors are open {row['duty_pct']:.0f} % of the time; what the pulls ask for would pass "
            f"your {limit:g} %. {LOOK}"
        )
    if row["short_kpa"] > short:
        return FIRST, f"{place} fuel pressure is {row['short_kpa']:.0f} kPa short ({short:g} is allowed). {LOOK}"
    answer = _unanswered(row, was)
    return (FIRST, f"{place} {answer} {LOOK}") if answer else ("", "")


def _of(earlier: pd.DataFrame | None, engine_speed_rpm: float) -> dict[str, float]:
    """An earlier table's row at an engine speed; empty where it has none or lacks what is asked of it."""
    wanted = ["lambda", "lower", "upper", "opened_ms", "commanded", "in_force"]
    if earlier is None or not set(wanted) <= set(earlier.columns):
        return {}
    rows = earlier.loc[np.isclose(earlier["engine_speed_rpm"], engine_speed_rpm), wanted].astype(float)
    return {} if rows.empty else rows.iloc[0].to_dict()


def _other_table(row: dict, more: float, was: dict[str, float]) -> str:
    """Why nothing is entered where the ECU does not command what the table of full load says; empty where it may be.

    Less fuel never is; more is as long as what the ECU commands follows what was entered before.
    """
    if not abs(np.log(row["commanded"] / row["asked"])) > OTHER_TABLE or more == 0:
        return ""
    why = (
        f"the ECU commands lambda {row['commanded']:.3f} where the table says {row['asked']:.3f}: another table, or "
        "the load from which enrichment begins, is at work there. Set that first."
    )
    if more < 0:
        return why
    entered = np.log(was["in_force"] / row["in_force"]) if was else 0.0
    followed = np.log(was["commanded"] / row["commanded"]) if was else 0.0
    return why if entered >= LEAST_MORE and followed < ANSWERS * entered else ""


def _unanswered(row: dict, was: dict[str, float]) -> str:
    """How lambda failed to answer a longer pulse since an earlier revision; empty where it answered."""
    if not was:
        return ""
    longer = float(np.log(row["opened_ms"] / was["opened_ms"]))
    richer = float(np.log(was["lambda"] / row["lambda"]))
    spread = np.hypot(row["se"], np.log(was["upper"] / was["lower"]) / 3.92)
    if not longer >= LEAST_MORE or not richer + 1.645 * spread < ANSWERS * longer:
        return ""
    return (
        f"the injectors open {100 * np.expm1(longer):.1f} % longer than before, and lambda became only "
        f"{100 * np.expm1(richer):.1f} % richer: the fuel does not arrive."
    )
