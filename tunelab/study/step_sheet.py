"""One sheet for each step of driving: what to drive, in which gear, how fast, what to log, when to stop, what to watch.

Every number is the car's own or follows from it; how many runs and how long is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.channels import CHANNELS
from tunelab.study.drive_plan import BRAKE_HOLD, HIGH_LOAD, JOINED, STANDING_HOLD, Hold, hold_lines, lines_legend
from tunelab.study.finding import LEAN_STOP_PCT
from tunelab.study.shift import limit_speeds
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import find_needs

COAST_DOWN = (
    "The engine runs throughout, for brakes and steering; keep your hands off the key. Straight road only, never out "
    "of gear in a bend. Feel that no brake drags before the first run."
)
MOST_HOLDS = 11  # that one sheet takes in large type, each on a line of its own
MOST_IN_LINES = 24  # the same with several on a line
PULL_FROM_RPM = 2000.0  # full throttle begins here, or low enough for the first breakpoint of the full-load table
ABOVE_IDLE_RPM = 500.0  # ... but never nearer to idle: an engine that labours at full throttle knocks; common practice
BEFORE_IT = 1 / 3  # of the way to the next breakpoint, by which a pull begins below the first one
BELOW_LIMITER_RPM = 100.0
ABORT = (
    "knock, heard or shown",
    "a lean reading under load",
    "any smell of fuel or hot lining, smoke, a new noise",
    "a pressure that falls",
    "the passenger says stop",
)


@dataclass(frozen=True)
class StepSheet:
    """What one sheet of paper says."""

    step: str
    title: str
    why: str
    runs: pd.DataFrame  # texts and round numbers, as they are read out
    must_log: tuple[str, ...]
    log_too: tuple[str, ...]
    watch: tuple[str, ...]  # what the passenger watches, with the owner's limits
    abort: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Bounds:
    """Within which everything on a sheet stays."""

    limit_rpm: float
    top_speed_km_h: float
    pull_from_rpm: float = PULL_FROM_RPM
    first_rpm: float | None = None  # of the full-load table's breakpoints


def sheet_for(
    step: str,
    car: Car,
    revision: Revision,
    top_speed_km_h: float,
    *,
    holds: Sequence[Hold] = (),
    notes: Sequence[str] = (),
) -> StepSheet:
    """Make the sheet of one step.

    Parameters
    ----------
    step : str
        One of the steps of a session.
    car, revision
        The owner's limits, gearing and idle speed; the current rev limit.
    top_speed_km_h : float
        Highest road speed that may be driven there; the owner's own limit goes first. [km/h]
    holds : sequence of Hold
        Holds of the drive plan, for the step `steady`.
    notes : sequence of str
        What the drive plan says beside its holds.

    Raises
    ------
    ValueError
        A step that is none, or a top speed that is not above zero.
    """
    if step not in SHEETS:
        raise ValueError(f"no step {step!r}; there are: {', '.join(SHEETS)}.")
    if not top_speed_km_h > 0:
        raise ValueError(f"the top speed is {top_speed_km_h:g} km/h; wanted one above 0.")
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    top, first = min(top_speed_km_h, car.limits.top_speed_km_h), revision.full_load_fuel
    bounds = Bounds(limit, top, pull_from_rpm(car, revision), None if first is None else first.engine_speed_rpm[0])
    title, why, rows, cautions, own_notes = SHEETS[step](car, bounds, list(holds))
    needs = next(need for need in find_needs((), car) if need.step == step)
    runs = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(rows)
    must, useful = needs.missing, [group for group in needs.would_help if not _is_asked_for(group, needs.missing)]
    return StepSheet(
        step, title, why, runs, _labels(must), _labels(useful),
        tuple(_watch(car, bounds, step)), ABORT, tuple(cautions), (*own_notes, *notes),
    )  # fmt: skip


METER_CHANNELS = ("meter_v", "meter_hz", "meter_counts")


def _is_asked_for(group: Sequence[str], others: Sequence[Sequence[str]]) -> bool:
    """Whether a group asks for the air meter's reading, and another group does so already."""
    return set(group) <= set(METER_CHANNELS) and any(set(group) <= set(other) for other in others)


