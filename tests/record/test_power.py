"""Power, coast-down, full throttle and feasibility of the demo, and what they say in the summary."""

import datetime
import re
from dataclasses import replace
from types import SimpleNamespace

import holoviews as hv
import numpy as np
import pytest

from tunelab import record
from tunelab.chart.steady import draw_high_flow
from tunelab.record import beside, full_throttle, power
from tunelab.record.opened import OpenedSession
from tunelab.simulate.demo.cars import TRUTH
from tunelab.study.coast_down import fit_coast_down
from tunelab.study.delay import estimate_delay
from tunelab.study.feasibility import FullLoad, check_feasibility
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.power import RoadDoubt, check_energy, compare_power
from tunelab.study.power.pulls import Drawing
from tunelab.study.pull import find_pulls
from tunelab.study.shift import find_shift_points
from tunelab.study.spark import study_spark
from tunelab.workspace.revision import FullLoadFuel
from tunelab.workspace.session import Weather

hv.extension("bokeh", logo=False)
QUESTION = beside.PowerQuestion(RoadDoubt(1.0, 0.3, 1.5, 0.5), Drawing(200, 1), "ISO 1585")


@pytest.fixture(scope="module")
def opened():
    return record.open_session("data_demo/sessions/2026-05-18-full-throttle")


@pytest.fixture(scope="module")
def evidence(opened):
    return record.gather_evidence(opened)


@pytest.fixture(scope="module")
def road(opened):
    return beside.coast_down_beside(opened, "newest")


def test_the_newest_coast_down_up_to_the_session_is_taken_and_named(opened, road):
    assert road.beside.opened.name == "2026-05-12-coast-down"
    assert "2026-05-12-coast-down" in road.sentence()
    assert len(beside.inputs_of(road.beside)) == 1
    none = beside.coast_down_beside(opened, "none")
    assert none.fit is None
    assert "the owner's" in none.sentence()
    with pytest.raises(ValueError, match="2026-05-12-coast-down"):
        beside.coast_down_beside(opened, "2026-05-12-coastdown")


def test_a_later_session_is_not_looked_at(opened):
    before = {name for name, f in opened.workspace.sessions.items() if f.session.date < datetime.date(2026, 5, 12)}
    first = record.open_session(f"data_demo/sessions/{min(before)}")
    found = beside.coast_down_beside(first, "newest")
    assert found.fit is None
    assert "no other session with the step coast-down" in found.beside.because


def test_the_demos_road_load_is_that_of_its_car(road):
    low, high = road.fit.drag_area_interval
    assert low <= TRUTH.vehicle.drag_area_m2 <= high
    low, high = road.fit.rolling_interval
    assert low <= TRUTH.vehicle.rolling_coefficient <= high
    chapter = power.coast_down_chapter(road.fit)
    assert "a_n = " in chapter.change.sentences[0]


def test_power_goes_into_the_record(opened, evidence, road):
    fit = beside.power_of(opened, evidence, road, QUESTION)
    shift = find_shift_points(fit, opened.car, opened.revision)
    energy = check_energy(evidence.log, opened.car, opened.revision, fit)
    earlier = beside.earlier_power(opened, "newest", road, QUESTION)
    change = compare_power(earlier.fit, fit)
    chapter = power.power_chapter(
        fit, shift, energy, coast_down=road.beside, earlier=earlier.beside, change=change
    )  # fmt: skip
    assert {"power_change", "power_curve", "power_inputs", "shift_points"} == set(chapter.tables)
    assert "both ways" in chapter.driven.sentences[0]
    assert change.shown
    assert earlier.beside.opened.name == "2026-05-14-full-throttle"
    assert not change.told_apart  # the third revision changes nothing at full throttle
    assert {point.verdict for point in shift.points} == {"still pulling at the limit"}  # as this engine does
    assert len({f.id for f in chapter.findings}) == len(chapter.findings)
    assert "assumption" in power.crank_sentence(fit)
    assert "SAE J1349" in " ".join(power.standard_day_sentences(fit))


@pytest.fixture(scope="module")
def judged(opened, evidence):
    found = find_pulls(evidence.log, opened.car, opened.folder.session)
    lag = estimate_delay(evidence.log, opened.car, opened.revision)
    return found, check_full_throttle(evidence.log, opened.car, opened.revision, found, lag)


