"""Which holds to drive: those that take most from what is not known, for each second of driving, gentle ones first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

import numpy as np
from threadpoolctl import threadpool_limits

from tunelab.physics.fuel import injector_duty
from tunelab.study.coverage import Coverage
from tunelab.study.hold import (
    BRAKE_ENERGY_KJ,
    COOLING_KW,
    STANDING_LOAD,
    Way,
    brake_heat_kj,
    flow_at_load,
    highest_load,
    no_load,
    seconds_against_brake,
    ways,
)
from tunelab.study.information import (
    CONSUMERS_V,
    CalmDrive,
    Expected,
    Knowledge,
    Places,
    known_from,
    usual_battery_v,
)
from tunelab.study.steady.samples import ASSUMED_BATTERY_V, log_air_fuelled, smooth_dead_time
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

HOLD_S = 5.0  # settling included
HIGH_LOAD_S = 4.0
MOVE_S = 2.0  # from one hold to the next
CONSUMERS_S = 3.0  # until the battery voltage has settled after consumers were switched
SHORTEST_S = 3.0  # a shorter hold gives nothing good
MOST_HOLDS = 36  # in one drive
AIMED_SHARE = 0.9  # of the owner's limit: what is driven never gives quite what was planned, and one hold is no drive
IDLE_GAIN = 0.25  # share of the variance at idle that a hold there has to take
LEAST_GAIN = 0.01  # of the variance left: a hold that takes less is not worth driving
# A first drive, with nothing good but idle in the log yet, stays below these. Common practice, no source.
FIRST_LOAD_SHARE = 0.6  # of full load
FIRST_SPEED_SHARE = 0.7  # of the rev limit
NEXT_SPEED_SHARE = 1.4  # of the highest speed held so far, for the next drive
BATTERY_SPREAD_V = 1.0  # range of battery voltage that shows how dead time changes with it
LEAD_UP = "high load, and the airflow below it at this speed is not driven yet"
ABOVE_FULL_LOAD = "more air than the engine takes at this speed"
NO_LOAD_ONLY = "standing, the engine takes the air that it needs and no other"
NARROWEST = 1.03  # from the least to the most airflow of a hold
UNKNOWN_WAY = Way(None, np.nan, np.nan)  # by engine speed alone
STANDING_RANGE = (0.75, STANDING_LOAD)  # of the usual air of an engine that turns only itself
LIGHT_PCT = 45.0  # absolute load of a hold that may be driven with all consumers on


@dataclass(frozen=True)
class Choice:
    """Half a cell's airflows with the way to hold them; `row` and `column` are those of the coverage."""

    row: int
    column: int
    flows_kg_h: tuple[float, float]  # from, to
    way: Way
    seconds: float
    wait: str = ""  # why it has to wait for gentler ones; empty where it need not
    consumers_on: bool = False

    @property
    def flow_kg_h(self) -> float:
        """Airflow to aim at, the geometric middle."""
        return float(np.sqrt(self.flows_kg_h[0] * self.flows_kg_h[1]))

    @property
    def cost_s(self) -> float:
        """Seconds of driving: the hold, the way to it, switching consumers, and rolling until the brakes are cool."""
        return self.seconds + MOVE_S + CONSUMERS_S * self.consumers_on + self.heat_kj / COOLING_KW

    @property
    def heat_kj(self) -> float:
        """Heat that it puts into the brakes. [kJ]"""
        return brake_heat_kj(self.way, self.seconds)


@dataclass(frozen=True)
class Chosen:
    """Holds to drive now, and what is known before and after them."""

    holds: tuple[Choice, ...]
    spread_pct: tuple[float, ...]  # of each: to how much lambda is known there before
    before: Expected
    after: Expected  # over what may be driven now
    is_enough: bool  # before: all that holds can tell is known within the limit, and no hold takes much of what is left
    reaches: bool  # after: all that holds can tell is known within the limit over what may be driven now
    later_s: float  # of further drives until that holds everywhere; NaN where holds do not bring it there
    tells_dead_time: bool  # these holds, or what was driven, can tell it; False: no hold here can


