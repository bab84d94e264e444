"""The demo's revisions: r01 as first guessed, r02 the first correction within the owner's caps, r03 nearer."""

from __future__ import annotations

import datetime

import numpy as np

from tunelab.simulate.air_meter import meter_reading, true_flow_kg_h
from tunelab.simulate.injector import true_dead_time_ms
from tunelab.simulate.operating import overall_constant
from tunelab.simulate.truth import Truth
from tunelab.workspace.revision import DeadTime, Fuelling, InjectorSettings, MeterCurve, Revision

_READING_V = np.round(np.arange(0.6, 4.851, 0.125), 3)
_BATTERY_V = np.array([8.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0])
_CAP = 0.10  # the owner's meter_change_max_pct
_DEAD_TIME_CAP_MS = 0.08  # the owner's dead_time_change_max_ms
_IDLE_V = 1.4  # below this the meter never stood
_SEEN_KG_H = 330.0  # beyond this the first sweep showed nothing

_NOTES = {
    "r01": "Curve scaled from the small housing by the ratio of the bores; injector data from the label on the bag.",
    "r02": "From the sweep of 3 May, within the caps. Curve above 330 kg/h left as it was, joined smoothly.",
    "r03": "From the sweep of 9 May and the full-throttle pulls; the top of the curve now follows the pulls.",
}


def _first_error(reading_v: np.ndarray) -> np.ndarray:
    """What the first guess is wrong by: it reads little air as less and much air as more, with a kink near 2.8 V."""
    place = (reading_v - 0.6) / 4.2
    broad = -0.15 + 0.19 * place + 0.02 * np.sin(5.0 * place)
    return broad - 0.06 * np.exp(-0.5 * ((reading_v - 2.8) / 0.16) ** 2)


def _left_over(reading_v: np.ndarray) -> np.ndarray:
    """What an honest estimate still misses."""
    return 0.006 * np.sin(2.3 * reading_v + 0.4) + 0.004 * np.sin(6.1 * reading_v)


def _revision(name: str, day: datetime.date, flow: np.ndarray, dead_time: np.ndarray, based_on: str | None) -> Revision:
    return Revision(
        name=name,
        date=day,
        based_on=based_on,
        notes=_NOTES[name],
        meter_curve=MeterCurve(flow_kg_h=np.round(flow, 2).tolist(), meter_v=_READING_V.tolist()),
        injectors=InjectorSettings(flow_g_min=315.0),
        dead_time=DeadTime(battery_v=_BATTERY_V.tolist(), dead_time_ms=np.round(dead_time, 3).tolist()),
        fuelling=Fuelling(stoich_afr=14.7, rev_limit_rpm=6700.0),
    )


def revisions(truth: Truth) -> dict[str, Revision]:
    """All three revisions by name. Their files hold what an owner would have entered, not the truth behind them."""
    true_dead = true_dead_time_ms(truth.injectors, _BATTERY_V)
    dead_1 = true_dead - 0.11 + 0.012 * (_BATTERY_V - 13.5)
    dead_2 = dead_1 + np.clip(true_dead + 0.004 - dead_1, -_DEAD_TIME_CAP_MS, _DEAD_TIME_CAP_MS)
    dead_3 = true_dead + 0.003 - 0.0015 * (_BATTERY_V - 13.5)
    true = true_flow_kg_h(truth.meter, _READING_V)
    bare = _revision("r01", datetime.date(2026, 4, 26), true + 0.01 * np.arange(true.size), dead_1, None)
    right = true / overall_constant(truth, bare)
    flow_1 = np.maximum(right * (1.0 + _first_error(_READING_V)), 0.0)
    wanted = right * (1.0 + _left_over(_READING_V)) / np.maximum(flow_1, 1e-6)
    idled = 1.0 / (1.0 + np.exp(-(_READING_V - _IDLE_V) / 0.03))
    swept = 1.0 / (1.0 + np.exp((_READING_V - float(meter_reading(truth.meter, _SEEN_KG_H))) / 0.05))
    flow_2 = flow_1 * (1.0 + idled * swept * np.clip(wanted - 1.0, -_CAP, _CAP))
    flow_3 = flow_1 * (1.0 + idled * (wanted * (1.0 + 0.012 * (1.0 - swept)) - 1.0))
    rows = (("r01", (2026, 4, 26), flow_1, dead_1, None), ("r02", (2026, 5, 8), flow_2, dead_2, "r01"))
    rows += (("r03", (2026, 5, 16), flow_3, dead_3, "r02"),)
    return {
        name: _revision(name, datetime.date(*day), np.maximum(flow, 0.0), dead, based)
        for name, day, flow, dead, based in rows
    }
