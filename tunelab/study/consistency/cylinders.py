"""How many cylinders the log and the car file show, against the number that car.toml states."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.consistency.statement import not_made, statement
from tunelab.study.ecu_law import LEAST_BINS, calm_rows, in_bins, log_of, metered_air_kg_h
from tunelab.study.finding import Finding
from tunelab.study.gearing.reading import at_rows, has
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# Bounds of this module are common practice, no source.
LEAST_SWEPT_L, MOST_SWEPT_L = 0.05, 1.1  # of one cylinder, from small motorcycles to the largest car engines
COUNT_OFF = 0.12  # of the logarithm; an ECU that counts one cylinder more or fewer is further off up to 8 cylinders
COUNT_FITS = 0.04  # of the logarithm: how near a whole number the air must come, and how steady
CYLINDERS = "Number of cylinders: by the log against car.toml"
UNUSED = "Nothing that is proposed rests on that number; feasibility and the test for ignition noise do."


def check_cylinders(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Cylinders by the ECU's own air per stroke; without it, by what the stated number makes of the engine.

    Never above `watch`: the steady fit does not use the number.
    """
    counted = _by_air_charge(log, car, revision)
    return counted if counted.status != "not_shown" else _of_one_cylinder(car) or counted


def _of_one_cylinder(car: Car) -> Finding | None:
    """A cylinder too small or too large, or one without an injection of its own; nothing where both are in order."""
    stated, injectors = car.engine.cylinders, car.injectors
    swept, injections = car.engine.displacement_l / stated, injectors.count * injectors.injections_per_cycle
    if not LEAST_SWEPT_L <= swept <= MOST_SWEPT_L:
        text = (
            f"{car.engine.displacement_l:g} L in {stated} cylinders make {swept:.2f} L each; engines have "
            f"{LEAST_SWEPT_L:g} to {MOST_SWEPT_L:g} L. Cylinders or displacement are not as stated. {UNUSED}"
        )
        return statement("cylinders", CYLINDERS, text, status="watch", figure=(swept, "L", MOST_SWEPT_L), samples=0)
    if injections < stated:
        text = (
            f"{injectors.count} injectors at {injectors.injections_per_cycle} injections per cycle give {injections} "
            f"injections for {stated} cylinders: some would get none of their own. Cylinders, injectors or injections "
            f"per cycle are not as stated. {UNUSED}"
        )
        return statement("cylinders", CYLINDERS, text, status="watch", figure=(injections, "1", stated), samples=0)
    return None


def _by_air_charge(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    bins = _counted(log, car, revision)
    if len(bins) < LEAST_BINS:
        text = "Needs the ECU's own air per stroke (air_charge_mg) beside airflow and engine speed, in steady driving."
        return not_made("cylinders", CYLINDERS, f"{text} {UNUSED}", "1")
    middle, stated = float(bins.median()), car.engine.cylinders
    count, whole = float(np.exp(middle)), max(round(float(np.exp(middle))), 1)
    if abs(middle - np.log(stated)) <= COUNT_OFF:
        text = f"Airflow over the ECU's air per stroke makes {count:.2f} cylinders; car.toml states {stated}."
        return statement("cylinders", CYLINDERS, text, status="met", figure=(count, "1", stated), samples=len(bins))
    spread = float((bins - middle).abs().quantile(0.9))
    if max(abs(middle - np.log(whole)), spread) > COUNT_FITS:
        text = f"Airflow over the ECU's air per stroke makes {count:.2f}, no number of cylinders: the two do not fit"
        return not_made("cylinders", CYLINDERS, f"{text} together, by unit or by how the ECU calculates them.", "1")
    text = (
        f"Airflow over the ECU's air per stroke makes {whole} cylinders where car.toml states {stated}: check the "
        f"number, and that the column is milligrams for one cylinder. {UNUSED}"
    )
    return statement("cylinders", CYLINDERS, text, status="watch", figure=(count, "1", stated), samples=len(bins))


def _counted(log: xr.Dataset, car: Car, revision: Revision) -> pd.Series:
    """Logarithm of airflow over the air that one cylinder takes in, shape (bins,)."""
    if not has(log, "air_charge_mg"):
        return pd.Series(dtype=float)
    own = "air_flow_kg_h" if has(log, "air_flow_kg_h") else car.meter.channel
    air = at_rows(log, own) if own == "air_flow_kg_h" else metered_air_kg_h(log, car, revision)
    strokes_h = 60.0 * at_rows(log, "engine_speed_rpm") / 2  # of one cylinder
    each = convert(at_rows(log, "air_charge_mg"), "mg", "kg") * strokes_h
    return in_bins(log, calm_rows(log, "air_charge_mg", own), count=log_of(air) - log_of(each))["count"]
