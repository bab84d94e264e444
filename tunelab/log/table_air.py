"""The air of a car without an air meter: what its ECU takes from the table of the revision that was driven."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.log.flag import MASKS
from tunelab.workspace.car import Car
from tunelab.workspace.filling import STANDARD_ATMOSPHERE_KPA, Inlet, load_channel, table_air_kg_h
from tunelab.workspace.revision import Revision

ASSUMED_COOLANT_C = 88.0  # of a warm engine, where the coolant is not logged; common practice, no source
ASSUMED_INTAKE_C = 25.0  # where the intake air is not logged; common practice, no source
HELD_S = 5.0  # that a slow reading counts until its next one


def inlet_of(log: xr.Dataset, car: Car) -> tuple[Inlet, tuple[str, ...]]:
    """The readings that the ECU goes by, on every row of the log, and a sentence for each that was taken for granted.

    Raises
    ------
    ValueError
        The log has no engine speed or no reading of the load.
    """
    name = load_channel(car)
    absent = [wanted for wanted in ("engine_speed_rpm", name) if wanted not in log]
    if absent:
        raise ValueError(
            f"{' and '.join(absent)} is not in the log: this car's ECU takes the air from a table over engine speed "
            f'and {name} (load_from = "{car.load_from}" in car.toml). Log {"them" if len(absent) > 1 else "it"}, or '
            "name the column in channels.toml."
        )
    told: list[str] = []
    intake = _or_assumed(log, "intake_air_c", ASSUMED_INTAKE_C, "°C", told)
    coolant = _or_assumed(log, "coolant_c", ASSUMED_COOLANT_C, "°C", told)
    needed = car.load_from == "throttle"
    barometer = _or_assumed(log, "barometer_kpa", STANDARD_ATMOSPHERE_KPA, "kPa", told if needed else [])
    speed, load = (held(log, wanted) for wanted in ("engine_speed_rpm", name))
    return Inlet(speed, load, intake, coolant, barometer), tuple(told)


def held(log: xr.Dataset, name: str) -> np.ndarray:
    """A channel on every row, shape (time,): the last trusted reading held for HELD_S, then NaN."""
    values, time = log[name].to_numpy().astype(float), log["time"].to_numpy()
    known = np.isfinite(values)
    if f"{name}_flag" in log:
        known &= (log[f"{name}_flag"].to_numpy() & ~(MASKS["missing"] | MASKS["transient"])) == 0
    if not known.any():
        return np.full(values.size, np.nan)
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), 0))
    return np.where(known[last] & (time - time[last] <= HELD_S), values[last], np.nan)


def _or_assumed(log: xr.Dataset, name: str, assumed: float, unit: str, told: list[str]) -> np.ndarray:
    if name in log and np.isfinite(log[name].to_numpy()).any():
        values = held(log, name)
        return np.where(np.isfinite(values), values, np.nanmedian(values))
    told.append(f"{name} is not logged: {assumed:g} {unit} was taken for all of it.")
    return np.full(log.sizes["time"], assumed)


def add_table_air(log: xr.Dataset, car: Car, revision: Revision) -> xr.Dataset:
    """Return the log with `air_flow_kg_h` as the ECU takes it from its table; a logged one is kept as it is.

    A log that lacks what the table needs is returned as it is: the question that wants the air says so.
    """
    if not load_channel(car) or revision.volumetric_efficiency is None or "air_flow_kg_h" in log:
        return log
    try:
        inlet, _ = inlet_of(log, car)
    except ValueError:
        return log
    attrs = {"units": "kg h-1", "long_name": f"air flow by the table of {revision.name}"}
    added = log.assign(air_flow_kg_h=("time", table_air_kg_h(car, revision, inlet), attrs))
    flags = [log[f"{name}_flag"] for name in ("engine_speed_rpm", load_channel(car)) if f"{name}_flag" in log]
    if flags:  # the air is no better than what it was computed from
        both = np.bitwise_or.reduce([flag.to_numpy() for flag in flags])
        added["air_flow_kg_h_flag"] = flags[0].copy(data=both)
        added["air_flow_kg_h"].attrs["ancillary_variables"] = "air_flow_kg_h_flag"
    line = f"air_flow_kg_h computed from engine speed and {load_channel(car)} by the table of {revision.name}"
    added.attrs["history"] = "\n".join(part for part in (log.attrs.get("history", ""), line) if part)
    return added
