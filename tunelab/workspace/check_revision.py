"""Checks over several keys of a revision, against its car and against the other revisions."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from pathlib import PurePath

from tunelab.workspace.car import LOAD_CHANNEL, Car, Table
from tunelab.workspace.check_car import first_not_rising
from tunelab.workspace.problem import KeyPath, Problem, nearest, wanted
from tunelab.workspace.revision import (
    BY_LOAD,
    AccelerationFuel,
    FillingTable,
    FuelCut,
    FullLoadFuel,
    MeterCurve,
    OtherChange,
    Revision,
    SparkTable,
)
from tunelab.workspace.toml_file import Reading

FIRST_YEAR = 1950  # no car had an ECU before

READINGS = ("meter_v", "meter_hz", "meter_counts")


def check_revision(reading: Reading[Revision], car: Car | None) -> Iterator[Problem]:
    """Find what does not fit together in one revision, whole or partial."""
    revision = reading.partial
    if revision is None:
        return
    stem = PurePath(reading.file).stem
    if revision.name and revision.name != stem:
        wanted = f'the name of its file, "{stem}"'
        way_out = f'rename the file to {revision.name}.toml or set name = "{stem}"'
        yield reading.problem(("name",), repr(revision.name), wanted, way_out)
    yield from check_year(reading, revision.date)
    yield from _check_load_from(reading, car)
    if revision.meter_curve and reading.has("meter_curve"):
        yield from _check_curve(reading, revision.meter_curve, car)
    if revision.volumetric_efficiency:
        yield from _check_filling(reading, revision.volumetric_efficiency, car)
    yield from _check_dead_time(reading, revision)
    yield from _check_rev_limit(reading, revision, car)
    if revision.full_load_fuel:
        yield from _check_full_load(reading, revision.full_load_fuel, car)
    if revision.spark:
        yield from _check_spark(reading, revision.spark)
    yield from _check_retreat(reading, revision)
    yield from _check_idle(reading, revision, car)
    if revision.acceleration_fuel:
        yield from _check_acceleration(reading, revision.acceleration_fuel)
    if revision.fuel_cut:
        yield from _check_cut(reading, revision, revision.fuel_cut)
    for position, change in enumerate(revision.also_changed or ()):
        if isinstance(change, OtherChange):
            yield from _check_other(reading, position, change)


def check_lineage(readings: Mapping[str, Reading[Revision]]) -> Iterator[Problem]:
    """Demand that `based_on` names a revision that exists, and that no chain of them runs in a circle."""
    parents = {name: reading.partial.based_on for name, reading in readings.items() if reading.partial}
    for name, parent in parents.items():
        reading = readings[name]
        if parent is not None and parent not in readings:
            yield reading.problem(("based_on",), repr(parent), "a revision that exists", known_names(parent, readings))
        elif _returns_to(name, parents):
            found = f"{parent!r}, which leads back to {name!r}"
            yield reading.problem(("based_on",), found, "an earlier revision", "leave based_on out of the first one")


def known_names(name: str, known: Mapping[str, object] | Sequence[str]) -> str:
    """Way out of a name that does not exist: the nearest one, or all."""
    near = nearest(name, list(known))
    return f"the nearest is {near!r}" if near else "known: " + (", ".join(sorted(known)) or "none")


def _returns_to(name: str, parents: Mapping[str, str | None]) -> bool:
    seen: set[str] = set()
    at = parents.get(name)
    while at is not None and at not in seen:
        if at == name:
            return True
        seen.add(at)
        at = parents.get(at)
    return False


def _check_curve(reading: Reading, curve: MeterCurve, car: Car | None) -> Iterator[Problem]:
    given = [name for name in READINGS if reading.has("meter_curve", name)]
    meter = car and car.meter and car.meter.kind and car.meter.channel
    meter = meter if meter in READINGS else None  # of a car without a meter that is a problem of its own
    if len(given) != 1:
        found = " and ".join(given) or "none of " + ", ".join(READINGS)
        way_out = f"this car's meter is read as {meter}" if meter else ""
        yield reading.problem(("meter_curve",), found, "exactly one list of readings", way_out)
    elif meter and given[0] != meter:
        way_out = f"name the list {meter}, or correct meter.kind in car.toml"
        yield reading.problem(("meter_curve", given[0]), given[0], f"{meter}, the reading of this car's meter", way_out)
    for name in given:
        yield from _check_lists(reading, ("meter_curve", name), getattr(curve, name), curve.flow_kg_h)
    yield from _check_rising(reading, ("meter_curve", "flow_kg_h"), curve.flow_kg_h, strictly=False)


def check_year(reading: Reading, date: datetime.date | None) -> Iterator[Problem]:
    """Find a date from before any car with an ECU: `0026-05-03` is valid TOML, and such a drive would come first."""
    if date and date.year < FIRST_YEAR:
        yield reading.problem(("date",), str(date), "a date with all four digits of its year, such as 2026-05-03")


def _check_load_from(reading: Reading, car: Car | None) -> Iterator[Problem]:
    """Demand the meter's curve, or the table, by what the car says the ECU takes the air from."""
    kind = car.load_from if car else None
    for key, is_held, other in (
        ("meter_curve", car is not None and car.has_meter, "takes the air from a table"),
        ("volumetric_efficiency", car is not None and car.has_table, "reads an air meter"),
    ):
        if kind and is_held and not reading.has(key):
            way_out = f'add [{key}]; load_from = "{kind}" in car.toml asks for it'
            if kind == "air_meter":
                way_out += '. If there is no air meter, say load_from = "manifold_pressure" or "throttle" there'
            yield reading.problem((key,), "nothing", wanted(Revision, (key,)), way_out)
        elif kind and not is_held and reading.has(key):
            way_out = f'take [{key}] out, or correct load_from = "{kind}" in car.toml'
            yield reading.problem((key,), f"[{key}] in a car whose ECU {other}", "none", way_out)
    if car is None and not (reading.has("meter_curve") or reading.has("volumetric_efficiency")):
        yield reading.problem(("meter_curve",), "nothing", "a meter's curve, or a table of volumetric efficiency")