def find_choices(
    coverage: Coverage, car: Car, revision: Revision, top: float
) -> tuple[list[Choice], list[tuple[int, int, str]]]:
    """Reachable cells with a way to hold them, and missing ones without, with the reason.

    In gear each half of a cell is a hold of its own, with its own gear and brake. Standing, an engine takes the air
    that it needs at a speed and no other: one hold for each speed.
    """
    found, left_out = [], []
    standing: dict[int, list[tuple[int, Way, str]]] = {}
    for row, column in zip(*np.nonzero(coverage.reachable), strict=True):
        at, speed, flow = (int(row), int(column)), coverage.speeds_rpm[column], coverage.flows_kg_h[row]
        options = ways(speed, flow, car, top_speed_km_h=top, standing_share=coverage.standing_share)
        wait = _too_early(coverage, row, column, car)
        if any(way.gear == 0 for way in options):
            standing.setdefault(at[1], []).append((at[0], options[0], wait))
        is_idle = speed <= car.engine.idle_target_rpm
        moving, because = ([], NO_LOAD_ONLY) if is_idle else _moving(at, coverage, car, revision, top)
        found += [replace(cell, wait=wait) for cell in moving]
        left_out += [(*at, because)] if coverage.missing[at] else []
    found += [_standing(column, cells, coverage, car) for column, cells in standing.items()]
    held = {(cell.row, cell.column) for cell in found}
    return found, [one for one in left_out if one[:2] not in held]


def _moving(
    at: tuple[int, int], coverage: Coverage, car: Car, revision: Revision, top: float
) -> tuple[list[Choice], str]:
    """Holds of both halves of a cell in gear, and the last reason why one cannot be; none above full load."""
    low, high = (float(edge) for edge in coverage.flow_edges_kg_h[at[0] : at[0] + 2])
    middle, speed = float(coverage.flows_kg_h[at[0]]), float(coverage.speeds_rpm[at[1]])
    load = highest_load(speed, coverage.full_load_pct[at[1]], idle_rpm=car.engine.idle_target_rpm)
    most = float(flow_at_load(load, speed, displacement_l=car.engine.displacement_l))
    is_high = bool(coverage.high_load[at])
    found: list[Choice] = []
    because = ABOVE_FULL_LOAD
    for half in ((low, min(middle, most)), (middle, min(high, most))):
        if half[1] < NARROWEST * half[0]:
            continue
        cell = Choice(*at, half, UNKNOWN_WAY, HIGH_LOAD_S if is_high else HOLD_S)
        way, why = _way(cell, coverage, car, top)
        why = why or _past_a_limit(half[1], speed, car, revision, is_high=is_high)
        found, because = (found, why) if why else ([*found, replace(cell, way=way)], because)
    return found, because


def _way(cell: Choice, coverage: Coverage, car: Car, top: float) -> tuple[Way, str]:
    """The best way to hold a cell in gear, or why there is none."""
    speed_rpm, share = float(coverage.speeds_rpm[cell.column]), coverage.standing_share
    options = ways(speed_rpm, cell.flow_kg_h, car, top_speed_km_h=top, standing_share=share)
    moving = [way for way in options if way.gear != 0]
    moving = moving if moving or car.gearing is not None else [UNKNOWN_WAY]
    way = next((way for way in moving if seconds_against_brake(way, car) >= cell.seconds), None)
    if way is not None:
        return way, ""
    if moving:
        return UNKNOWN_WAY, "the brakes would take too much: a long hill up, or a dynamometer"
    if options:
        return UNKNOWN_WAY, NO_LOAD_ONLY
    return UNKNOWN_WAY, f"no gear keeps {speed_rpm:.0f} rpm within {top:g} km/h and above a crawl"


