"""The gates as a table, the drives they look at, and the owner's limits that findings are compared with.

Which gate binds what is common practice of the trade, no source.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import xarray as xr

from tunelab.study.finding import LEAN_STOP_PCT, Finding
from tunelab.study.launch import LET_GO_S
from tunelab.study.pull import is_full_throttle
from tunelab.workspace.car import Car
from tunelab.workspace.revision import OtherChange, OtherKind

Range = tuple[float, float]
IDLE_WITHIN = 0.35  # of the target: engine speeds from which a return to idle and its catching read the meter
BATTERY_SHARE = (0.01, 0.99)  # quantiles: one dip while cranking is no range that was driven


@dataclass(frozen=True)
class Reach:
    """Where a drive went. None: not known, so a change anywhere counts as touching it."""

    readings: Range | None = None  # of the meter, over all of the drive
    idle_readings: Range | None = None
    full_readings: Range | None = None  # at full throttle
    battery_v: Range | None = None
    full_top_rpm: float | None = None  # highest engine speed at full throttle

    def readings_of(self, region: str) -> Range | None:
        """Readings of a region: all, idle or full."""
        return {"all": self.readings, "idle": self.idle_readings, "full": self.full_readings}[region]


@dataclass(frozen=True)
class Breach:
    """A limit passed at full throttle."""

    check: str  # title of the check
    engine_speed_rpm: float


@dataclass(frozen=True)
class Drive:
    """One recorded session."""

    record: str
    date: datetime.date
    revision: str
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    wiring: str = ""
    reach: Reach = Reach()
    breaches: tuple[Breach, ...] = ()
    failed: bool = False  # an analysis of it did not finish

    def finding(self, name: str) -> Finding | None:
        """Look up a finding by its id."""
        return self._by_id.get(name)

    @cached_property
    def _by_id(self) -> dict[str, Finding]:
        return {finding.id: finding for finding in reversed(self.findings)}


def reach_of(log: xr.Dataset, car: Car) -> Reach:
    """Tell where a flagged log went: meter readings at idle, at full throttle and over all, battery, engine speed."""
    if car.meter.channel not in log or "engine_speed_rpm" not in log:
        return Reach()
    reading = _trusted(log, car.meter.channel)
    speed = _trusted(log, "engine_speed_rpm")
    running = np.nan_to_num(speed) > 0.5 * car.engine.idle_target_rpm
    idling = running & (np.nan_to_num(speed, nan=np.inf) < (1 + IDLE_WITHIN) * car.engine.idle_target_rpm)
    full = is_full_throttle(log)
    top = speed[full][np.isfinite(speed[full])]
    battery = _trusted(log, "battery_v") if "battery_v" in log else np.array([])
    return Reach(
        readings=_range(reading[running]),
        idle_readings=_range(reading[idling]),
        full_readings=_range(reading[full]),
        battery_v=_range(battery[running] if battery.size else battery, BATTERY_SHARE),
        full_top_rpm=float(np.quantile(top, 0.999)) if top.size else None,
    )


def _trusted(log: xr.Dataset, name: str) -> np.ndarray:
    values = log[name].values.astype(float)
    flag = log.get(f"{name}_flag")
    return values if flag is None else np.where(flag.values == 0, values, np.nan)


def _range(values: np.ndarray, share: tuple[float, float] = (0.0, 1.0)) -> tuple[float, float] | None:
    known = values[np.isfinite(values)]
    if known.size < 10:
        return None
    low, high = np.quantile(known, share)
    return float(low), float(high)


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
        "knock", "Knock at full throttle", ("full_throttle.knock_retard",), touched_by=FUELLING | HARDWARE,
        region="full", steps=("full-throttle",), lasting=True,
    ),
    Gate(
        "duty", "Injector duty at full throttle", ("full_throttle.injector_duty",),
        touched_by=FUELLING | HARDWARE, region="full", steps=("full-throttle",), by_speed=True,
    ),
    Gate(
        "headroom", "Meter headroom at full throttle", ("full_throttle.meter_headroom",),
        touched_by=HARDWARE | {"curve", "curve_top"}, region="full", steps=("full-throttle",), by_speed=True,
    ),
    Gate(
        "temperatures", "Temperatures at full throttle", ("full_throttle.coolant", "full_throttle.intake_air"),
        also=("full_throttle.coolant_rise", "full_throttle.intake_air_rise"), touched_by=HARDWARE,
        steps=("full-throttle",),
    ),
    Gate(
        "oil_pressure", "Oil pressure at full throttle", ("full_throttle.oil_pressure",), touched_by=HARDWARE,
        limits=("oil_pressure_min_kpa",), steps=("full-throttle",),
        lacking="No log shows the oil pressure under load: the driver watches a gauge or a lamp, and lifts at once.",
    ),
    Gate(
        "fuel_pressure", "Fuel pressure at full throttle", ("full_throttle.fuel_pressure_drop",), touched_by=HARDWARE,
        limits=("fuel_pressure_drop_max_kpa",), steps=("full-throttle",),
        lacking="No log shows the fuel pressure under load: watch lambda, and lift at once when it goes lean.",
    ),
    Gate("battery", "Battery at full throttle", ("full_throttle.battery",), touched_by=HARDWARE,
         steps=("full-throttle",)),
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


HELD_AGAINST = {
    "steady.lambda_error": "steady_lambda_error_max_pct",
    "full_throttle.lambda": "lambda_max_full_load",
    "full_throttle.lambda_error": "steady_lambda_error_max_pct",
    "full_throttle.rich_error": "steady_lambda_error_max_pct",
    "full_throttle.knock_retard": "knock_retard_max_deg",
    "full_throttle.injector_duty": "injector_duty_max_pct",
    "full_throttle.meter_headroom": "meter_headroom_min_pct",
    "full_throttle.coolant": "coolant_max_c",
    "full_throttle.coolant_rise": "coolant_rise_max_c",
    "full_throttle.intake_air": "intake_air_max_c",
    "full_throttle.intake_air_rise": "intake_air_rise_max_c",
    "full_throttle.oil_pressure": "oil_pressure_min_kpa",
    "full_throttle.fuel_pressure_drop": "fuel_pressure_drop_max_kpa",
    "full_throttle.battery": "battery_min_v",
    "idle.speed_error": "idle_speed_error_max_rpm",
    "idle.hunting": "idle_hunting_max_rpm",
    "idle.lambda_error": "steady_lambda_error_max_pct",
    "idle.actuator_margin": "idle_actuator_margin_min_pct",
    "return.undershoot": "idle_undershoot_max_rpm",
    "return.settling": "idle_settling_max_s",
    "launch.held_speed": "launch_hold_tolerance_rpm",
    "launch.zero_speed": "launch_let_go_max_s",
    "limits.knock_retard": "knock_retard_max_deg",
    "limits.lean_under_load": "lean_under_load_max_pct",
    "limits.lambda_full_load": "lambda_max_full_load",
    "limits.injector_duty": "injector_duty_max_pct",
    "limits.meter_headroom": "meter_headroom_min_pct",
    "limits.boost": "boost_max_kpa",
    "limits.coolant": "coolant_max_c",
    "limits.coolant_rise": "coolant_rise_max_c",
    "limits.intake_air": "intake_air_max_c",
    "limits.intake_air_rise": "intake_air_rise_max_c",
    "limits.oil_temperature": "oil_max_c",
    "limits.exhaust": "exhaust_max_c",
    "limits.oil_pressure": "oil_pressure_min_kpa",
    "limits.fuel_pressure_drop": "fuel_pressure_drop_max_kpa",
    "limits.battery": "battery_min_v",
    "limits.engine_speed": "rev_limit_rpm",
    "limits.road_speed": "top_speed_km_h",
    "steady.lean_at_load": "lean_under_load_max_pct",
}
# Findings that tell how far a value is from one that the owner states: the finding of the value itself, and the key.
MEASURED_FROM = {"launch.held_speed": ("launch.held", "launch_hold_rpm")}
# What holds where the owner states none.
WITHOUT = {"meter_headroom_min_pct": 0.0, "launch_let_go_max_s": LET_GO_S, "lean_under_load_max_pct": LEAN_STOP_PCT}
LOWER_IS_WORSE = (
    "idle.actuator_margin", "full_throttle.meter_headroom", "full_throttle.oil_pressure", "full_throttle.battery",
    "limits.meter_headroom", "limits.oil_pressure", "limits.battery", "limits.coolant_cold", "link.supply",
)  # fmt: skip
ONE_SIDED = ("steady.lean_at_load",)  # below zero is no error of the kind
SAME = 1e-5  # share by which a limit in a record may differ from the one in car.toml: how finely records are written


def other_limit(finding: Finding, car: Car) -> str:
    """Say that car.toml now states another limit than the one a finding was compared with; empty where it does not."""
    key = HELD_AGAINST.get(finding.id)
    if key is None:
        return ""
    now = getattr(car.limits, key)
    now = WITHOUT.get(key) if now is None else now
    then = finding.limit
    if now == then or (now is not None and then is not None and math.isclose(now, then, rel_tol=SAME)):
        return ""
    texts = ["no limit" if limit is None else f"{limit:g}" for limit in (then, now)]
    return f"it was compared with {texts[0]}, and car.toml now states {texts[1]} (limits.{key})"


def other_setting(finding: Finding, whole: Finding | None, car: Car) -> str:
    """Say that car.toml now states another value than a finding was measured from; empty where it does not.

    `whole` is the finding of the value itself (the first of MEASURED_FROM); the difference of the two is what was
    stated. A record without it does not tell what that was.
    """
    if finding.id not in MEASURED_FROM:
        return ""
    key = MEASURED_FROM[finding.id][1]
    now = getattr(car.limits, key)
    if now is None:
        return f"car.toml no longer states what it was measured from (limits.{key})"
    if whole is None or whole.value is None or finding.value is None:
        return f"its record does not say which limits.{key} it was measured from"
    then = whole.value - finding.value
    if math.isclose(then, now, rel_tol=SAME, abs_tol=SAME * abs(whole.value)):
        return ""
    return f"it was measured from {then:.5g}, and car.toml now states {now:g} (limits.{key})"


def passes_limit(finding: Finding) -> bool:
    """Whether the value itself, not only its interval, lies past the limit."""
    if finding.value is None or finding.limit is None:
        return False
    size = finding.value if finding.id in ONE_SIDED else abs(finding.value)
    return size < finding.limit if finding.id in LOWER_IS_WORSE else size > finding.limit


def share_used(finding: Finding) -> tuple[float, float]:
    """How much of its limit a finding used, and the same at the end of its interval that is nearer to the limit. [%]

    Value over limit; of a minimum limit over value. 100 is the limit. NaN where value, limit or interval is missing.
    """
    limit, ends = finding.limit, [end for end in (finding.lower, finding.upper) if end is not None]
    if finding.value is None or limit is None or limit <= 0:
        return float("nan"), float("nan")
    if finding.id in LOWER_IS_WORSE:
        used = [100 * limit / value if value > 0 else float("nan") for value in (finding.value, *ends[:1])]
    else:
        one_sided = finding.id in ONE_SIDED
        sizes = [end if one_sided else abs(end) for end in (finding.value, *ends)]
        used = [100 * max(size, 0.0) / limit for size in (sizes[0], *([max(sizes[1:])] if ends else []))]
    return used[0], used[1] if len(used) == 2 else float("nan")
