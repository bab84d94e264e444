"""What the steady answer takes as true, what it would do if it were wrong, and how to test it by hand.

How much each does was measured on two cars of an engine model kept outside this repository; the tests by hand are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from tunelab.study.finding import Finding

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