def _past_a_limit(flow_kg_h: float, speed_rpm: float, car: Car, revision: Revision, *, is_high: bool) -> str:
    """Which limit an airflow at a speed would pass, with the revision in force; empty where none."""
    meter, curve, limits = car.meter, revision.meter_curve, car.limits
    if flow_kg_h > curve.flow_kg_h[-1] or np.interp(flow_kg_h, curve.flow_kg_h, curve.reading) >= meter.rail_high:
        return "the air meter is at its end there"
    lean = min(limits.lambda_max_full_load, 1.0) if is_high else 1.0
    speed = np.array([speed_rpm])
    opened = np.exp(np.log(flow_kg_h / lean) - log_air_fuelled(np.ones(1), speed, car, revision))
    pulse = opened + smooth_dead_time(revision.dead_time, np.array([ASSUMED_BATTERY_V]))
    duty = injector_duty(pulse, speed, injections_per_cycle=car.injectors.injections_per_cycle)
    if float(duty[0]) > limits.injector_duty_max_pct:
        return f"the injectors would be open for more than the owner's limit of {limits.injector_duty_max_pct:g} %"
    return ""


def _standing(column: int, cells: list[tuple[int, Way, str]], coverage: Coverage, car: Car) -> Choice:
    """The standing hold of a speed: at about the air of an engine that turns itself alone, wherever that comes out."""
    speed = coverage.speeds_rpm[column]
    unit = float(flow_at_load(1.0, speed, displacement_l=car.engine.displacement_l))
    least, most = (unit * float(no_load(speed)) * share * coverage.standing_share for share in STANDING_RANGE)
    middle = np.log(least * most) / 2
    row, way, wait = min(cells, key=lambda cell: abs(np.log(coverage.flows_kg_h[cell[0]]) - middle))
    return Choice(row, column, (least, most), way, HOLD_S, wait)


def _too_early(coverage: Coverage, row: int, column: int, car: Car) -> str:
    """Why a cell has to wait for gentler ones, empty where it need not."""
    if coverage.high_load[row, column] and not _is_led_up_to(coverage, row, column):
        return LEAD_UP
    speed = coverage.speeds_rpm[column]
    unit = float(flow_at_load(1.0, speed, displacement_l=car.engine.displacement_l))
    hard = coverage.flows_kg_h[row] > FIRST_LOAD_SHARE * coverage.full_load_pct[column] * unit
    highest = coverage.speeds_rpm[(coverage.seconds > 0).any(axis=0)].max(initial=0.0)
    if highest <= NEXT_SPEED_SHARE * car.engine.idle_target_rpm:  # nothing yet, or no more than idle
        is_early = hard or speed > FIRST_SPEED_SHARE * car.limits.rev_limit_rpm
        return "not in a first drive: gentler holds come before it" if is_early else ""
    if speed > NEXT_SPEED_SHARE * highest:
        return f"so far driven up to {highest:.0f} rpm: higher speeds follow step by step"
    return ""


def _is_led_up_to(coverage: Coverage, row: int, column: int) -> bool:
    """Whether the airflow just below was driven well enough to show something."""
    below = coverage.reachable[:row, column]
    return row > 0 and bool(below[-1]) and coverage.seconds[row - 1, column] >= SHORTEST_S


def choose_holds(
    found: Sequence[Choice], coverage: Coverage, drives: Sequence[CalmDrive], car: Car, revision: Revision
) -> Chosen:
    """Choose holds, one after another, until lambda is known within the owner's limit and the dead time is known.

    Each time the one that takes most of the variance of lambda's error over the cells that can be held, for each second
    of driving; once lambda is known well enough, of the dead time's. Nothing is chosen twice.
    """
    with threadpool_limits(limits=1):  # the matrices are small: threads only wait for one another
        return _choose(found, coverage, drives, car, revision)