def test_full_throttle_and_the_meter_at_high_flow_go_into_the_record(opened, evidence, judged):
    found, full = judged
    assert [p.gear for p in found.pulls] == [3] * 6
    steady = beside.steady_beside(opened, "newest")
    high = beside.high_flow_of(opened, evidence, full, steady)
    fuel = beside.full_load_fuel_of(opened, evidence, full, steady, high)
    spark = study_spark(evidence.log, opened.car, opened.revision)
    chapter = full_throttle.full_throttle_chapter(opened, full, found, high=high, steady=steady, fuel=fuel, spark=spark)
    assert high.shown
    assert {"full_load_fuel", "lambda_by_pull"} <= set(chapter.tables)
    assert {"full_load_fuel.error", "full_load_fuel.predicted"} <= {f.id for f in chapter.findings}
    assert chapter.proposal is None  # the revision does not state the current full-load fuelling
    assert any("does not state the current full-load fuelling" in text for text in chapter.change.sentences)
    assert "meter_high_flow" in chapter.tables
    assert any("never alone" in text for text in chapter.change.sentences)
    assert draw_high_flow(high) is not None
    if "has to be changed" not in " ".join(chapter.change.sentences):  # the first page says it in numbers, not by file
        assert re.search(r"Meter curve: \d+ breakpoints? at [\d.]+( to [\d.]+)? V by [+−\d.]+", chapter.change.short)
    assert ("Fuel at full load: " in chapter.change.short) == bool(fuel.changes)
    assert ".csv" not in chapter.change.short
    none = beside.high_flow_of(opened, evidence, full, beside.steady_beside(opened, "none"))
    assert none.findings()[0].status == "not_shown"
    assert draw_high_flow(none) is not None
    assert full_throttle.lift_sentences(full) == ["No limit was passed at which a driver has to lift."]


def knocking(log):
    """Four degrees of retard from 5000 to 5300 rpm at full throttle."""
    rpm, open_pct = log["engine_speed_rpm"].values, log["throttle_pct"].values
    return log.assign(knock_retard_deg=("time", np.where((np.abs(rpm - 5150) < 150) & (open_pct > 90), 4.0, 0.0)))


def test_when_to_lift_is_said_with_the_value_that_was_passed_and_its_limit(opened, evidence, judged):
    log, (pulls, _) = knocking(evidence.log), judged
    lag = estimate_delay(evidence.log, opened.car, opened.revision)
    said = full_throttle.lift_sentences(check_full_throttle(log, opened.car, opened.revision, pulls, lag))
    assert said[0].endswith("(highest knock retard 4°, limit 3°).")
    found = check_full_throttle(log, opened.car, opened.revision, pulls, lag)
    own = [f for f in found.findings() if f.status == "stop"]
    spark = replace(own[0], id="spark.retard", title="Highest knock retard of the whole log", value=4.1)
    assert full_throttle.safety_sentence(found, own) == said[0]
    assert full_throttle.safety_sentence(found, [*own, spark]).endswith(
        "At stop too: highest knock retard of the whole log 4.1° (limit 3°)."
    )
    assert full_throttle.safety_sentence(judged[1], [spark]).startswith("At stop: highest knock retard of the whole ")


