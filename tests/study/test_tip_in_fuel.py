"""Fuel for tip-ins and the fuel cut, recovered from an engine that is not the kit's simulator, and driven again."""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import plain_film
import pytest
from driven_log import CAR, REVISION, TRUTH, known_delay
from finding_rules import assert_holds
from hypothesis import given, settings
from hypothesis import strategies as st

from tunelab.log.flag import flag_log
from tunelab.study.finding import Estimate, nothing
from tunelab.study.fuel_cut import CUT_COLUMNS
from tunelab.study.fuel_cut_log import FuelCutStudy
from tunelab.study.table_proposal import NOT_MEASURED, revision_with
from tunelab.study.tip_in_fuel import KEPT, propose_cut, propose_tip_in_fuel
from tunelab.study.transient import study_transients
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

DAY = datetime.date(2026, 5, 9)
AMOUNT = {"coolant_c": [20.0, 90.0], "engine_speed_rpm": [1000.0, 2400.0, 6000.0], "amount": [[80.0] * 3, [50.0] * 3]}
FILM = {"coolant_c": [90.0], "engine_speed_rpm": [2400.0], "film_share": [[0.1]], "film_time_s": [[0.2]]}


def stating(table):
    return Revision.model_validate(plain_film.REVISION.model_dump() | {"acceleration_fuel": table})


def owner(**limits):
    return Car.model_validate(plain_film.CAR.model_dump() | {"limits": plain_film.CAR.limits.model_dump() | limits})


def studied(engine, seed=1, steps=9):
    log = plain_film.drive(engine, seed=seed, steps=steps, rate_hz=25.0)
    log = flag_log(log, plain_film.CAR, plain_film.SESSION, revision=plain_film.REVISION)
    sensor = replace(TRUTH.sensor, delay_s=engine.delay_s, lag_s=engine.lag_s,
                     delay_flow_s_kg_h=engine.delay_flow_s_kg_h)  # fmt: skip
    return study_transients(log, plain_film.CAR, plain_film.REVISION, known_delay(replace(TRUTH, sensor=sensor)))


@pytest.fixture(scope="module")
def thirsty():
    """An engine whose wall takes more than its ECU adds."""
    engine = replace(plain_film.invent(3), share=0.45, tau_s=0.4, enrichment=0.12)
    return engine, studied(engine)


def test_the_amount_goes_half_of_the_way_and_the_next_drive_confirms_it(thirsty):
    engine, study = thirsty
    found = propose_tip_in_fuel(study, owner(acceleration_fuel_change_max_pct=100), stating(AMOUNT))
    table = found.table.set_index(["coolant_c", "engine_speed_rpm"])
    assert (table.loc[20.0, "basis"] == NOT_MEASURED).all()
    assert (table.loc[20.0, "proposed"] == 80.0).all()
    row = table.loc[(90.0, 2400.0)]
    assert row["basis"] == "measured"
    assert row["proposed"] > 50.0
    assert row["proposed"] == pytest.approx(min((50.0 + row["measured"]) / 2, 100.0), rel=0.01)
    now, then = found.findings()
    for finding in (now, then):
        assert_holds(finding)
    again = studied(replace(engine, enrichment=engine.enrichment * row["proposed"] / 50.0), seed=2)
    after = revision_with(found.base, [found], "r02", DAY)
    later = propose_tip_in_fuel(again, owner(), after).findings()[0]
    assert later.value < now.value
    assert abs(later.value - then.value) <= np.hypot(then.upper - then.value, later.value - later.lower) + 3.0


def test_an_ecu_with_a_film_of_its_own_gets_share_and_time(thirsty):
    engine, study = thirsty
    found = propose_tip_in_fuel(study, owner(acceleration_fuel_change_max_pct=100), stating(FILM))
    table = found.table.set_index("quantity")
    for name, true in (("film_share", engine.share), ("film_time_s", engine.tau_s)):
        assert table.loc[name, "lower"] <= true <= table.loc[name, "upper"]
    share = table.loc["film_share", "measured"]
    assert table.loc["film_share", "proposed"] == pytest.approx(min((0.1 + share) / 2, 0.2), abs=2e-3)


def test_an_ecu_that_adds_hardly_anything_gets_a_first_value_in_words():
    found = propose_tip_in_fuel(studied(replace(plain_film.invent(3), enrichment=0.0)), owner(), stating(AMOUNT))
    assert not found.changes
    assert "Enter a first value by hand" in found.notes[0]


def test_the_owners_cap_holds(thirsty):
    found = propose_tip_in_fuel(thirsty[1], owner(acceleration_fuel_change_max_pct=5), stating(AMOUNT))
    changed = found.table[found.table["proposed"] != found.table["in_force"]]
    assert (changed["proposed"] <= changed["in_force"] * 1.0501).all()
    assert "more is asked for" in found.capped[0]


def test_too_much_fuel_stays_where_no_tip_in_to_full_throttle_shows_room():
    engine = replace(plain_film.invent(3), share=0.12, tau_s=0.25, enrichment=0.5)
    study = studied(engine)
    found = propose_tip_in_fuel(study, owner(), stating(AMOUNT))
    assert not found.changes
    assert KEPT in set(found.table["basis"])
    assert "full throttle" in found.because


