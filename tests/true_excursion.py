"""What truly made lambda depart when the throttle moved in a simulated drive, to hold named causes against."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tunelab.simulate import STEP_S, Drive, Truth
from tunelab.simulate.engine import film_at, meter_factor
from tunelab.study.transient import TransientStudy
from tunelab.workspace.revision import Revision

PARTS = ("film", "enrichment", "metering")
HOURS, KILO = 3600.0, 1000.0
LEAST_PCT, CUT_PCT = 3.0, 60.0  # excursions that count; true departures that only a cut makes


@dataclass(frozen=True)
class Cause:
    """Largest true part of an excursion; `is_clear` where it makes most of it and no other comes near."""

    name: str
    is_clear: bool
    total_pct: float


def true_parts(run: Drive, truth: Truth, revision: Revision) -> dict[str, np.ndarray]:
    """Film, enrichment and metering as the sensor feels them at 100 Hz, in the logarithm of lambda, lean positive.

    Metering is air that the cylinders draw over what the ECU reckons with, without the curve's own error and pulsation:
    those are a level, no excursion.
    """
    true, seen = run.true, run.channels
    delivered, drawn = true["delivered_g_s"], true["cylinder_flow_kg_h"]
    reading = seen[next(name for name in ("meter_v", "meter_hz", "meter_counts") if name in seen)]
    level = np.log(np.clip(np.nan_to_num(meter_factor(truth.meter, revision, reading), nan=1.0), 0.3, 3.0))
    parts = {
        "film": np.log(_injected(delivered, seen["coolant_c"], truth) / np.maximum(delivered, 1e-4)),
        "enrichment": -np.log1p(seen["enrichment_pct"] / 100.0),
        "metering": np.log(drawn / np.maximum(seen["air_flow_kg_h"], 1.0)) - level + np.log1p(true["over_read"]),
    }
    left_kg = np.cumsum((drawn / HOURS + delivered / KILO) * STEP_S)
    return {name: _felt(np.clip(values, -2.0, 2.0), left_kg, truth) for name, values in parts.items()}


def _injected(delivered: np.ndarray, coolant_c: np.ndarray, truth: Truth) -> np.ndarray:
    """Fuel injected, from what the film let through; the simulator's own step turned round. [g/s]"""
    share, tau = np.array([film_at(truth.film, float(c)) for c in coolant_c]).T
    found, film = np.empty(delivered.size), float(share[0] * delivered[0] * tau[0])
    for i in range(delivered.size):
        grown = 1.0 + STEP_S / tau[i]
        direct = (1.0 - share[i]) + share[i] * STEP_S / (grown * tau[i])
        found[i] = (delivered[i] - film / (grown * tau[i])) / direct
        film = (film + share[i] * found[i] * STEP_S) / grown
    return np.maximum(found, 1e-4)


def _felt(values: np.ndarray, left_kg: np.ndarray, truth: Truth) -> np.ndarray:
    """What the sensor feels: plug flow through the pipe, a fixed wait, a first-order lag."""
    sensor, step = truth.sensor, np.arange(values.size)
    tip = np.interp(np.interp(left_kg - sensor.delay_flow_s_kg_h / HOURS, left_kg, step), step, values)
    late = np.interp(np.clip(step - sensor.delay_s / STEP_S, 0, None), step, tip)
    keep = float(np.exp(-STEP_S / sensor.lag_s))
    return lfilter([1.0 - keep], [1.0, -keep], late, zi=[keep * late[0]])[0]


def true_cause(
    time_s: np.ndarray, parts: dict[str, np.ndarray], event, side: str, next_s: float, late_s: float
) -> Cause:
    """True cause of an excursion of `find_excursions`, read where the true parts depart farthest to its side.

    `next_s` is when the next event begins, `late_s` how late gas reaches the sensor after the event.
    """
    sign = 1.0 if side == "lean" else -1.0
    before = (time_s > event.at_s - 0.8) & (time_s < event.at_s)
    own = (time_s >= event.at_s) & (time_s < min(event.at_s + 2.5, next_s) + late_s)
    moved = {name: sign * 100.0 * (parts[name][own] - np.median(parts[name][before])) for name in PARTS}
    peak = int(np.argmax(sum(moved.values())))
    values = {name: float(values[peak]) for name, values in moved.items()}
    first, second, _ = sorted(values, key=values.__getitem__, reverse=True)
    total, size = sum(values.values()), abs(getattr(event, f"{side}_pct"))
    is_clear = values[first] > max(0.5 * total, 1.5 * values[second]) and total > 0.5 * size
    return Cause(first, is_clear, total)


def excursion_causes(
    run: Drive, truth: Truth, revision: Revision, study: TransientStudy
) -> Iterator[tuple[str, Cause]]:
    """Named and true cause of each excursion from 3 % on; without those after a fuel cut, where parts mean nothing."""
    parts, at = true_parts(run, truth, revision), np.sort(study.events["at_s"].to_numpy(dtype=float))
    for event in study.excursions[study.excursions["kind"] != "fuel back"].itertuples():
        late = truth.sensor.delay_s + truth.sensor.delay_flow_s_kg_h / max(event.air_to_kg_h, 5.0)
        following = min([np.inf, *at[at > event.at_s + 1e-6]])
        for side in ("lean", "rich"):
            named, size = getattr(event, f"{side}_cause"), abs(getattr(event, f"{side}_pct"))
            true = true_cause(run.time, parts, event, side, following, late)
            if named and size >= LEAST_PCT and abs(true.total_pct) < CUT_PCT:
                yield named, true