def test_fuel_at_full_load_goes_into_the_next_revision_in_the_owners_breakpoints(opened, evidence, judged):
    own = {"engine_speed_rpm": [2500.0, 3500.0, 4500.0, 5500.0, 6500.0], "commanded_lambda": [0.87] * 5}
    stated = opened.revision.model_copy(update={"full_load_fuel": FullLoadFuel.model_validate(own)})
    revisions = opened.workspace.revisions | {stated.name: stated}
    knows = OpenedSession(replace(opened.workspace, revisions=revisions), opened.folder)
    readings = judged[1].mixture.readings
    lean = replace(judged[1].mixture, readings=readings.assign(**{"lambda": 1.06 * readings["lambda"]}))
    none = beside.steady_beside(knows, "none")
    high = beside.high_flow_of(knows, evidence, judged[1], none)
    fuel = beside.full_load_fuel_of(knows, evidence, replace(judged[1], mixture=lean), none, high)
    spark = study_spark(knocking(evidence.log), knows.car, stated)
    chapter = full_throttle.full_throttle_chapter(
        knows, judged[1], judged[0], high=high, steady=none, fuel=fuel, spark=spark
    )
    assert chapter.proposal.parts == ("full_load_fuel", "spark_retreat")
    assert re.search(r"Fuel at full load: 0\.8\d\d at \d+ rpm; ", chapter.change.short)  # all of it is named at once
    assert "Spark: " in chapter.change.short
    assert "never more" in chapter.proposal.comments["spark_retreat"]
    assert max(cell.retreat_deg for cell in chapter.proposal.revision.spark_retreat) == pytest.approx(5.0)
    assert {"knock_events", "spark_retreat"} <= set(chapter.tables)
    assert any(text.startswith("Spark: ") for text in chapter.change.sentences)
    after = chapter.proposal.revision
    assert (after.based_on, after.proposed_in) == (stated.name, opened.name)
    assert after.full_load_fuel.target_lambda == [0.87] * 5
    assert min(after.full_load_fuel.commanded_lambda) == pytest.approx(0.87 / 1.075, abs=0.015)
    assert not any("Overtaken" in text for text in chapter.change.sentences)
    newer = stated.model_copy(update={"name": "r09", "based_on": stated.name, "date": datetime.date(2026, 9, 1)})
    since = OpenedSession(replace(opened.workspace, revisions=revisions | {"r09": newer}), opened.folder)
    told = full_throttle.full_throttle_chapter(
        since, judged[1], judged[0], high=high, steady=none, fuel=fuel, spark=spark
    )
    assert any(text.startswith(f"Overtaken: r09 came after {stated.name}") for text in told.change.sentences)
    assert any("Commanded lambda at full load" in caption for caption, _ in chapter.change.tables)


def test_feasibility_goes_into_the_record_without_a_log(opened):
    weather = Weather(air_c=5.0, pressure_kpa=102.0, humidity_pct=50.0)
    found = check_feasibility(
        opened.car, opened.revision, FullLoad(weather, 0.88, 13.5), pull_speed_max_km_h=opened.car.limits.top_speed_km_h
    )  # fmt: skip
    chapter = power.feasibility_chapter(found)
    assert "gear 2 or lower" in chapter.drive_next.sentences[0]
    assert set(chapter.tables) == {"full_load", "gear_speeds"}


def test_a_session_without_coasting_has_a_chapter_that_says_so(opened, evidence):
    fit = fit_coast_down(evidence.log, opened.car, opened.folder.session)
    chapter = power.coast_down_chapter(fit)
    assert not fit.shown
    assert all(f.status == "not_shown" for f in chapter.findings)
    assert chapter.cannot_show.sentences == (fit.because,)


def test_a_car_without_stated_ratios_is_told_those_of_its_log(opened, evidence):
    bare = opened.car.model_copy(update={"gearing": None})
    seen, overall = power.gear_sentences(evidence.log, bare)
    third = TRUTH.vehicle.ratios[2] * TRUTH.vehicle.final_drive
    value, low, high = (float(x) for x in re.search(r"drive: ([\d.]+) \(([\d.]+) to ([\d.]+)\)", overall).groups())
    assert low < value < high
    assert value * TRUTH.vehicle.speed_reading == pytest.approx(third, rel=0.01)  # the speed is taken at its word
    assert "rpm per km/h" in seen
    assert "no gear was found" in power.gear_sentences(evidence.log.isel(time=slice(0, 100)), bare)[0]


def test_no_change_of_gear_is_named_past_the_top_speed_of_the_owner():
    def point(gear, km_h):
        return SimpleNamespace(from_gear=gear, to_gear=gear + 1, engine_speed_rpm=6700.0, lower_rpm=6100.0,
                               upper_rpm=6700.0, road_speed_km_h=km_h, verdict="shift at")  # fmt: skip

    shift = SimpleNamespace(points=(point(2, 96.0), point(3, 130.0), point(4, 170.0)), top_speed_km_h=125.0)
    ((caption, table),) = power.shift_table(shift)
    assert table["gear"].tolist() == ["2 to 3"]
    assert caption.endswith("; 3 to 4 and 4 to 5 would come past your top speed of 125 km/h")
    assert power.shift_table(SimpleNamespace(points=(point(3, 130.0),), top_speed_km_h=125.0)) == ()
