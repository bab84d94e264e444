"""The gates as a table: what each asks for, which changes empty it, and what holds while it is not met.

Which gate binds what is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from tunelab.workspace.revision import OtherChange, OtherKind

FUELLING = frozenset({"curve", "filling", "dead_time", "injector_flow", "stoich"})
HARDWARE = frozenset({"rev_limit"})


@dataclass(frozen=True)
class Gate:
    """One question that has to be answered before the car runs."""

    name: str
    title: str
    ids: tuple[str, ...]  # findings that must be shown, each; none where any of `also` will do
    also: tuple[str, ...] = ()  # findings that count where they are shown
    touched_by: frozenset[str] = frozenset()  # parts of a revision whose change empties it, and "wiring"
    region: Literal["all", "idle", "full"] = "all"  # readings of the meter in which a change of the curve matters
    limits: tuple[str, ...] = ()  # keys of [limits] without which nothing can be shown
    steps: tuple[str, ...] = ()  # what to drive to answer it
    lacking: str = ""  # what holds while it is not met; empty: without it the car may not run
    lasting: bool = False  # a stop stands until a change of the revision touches the gate
    stop_bounds: bool = False  # a stop, too, only sets the bound of `lacking`
    by_speed: bool = False  # a stop that comes only above an engine speed leaves the car free to run below it


BY_METER = frozenset({"headroom"})  # gates of a car that has an air meter
GATES: tuple[Gate, ...] = (
    Gate("steady", "Fuelling at steady speed", ("steady.lambda_error",), touched_by=FUELLING, steps=("steady",)),
    Gate(
        "full_throttle", "Fuelling at full throttle", ("full_throttle.lambda",),
        also=("full_throttle.lambda_error", "full_throttle.rich_error", "full_throttle.fuel_mode"),
        touched_by=FUELLING | HARDWARE, region="full",
        steps=("full-throttle",), lasting=True,
    ),
    Gate(
        "knock", "Knock", ("full_throttle.knock_retard",), touched_by=FUELLING | HARDWARE, region="full",
        steps=("full-throttle",), lasting=True,
    ),
    Gate(
        "duty", "Injector duty", ("full_throttle.injector_duty",), touched_by=FUELLING | HARDWARE, region="full",
        steps=("full-throttle",), by_speed=True,
    ),
    Gate(
        "headroom", "Meter headroom", ("full_throttle.meter_headroom",), touched_by=HARDWARE | {"curve", "curve_top"},
        region="full", steps=("full-throttle",), by_speed=True,
    ),
    Gate(
        "temperatures", "Temperatures", ("full_throttle.coolant", "full_throttle.intake_air"),
        also=("full_throttle.coolant_rise", "full_throttle.intake_air_rise"), touched_by=HARDWARE,
        steps=("full-throttle",),
    ),
    Gate(
        "oil_pressure", "Oil pressure", ("full_throttle.oil_pressure",), touched_by=HARDWARE,
        limits=("oil_pressure_min_kpa",), steps=("full-throttle",),
        lacking="No log shows the oil pressure under load: the driver watches a gauge or a lamp, and lifts at once.",
    ),
    Gate(
        "fuel_pressure", "Fuel pressure", ("full_throttle.fuel_pressure_drop",), touched_by=HARDWARE,
        limits=("fuel_pressure_drop_max_kpa",), steps=("full-throttle",),
        lacking="No log shows the fuel pressure under load: watch lambda, and lift at once when it goes lean.",
    ),
    Gate("battery", "Battery", ("full_throttle.battery",), touched_by=HARDWARE, steps=("full-throttle",)),
    Gate(
        "idle", "Idle", ("idle.speed_error", "idle.hunting"), also=("idle.lambda_error", "idle.actuator_margin"),
        touched_by=FUELLING, region="idle", steps=("road",),
        lacking="The idle is not settled: keep the engine alive by foot in the paddock and at the start line.",
        stop_bounds=True,
    ),
    Gate(
        "return", "Return to idle", ("return.undershoot", "return.settling"), also=("fuel_cut.stumble",),
        touched_by=FUELLING, region="idle", steps=("road",),
        lacking="The return to idle is not settled: declutch early and catch it by foot, never in a braking zone.",
        stop_bounds=True,
    ),
    Gate(
        "link", "Data link good enough to go on working", ("link.drop_outs",), touched_by=frozenset({"wiring"}),
        steps=("link", "road", "steady"),
        lacking="The data link is not shown to hold: change no fuelling at the event, no log would show what it did.",
        stop_bounds=True,
    ),
    Gate(
        "launch", "Launch hold", ("launch.held_speed", "launch.zero_speed"), also=("launch.repeat",),
        touched_by=HARDWARE, steps=("launch",), lacking="No launches from a held engine speed.",
        stop_bounds=True,
    ),
    Gate(
        "under_load", "Knock and mixture in every drive", (),
        also=("limits.knock_retard", "limits.lean_under_load", "limits.lambda_full_load"),
        touched_by=FUELLING | HARDWARE, steps=("road", "part-throttle", "steady", "full-throttle"), lasting=True,
        lacking="No record shows knock or lambda under load (older records did not look): record the drives again, and "
        "load the engine gently until then.",
    ),
    Gate(
        "supply", "Temperatures and supply in every drive", (),
        also=(
            "limits.injector_duty", "limits.meter_headroom", "limits.boost", "limits.coolant", "limits.intake_air",
            "limits.coolant_rise", "limits.intake_air_rise", "limits.oil_temperature", "limits.exhaust",
            "limits.oil_pressure", "limits.fuel_pressure_drop", "limits.battery",
        ),
        touched_by=HARDWARE, steps=("road", "part-throttle", "steady", "full-throttle"),
        lacking="No record shows temperatures, pressures and battery in every drive (older records did not look): "
        "record the drives again, and watch the gauges until then.",
    ),
    Gate(
        "speeds", "Engine and road speed in every drive", (), also=("limits.engine_speed", "limits.road_speed"),
        touched_by=HARDWARE, steps=("road", "launch", "full-throttle", "part-throttle", "steady"),
        lacking="The owner's rev limit or top speed is not shown to hold: set the limiter lower by what it overshoots, "
        "shift earlier, and end each run at a lower speed than in the drives recorded.",
        stop_bounds=True,
    ),
    Gate(
        "lean_at_load", "Mixture at steady load", ("steady.lean_at_load",), touched_by=FUELLING, steps=("steady",),
        lacking="No steady drive shows the mixture at load: load the engine with lambda watched, and lift at once "
        "when it goes lean.",
    ),
)  # fmt: skip

# Which gates a change empties that no table of a revision holds. `None`: every one. A gate that ENTERED does not name
# is emptied by every kind, so that a new one is safe before it is entered here. Common practice, no source.
FULL_LOAD = frozenset({"full_throttle", "knock", "duty", "temperatures", "fuel_pressure", "under_load", "supply"})
IDLING = frozenset({"idle", "return"})
SPARK = frozenset({"knock", "temperatures", "launch", "under_load"}) | IDLING
ENTERED = (
    FULL_LOAD | IDLING | {"steady", "headroom", "oil_pressure", "battery", "link", "launch", "speeds", "lean_at_load"}
)
EMPTIED_BY: Mapping[OtherKind, frozenset[str] | None] = {
    "spark": SPARK,
    "commanded lambda": FULL_LOAD | IDLING | {"steady", "lean_at_load"},
    "idle": IDLING,
    "acceleration fuelling": frozenset({"return", "under_load"}),
    "fuel cut": frozenset({"return"}),
    "boost": FULL_LOAD | {"headroom", "oil_pressure", "launch", "lean_at_load"},
    "trims": IDLING | {"steady", "full_throttle", "under_load", "lean_at_load"},
    "warm-up": IDLING,
    "launch": frozenset({"launch", "speeds"}),
    "knock control": frozenset({"knock", "under_load"}),
    "cooling": frozenset({"temperatures", "oil_pressure", "supply"}),
    "sensors": ENTERED - {"link"},
    "fuel": FULL_LOAD | IDLING | {"steady", "launch", "lean_at_load"},
    "mechanical parts": None,
    "other": None,
}
AT_LOAD = {"idle": ("everywhere", "idle"), "full": ("everywhere", "full load")}  # by a gate's region
NO_CURE = ("knock control",)  # kinds that take evidence away and can end no stop: it would only be heard less


def touches(change: OtherChange, gate: Gate) -> bool:
    """Whether a change that no table holds empties a gate."""
    names = EMPTIED_BY[change.kind]
    if names is not None and gate.name in ENTERED and gate.name not in names:
        return False
    return change.where in AT_LOAD.get(gate.region, (change.where,))


# Which gates a changed table of a revision empties, beside the parts that a gate names itself; as above, a gate that
# ENTERED does not name is emptied too.
EMPTIED_BY_TABLE: Mapping[str, frozenset[str]] = {
    "spark": SPARK,
    "full_load_fuel": FULL_LOAD | {"lean_at_load"},
    "idle_base": IDLING,
    "idle_target": IDLING,
    "idle_return": frozenset({"return"}),
    "acceleration_fuel": frozenset({"return", "under_load"}),
    "fuel_cut": frozenset({"return"}),
}


def touched_by_part(part: str, gate: Gate) -> bool:
    """Whether a change of a table of the revision empties a gate."""
    if part in EMPTIED_BY_TABLE and gate.name not in ENTERED:
        return True
    return part in gate.touched_by or gate.name in (EMPTIED_BY_TABLE.get(part, frozenset()))


def needs_word(gate: Gate) -> bool:
    """Whether a gate waits for a revision to say what else was changed: all that full throttle answers."""
    return "full-throttle" in gate.steps