def _check_filling(reading: Reading, table: FillingTable, car: Car | None) -> Iterator[Problem]:
    """Demand one load axis, one kind of value with its references, both axes rising and a whole table."""
    top, loads = "volumetric_efficiency", ("manifold_kpa", "throttle_pct")
    given = [name for name in loads if reading.has(top, name)]
    kinds = [name for name in ("efficiency_pct", "air_mg") if reading.has(top, name)]
    load_from = car.load_from if car else ""
    load_wanted = LOAD_CHANNEL.get(load_from)
    if len(given) != 1:
        found = " and ".join(given) or "neither manifold_kpa nor throttle_pct"
        yield reading.problem((top,), found, "exactly one list of loads")
    elif load_wanted and given[0] != load_wanted:
        way_out = f'name the list {load_wanted}, or correct load_from = "{load_from}" in car.toml'
        yield reading.problem((top, given[0]), given[0], f"{load_wanted}, by which this car's table goes", way_out)
    if len(kinds) != 1:
        found = " and ".join(kinds) or "neither efficiency_pct nor air_mg"
        yield reading.problem((top,), found, "exactly one of the two: what the ECU holds")
    needed = {"charge_c": "air_mg" in kinds, "barometer_kpa": "air_mg" in kinds and given == ["throttle_pct"]}
    for name, is_needed in needed.items():
        if is_needed and not reading.has(top, name):
            wanted_words = "the state of the air at which air_mg holds"
            yield reading.problem((top, name), "nothing", wanted_words, f"add {name} in [{top}]")
        elif kinds == ["efficiency_pct"] and reading.has(top, name):
            yield reading.problem((top, name), name, "none: a percentage needs no reference", "take it out")
    for name in ("engine_speed_rpm", *given):
        yield from _check_rising(reading, (top, name), getattr(table, name), strictly=True)
    if len(kinds) == len(given) == 1:
        yield from _check_grid(reading, (top, kinds[0]), table, (table.engine_speed_rpm, given[0]))


def _check_grid(
    reading: Reading, path: tuple[str, str], table: Table, axes: tuple[list | None, str]
) -> Iterator[Problem]:
    """Demand a row for each load and a value for each engine speed."""
    rows, loads, speeds = getattr(table, path[-1]), getattr(table, axes[1]), axes[0]
    if loads is not None and rows is not None and len(rows) != len(loads):
        found = f"{len(rows)} rows, and {len(loads)} in {axes[1]}"
        yield reading.problem(path, found, "one row for each load")
    for at, row in enumerate(rows or ()):
        if speeds is not None and row is not None and len(row) != len(speeds):
            found = f"{len(row)} values, and {len(speeds)} in engine_speed_rpm"
            yield reading.problem((*path, at), found, "one value for each engine speed")


def _check_dead_time(reading: Reading, revision: Revision) -> Iterator[Problem]:
    table = revision.dead_time
    if table:
        yield from _check_lists(reading, ("dead_time", "battery_v"), table.battery_v, table.dead_time_ms)


def _check_lists(reading: Reading, path: KeyPath, readings: list | None, values: list | None) -> Iterator[Problem]:
    if readings is not None and values is not None and len(readings) != len(values):
        other = "flow_kg_h" if path[0] == "meter_curve" else "dead_time_ms"
        found = f"{len(readings)} values, and {len(values)} in {other}"
        yield reading.problem(path, found, "one value of each for every breakpoint")
    yield from _check_rising(reading, path, readings, strictly=True)


