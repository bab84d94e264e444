"""Does the log agree with itself, the car and the revision that it names? Checks before anything is believed of it.

How much each does was measured on two cars of an engine model kept outside this repository; the tests by hand are
common practice, no source.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.align import never_moves
from tunelab.log.once import kept_once
from tunelab.study.consistency.air import (
    LEAK,
    check_cylinders,
    check_filling,
    check_flow,
    check_leak,
    check_pulse,
    check_trims,
    check_two_airs,
    not_made,
)
from tunelab.study.consistency.sensor import (
    check_clock,
    check_follows,
    check_fuel_pressure,
    check_gears,
    check_level,
    check_own_bank,
)
from tunelab.study.finding import NAN, Finding
from tunelab.study.proposal import Proposal
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

__all__ = ["LEAK", "assumptions_table", "check_consistency", "checks_table", "stops", "withhold", "withhold_findings"]

COLUMNS = ("taken as true", "if it is not", "what this log shows", "how to test it by hand")
UNSEEN = "cannot be seen in a log"


@dataclass(frozen=True)
class Assumption:
    """One thing that is taken as true."""

    taken: str
    wrong: str
    by_hand: str
    checks: tuple[str, ...] = ()  # ids of the checks, without "consistency.", that see part of it


ASSUMPTIONS = (
    Assumption(
        "The lambda sensor reads right, and the same all through the drive.",
        "A constant error moves the whole curve by as much; a drift during the drive bends curve and dead time.",
        "Hold the sensor in free air before and after the drive: both readings as its maker states, and alike.",
        ("lambda_level", "lambda_follows"),
    ),
    Assumption(
        "The sensor's ground and supply do not move with the electrical load.",
        "Lambda then follows battery voltage and passes for dead time: 5 % were measured. From 1 % for each volt on "
        "the fit finds it, where the battery moved.",
        "Multimeter between the sensor's ground and the ECU's, lamps on and off: no more than 0.02 V.",
    ),
    Assumption(
        "No air leaks into the exhaust ahead of the sensor, and no long-overlap camshaft lets fresh air through.",
        "Lambda reads lean where airflow is least: 9 to 12 % at idle were measured.",
        "Cold engine, outdoors: listen and feel along the joints; soapy water on them bubbles. Mind what gets hot.",
        ("exhaust_leak",),
    ),
    Assumption(
        "All air goes through the meter.",
        "Air that enters behind it reads as a meter that is low at small airflow: 8 to 10 % were measured.",
        "Engine idling: soapy water on joints and hoses, fingers clear of belts and fan; idle speed must not move.",
        ("two_airs", "filling"),
    ),
    Assumption(
        "The meter's voltage in the log is the one at the ECU.",
        "1.5 % of voltage is about 7 % of flow, and the curve is entered at the wrong readings.",
        "Multimeter at the meter's plug against the logged voltage, key on and at a held speed.",
        ("air_flow", "pulse"),
    ),
    Assumption(
        "Fuel pressure stays what car.toml says, whatever the load.",
        "A fifth less at full load is 10 % of fuel there; a regulator off the manifold adds 50 to 100 µs of dead time, "
        "unless the fit finds it.",
        "A gauge on the rail at idle and, with a passenger reading it, at full load.",
        ("fuel_pressure",),
    ),
    Assumption(
        "An injector passes the same flow for each millisecond that it is open, short pulses too.",
        "Injectors that bend at short pulses put the dead time off by about 80 µs where pulses are long.",
        "A bench's flow figures at 1.5, 2 and 3 ms on one straight line with those at long pulses.",
    ),
    Assumption(
        "The revision, injector flow and count that are named are those in the ECU.",
        "The whole curve is off by as much as the flow.",
        "Read the tables back from the ECU and compare them with the revision's file.",
        ("pulse", "air_flow"),
    ),
    Assumption(
        "Engine speed is right.",
        "The whole curve is off by as much.",
        "Another tachometer or a timing light with one; or road speed in a known gear.",
        ("pulse", "gears"),
    ),
    Assumption(
        "The fuel in the tank is the one in car.toml.",
        "Lambda stays right, AFR and power do not; the whole curve is off by the ratio where the ECU meters by AFR.",
        "The filling station's receipt; for ethanol, the water test in a measuring glass.",
    ),
)


def assumptions_table(checks: Iterable[Finding]) -> pd.DataFrame:
    """One row per assumption, those that a check of this log speaks against first.

    Parameters
    ----------
    checks : iterable of Finding
        From `check_consistency`.
    """
    status = {finding.id.removeprefix("consistency."): finding.status for finding in checks}
    rows: list[tuple[str, str, str, str]] = [
        (one.taken, one.wrong, _seen([status.get(key) for key in one.checks]), one.by_hand) for one in ASSUMPTIONS
    ]
    order = [AGAINST, PARTLY, UNSEEN]
    rows = sorted(rows, key=lambda row: order.index(row[2]))
    return pd.DataFrame(rows, columns=list(COLUMNS))


AGAINST = "a check speaks against it"
PARTLY = "nothing against it, as far as a log can see"


def _seen(found: list[str | None]) -> str:
    if {"stop", "watch"} & set(found):
        return AGAINST
    return PARTLY if "met" in found else UNSEEN


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
    rows = [check_one_log(log, car, revisions, str(log.attrs.get("revision") or reference)) for log in logs]
    return [min(found, key=lambda finding: _WORST_FIRST.index(finding.status)) for found in zip(*rows, strict=True)]


@kept_once
def check_one_log(log: xr.Dataset, car: Car, revisions: Mapping[str, Revision], name: str) -> list[Finding]:
    """Every check of one flagged log, driven with the revision `name`."""
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


def withhold(proposal: Proposal, checks: Iterable[Finding]) -> Proposal:
    """Give the proposal as it is, or one that changes nothing and says why where a check stands at `stop`."""
    stopped = stops(checks)
    if not stopped:
        return proposal
    curve, dead = proposal.curve, proposal.dead_time
    bounds = dict.fromkeys(("factor", "factor_lower", "factor_upper"), NAN)
    changes = dict.fromkeys(("change_ms", "change_lower_ms", "change_upper_ms"), NAN)
    figures = ("p95_pct", "lower_pct", "upper_pct", "median_pct", "worst_pct", "worst_lower_pct", "worst_upper_pct")
    after: dict[str, Any] = dict.fromkeys((*figures, "leaking_p95_pct"), NAN)
    return dataclasses.replace(
        proposal,
        curve=curve.assign(flow_proposed_kg_h=curve["flow_in_force_kg_h"], basis="unchanged", **bounds),
        dead_time=dead.assign(dead_time_proposed_ms=dead["dead_time_in_force_ms"], basis="unchanged", **changes),
        capped=(),
        predicted=dataclasses.replace(proposal.predicted, **after),
        notes=tuple(f"Withheld. {finding.title}: {finding.because}" for finding in stopped),
        everywhere=None,
    )


def withhold_findings(findings: Iterable[Finding], checks: Iterable[Finding]) -> tuple[Finding, ...]:
    """Give findings as they are, or all as `not_shown` with the reason where a check stands at `stop`."""
    stopped = stops(checks)
    if not stopped:
        return tuple(findings)
    because = " ".join(f"Withheld. {finding.title}: {finding.because}" for finding in stopped)
    empty: dict[str, Any] = {"value": None, "lower": None, "upper": None, "confidence": None, "status": "not_shown"}
    return tuple(dataclasses.replace(finding, **empty, because=because) for finding in findings)