def test_why_nothing_is_proposed_is_said():
    none = propose_tip_in_fuel(studied(plain_film.invent(1), steps=2), owner(), stating(AMOUNT))
    assert not none.changes
    assert none.findings()[0].status == "not_shown"
    unstated = propose_tip_in_fuel(studied(plain_film.invent(1), steps=2), owner(), plain_film.REVISION)
    assert "does not state [acceleration_fuel]" in unstated.because


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_no_cell_gets_less_fuel_beyond_the_owners_limit_and_none_passes_the_cap(thirsty, data):
    study = thirsty[1]
    cap, limit = data.draw(st.floats(1, 60)), data.draw(st.floats(0.8, 1.0))
    row = study.fuel.iloc[0].to_dict()
    needed, delivered = row["needed_mg"], data.draw(st.floats(0, 3)) * row["needed_mg"]
    half = data.draw(st.floats(0.01, 0.5)) * needed
    row |= {"delivered_mg": delivered, "added_mg": delivered * data.draw(st.floats(0.05, 1)),
            "missing_mg": needed - delivered, "missing_lower_mg": needed - delivered - half,
            "missing_upper_mg": needed - delivered + half}  # fmt: skip
    excursions = study.excursions.assign(throttle_to_pct=data.draw(st.sampled_from([40.0, 95.0])))
    made = replace(study, fuel=pd.DataFrame([row]), excursions=excursions)
    car = owner(acceleration_fuel_change_max_pct=cap, lambda_max_full_load=limit)
    for own in (AMOUNT, FILM):
        found = propose_tip_in_fuel(made, car, stating(own))
        after = revision_with(found.base, [found], "r02", DAY)
        if after is None:
            continue
        before, later = found.base.acceleration_fuel, after.acceleration_fuel
        for key in before.keys:
            change = np.array(getattr(later, key)) / np.array(getattr(before, key))
            assert (np.abs(change - 1) <= cap / 100 + 0.011).all()
        less = (later.values < before.values * (1 - 1e-9)).any()
        # lambda commanded is 1 in these drives: less fuel is only right where the owner's limit allows that much
        assert not less or (excursions["throttle_to_pct"].iloc[0] > 80 and limit >= 1.0)
        assert after.fuelling == found.base.fuelling


CUT = {"entry_rpm": 1900.0, "return_rpm": 1400.0}


def cuts(*dips, ended="speed", stalled=False, back=1400.0):
    rows = [(k, k + 1, 1.0, 2000.0, back, ended, 3.0, -3.0, 1.0, dip, stalled) for k, dip in enumerate(dips)]
    none = nothing("rpm", "no fuel cut on overrun is in the log")
    seen = Estimate(back, back - 8, back + 8, "rpm", len(dips), 0, "mean") if dips else none
    table = pd.DataFrame(rows, columns=CUT_COLUMNS)
    return FuelCutStudy(table, pd.DataFrame(columns=["stalled"]), seen, seen, none, none, none, len(dips), 0)


def braking(**limits):
    return Car.model_validate(CAR.model_dump() | {"limits": CAR.limits.model_dump() | limits})


@pytest.mark.parametrize(("study", "revision", "limits", "because"), [
    (cuts(), CUT, {}, "no fuel cut"),
    (cuts(20.0, 30.0, 25.0), CUT, {"idle_undershoot_max_rpm": 60}, "the owner allows 60"),
    (cuts(200.0, 30.0), CUT, {"idle_undershoot_max_rpm": 60}, "3 cuts"),
    (cuts(200.0, 90.0, 90.0, back=1700.0), CUT, {"idle_undershoot_max_rpm": 60}, "another table"),
    (cuts(200.0, 90.0, 90.0), None, {"idle_undershoot_max_rpm": 60}, "does not state"),
    (cuts(200.0, 90.0, 90.0), CUT, {"idle_undershoot_max_rpm": None}, "idle_undershoot_max_rpm"),
    (cuts(200.0, 90.0, 90.0), {"entry_rpm": 7000.0, "return_rpm": 1400.0}, {"idle_undershoot_max_rpm": 60,
                                                                         "rev_limit_rpm": 7000}, "no room"),
])  # fmt: skip
def test_why_the_fuel_cut_stays(study, revision, limits, because):
    base = REVISION.model_dump() | {"fuel_cut": revision}
    base["fuelling"] |= {"rev_limit_rpm": 7000}
    found = propose_cut(study, braking(**limits), Revision.model_validate(base))
    assert not found.changes
    assert because in found.because


def test_fuel_comes_back_sooner_where_the_engine_dips_and_never_later():
    base = Revision.model_validate(REVISION.model_dump() | {"fuel_cut": CUT})
    found = propose_cut(cuts(120.0, 150.0, 140.0), braking(idle_undershoot_max_rpm=60), base)
    after = revision_with(base, [found], "r04", DAY)
    assert (after.fuel_cut.entry_rpm, after.fuel_cut.return_rpm) == (1990.0, 1490.0)
    (then,) = found.findings()
    assert_holds(then)
    assert then.value == pytest.approx(60.0)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        dips = rng.uniform(0, 500, rng.integers(3, 8))
        entry, limit = rng.uniform(1500, 6900), rng.uniform(20, 200)
        own = base.model_copy(update={"fuel_cut": base.fuel_cut.model_copy(update={"entry_rpm": float(entry)})})
        made = propose_cut(cuts(*dips, stalled=bool(seed % 2)), braking(idle_undershoot_max_rpm=limit), own)
        if (new := revision_with(own, [made], "r04", DAY)) is not None:
            assert new.fuel_cut.return_rpm >= own.fuel_cut.return_rpm
            assert new.fuel_cut.entry_rpm <= min(CAR.limits.rev_limit_rpm, own.fuelling.rev_limit_rpm)
            assert new.fuelling == own.fuelling
