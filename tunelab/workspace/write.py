"""Write a revision as the owner would: complete, commented, the same bytes for the same content."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import tomlkit

from tunelab.workspace.check_revision import check_revision
from tunelab.workspace.disk import replace_file, usual_mode
from tunelab.workspace.problem import WorkspaceError
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

DIGITS = 10  # significant digits written: finer than any setting, coarser than the dust of binary arithmetic
LINE_WIDTH = 100
LAST = ("actuator_pct", "air_kg_h", "target_rpm", "amount", "film_share", "film_time_s")  # after their axes
WORDS = {
    "": "A revision: what is in the ECU. Read by tunelab, checked and entered by a person.",
    "name": "the file carries the same name",
    "date": "the day it was entered",
    "based_on": "the revision that it changes",
    "proposed_in": "the record that proposed it",
    "entered_by": "who put it into the ECU",
    "also_changed": "what was changed that is in no table below; [] says that nothing was",
    "meter_curve": "Transfer curve of the air meter: a reading and the air flow that the ECU takes for it.",
    "meter_curve.meter_v": "V, rising",
    "meter_curve.meter_hz": "Hz, rising",
    "meter_curve.meter_counts": "converter counts, rising",
    "meter_curve.flow_kg_h": "kg/h, one for each reading",
    "volumetric_efficiency": "How far the cylinders fill, over engine speed and load.",
    "volumetric_efficiency.engine_speed_rpm": "rpm, rising",
    "volumetric_efficiency.manifold_kpa": "kPa absolute, rising",
    "volumetric_efficiency.throttle_pct": "% of wide open, rising",
    "volumetric_efficiency.efficiency_pct": "%: a row for each load, a value for each engine speed",
    "volumetric_efficiency.air_mg": "mg per cylinder and cycle: a row for each load, a value for each engine speed",
    "volumetric_efficiency.charge_c": "°C, the charge temperature at which air_mg holds",
    "volumetric_efficiency.barometer_kpa": "kPa, the atmosphere at which air_mg holds",
    "injectors": "Flow of one injector at the rail pressure of car.toml.",
    "injectors.flow_g_min": "g/min",
    "dead_time": "Dead time of the injectors against battery voltage.",
    "dead_time.battery_v": "V, rising",
    "dead_time.dead_time_ms": "ms, one for each voltage",
    "fuelling": "What else the ECU uses.",
    "fuelling.stoich_afr": "kg of air per kg of fuel",
    "fuelling.rev_limit_rpm": "rpm",
    "full_load_fuel": "Fuelling at full load over engine speed.",
    "full_load_fuel.engine_speed_rpm": "rpm, rising",
    "full_load_fuel.commanded_lambda": "what the ECU asks for, one for each engine speed",
    "full_load_fuel.fuel_factor": "what the fuel is multiplied by, one for each engine speed",
    "full_load_fuel.target_lambda": "what lambda is to be; without it, what is commanded",
    "spark": "Ignition advance over engine speed and load.",
    "spark.engine_speed_rpm": "rpm, rising",
    "spark.load_pct": "absolute load (SAE J1979), %, rising",
    "spark.manifold_kpa": "kPa absolute, rising",
    "spark.spark_deg": "degrees before top centre: a row for each load, a value for each engine speed",
    "idle_base": "What the idle gets before its control acts, over coolant temperature.",
    "idle_base.coolant_c": "°C, rising",
    "idle_base.actuator_pct": "opening of the idle actuator, %, one for each temperature",
    "idle_base.air_kg_h": "kg/h, one for each temperature",
    "idle_target": "Idle speed over coolant temperature.",
    "idle_target.coolant_c": "°C, rising",
    "idle_target.target_rpm": "rpm, one for each temperature",
    "idle_return": "The way back to idle.",
    "idle_return.decay_s": "time constant with which the extra air fades once the throttle is closed, s",
    "idle_return.extra_pct": "opening of the idle actuator that is added while the throttle is open, %",
    "acceleration_fuel": "Fuel for tip-ins over coolant temperature and engine speed.",
    "acceleration_fuel.coolant_c": "°C, rising",
    "acceleration_fuel.engine_speed_rpm": "rpm, rising",
    "acceleration_fuel.amount": "per tip-in, in the ECU's own unit: a row for each temperature",
    "acceleration_fuel.film_share": "share X of the fuel that wets the wall: a row for each temperature",
    "acceleration_fuel.film_time_s": "time constant of the wall film, s: a row for each temperature",
    "fuel_cut": "Fuel cut on overrun.",
    "fuel_cut.entry_rpm": "above it the fuel is cut",
    "fuel_cut.return_rpm": "below it the fuel comes back",
    "spark_retreat": "cells with less advance than the revision that this one is based on",
}


def write_revision(path: str | Path, revision: Revision, comments: Mapping[str, str]) -> None:
    """Write a revision file that reads back as the same revision.

    Parameters
    ----------
    path : path
        The file; its folder must exist. An existing file is replaced in one step, so a crash leaves the old one or the
        new one.
    revision : Revision
        What to write. Numbers are written with ten significant digits.
    comments : mapping
        Key path to a comment that stands above that key or table, such as ``{"meter_curve.flow_kg_h": "..."}``; the
        key "" is the head of the file. May have several lines, and may be empty.

    Raises
    ------
    ValueError
        A comment for a key that the revision does not have.
    WorkspaceError
        The revision would not read back as it is, such as a curve that does not rise once it is rounded.
    """
    path = Path(path)
    text = revision_text(revision, comments)
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.stem}-", suffix=".toml", delete=False) as beside:
        beside.write(text.encode("utf-8"))
        beside.flush()
        os.fsync(beside.fileno())
    try:
        _require_same(Path(beside.name), path.name, revision)
        Path(beside.name).chmod(usual_mode(0o666))
        replace_file(Path(beside.name), path)
    finally:
        Path(beside.name).unlink(missing_ok=True)


def revision_text(revision: Revision, comments: Mapping[str, str]) -> str:
    """Give the text of a revision file; `write_revision` says what the arguments are."""
    content = revision.model_dump(exclude_none=True) | _other_changes(revision)
    tables = {key: value for key, value in content.items() if isinstance(value, dict)}
    plain = {key: value for key, value in content.items() if key not in tables}
    known = {"", *content, *(f"{table}.{key}" for table, keys in tables.items() for key in keys)}
    unknown = [key for key in comments if key not in known]
    if unknown:
        raise ValueError(f"comments: {unknown[0]!r} is no key of the revision; known: {', '.join(sorted(known))}.")
    lines = [*_comment_lines(WORDS[""]), *_comment_lines(comments.get("", "")), ""]
    lines += [line for key in _ordered(plain) for line in _key_lines(key, key, plain[key], comments)]
    for table, keys in tables.items():
        lines += ["", *_comment_lines(WORDS.get(table, "")), *_comment_lines(comments.get(table, "")), f"[{table}]"]
        lines += [line for key in _ordered(keys) for line in _key_lines(f"{table}.{key}", key, keys[key], comments)]
    return "\n".join(lines) + "\n"


def _other_changes(revision: Revision) -> dict[str, list]:
    """Give what was also changed without what says nothing, in the place where the key stood."""
    if revision.also_changed is None:
        return {}
    return {"also_changed": [change.model_dump(exclude_defaults=True) for change in revision.also_changed]}


def _ordered(keys: Mapping[str, object]) -> list[str]:
    """Give a table's keys as a reader expects them: a curve's readings before its flow, notes last."""
    last = {"flow_kg_h": 1, "spark_deg": 1, "efficiency_pct": 1, "air_mg": 1, "notes": 1} | dict.fromkeys(LAST, 1)
    return sorted(keys, key=lambda key: last.get(key, 0))


def _key_lines(path: str, key: str, value: object, comments: Mapping[str, str]) -> Iterator[str]:
    yield from _comment_lines(comments.get(path, ""))
    unit = f"  # {WORDS[path]}" if path in WORDS else ""
    if isinstance(value, list):
        yield from _list_lines(key, value, unit)
    else:
        yield f"{key} = {_value(value)}{unit}"


def _list_lines(key: str, values: Sequence[object], unit: str) -> Iterator[str]:
    items = [_value(value) for value in values]
    if values and isinstance(values[0], dict | list):
        yield from (f"{key} = [{unit}", *(f"    {item}," for item in items), "]")
        return
    if len(key) + sum(len(item) + 2 for item in items) < LINE_WIDTH:
        yield f"{key} = [{', '.join(items)}]{unit}"
        return
    yield f"{key} = [{unit}"
    width = max(len(item) for item in items)
    for start in range(0, len(items), 10):
        yield "    " + " ".join(f"{item},".ljust(width + 1) for item in items[start : start + 10]).rstrip()
    yield "]"


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return tidy_number(value) if isinstance(value, int | float) else tomlkit.item(value).as_string()


def tidy_number(value: float) -> str:
    """Write a number with ten significant digits and without the dust of binary arithmetic: 0.3, 310.0, 6.02e-23."""
    text = f"{value:.{DIGITS}g}"
    return text if any(mark in text for mark in ".e") else f"{text}.0"


def _comment_lines(comment: str) -> Iterator[str]:
    for line in comment.splitlines():
        plain = "".join(letter if letter.isprintable() else " " for letter in line).rstrip()
        yield f"# {plain}".rstrip()


def _require_same(beside: Path, name: str, revision: Revision) -> None:
    """Read the new file back before it takes its place."""
    reading = read_toml(beside, Revision, name)
    checks = [problem for problem in check_revision(reading, None) if problem.key != "name"]
    problems = [*reading.problems, *checks]
    if problems:
        raise WorkspaceError(name, problems)
    written, meant = reading.whole.model_dump(), revision.model_dump()
    if not _same(written, meant):
        raise ValueError(f"{name}: what was written does not read back as revision {revision.name!r}.")


def _same(one: object, other: object) -> bool:
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(_same(a, b) for a, b in zip(one, other, strict=True))
    if isinstance(one, float) and isinstance(other, float | int):
        return bool(np.isclose(one, other, rtol=1e-9, atol=0))
    return one == other
