"""What differs between two revisions: their tables, and what the revisions between them say was also changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.workspace.revision import OtherChange, Revision, SparkTable, surface_of

SAME = 1e-3  # share by which a flow or a ratio may differ and still be the same: finer than any log shows
SAME_DEG = 0.05  # likewise for ignition advance
SAME_MS = 0.002  # likewise for a dead time: below the step in which an ECU stores one
Range = tuple[float, float]


@dataclass(frozen=True)
class Difference:
    """One part that differs. `change` is the largest one, signed, in `unit`."""

    part: str  # curve, curve_top, filling, dead_time, injector_flow, stoich, rev_limit, or the key of a table
    change: float
    unit: str
    where: Range | None  # readings or battery voltages between which it differs
    sentence: str


@dataclass(frozen=True)
class Stated:
    """One change that a revision on the way states and no table holds."""

    revision: str
    change: OtherChange
    undone: bool  # the way leaves this revision out again

    @property
    def sentence(self) -> str:
        """The change in a few words."""
        back = ", which is left out again," if self.undone else ""
        return f"{self.revision}{back} changed {self.change.words}"


@dataclass(frozen=True)
class Way:
    """The revisions between two, along `based_on`."""

    stated: tuple[Stated, ...] = ()
    silent: tuple[str, ...] = ()  # revisions that do not say what was also changed with them
    denied: tuple[str, ...] = ()  # revisions that say that nothing was
    broken_at: str = ""  # the revision that names none that it is based on; empty where the way is whole

    def sentences(self, after: str) -> tuple[str, ...]:
        """Say what was changed beside the tables, and what nobody says, on the way to a revision."""
        found = [item.sentence for item in self.stated]
        found += [f"{name} does not say what else was changed" for name in self.silent]
        if self.broken_at:
            found.append(f"no chain of based_on leads to {after}, so what else was changed is not known")
        return tuple(found)


def way_between(before: Revision, after: Revision, revisions: Mapping[str, Revision]) -> Way:
    """Follow `based_on` from one revision to another: down from where they part, and back up to there.

    Changes add up in both directions: what a revision changed that the way leaves out again differs as well.
    """
    up, down = _line(before, revisions), _line(after, revisions)
    names = [revision.name for revision in up]
    parting = next((revision.name for revision in down if revision.name in names), None)
    if parting is None:
        return Way(broken_at=down[-1].name)
    left = up[: names.index(parting)]
    entered = down[: [revision.name for revision in down].index(parting)]
    steps = [*((revision, True) for revision in left), *((revision, False) for revision in reversed(entered))]
    return Way(
        tuple(Stated(r.name, change, undone) for r, undone in steps for change in r.stated_changes),
        tuple(r.name for r, _ in steps if r.also_changed is None),
        tuple(r.name for r, _ in steps if r.also_changed == []),
    )


def _line(revision: Revision, revisions: Mapping[str, Revision]) -> list[Revision]:
    """Give a revision and all that it is based on, the nearest first."""
    line = [revision]
    while (parent := revisions.get(line[-1].based_on or "")) is not None and parent not in line:
        line.append(parent)
    return line


def differences(before: Revision, after: Revision) -> tuple[Difference, ...]:
    """Every part in which a revision differs from another, over the whole of both."""
    found = [
        curve_difference(before, after, None),
        _top(before, after),
        _filling(before, after),
        dead_time_difference(before, after, None),
        _ratio("injector_flow", "injector flow", before.injectors.flow_g_min, after.injectors.flow_g_min),
        _ratio("stoich", "stoichiometric ratio", before.fuelling.stoich_afr, after.fuelling.stoich_afr),
        _rev_limit(before, after),
        _full_load_fuel(before, after),
        _spark(before, after),
        *(_over_coolant(before, after, own) for own in OVER_COOLANT),
        _acceleration_fuel(before, after),
        _idle_return(before, after),
        _fuel_cut(before, after),
    ]
    return tuple(difference for difference in found if difference is not None)


def curve_difference(before: Revision, after: Revision, within: Range | None) -> Difference | None:
    """How far the meter curves differ between two readings; None where they do not.

    Parameters
    ----------
    within : pair of float or None
        Lowest and highest reading that matter, in the meter's own unit; None: all.
    """
    reading = _grid(before.meter_curve.reading, after.meter_curve.reading, within)
    one = np.interp(reading, before.meter_curve.reading, before.meter_curve.flow_kg_h)
    other = np.interp(reading, after.meter_curve.reading, after.meter_curve.flow_kg_h)
    least = 1e-3 * max(one.max(), other.max())
    ratio = np.log(np.maximum(other, least) / np.maximum(one, least))
    differs = np.abs(ratio) > SAME
    if not differs.any():
        return None
    worst = float(100 * np.expm1(ratio[np.argmax(np.abs(ratio))]))
    where = (float(reading[differs].min()), float(reading[differs].max()))
    text = f"the meter curve differs by up to {worst:+.1f} % at meter readings from {where[0]:.4g} to {where[1]:.4g}"
    return Difference("curve", worst, "%", where, text)


def dead_time_difference(before: Revision, after: Revision, within: Range | None) -> Difference | None:
    """How far the dead times differ between two battery voltages; None where they do not."""
    volts = _grid(np.asarray(before.dead_time.battery_v), np.asarray(after.dead_time.battery_v), within)
    one = np.interp(volts, before.dead_time.battery_v, before.dead_time.dead_time_ms)
    other = np.interp(volts, after.dead_time.battery_v, after.dead_time.dead_time_ms)
    change = other - one
    differs = np.abs(change) > SAME_MS
    if not differs.any():
        return None
    worst = float(change[np.argmax(np.abs(change))])
    where = (float(volts[differs].min()), float(volts[differs].max()))
    text = f"the dead time differs by up to {worst:+.3f} ms from {where[0]:.3g} to {where[1]:.3g} V"
    return Difference("dead_time", worst, "ms", where, text)


def _grid(one: np.ndarray, other: np.ndarray, within: Range | None) -> np.ndarray:
    """Breakpoints of both within a range, its ends, and points between."""
    points = np.union1d(one, other)
    low, high = (float(points[0]), float(points[-1])) if within is None else within
    inside = points[(points > low) & (points < high)]
    return np.unique(np.concatenate([inside, np.linspace(low, high, 101)]))


def _top(before: Revision, after: Revision) -> Difference | None:
    one, other = before.meter_curve.flow_kg_h[-1], after.meter_curve.flow_kg_h[-1]
    return _ratio("curve_top", "top of the meter curve", one, other)


def _ratio(part: str, name: str, one: float, other: float) -> Difference | None:
    change = 100 * (other / one - 1) if one else float("inf")
    if abs(change) <= 100 * SAME:
        return None
    return Difference(part, change, "%", None, f"the {name} differs by {change:+.1f} % ({one:g} to {other:g})")


def _rev_limit(before: Revision, after: Revision) -> Difference | None:
    one, other = before.fuelling.rev_limit_rpm, after.fuelling.rev_limit_rpm
    if one == other:
        return None
    return Difference("rev_limit", other - one, "rpm", None, f"the rev limit goes from {one:.0f} to {other:.0f} rpm")


def _full_load_fuel(before: Revision, after: Revision) -> Difference | None:
    """How far the fuel at full load differs: more fuel is a rise. A table that one of the two lacks may differ."""
    one, other = before.full_load_fuel, after.full_load_fuel
    if one is None and other is None:
        return None
    if one is None or other is None or one.key != other.key:
        return _not_told("full_load_fuel", "%", "the fuelling at full load", before, after, one is None, other is None)
    points = np.union1d(one.engine_speed_rpm, other.engine_speed_rpm)
    here, there = (np.interp(points, table.engine_speed_rpm, table.values) for table in (one, other))
    change = 100 * ((there / here if one.key == "fuel_factor" else here / there) - 1)
    differs = np.abs(change) > 100 * SAME
    if not differs.any():
        return None
    worst = float(change[np.argmax(np.abs(change))])
    where = (float(points[differs].min()), float(points[differs].max()))
    text = f"the fuel at full load differs by up to {worst:+.1f} % from {where[0]:.0f} to {where[1]:.0f} rpm"
    return Difference("full_load_fuel", worst, "%", where, text)


def _filling(before: Revision, after: Revision) -> Difference | None:
    """How far the tables that the air is taken from differ over the cells of both: more air is more fuel, a rise."""
    one, other = before.volumetric_efficiency, after.volumetric_efficiency
    if one is None and other is None:
        return None
    name = "the table of volumetric efficiency"
    if one is None or other is None or (one.key, one.load_key) != (other.key, other.load_key):
        return _not_told("filling", "%", name, before, after, one is None, other is None)
    speed = np.union1d(one.engine_speed_rpm, other.engine_speed_rpm)
    load = np.union1d(one.load, other.load)
    here, there = (surface_of(table).at(speed[None, :], load[:, None], table.values) for table in (one, other))
    change = 100 * (there / here - 1)
    differs = np.abs(change) > 100 * SAME
    if (one.charge_c, one.barometer_kpa) != (other.charge_c, other.barometer_kpa):
        return _not_told("filling", "%", name, before, after, False, False)
    if not differs.any():
        return None
    worst, columns = float(change.flat[np.argmax(np.abs(change))]), differs.any(axis=0)
    where = (float(speed[columns].min()), float(speed[columns].max()))
    text = (
        f"the table differs by up to {worst:+.1f} % in {differs.sum()} cells from {where[0]:.0f} to {where[1]:.0f} rpm"
    )
    return Difference("filling", worst, "%", where, text)


def _spark(before: Revision, after: Revision) -> Difference | None:
    """How far the ignition advance differs over the cells of both tables."""
    one, other = before.spark, after.spark
    if one is None and other is None:
        return None
    if one is None or other is None or (one.load_pct is None) != (other.load_pct is None):
        return _not_told("spark", "°", "the spark table", before, after, one is None, other is None)
    speed = np.union1d(one.engine_speed_rpm, other.engine_speed_rpm)
    load = np.union1d(one.load, other.load)
    change = spark_at(other, speed[None, :], load[:, None]) - spark_at(one, speed[None, :], load[:, None])
    differs = (np.abs(change) > SAME_DEG).any(axis=0)
    if not differs.any():
        return None
    worst = float(change.flat[np.argmax(np.abs(change))])
    where = (float(speed[differs].min()), float(speed[differs].max()))
    text = f"the spark differs by up to {worst:+.1f}° from {where[0]:.0f} to {where[1]:.0f} rpm"
    return Difference("spark", worst, "°", where, text)


@dataclass(frozen=True)
class _Own:
    """One table of a revision over coolant temperature, and how it is spoken of."""

    key: str
    name: str
    unit: str
    same: float  # by how much it may differ and still be the same


OVER_COOLANT = (
    _Own("idle_base", "the idle's base value", "%", 0.05), _Own("idle_target", "the idle speed", "rpm", 0.5),
)  # fmt: skip


def _over_coolant(before: Revision, after: Revision, own: _Own) -> Difference | None:
    """How far a table over coolant temperature differs; air in per cent of itself, all else in its own unit."""
    one, other = getattr(before, own.key), getattr(after, own.key)
    if one is None and other is None:
        return None
    if one is None or other is None or getattr(one, "key", "") != getattr(other, "key", ""):
        return _not_told(own.key, own.unit, own.name, before, after, one is None, other is None)
    points = np.union1d(one.coolant_c, other.coolant_c)
    here, there = (np.interp(points, table.coolant_c, table.values) for table in (one, other))
    change = 100 * (there / here - 1) if getattr(one, "key", "") == "air_kg_h" else there - here
    differs = np.abs(change) > own.same
    if not differs.any():
        return None
    worst = float(change[np.argmax(np.abs(change))])
    where = (float(points[differs].min()), float(points[differs].max()))
    text = f"{own.name} differs by up to {worst:+.3g} {own.unit} from {where[0]:.0f} to {where[1]:.0f} °C"
    return Difference(own.key, worst, own.unit, where, text)


def _acceleration_fuel(before: Revision, after: Revision) -> Difference | None:
    """How far the fuel for tip-ins differs, in per cent of what it is; from nothing to something counts as all."""
    one, other = before.acceleration_fuel, after.acceleration_fuel
    key, name = "acceleration_fuel", "the fuel for tip-ins"
    if one is None and other is None:
        return None
    if one is None or other is None or one.keys != other.keys:
        return _not_told(key, "%", name, before, after, one is None, other is None)
    coolant = np.union1d(one.coolant_c, other.coolant_c)
    speed = np.union1d(one.engine_speed_rpm, other.engine_speed_rpm)
    worst, rows = 0.0, np.zeros(coolant.size, dtype=bool)
    for part in one.keys:
        here, there = (
            on_surface((t.engine_speed_rpm, t.coolant_c), getattr(t, part), speed[None, :], coolant[:, None])
            for t in (one, other)
        )
        change = 100 * (there - here) / np.where(here > 0, here, np.maximum(there, 1e-9))
        rows |= (np.abs(change) > 100 * SAME).any(axis=1)
        worst = max(worst, float(change.flat[np.argmax(np.abs(change))]), key=abs)
    if not rows.any():
        return None
    where = (float(coolant[rows].min()), float(coolant[rows].max()))
    text = f"{name} differs by up to {worst:+.1f} % from {where[0]:.0f} to {where[1]:.0f} °C"
    return Difference(key, worst, "%", where, text)


def _fuel_cut(before: Revision, after: Revision) -> Difference | None:
    """How far the speeds of the fuel cut differ; the larger of the two."""
    one, other = before.fuel_cut, after.fuel_cut
    if one is None and other is None:
        return None
    if one is None or other is None:
        return _not_told("fuel_cut", "rpm", "the fuel cut on overrun", before, after, one is None, other is None)
    change = max(other.entry_rpm - one.entry_rpm, other.return_rpm - one.return_rpm, key=abs)
    if not change:
        return None
    text = f"the fuel cut goes from {one.entry_rpm:.0f} and {one.return_rpm:.0f} rpm to "
    return Difference("fuel_cut", change, "rpm", None, f"{text}{other.entry_rpm:.0f} and {other.return_rpm:.0f} rpm")


def _idle_return(before: Revision, after: Revision) -> Difference | None:
    one, other = before.idle_return, after.idle_return
    if one is None and other is None:
        return None
    if one is None or other is None:
        return _not_told("idle_return", "s", "the way back to idle", before, after, one is None, other is None)
    if one == other:
        return None
    change = other.decay_s - one.decay_s
    text = f"the way back to idle differs: {one.decay_s:g} s to {other.decay_s:g} s"
    extra = [f"{table.extra_pct:g}" if table.extra_pct is not None else "not stated" for table in (one, other)]
    text += "" if one.extra_pct == other.extra_pct else f", extra opening {extra[0]} to {extra[1]} %"
    return Difference("idle_return", change, "s", None, text)


def _not_told(
    part: str, unit: str, name: str, before: Revision, after: Revision, lacks_before: bool, lacks_after: bool
) -> Difference:
    """A table that cannot be compared with its like: what it changed is not known, so it counts as changed."""
    lacking = before.name if lacks_before else after.name
    text = f"{name} is in only one of {before.name} and {after.name}: write it into revisions/{lacking}.toml too"
    if not (lacks_before or lacks_after):
        text = f"{name} of {before.name} and {after.name} is written in two ways that cannot be compared"
    return Difference(part, float("nan"), unit, None, text)


def spark_at(table: SparkTable, engine_speed_rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    """Advance of a table between its breakpoints, straight along both axes and held beyond their ends.

    Parameters
    ----------
    engine_speed_rpm, load : arrays of shapes that go together
        Where to look; the load in the unit of the table's own axis. NaN gives NaN.

    Returns
    -------
    array of their common shape
        [degrees before top centre]
    """
    return on_surface((np.asarray(table.engine_speed_rpm, float), table.load), table.values, engine_speed_rpm, load)


def on_surface(axes: tuple[ArrayLike, ArrayLike], values: ArrayLike, x: ArrayLike, y: ArrayLike) -> np.ndarray:
    """Value of a table between its breakpoints, straight along both axes and held beyond their ends.

    Parameters
    ----------
    axes : pair of arrays, shapes (columns,) and (rows,)
        Rising breakpoints of `x`, along a row, and of `y`, from row to row.
    values : array, shape (rows, columns)
    x, y : arrays of shapes that go together
        Where to look. NaN gives NaN.
    """
    columns, rows = (np.asarray(axis, dtype=float) for axis in axes)
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    along = np.stack([np.interp(x, columns, row) for row in np.asarray(values, dtype=float)])
    at = np.interp(y, rows, np.arange(rows.size))
    low = np.nan_to_num(np.floor(at)).astype(int)
    high = np.minimum(low + 1, rows.size - 1)
    below, above = (np.take_along_axis(along, k[None], axis=0)[0] for k in (low, high))
    return below + (at - low) * (above - below)
