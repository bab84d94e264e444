"""All checks of one or several logs, the worst of each kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.study.consistency.breathing import check_filling, check_leak, check_two_airs
from tunelab.study.consistency.cylinders import check_cylinders
from tunelab.study.consistency.law import check_flow, check_pulse, check_trims
from tunelab.study.consistency.motion import check_clock, check_gears
from tunelab.study.consistency.sensor import check_follows, check_level, check_own_bank
from tunelab.study.consistency.statement import not_made
from tunelab.study.consistency.supply import check_fuel_pressure
from tunelab.study.finding import Finding
from tunelab.study.gearing.reading import never_moves
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# What each check holds against something; engine and road speed, without which nothing was driven, go without saying.
RESTS_ON = {
    "pulse": ("pulse_width_ms",), "air_flow": ("air_flow_kg_h",), "filling": ("manifold_kpa",),
    "two_airs": ("pulse_width_ms", "lambda_measured"), "lambda_level": ("lambda_measured",),
    "lambda_follows": ("lambda_measured",), "own_bank": ("lambda_measured",),
    "exhaust_leak": ("manifold_kpa", "pulse_width_ms", "lambda_measured"), "cylinders": ("air_charge_mg",),
    "fuel_pressure": ("fuel_pressure_kpa", "manifold_kpa"),
}  # fmt: skip
BY_METER = {"pulse", "air_flow", "filling", "two_airs"}
_WORST_FIRST = ("stop", "watch", "met", "not_shown")


def check_consistency(
    logs: Sequence[xr.Dataset], car: Car, revisions: Mapping[str, Revision], reference: str
) -> list[Finding]:
    """Hold flagged logs against themselves, the car and the revision that each names.

    Parameters
    ----------
    logs : sequence of Dataset
        Flagged logs; each may name its session and its revision in its attributes.
    car : Car
        The car.
    revisions : mapping of str to Revision
        All revisions of the workspace: a log that fits another one better says so.
    reference : str
        Revision of a log that names none.

    Returns
    -------
    list of Finding
        One per check, the worst over the logs. `stop`: nothing that rests on fuel or air may be believed; `watch`:
        look before you use it; `not_shown`: the log has not the channels for that check.

    Raises
    ------
    KeyError
        A log names a revision that is not among `revisions`.
    """
    rows = [_one(log, car, revisions, str(log.attrs.get("revision") or reference)) for log in logs]
    return [min(found, key=lambda finding: _WORST_FIRST.index(finding.status)) for found in zip(*rows, strict=True)]


def _one(log: xr.Dataset, car: Car, revisions: Mapping[str, Revision], name: str) -> list[Finding]:
    own, log = revisions[name], _with_speed(log)
    found = [
        check_pulse(log, car, own, revisions),
        check_flow(log, car, own),
        check_trims(log),
        check_filling(log, car, own),
        check_two_airs(log, car, own),
        check_level(log),
        check_follows(log, car, own),
        check_own_bank(log, car, own),
        check_leak(log, car, own),
        check_cylinders(log, car, own),
        check_clock(log),
        check_gears(log, car),
        check_fuel_pressure(log, car),
    ]
    return [_by_live_readings(finding, log, car) for finding in found]


def _with_speed(log: xr.Dataset) -> xr.Dataset:
    """The log, with an engine speed that has no reading where it has none at all: every check asks for it."""
    if "engine_speed_rpm" in log:
        return log
    rows = log.sizes["time"]
    flag = ("time", np.zeros(rows, dtype=np.int32))
    return log.assign(engine_speed_rpm=("time", np.full(rows, np.nan)), engine_speed_rpm_flag=flag)


def _by_live_readings(finding: Finding, log: xr.Dataset, car: Car) -> Finding:
    """The finding, unless all is well by a reading that never moved: a dead sensor shows nothing."""
    key = finding.id.removeprefix("consistency.")
    names = (*RESTS_ON.get(key, ()), *((car.meter.channel,) if key in BY_METER else ()))
    dead = [name for name in names if never_moves(log, name)]
    if finding.status != "met" or not dead:
        return finding
    why = f"{CHANNELS[dead[0]].label} never moved in this log: a dead sensor reads the same, so it shows nothing."
    return not_made(key, finding.title, why, finding.unit)


def stops(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Those for which nothing may be proposed."""
    return tuple(finding for finding in findings if finding.status == "stop")


def checks_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """One row per check: what was compared with what, status, why."""
    rows = [(finding.title, finding.status.replace("_", " "), finding.because) for finding in findings]
    return pd.DataFrame(rows, columns=["check", "status", "because"])
