"""Checks over several keys of `car.toml`; a key that is missing or wrong is None here and has its own problem."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from tunelab.physics.driveline import tyre_circumference
from tunelab.physics.load import swept_volume
from tunelab.workspace.car import (
    LOAD_CHANNEL,
    Car,
    Charge,
    Engine,
    Injectors,
    LambdaSensor,
    Limits,
    RoadLoad,
    Table,
    Tyres,
)
from tunelab.workspace.problem import Problem, wanted
from tunelab.workspace.toml_file import Reading

COAST_DOWN_KEYS = ("a_n", "b_n_s_m", "c_n_s2_m2")
DRAG_KEYS = ("drag_area_m2", "rolling_coefficient")
DISPLACEMENT_ROUNDED = 0.05  # share by which a displacement as it is named may be off; common practice, no source


def check_car(reading: Reading[Car]) -> Iterator[Problem]:
    """Find what does not fit together in a car, whole or partial."""
    car = reading.partial
    if car is None:
        return
    checks: tuple[tuple[str, Table | None, Callable[[Reading, str, Any, Car], Iterator[Problem]]], ...] = (
        ("engine", car.engine, _check_engine),
        ("meter", car.meter, _check_rails),
        ("injectors", car.injectors, _check_injectors),
        ("lambda_sensor", car.lambda_sensor, _check_lambda_sensor),
        ("limits", car.limits, _check_limits),
        ("tyres", car.tyres, _check_tyres),
        ("road_load", car.road_load, _check_road_load),
    )
    for key, table, check in checks:
        if table is not None and reading.has(key):
            yield from check(reading, key, table, car)
    yield from _check_load_from(reading, car)
    yield from _check_gearing(reading, car)
    if car.vehicle:
        yield from in_order(reading, "vehicle", car.vehicle, ("mass_uncertainty_kg", "mass_kg"))


def in_order(reading: Reading, key: str, table: Table, names: tuple[str, str]) -> Iterator[Problem]:
    """Demand that the first of two keys of a table is below the second."""
    low, high = (getattr(table, name) for name in names)
    if low is not None and high is not None and not low < high:
        wanted = f"{names[0]} below {names[1]}"
        yield reading.problem((key, names[0]), f"{low:g}, and {high:g} for {names[1]}", wanted)


def first_not_rising(values: Sequence[float], *, strictly: bool) -> int | None:
    """Position of the first value that is below (or, strictly, not above) the one before it; None if all rise."""
    pairs = itertools.pairwise(values)
    wrong = (at for at, (low, high) in enumerate(pairs, start=1) if high < low or (strictly and high == low))
    return next(wrong, None)


def _check_engine(reading: Reading, key: str, engine: Engine, car: Car) -> Iterator[Problem]:
    limit = car.limits and car.limits.rev_limit_rpm
    if engine.idle_target_rpm and limit and engine.idle_target_rpm >= limit:
        found = f"{engine.idle_target_rpm:g}, and {limit:g} for limits.rev_limit_rpm"
        yield reading.problem((key, "idle_target_rpm"), found, "an idle speed below the rev limit [rpm]")
    yield from _check_cylinders(reading, key, engine)


def _check_cylinders(reading: Reading, key: str, engine: Engine) -> Iterator[Problem]:
    if not (engine.bore_mm and engine.stroke_mm and engine.displacement_l and engine.cylinders):
        return
    swept_l = float(swept_volume(engine.bore_mm, engine.stroke_mm))
    count = engine.displacement_l / swept_l
    if abs(count / engine.cylinders - 1) > DISPLACEMENT_ROUNDED:
        found = f"{engine.cylinders}, and displacement_l over the volume of bore_mm and stroke_mm is {count:.2f}"
        wanted = "the number of cylinders that bore, stroke and displacement make"
        yield reading.problem((key, "cylinders"), found, wanted, "one of the four is not this engine's")


def _check_load_from(reading: Reading, car: Car) -> Iterator[Problem]:
    """Demand the tables that go with what the ECU takes the air from, and none that does not."""
    kind = car.load_from
    if kind is None:
        return
    if kind in ("air_meter", "blended") and not reading.has("meter"):
        way_out = (
            "add the key at the top of the file" if kind == "blended" else
            "add the table [meter]; an ECU without an air meter takes the air from a table: "
            'load_from = "manifold_pressure" or "throttle" at the top of the file says so'
        )  # fmt: skip
        yield reading.problem(("meter",), "nothing", wanted(Car, ("meter",)), way_out)
    if kind in LOAD_CHANNEL and reading.has("meter"):
        way_out = 'take [meter] out, or say load_from = "air_meter", or "blended" where the ECU mixes both'
        yield reading.problem(("meter",), f'an air meter beside load_from = "{kind}"', "no air meter", way_out)
    if kind != "air_meter" and not reading.has("charge"):
        way_out = "coolant_weight = [0.0] takes the intake air's temperature as it is"
        yield reading.problem(("charge",), "nothing", "how the charge temperature is computed", way_out)
    if kind == "air_meter" and reading.has("charge"):
        way_out = "say load_from if the ECU takes the air from a table, or take [charge] out"
        yield reading.problem(("charge",), 'a charge temperature beside load_from = "air_meter"', "none", way_out)
    yield from _check_charge(reading, car.charge)


def _check_charge(reading: Reading, charge: Charge | None) -> Iterator[Problem]:
    weight, flow = (charge.coolant_weight, charge.air_flow_kg_h) if charge else (None, None)
    if weight and len(weight) > 1 and flow is None:
        found = f"{len(weight)} weights without air_flow_kg_h"
        yield reading.problem(("charge", "coolant_weight"), found, "one weight, or an air flow for each")
    if weight and flow is not None and len(weight) != len(flow):
        found = f"{len(flow)} values, and {len(weight)} in coolant_weight"
        yield reading.problem(("charge", "air_flow_kg_h"), found, "one air flow for each weight")
    at = first_not_rising(flow, strictly=True) if flow else None
    if flow and at is not None:
        found = f"{flow[at]:g} after {flow[at - 1]:g}"
        yield reading.problem(("charge", "air_flow_kg_h", at), found, "values that rise from each to the next")


def _check_rails(reading: Reading, key: str, table: Table, car: Car) -> Iterator[Problem]:
    yield from in_order(reading, key, table, ("rail_low", "rail_high"))


def _check_injectors(reading: Reading, key: str, injectors: Injectors, car: Car) -> Iterator[Problem]:
    cylinders = car.engine and car.engine.cylinders
    count = injectors.count
    if count and cylinders and max(count, cylinders) % min(count, cylinders):
        found = f"{count}, and {cylinders} for engine.cylinders"
        wanted = "the same number for every cylinder, or one injector for each equal group of cylinders"
        yield reading.problem((key, "count"), found, wanted, "count the injectors of the whole engine")


def _check_lambda_sensor(reading: Reading, key: str, sensor: LambdaSensor, car: Car) -> Iterator[Problem]:
    yield from in_order(reading, key, sensor, ("rail_low", "rail_high"))
    way_out = "rails are in lambda, not in AFR or volts"
    if sensor.rail_low is not None and sensor.rail_low >= 1:
        yield reading.problem((key, "rail_low"), f"{sensor.rail_low:g}", "a lambda below 1", way_out)
    if sensor.rail_high is not None and sensor.rail_high <= 1:
        yield reading.problem((key, "rail_high"), f"{sensor.rail_high:g}", "a lambda above 1", way_out)


def _check_limits(reading: Reading, key: str, limits: Limits, car: Car) -> Iterator[Problem]:
    yield from in_order(reading, key, limits, ("coolant_min_c", "coolant_max_c"))
    rail = car.lambda_sensor and car.lambda_sensor.rail_low
    richest = limits.lambda_max_full_load
    if rail and richest and richest <= rail < 1:
        wanted = f"a lambda that the sensor can show, above its rail at {rail:g}"
        yield reading.problem((key, "lambda_max_full_load"), f"{richest:g}", wanted)


def _check_tyres(reading: Reading, key: str, tyres: Tyres, car: Car) -> Iterator[Problem]:
    way_out = "or give rolling_radius_m: axle height above the ground with the car standing"
    if tyres.size is None and tyres.rolling_radius_m is None and not reading.has_problem(key):
        yield reading.problem((key,), "neither size nor rolling_radius_m", "one of the two", way_out)
    if tyres.size is None:
        return
    try:
        tyre_circumference(tyres.size)
    except ValueError as error:
        yield reading.problem((key, "size"), repr(tyres.size), 'a size code such as "205/55R16"', f"{error} {way_out}")


def _check_gearing(reading: Reading, car: Car) -> Iterator[Problem]:
    ratios = car.gearing.ratios if car.gearing else None
    at = first_not_rising(ratios[::-1], strictly=True) if ratios else None
    if ratios and at is not None:
        position = len(ratios) - at
        found = f"{ratios[position]:g} after {ratios[position - 1]:g}"
        yield reading.problem(("gearing", "ratios", position), found, "ratios that fall, first gear first")


def _check_road_load(reading: Reading, key: str, road_load: RoadLoad, car: Car) -> Iterator[Problem]:
    if reading.has_problem(key):
        return
    forms = [{name: getattr(road_load, name) for name in names} for names in (DRAG_KEYS, COAST_DOWN_KEYS)]
    begun = [form for form in forms if any(value is not None for value in form.values())]
    wanted = f"either {' and '.join(DRAG_KEYS)}, or {', '.join(COAST_DOWN_KEYS)}"
    if len(begun) != 1:
        found = "both forms" if begun else "neither form"
        yield reading.problem((key,), found, wanted, "keep the form that was measured" if begun else "")
        return
    missing = [name for name, value in begun[0].items() if value is None]
    if missing:
        yield reading.problem((key,), f"no {', no '.join(missing)}", wanted)
