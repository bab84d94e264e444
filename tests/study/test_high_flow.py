"""Pulls extend a steady fit: known meter error put into plain pulls, a steady fit made up by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from plain_car import flagged, in_force, outing, owners_car
from plain_fit import made_up_fit
from plain_mixture import DELAY_FLOW, DELAY_S, FLOW, LAG_S, READING, Fault, with_fuelling
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.study.delay import DelayFit
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.high_flow import extend_curve
from tunelab.study.pull import find_pulls
from tunelab.study.steady import MeterError, SteadyFit
from tunelab.workspace.revision import MeterCurve

CAR, OWNER = PlainVehicle(), owners_car(PlainVehicle())
STEADY_TO_V = 3.2
VOLTS = np.round(np.arange(0.5, 4.51, 0.1), 3)
# The plain curve, with breakpoints every 0.1 V.
REVISION = in_force().model_copy(update={
    "meter_curve": MeterCurve(meter_v=VOLTS.tolist(), flow_kg_h=np.interp(VOLTS, READING, FLOW).tolist())
})  # fmt: skip
DELAY = DelayFit(
    DELAY_S, (DELAY_S - 0.02, DELAY_S + 0.02), DELAY_FLOW, (4.0, 6.0), LAG_S, (0.08, 0.12), 0.16, (0.14, 0.18), 60.0,
    0.95, True, "", "known", 1000, 0,
)  # fmt: skip


def calm_fit() -> SteadyFit:
    """A curve that is right from 1 V up to STEADY_TO_V; nothing known beyond; no error of the dead time."""
    known = (VOLTS >= 1.0) & (VOLTS <= STEADY_TO_V)
    factor = np.where(known, 1.0, np.nan)
    flow = np.interp(VOLTS, READING, FLOW)
    meter = MeterError("meter_v", VOLTS, flow, factor, factor - 0.006, factor + 0.006, 30.0 * known, pd.DataFrame())
    fit = made_up_fit()
    dead = dataclasses.replace(fit.dead_time, shown=True, level_ms=0.0, lower_ms=-0.02, upper_ms=0.02)
    return dataclasses.replace(fit, reference=REVISION.name, meter=meter, dead_time=dead)


def extended(fault: Fault, *, owner=OWNER, steady=None, seed=1):
    plain = write_down(drive(CAR, out_and_back(3, 2400, 6700, pairs=2)), Logger(), np.random.default_rng(seed))
    log = flagged(with_fuelling(plain, fault, np.random.default_rng(seed + 50)), owner)
    pulls = find_pulls(log, owner, outing("full-throttle"))
    mixture = check_full_throttle(log, owner, REVISION, pulls, DELAY).mixture
    return extend_curve(log, owner, REVISION, mixture, steady or calm_fit())


def by_pulls(found) -> pd.DataFrame:
    return found.points[found.points["basis"] == "pulls"]


def test_a_known_error_beyond_the_calm_range_lies_inside_the_interval():
    """Above 4600 rpm (345 kg/h, 3.32 V) more air passes than the curve says: lambda reads 6 % lean."""
    found = extended(Fault(lean_from_rpm=4600, more_air=0.06))
    own = by_pulls(found)
    own = own[own["reading"] >= 3.5]
    assert len(own) >= 2
    assert ((own["factor_lower"] <= 1.06) & (own["factor_upper"] >= 1.06)).all()
    assert (own["factor_upper"] - own["factor_lower"] < 0.06).all()
    assert np.all(np.diff(found.points["flow_proposed_kg_h"]) >= 0)
    np.testing.assert_allclose(own["flow_proposed_kg_h"] / own["flow_in_force_kg_h"], own["factor"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_right_curve_stays_right_and_pulls_agree(seed):
    found = extended(Fault(), seed=seed)
    own = by_pulls(found)
    assert ((own["factor_lower"] <= 1.0) & (own["factor_upper"] >= 1.0)).all()
    assert found.findings()[0].status == "met"
    assert abs(found.disagreement_pct) < 1.0


def test_the_calm_range_and_what_no_pull_reached_are_left_alone():
    found = extended(Fault(lean_from_rpm=4600, more_air=0.06))
    rest = found.points[found.points["basis"] != "pulls"]
    np.testing.assert_array_equal(rest["flow_proposed_kg_h"], rest["flow_in_force_kg_h"])
    beyond = found.points[found.points["reading"] > found.pulls_to]
    assert (beyond["basis"] == "unchanged").all()
    assert beyond["factor"].isna().all()


def test_a_meter_at_its_rail_is_named_and_not_extended():
    owner = owners_car(CAR, meter={"kind": "voltage", "rail_low": 0.05, "rail_high": 3.5})
    found = extended(Fault(meter_stuck_at_v=3.5), owner=owner)
    assert "was at its stop (3.5)" in found.rail
    assert (found.points.loc[found.points["reading"] >= 3.5, "basis"] == "rail").all()
    assert found.points.loc[found.points["reading"] >= 3.5, "factor"].isna().all()
    assert "not extended" in found.findings()[0].because


def test_the_owners_cap_on_a_change_bites_and_is_told():
    found = extended(Fault(lean_from_rpm=4600, more_air=0.25))
    own = by_pulls(found)
    assert found.capped
    assert (own["flow_proposed_kg_h"] <= 1.12 * own["flow_in_force_kg_h"] + 1e-6).all()


def test_another_reference_is_refused():
    with pytest.raises(ValueError, match="refers to r09"):
        extended(Fault(), steady=dataclasses.replace(calm_fit(), reference="r09"))