def _check_rising(reading: Reading, path: KeyPath, values: list | None, *, strictly: bool) -> Iterator[Problem]:
    at = first_not_rising(values, strictly=strictly) if values else None
    if values and at is not None:
        found = f"{values[at]:g} after {values[at - 1]:g}"
        wanted = "values that rise from each to the next" if strictly else "values that never fall"
        yield reading.problem((*path, at), found, wanted)


def _check_rev_limit(reading: Reading, revision: Revision, car: Car | None) -> Iterator[Problem]:
    in_force = revision.fuelling and revision.fuelling.rev_limit_rpm
    limit = car and car.limits and car.limits.rev_limit_rpm
    if in_force and limit and in_force > limit:
        way_out = "the limit in car.toml is the owner's and goes first: lower the one in the ECU"
        wanted = f"at most the owner's limit of {limit:g} [rpm]"
        yield reading.problem(("fuelling", "rev_limit_rpm"), f"{in_force:g}", wanted, way_out)


def _check_full_load(reading: Reading, table: FullLoadFuel, car: Car | None) -> Iterator[Problem]:
    """Demand one list that goes with the engine speeds, and no target leaner than the owner's limit."""
    given = [name for name in ("commanded_lambda", "fuel_factor") if reading.has("full_load_fuel", name)]
    if len(given) != 1:
        found = " and ".join(given) or "neither commanded_lambda nor fuel_factor"
        wanted = "exactly one of the two: what the ECU holds at full load"
        yield reading.problem(("full_load_fuel",), found, wanted)
    speeds = table.engine_speed_rpm
    yield from _check_rising(reading, ("full_load_fuel", "engine_speed_rpm"), speeds, strictly=True)
    for name in (*given, "target_lambda"):
        values = getattr(table, name)
        if values is not None and speeds is not None and len(values) != len(speeds):
            found = f"{len(values)} values, and {len(speeds)} in engine_speed_rpm"
            yield reading.problem(("full_load_fuel", name), found, "one value for every breakpoint")
    meant = "target_lambda" if table.target_lambda is not None else "commanded_lambda"
    limit = car and car.limits and car.limits.lambda_max_full_load
    lean = [at for at, value in enumerate(getattr(table, meant) or ()) if limit and value > limit]
    if lean:
        wanted = f"at most the owner's limit of {limit:g}"
        way_out = "limits.lambda_max_full_load in car.toml is the owner's and goes first"
        found = f"{getattr(table, meant)[lean[0]]:g}"
        yield reading.problem(("full_load_fuel", meant, lean[0]), found, wanted, way_out)


def _check_spark(reading: Reading, table: SparkTable) -> Iterator[Problem]:
    """Demand one load axis, both axes rising, and one row of advance for each load."""
    given = [name for name in ("load_pct", "manifold_kpa") if reading.has("spark", name)]
    if len(given) != 1:
        found = " and ".join(given) or "neither load_pct nor manifold_kpa"
        yield reading.problem(("spark",), found, "exactly one list of loads")
    speeds, rows = table.engine_speed_rpm, table.spark_deg
    for name in ("engine_speed_rpm", *given):
        yield from _check_rising(reading, ("spark", name), getattr(table, name), strictly=True)
    loads = getattr(table, given[0]) if len(given) == 1 else None
    if loads is not None and rows is not None and len(rows) != len(loads):
        found = f"{len(rows)} rows, and {len(loads)} in {given[0]}"
        yield reading.problem(("spark", "spark_deg"), found, "one row of advance for each load")
    for at, row in enumerate(rows or ()):
        if speeds is not None and row is not None and len(row) != len(speeds):
            found = f"{len(row)} values, and {len(speeds)} in engine_speed_rpm"
            yield reading.problem(("spark", "spark_deg", at), found, "one value for each engine speed")


def _check_retreat(reading: Reading, revision: Revision) -> Iterator[Problem]:
    """Demand cells with an extent; a retreat counts against another revision and beside no table of its own."""
    cells = revision.spark_retreat
    if not cells:
        return
    if revision.spark:
        wanted = "one of the two"
        way_out = "with the spark table written down, its values say what was changed: leave out spark_retreat"
        yield reading.problem(("spark_retreat",), "spark_retreat beside a spark table", wanted, way_out)
    elif not revision.based_on:
        wanted = "based_on, the revision that had more advance"
        yield reading.problem(("spark_retreat",), "a retreat without based_on", wanted)
    for at, cell in enumerate(cells):
        for low, high in (("engine_speed_from_rpm", "engine_speed_to_rpm"), ("load_from_pct", "load_to_pct")):
            start, end = getattr(cell, low, None), getattr(cell, high, None)
            if start is not None and end is not None and start >= end:
                path: KeyPath = ("spark_retreat", at, high)
                yield reading.problem(path, f"{end:g}, and {start:g} for {low}", f"more than {low}")