def _choose(
    found: Sequence[Choice], coverage: Coverage, drives: Sequence[CalmDrive], car: Car, revision: Revision
) -> Chosen:
    loaded = [] if battery_moved(coverage) else [cell for cell in found if _is_light(cell, coverage, car)]
    options = [*found, *(replace(cell, consumers_on=True) for cell in loaded)]
    if not options:
        nothing = Expected(*[np.nan] * 5)
        return Chosen((), (), nothing, nothing, False, False, np.nan, False)
    known = known_from(drives, _places(options, coverage, usual_battery_v(drives)), car, revision)
    everywhere = np.ones(len(options), dtype=bool)
    now = np.array([not cell.wait for cell in options])
    judged = np.array([not cell.consumers_on and cell.wait != LEAD_UP for cell in options])
    judged = judged if judged.any() else everywhere
    here = judged & now if (judged & now).any() else judged
    goal = Goal(car.limits.steady_lambda_error_max_pct, _can_tell_dead_time(known, options))
    before = known.expected(judged)
    seconds = np.array([cell.seconds for cell in options])
    enough = Chosen((), (), before, before, True, True, 0.0, goal.tells_dead_time)
    idle = _idle(known, options, car, seconds)
    is_told = not idle and goal.is_reached(known, judged)
    if is_told and _gains(known, seconds, goal, (everywhere, judged, judged)).max() < LEAST_GAIN:
        return enough
    aim = replace(goal, limit_pct=AIMED_SHARE * goal.limit_pct)
    at_idle = known.after(idle[0], seconds[idle[0]]) if idle else known
    after, taken = _until_known(at_idle, options, (now, now, here), aim, idle)
    driven = [at for at in np.flatnonzero(now).tolist() if at not in idle]
    if taken == idle and driven:  # all that waits is faster: lead up to it
        taken = [*idle, max(driven, key=lambda at: (options[at].column, -options[at].cost_s))]
        after = after.after(taken[-1], seconds[taken[-1]])
    last, all_taken = _until_known(after, options, (everywhere, everywhere, judged), aim, taken)
    if is_told and not goal.is_within(last, judged):  # beside what straight lines leave, no hold brings it there
        return enough
    return Chosen(
        holds=tuple(options[at] for at in taken),
        spread_pct=tuple(float(196 * np.sqrt(known.error[at, at])) for at in taken),
        before=before,
        after=after.expected(here),
        is_enough=False,
        reaches=goal.is_reached(after, here),
        later_s=sum(options[at].cost_s for at in all_taken[len(taken) :]) if goal.is_reached(last, judged) else np.nan,
        tells_dead_time=goal.tells_dead_time,
    )


@dataclass(frozen=True)
class Goal:
    """When enough is known."""

    limit_pct: float
    tells_dead_time: bool  # holds can tell it here, so it is asked for

    def is_within(self, known: Knowledge, judged: np.ndarray) -> bool:
        """Whether lambda is known within the limit over the places `judged`."""
        return not known.is_far_off(self.limit_pct, judged) and known.expected(judged).upper_pct <= self.limit_pct

    def is_told(self, known: Knowledge, judged: np.ndarray) -> bool:
        """Whether all that holds can tell is known within the limit: not what the curve's straight lines leave."""
        return self.is_within(known.followed(), judged)

    def is_reached(self, known: Knowledge, judged: np.ndarray) -> bool:
        """Whether the dead time is known besides all that holds can tell of lambda, where holds can show it."""
        return self.is_told(known, judged) and self.knows_dead_time(known)

    def knows_dead_time(self, known: Knowledge) -> bool:
        """Whether the dead time is known, where holds can show it."""
        return known.tells_dead_time or not self.tells_dead_time


def _idle(known: Knowledge, options: list[Choice], car: Car, seconds: np.ndarray) -> list[int]:
    """Give the hold at idle, of a hundred places the one of every drive, where it tells much of what is not known."""
    spread, noise = np.diag(known.error), known.noise(seconds)
    tells = np.diag(known.across) ** 2 / (np.diag(known.seen) + noise) >= IDLE_GAIN * spread
    is_wanted = tells & (196.0 * np.sqrt(spread) > car.limits.steady_lambda_error_max_pct)
    is_wanted &= known.places.engine_speed_rpm <= car.engine.idle_target_rpm
    return [i for i in np.flatnonzero(is_wanted).tolist() if not options[i].wait and not options[i].consumers_on][:1]


def _can_tell_dead_time(known: Knowledge, options: list[Choice]) -> bool:
    """Whether the holds of one drive could tell the dead time: not along one line of speed and load."""
    seconds = np.array([cell.seconds for cell in options])
    taken: list[int] = []
    while known.pressure_known and not known.tells_dead_time and len(taken) < min(MOST_HOLDS, len(options)):
        gain = known.dead_time_gain(seconds)
        gain[taken] = -1.0
        taken.append(int(gain.argmax()))
        known = known.after(taken[-1], seconds[taken[-1]])
    return known.tells_dead_time


