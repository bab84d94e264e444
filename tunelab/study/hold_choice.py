"""Which missing cells to drive, in what way and order: useful ones first, gentle ones before hard ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.study.cells import flow_at_load
from tunelab.study.coverage import APART, Coverage
from tunelab.study.hold import Way, seconds_against_brake, ways
from tunelab.workspace.car import Car

SETTLE_S = 2.0  # before the good seconds of a hold begin
LONGEST_S = 12.0
LONGEST_HIGH_LOAD_S = 4.0
SHORTEST_S = 3.0  # a shorter hold gives nothing good
MOST_HOLDS = 36  # in one drive
# A first drive, with nothing good but idle in the log yet, stays below these. Common practice, no source.
FIRST_LOAD_SHARE = 0.6  # of full load
FIRST_SPEED_SHARE = 0.7  # of the rev limit
NEXT_SPEED_SHARE = 1.4  # of the highest speed held so far, for the next drive


@dataclass(frozen=True)
class Choice:
    """A missing cell with the way to drive it; `row` and `column` are those of the coverage."""

    row: int
    column: int
    way: Way
    seconds: float


def find_choices(coverage: Coverage, car: Car, top: float) -> tuple[list[Choice], list[tuple[int, int, str]]]:
    """Missing cells with a way to drive them, and those without, with the reason."""
    found, left_out = [], []
    for row, column in zip(*np.nonzero(coverage.missing), strict=True):
        speed, flow = coverage.speeds_rpm[column], coverage.flows_kg_h[row]
        because = _too_early(coverage, row, column, car)
        if because:
            left_out.append((row, column, because))
            continue
        options = ways(speed, flow, car, top_speed_km_h=top)
        wanted = _wanted_seconds(coverage, row, column)
        timed = [(way, min(wanted, seconds_against_brake(way, car))) for way in options]
        way, seconds = next((pair for pair in timed if pair[1] >= SHORTEST_S), (None, 0.0))
        if way is not None:
            found.append(Choice(int(row), int(column), way, seconds))
        elif not options:
            left_out.append((row, column, f"no gear keeps {speed:.0f} rpm within {top:g} km/h and above a crawl"))
        else:
            left_out.append((row, column, "the brakes would take too much: a long hill up, or a dynamometer"))
    return found, left_out


def _too_early(coverage: Coverage, row: int, column: int, car: Car) -> str:
    """Why a cell has to wait for gentler ones, empty where it need not."""
    if coverage.high_load[row, column] and not _is_led_up_to(coverage, row, column):
        return "high load, and the airflow below it at this speed is not driven yet"
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
    """Whether the airflow just below is driven; if it is high load itself, it counts once it has its seconds."""
    below = coverage.reachable[:row, column]
    return row > 0 and bool(below[-1]) and not bool(coverage.missing[row - 1, column])


def _wanted_seconds(coverage: Coverage, row: int, column: int) -> float:
    lacking = coverage.wanted_s[row, column] - coverage.seconds[row, column] + SETTLE_S
    longest = LONGEST_HIGH_LOAD_S if coverage.high_load[row, column] else LONGEST_S
    return float(np.clip(np.ceil(lacking), SHORTEST_S, longest))


def most_useful(found: list[Choice], coverage: Coverage) -> tuple[list[Choice], list[Choice]]:
    """Take as many as fit into one drive: first what tells dead time from meter, then the emptiest airflows."""
    done = (coverage.seconds > 0) & ~coverage.missing
    left, taken = list(found), []
    while left and len(taken) < MOST_HOLDS:
        best = max(left, key=lambda cell: (_use(cell, done, coverage), -cell.row, -cell.column))
        left.remove(best)
        taken.append(best)
        done[best.row, best.column] = True
    return taken, left


def _use(cell: Choice, done: np.ndarray, coverage: Coverage) -> tuple[float, float]:
    """How much a cell adds: the spread of speeds that its airflow gains, up to enough; then how empty it is around."""
    speeds = coverage.speeds_rpm
    before = speeds[done[cell.row]]
    after = np.append(before, speeds[cell.column])
    spread = min(after.max() / after.min(), APART) - (min(before.max() / before.min(), APART) if before.size else 0.0)
    near = done[cell.row, max(cell.column - 1, 0) : cell.column + 2].sum()
    cost = 0.3 * (cell.way.brake == "firm") + 0.5 * bool(coverage.high_load[cell.row, cell.column])
    return (round(float(spread) - cost, 6), -float(near))


def in_driving_order(cells: list[Choice]) -> list[Choice]:
    """By gear; within a gear up and down the speeds by turns; at a speed from little air to much; high load last."""
    ordered: list[Choice] = []
    gears = sorted({-1 if cell.way.gear is None else cell.way.gear for cell in cells})
    for turn, gear in enumerate(gears):
        own = [cell for cell in cells if (-1 if cell.way.gear is None else cell.way.gear) == gear]
        sign = 1 if turn % 2 == 0 or gear <= 0 else -1
        ordered += sorted(own, key=lambda cell: (sign * cell.column, cell.row))
    return ordered