def _labels(groups: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Each group in words; whichever way a meter is read, it is one reading."""
    named = [["the air meter's reading" if n in METER_CHANNELS else CHANNELS[n].label for n in g] for g in groups]
    return tuple(" or ".join(dict.fromkeys(names)) for names in named)


Made = tuple[str, str, list[dict] | pd.DataFrame, list[str], list[str]]


LOADED_STEPS = ("steady", "full-throttle", "part-throttle", "launch")


def _watch(car: Car, bounds: Bounds, step: str) -> list[str]:
    limits = car.limits
    found = [f"engine speed below {bounds.limit_rpm:.0f} rpm, road speed below {bounds.top_speed_km_h:.0f} km/h"]
    found += [f"coolant below {limits.coolant_max_c:g} °C, and {limits.coolant_min_c:g} °C before any load"]
    if step in LOADED_STEPS:
        found = [f"knock retard not above {limits.knock_retard_max_deg:g}°", *found]
    if step in ("steady", "part-throttle"):
        lean = LEAN_STOP_PCT if limits.lean_under_load_max_pct is None else limits.lean_under_load_max_pct
        found = [f"lambda no more than {lean:g} % lean of commanded under load", *found]
    if step in LOADED_STEPS and step != "steady":
        found = [f"lambda not above {limits.lambda_max_full_load:g} at full load", *found]
    found.append(f"intake air below {limits.intake_air_max_c:g} °C")
    if limits.oil_pressure_min_kpa:
        found.append(f"oil pressure above {limits.oil_pressure_min_kpa:g} kPa off idle")
    if limits.fuel_pressure_drop_max_kpa and step in ("full-throttle", "launch"):
        found.append(f"fuel pressure no more than {limits.fuel_pressure_drop_max_kpa:g} kPa short")
    return [*found, f"battery above {limits.battery_min_v:g} V", "that the log is running"]


def _speed(car: Car, gear: int, rpm: float) -> float:
    """Road speed of a gear at an engine speed; NaN where gearing or tyres are not stated. [km/h]"""
    table = limit_speeds(car, rpm)
    return float(table["road_speed_km_h"].iloc[gear - 1]) if len(table) >= gear else float("nan")


def _pull_gear(car: Car, bounds: Bounds, top_rpm: float) -> int:
    """Highest gear in which an engine speed stays under the top speed; 0 where none does or gearing is not stated."""
    table = limit_speeds(car, top_rpm)
    fits = table[table["road_speed_km_h"] <= bounds.top_speed_km_h] if len(table) else table
    return int(fits["gear"].max()) if len(fits) else 0


def _round(value: float) -> str:
    return f"{value:.0f}" if np.isfinite(value) else "by engine speed"


def _steady(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    rows = [
        {
            "no.": str(k),
            "gear": {None: "any", 0: "neutral"}.get(hold.gear, str(hold.gear)),
            "rpm": f"{hold.engine_speed_rpm:.0f}",
            "km/h": "–" if hold.gear == 0 else _round(hold.road_speed_km_h),
            _range_head(hold): hold.range_words.replace(JOINED, "–"),
            "throttle": f"{hold.throttle_pct:.0f} %" if np.isfinite(hold.throttle_pct) else "–",
            "brake, slope": ", ".join(t for t in (hold.brake, hold.slope) if t and t not in ("none", "level")) or "–",
            "electrical loads": hold.consumers,
            "hold": f"{hold.seconds:.0f} s",
            "then roll": f"{hold.roll_s:.0f} s" if hold.roll_s > 0 else "–",
        }
        for k, hold in enumerate(holds[:MOST_HOLDS], start=1)
    ]
    shown = holds[: MOST_HOLDS if len(holds) <= MOST_HOLDS else MOST_IN_LINES]
    left = len(holds) - len(shown)
    more = "1 further hold comes" if left == 1 else f"{left} further holds come"
    notes = [f"{more} on the next sheet, once these are driven and recorded."] if left > 0 else []
    if len(shown) > MOST_HOLDS:
        rows, notes = hold_lines(shown), [f"{lines_legend(shown)}.", *notes]
    wrong = "meter and injectors are" if car.has_meter else "the table is"
    why = f"Hold each one still for its whole time; it shows how wrong {wrong}."
    cautions = [STANDING_HOLD] if any(hold.gear == 0 for hold in shown) else []
    cautions += [BRAKE_HOLD] if any(hold.brake in ("light", "firm", "as needed") for hold in shown) else []
    cautions += [HIGH_LOAD] if any(hold.is_high_load for hold in shown) else []
    if not holds:
        notes = []  # the plan's own sentence says why
    return "Steady holds", why, rows, cautions, notes


def _range_head(hold: Hold) -> str:
    """Head of the column that says between what a hold counts: short for the airflow, as it is read out."""
    return "air kg/h" if hold.range_label == "airflow [kg/h]" else hold.range_label.replace("[", "").replace("]", "")


def pull_from_rpm(car: Car, revision: Revision) -> float:
    """Engine speed at which a pull at full throttle begins: low enough for the full-load table's first breakpoint."""
    own = revision.full_load_fuel
    if own is None or len(own.engine_speed_rpm) < 2:
        return PULL_FROM_RPM
    first, second = own.engine_speed_rpm[:2]
    wanted = 50 * np.floor((first - BEFORE_IT * (second - first)) / 50)
    lowest = 50 * np.ceil((car.engine.idle_target_rpm + ABOVE_IDLE_RPM) / 50)
    return float(min(PULL_FROM_RPM, max(wanted, lowest)))


def _full_throttle(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    gear = _pull_gear(car, bounds, bounds.limit_rpm)
    rows = []
    for share, runs, note in ((0.65, "1, then read the log", "lambda and knock right before going on"),
                              (0.85, "1, then read the log", "lambda and knock right before going on"),
                              (1.0, "2 each way", "lift before the limiter")):  # fmt: skip
        top = min(bounds.limit_rpm * share, bounds.limit_rpm - BELOW_LIMITER_RPM)
        rows.append(_pull(car, gear or 1, bounds.pull_from_rpm, top, "fully open") | {"runs": runs, "note": note})
    notes = [] if gear else _no_gear(car, bounds)
    if gear and bounds.first_rpm is not None and bounds.first_rpm < bounds.pull_from_rpm:
        notes.append(
            f"The full-load table begins at {bounds.first_rpm:.0f} rpm, below where a pull may begin: its first value "
            "is not measured by these runs and stays as it is."
        )
    meter = ", meter" if car.has_meter else ""
    why = f"One gear, throttle down and held: lambda, knock, injectors{meter}, power. Two minutes to cool between runs."
    return "Full throttle", why, rows if gear else [], [HIGH_LOAD], notes


def _no_gear(car: Car, bounds: Bounds) -> list[str]:
    if limit_speeds(car, bounds.limit_rpm).empty:
        return ["car.toml states no gearing or no tyres: no gear can be named, so nothing is planned."]
    return [f"Even first gear ends above {bounds.top_speed_km_h:.0f} km/h at the rev limit: no pull fits under it."]


def _pull(car: Car, gear: int, start: float, end: float, throttle: str) -> dict:
    return {
        "gear": str(gear),
        "from rpm": f"{start:.0f}",
        "to rpm": f"{50 * np.floor(end / 50):.0f}",
        "from km/h": _round(_speed(car, gear, start)),
        "to km/h": _round(_speed(car, gear, end)),
        "throttle": throttle,
    }


def _part_throttle(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    end = 0.75 * bounds.limit_rpm
    gear = _pull_gear(car, bounds, end)
    rows = [_pull(car, gear or 1, 1500, end, text) | {"runs": "2 each way"} for text in ("30 %", "45 %", "60 %")]
    rows += [_pull(car, gear or 1, 2000, 3500, f"{foot} to 60 %") | {"runs": "4"} for foot in ("slowly", "at once")]
    why = "A fixed opening through the engine speeds, then the throttle opened slowly and at once."
    return "Part throttle", why, rows if gear else [], [HIGH_LOAD], [] if gear else _no_gear(car, bounds)


def _road(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    idle = car.engine.idle_target_rpm
    usual = [s for s in (50.0, 70.0, 90.0, 110.0) if s <= bounds.top_speed_km_h]
    speeds = usual[:3] or [bounds.top_speed_km_h]
    rows = [
        ("cold start", f"idle {idle:.0f} rpm", "until the coolant reaches 60 °C, nothing touched"),
        ("idle, warm", f"{idle:.0f} rpm", "3 min; lamps, fan and screen on and off, one at a time"),
        ("pulling away", "as in traffic", "6 times, gently and briskly"),
        *((f"cruise at {s:.0f} km/h", "a high gear, no lugging", "2 min, throttle still") for s in speeds),
        ("open the throttle", "2000 to 3000 rpm, third gear", "10 times: slowly, briskly, at once"),
        ("lift off, fuel cut", "from 3500 rpm to idle, clutch at 1500", "6 times in gear, 6 with the clutch at once"),
        ("hot restart", "after 10 min standing hot", "twice"),
    ]
    table = [dict(zip(("part", "at", "how"), row, strict=True)) for row in rows]
    return (
        "Road manners",
        "Idle, pulling away, cruise and return to idle, each long enough to be judged.",
        table,
        [],
        [],
    )


def _coast_down(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    top = 10 * np.floor(bounds.top_speed_km_h / 10)
    row = {"from km/h": f"{top:.0f}", "to km/h": "15", "gear": "neutral, clutch up", "runs": "3 each way",
           "how": "no braking, steer straight, windows closed"}  # fmt: skip
    notes = ["Level road, little wind, tyres warm; the same stretch both ways, one straight after the other."]
    return "Coast-down", "What holds the car back, for power and shift points.", [row], [COAST_DOWN], notes


def _launch(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    limit = f"as set in the ECU, below {bounds.limit_rpm:.0f}"
    end = min(_speed(car, 2, 0.9 * bounds.limit_rpm), bounds.top_speed_km_h)
    row = {"held rpm": limit, "hold": "2 to 3 s", "to km/h": _round(end), "runs": "5 for each driver: 3, a pause, 2",
           "between": "2 min rolling, nobody behind"}  # fmt: skip
    cautions = [
        "A limiter that cuts spark burns fuel in the exhaust: no hold above 3 s, no dry grass, 3 in a row at most."
    ]
    return "Launch", "Whether the held speed holds, and whether launches repeat.", [row], cautions, []


def _link(car: Car, bounds: Bounds, holds: list[Hold]) -> Made:
    idle = car.engine.idle_target_rpm
    fast = 0.6 * bounds.limit_rpm
    rows = [
        ("key on, engine off", "5 min"),
        ("start the engine", "10 times, 20 s between"),
        (f"idle, {idle:.0f} rpm", "5 min, then every electrical load on and off"),
        ("2000 rpm, on the road", "5 min"),
        ("3000 rpm, on the road", "5 min"),
        (f"up to {50 * np.floor(fast / 50):.0f} rpm, on the road", "5 min in all"),
    ]
    table = [dict(zip(("engine", "how long"), row, strict=True)) for row in rows]
    notes = ["Note the clock time of each break that you see: a log that stops by itself shows none of it."]
    why = "When the link breaks, and under what. Drive until it has broken a few times, or an hour."
    return "Data link", why, table, [], notes


SHEETS: dict[str, Callable[[Car, Bounds, list[Hold]], Made]] = {
    "steady": _steady,
    "part-throttle": _part_throttle,
    "full-throttle": _full_throttle,
    "road": _road,
    "coast-down": _coast_down,
    "launch": _launch,
    "link": _link,
}