def _check_idle(reading: Reading, revision: Revision, car: Car | None) -> Iterator[Problem]:
    """Demand lists that go with their coolant temperatures, and no idle speed beyond the owner's limits."""
    base, target = revision.idle_base, revision.idle_target
    if base:
        given = [name for name in ("actuator_pct", "air_kg_h") if reading.has("idle_base", name)]
        yield from _check_one_of(reading, given, ("actuator_pct", "air_kg_h"))
        yield from _check_over(reading, "idle_base", base, "coolant_c", given)
    if not target:
        return
    yield from _check_over(reading, "idle_target", target, "coolant_c", ["target_rpm"])
    limits = car and car.limits
    for key, word, sign in (("idle_target_min_rpm", "at least", -1), ("idle_target_max_rpm", "at most", 1)):
        limit = limits and getattr(limits, key, None)
        beyond = [at for at, rpm in enumerate(target.target_rpm or ()) if limit and sign * (rpm - limit) > 0]
        if beyond:
            wanted = f"{word} the owner's limit of {limit:g} [rpm]"
            way_out = f"limits.{key} in car.toml is the owner's and goes first"
            path: KeyPath = ("idle_target", "target_rpm", beyond[0])
            yield reading.problem(path, f"{target.target_rpm[beyond[0]]:g}", wanted, way_out)


def _check_one_of(reading: Reading, given: list[str], names: Sequence[str]) -> Iterator[Problem]:
    if len(given) != 1:
        found = " and ".join(given) or f"neither {' nor '.join(names)}"
        yield reading.problem(("idle_base",), found, "exactly one of the two: what the ECU holds")


def _check_over(reading: Reading, key: str, table: object, axis: str, names: Sequence[str]) -> Iterator[Problem]:
    """Demand a rising axis, and as many values (or rows) in every list as the axis has breakpoints."""
    points = getattr(table, axis, None)
    yield from _check_rising(reading, (key, axis), points, strictly=True)
    for name in names:
        values = getattr(table, name, None)
        if values is not None and points is not None and len(values) != len(points):
            found = f"{len(values)} values, and {len(points)} in {axis}"
            yield reading.problem((key, name), found, "one value for every breakpoint")


def _check_acceleration(reading: Reading, table: AccelerationFuel) -> Iterator[Problem]:
    """Demand one law, both axes rising, and a row of values for each coolant temperature."""
    key = "acceleration_fuel"
    given = [name for name in ("amount", "film_share", "film_time_s") if reading.has(key, name)]
    if given not in (["amount"], ["film_share", "film_time_s"]):
        found = " and ".join(given) or "neither amount nor film_share"
        wanted = "one law: amount alone, or film_share with film_time_s"
        yield reading.problem((key,), found, wanted, "say which of the two laws the ECU has")
    yield from _check_over(reading, key, table, "coolant_c", given)
    speeds = table.engine_speed_rpm
    yield from _check_rising(reading, (key, "engine_speed_rpm"), speeds, strictly=True)
    for name in given:
        for at, row in enumerate(getattr(table, name, None) or ()):
            if speeds is not None and row is not None and len(row) != len(speeds):
                found = f"{len(row)} values, and {len(speeds)} in engine_speed_rpm"
                yield reading.problem((key, name, at), found, "one value for each engine speed")


def _check_cut(reading: Reading, revision: Revision, cut: FuelCut) -> Iterator[Problem]:
    """Demand that fuel comes back below the speed at which it is cut, and that both lie below the rev limit."""
    entry, back = cut.entry_rpm, cut.return_rpm
    if entry is not None and back is not None and back >= entry:
        way_out = "the fuel has to come back at a lower engine speed than the one at which it is cut"
        yield reading.problem(("fuel_cut", "return_rpm"), f"{back:g}", f"less than entry_rpm ({entry:g})", way_out)
    limit = revision.fuelling and revision.fuelling.rev_limit_rpm
    if entry is not None and limit and entry > limit:
        yield reading.problem(("fuel_cut", "entry_rpm"), f"{entry:g}", f"at most the rev limit of {limit:g} [rpm]")


def _check_other(reading: Reading, position: int, change: OtherChange) -> Iterator[Problem]:
    path: KeyPath = ("also_changed", position)
    if change.kind == "other" and not (change.what or "").strip():
        yield reading.problem(path, "no words of what it was", 'what = "..." beside kind = "other"')
    if change.kind and change.where not in (None, "everywhere") and change.kind not in BY_LOAD:
        way_out = "leave out where: a change of this kind counts everywhere"
        wanted = f"where only beside {', '.join(BY_LOAD)}"
        yield reading.problem((*path, "where"), f"{change.where!r} beside {change.kind}", wanted, way_out)
