"""Drives laid down by hand for tests of readiness and history: findings as studies would give them, and revisions."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import replace

from plain_workspace import CAR, REVISION

from tunelab.study.finding import Finding
from tunelab.study.readiness import GATES, Drive, Reach
from tunelab.study.readiness.gate import HELD_AGAINST
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

REACH = Reach((0.6, 4.2), (0.6, 1.6), (3.0, 4.2), (11.5, 14.2), 6750.0)
HOLD_RPM = 4000.0  # what the launch hold is set to; every held speed is 1 rpm above
EVERY = tuple(name for gate in GATES for name in gate.ids or gate.also[:1])
STEPS = ("steady", "full-throttle", "road", "launch", "link")


def car(**limits) -> Car:
    """The plain car, with limits for everything that a gate holds against one."""
    content = tomllib.loads(CAR)
    more = {"oil_pressure_min_kpa": 150, "fuel_pressure_drop_max_kpa": 20, "launch_hold_rpm": HOLD_RPM}
    content["limits"] = dict.fromkeys(HELD_AGAINST.values(), 2.0) | content["limits"] | more | limits
    return Car.model_validate(content)


def revision(
    name: str = "r01", *, day: int = 1, based_on: str | None = None, curve=None, also=(), **changes
) -> Revision:
    """The plain revision under another name; `curve` maps a position of the curve to a factor.

    `also` is what it says was also changed: nothing; None: it does not say.
    """
    content = tomllib.loads(REVISION) | {"name": name, "date": datetime.date(2026, 5, day), "based_on": based_on}
    content["also_changed"] = None if also is None else list(also)
    flow = content["meter_curve"]["flow_kg_h"]
    for position, factor in (curve or {}).items():
        flow[position] *= factor
    more = changes.pop("dead_time", 0.0)
    content["dead_time"]["dead_time_ms"] = [t + more for t in content["dead_time"]["dead_time_ms"]]
    for key, value in changes.items():
        table = "injectors" if key in content["injectors"] else "fuelling"
        content[table][key] = value
    return Revision.model_validate({k: v for k, v in content.items() if v is not None})


def limit_of(name: str) -> float:
    """The plain car's limit that a finding is held against; 2 where it is no limit of the owner's."""
    return getattr(car().limits, HELD_AGAINST[name]) if name in HELD_AGAINST else 2.0


def finding(name: str, status: str = "met", value: float | None = 1.0, **more) -> Finding:
    """A finding of an id with a status."""
    shown = status != "not_shown"
    numbers = {"value": value, "lower": value, "upper": value} if shown else dict.fromkeys(("value", "lower", "upper"))
    whole = {"title": name, "unit": "1", "confidence": 0.95 if shown else None, "limit": limit_of(name)} | numbers
    whole |= {"samples_used": 100, "samples_flagged": 1, "because": f"{name} is {status}."} | more
    return Finding(id=name, status=status, **whole)


def drive(day: int, revision: str = "r01", *, status=None, ids=EVERY, **more) -> Drive:
    """A drive on a day of May with every finding met, but for those in `status`."""
    status = status or {}
    findings = tuple(finding(name, status.get(name, "met")) for name in dict.fromkeys((*ids, *status)))
    findings += (finding("launch.held", value=HOLD_RPM + 1.0, limit=None),)
    whole = Drive(f"2026-05-{day:02d}", datetime.date(2026, 5, day), revision, STEPS, findings, "loom A", REACH)
    return replace(whole, **more)