def _until_known(
    known: Knowledge,
    options: list[Choice],
    places: tuple[np.ndarray, np.ndarray, np.ndarray],
    goal: Goal,
    taken: list[int],
) -> tuple[Knowledge, list[int]]:
    """Add holds to those `taken` until lambda is known, or none helps.

    `places` are masks: which may be driven, which are asked about, and by which it is judged whether that is enough.
    """
    may, asked, judged = places
    taken, first = list(taken), len(taken)
    seconds, cost = (np.array([getattr(cell, name) for cell in options]) for name in ("seconds", "cost_s"))
    while len(taken) - first < MOST_HOLDS:
        left = may.copy()
        left[taken] = False
        gain = _gains(known, seconds, goal, (left, asked, judged))
        if gain.max() < LEAST_GAIN:
            break
        taken.append(int(np.argmax(gain / cost)))
        known = known.after(taken[-1], seconds[taken[-1]])
    return known, taken


def _gains(
    known: Knowledge, seconds: np.ndarray, goal: Goal, places: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> np.ndarray:
    """Share of the variance that a hold at each place takes, of lambda's error first and then of the dead time's.

    0 where none is wanted. Once all that holds can tell is within the limit, what straight lines leave counts with it.
    """
    may, asked, judged = places
    if not goal.is_within(known, judged):
        is_told = goal.is_told(known, judged)
        gain = np.where(may, known.gain(seconds, asked) / known.variance(asked, lines=is_told), 0.0)
        if not is_told or gain.max() >= LEAST_GAIN:
            return gain
    if goal.knows_dead_time(known):
        return np.zeros(may.size)
    return np.where(may, known.dead_time_gain(seconds) / known.free[-1, -1], 0.0)


def battery_moved(coverage: Coverage) -> bool:
    """Whether the battery voltage moved so far that the log shows how dead time changes with it."""
    low, high = coverage.battery_v
    return high - low >= BATTERY_SPREAD_V


def _is_light(cell: Choice, coverage: Coverage, car: Car) -> bool:
    unit = float(flow_at_load(1.0, coverage.speeds_rpm[cell.column], displacement_l=car.engine.displacement_l))
    return cell.flow_kg_h / unit < LIGHT_PCT and cell.way.brake in ("none", "as needed")


def _places(options: list[Choice], coverage: Coverage, battery_v: float) -> Places:
    lower = np.array([cell.consumers_on for cell in options])
    return Places(
        coverage.speeds_rpm[[cell.column for cell in options]],
        np.array([cell.flow_kg_h for cell in options]),
        battery_v - CONSUMERS_V * lower,
    )


def in_driving_order(cells: Sequence[Choice]) -> list[Choice]:
    """By gear; within a gear up and down the speeds by turns; at a speed from little air to much; high load last."""
    ordered: list[Choice] = []
    gears = sorted({-1 if cell.way.gear is None else cell.way.gear for cell in cells})
    for turn, gear in enumerate(gears):
        own = [cell for cell in cells if (-1 if cell.way.gear is None else cell.way.gear) == gear]
        sign = 1 if turn % 2 == 0 or gear <= 0 else -1
        ordered += sorted(own, key=lambda cell: (sign * cell.column, cell.flow_kg_h, cell.consumers_on))
    return ordered


def rolls_s(cells: Sequence[Choice]) -> list[float]:
    """Whole seconds to roll after each of these holds, so that the brakes never hold more than they may at once.

    They give off heat on the way from one hold to the next too, and in a hold in gear without brake.
    """
    rolls, heat_kj = [], 0.0
    for cell, following in zip_longest(cells, cells[1:]):
        rests_s = MOVE_S + (cell.seconds if cell.heat_kj == 0 and cell.way.gear != 0 else 0.0)
        heat_kj = max(heat_kj + cell.heat_kj - COOLING_KW * rests_s, 0.0)
        room_kj = BRAKE_ENERGY_KJ - (following.heat_kj if following else 0.0)
        rolls.append(float(np.ceil(max(heat_kj - room_kj, 0.0) / COOLING_KW)))
        heat_kj = max(heat_kj - COOLING_KW * rolls[-1], 0.0)
    return rolls
