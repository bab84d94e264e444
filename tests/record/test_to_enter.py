"""What to enter of idle, tip-ins and fuel cut on the pages, and that it says when newer revisions came since."""

import datetime
from dataclasses import replace
from types import SimpleNamespace

import holoviews as hv
import numpy as np
import pandas as pd
import pytest
from driven_log import CAR, SESSION, known_delay

from tunelab import record
from tunelab.chart.revision import draw_tables
from tunelab.log.flag import flag_log
from tunelab.record import power
from tunelab.record.chapter import NextRevision, write
from tunelab.record.manners import Manners, idle_load, manners_chapter, road_tables, tables_table
from tunelab.record.opened import OpenedSession
from tunelab.record.to_enter import MARK, entry_rows, goes_in, standing_of_parts
from tunelab.simulate import Schedule, drive
from tunelab.simulate.demo.cars import MARIT, TRUTH
from tunelab.simulate.schedule import DAY, cruise, idle, overrun, tip_in
from tunelab.study.fuel_cut_log import study_fuel_cut
from tunelab.study.heat import study_heat
from tunelab.study.high_flow import no_high_flow
from tunelab.study.idle import study_idle
from tunelab.study.road import name_drive
from tunelab.study.shift import RevLimitProposal, ShiftPoint
from tunelab.study.steady.result import LambdaError
from tunelab.study.table_proposal import COLUMNS, TableProposal, revision_with
from tunelab.study.transient import study_transients
from tunelab.study.trims import study_trims
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

DAY_AFTER = datetime.date(2026, 6, 1)
TABLES = {
    "idle_base": {"coolant_c": [20.0, 80.0, 95.0], "actuator_pct": [60.0, 23.0, 23.0]},
    "idle_target": {"coolant_c": [20.0, 80.0], "target_rpm": [1080.0, 880.0]},
    "idle_return": {"decay_s": 1.5},
    "acceleration_fuel": {"coolant_c": [40.0, 90.0], "engine_speed_rpm": [2200.0], "amount": [[8.0], [8.0]]},
    "fuel_cut": {"entry_rpm": 1700.0, "return_rpm": 1300.0},
}  # fmt: skip


def opened_with(**more):
    """The demo's road session, driven with a revision that states the tables; `more` are further revisions."""
    first = record.open_session("data_demo/sessions/2026-05-06-part-throttle")
    own = Revision.model_validate(first.revision.model_dump() | TABLES)
    return OpenedSession(replace(first.workspace, revisions={own.name: own} | more), first.folder)


@pytest.fixture(scope="module")
def road():
    opened = opened_with()
    tasks = (idle(30.0), *(tip_in(3, rpm, t) for rpm, t in ((2200.0, 40.0), (2400.0, 55.0), (2100.0, 30.0))))
    schedule = Schedule("road", MARIT, DAY, (*tasks, overrun(3, 3000.0, 1200.0), cruise(3, 50.0, 6.0)), 200.0)
    run = drive(TRUTH, opened.revision, schedule, rng=np.random.default_rng(4))
    log = flag_log(run.log(25.0), CAR, SESSION, revision=opened.revision)
    idles, cut = study_idle(log, CAR), study_fuel_cut(log, CAR, opened.revision)
    moves = study_transients(log, CAR, opened.revision, known_delay(TRUTH))
    tables = road_tables(log, opened, idles, cut, moves)
    rest = (study_trims(log, CAR, opened.revision), moves, study_heat(log, CAR, opened.revision))
    drives = (name_drive(log, CAR, opened.revision), idles, cut)
    return opened, Manners(*drives, *rest, tables, idle_load(log, opened))


def test_every_table_of_a_road_drive_says_what_to_enter_or_why_nothing(road, tmp_path, monkeypatch):
    opened, manners = road
    chapter = manners_chapter(opened, manners)
    by_key = {table.key: table for table in manners.tables}
    assert by_key.keys() == TABLES.keys()
    for table in manners.tables:
        assert table.changes != bool(table.because)
        assert any(table.title in sentence for sentence in chapter.change.sentences)
    assert "idle_base" in chapter.proposal.parts
    after = chapter.proposal.revision
    assert (after.based_on, after.proposed_in) == (opened.revision.name, opened.name)
    assert after.idle_base.actuator_pct[0] == 60.0  # never idled so cold
    _, shown = next(t for t in chapter.change.tables if t[0] == by_key["idle_base"].title)
    assert list(shown.columns) == ["what", "coolant [°C]", "now", "proposed", "measured", "evidence", "basis"]
    marked = shown["proposed"].str.startswith(MARK)
    assert marked.tolist() == (shown["basis"] == "measured").tolist()
    assert marked.any()
    own = by_key["idle_base"].table.set_index("coolant_c").loc[80.0]
    assert own["proposed"] == pytest.approx(own["measured"], abs=0.06)
    monkeypatch.delenv("TUNELAB_RECORD_OUT", raising=False)
    write(str(tmp_path), chapter)
    written = read_toml(tmp_path / "proposal.toml", Revision, "proposal.toml")
    assert written.problems == ()
    assert written.partial.idle_base == after.idle_base
    csv = pd.read_csv(tmp_path / "tables" / "tables_to_enter.csv")
    assert set(csv["table"]) >= {"idle_base"}
    assert {"idle.base_error", "idle.base_predicted", "idle.load_cost", "fuel_cut.dip"} <= {
        f.id for f in chapter.findings
    }
    hv.extension("bokeh")
    assert len(draw_tables(manners.tables)) == sum(one.table["quantity"].nunique() for one in manners.tables
                                                   if one.table["coolant_c"].notna().any())  # fmt: skip
    assert draw_tables([one for one in manners.tables if one.table.empty]) is None
    assert len(tables_table(manners.tables))


def later(name, **more):
    own = opened_with().revision
    return own.model_copy(update={"name": name, "based_on": own.name, "date": DAY_AFTER} | more)


def test_a_newer_revision_than_the_one_driven_is_named_first(road):
    _, manners = road
    newer = opened_with(r09=later("r09"))
    chapter = manners_chapter(newer, manners)
    assert chapter.change.sentences[0].startswith("Overtaken: r09 came after")
    assert chapter.change.short.startswith("Overtaken: r09")
    proposed = chapter.proposal
    own = {"proposed_in": newer.name} | {key: getattr(proposed.revision, key) for key in proposed.parts}
    entered = opened_with(r09=later("r09", **own), r10=later("r10"))
    said = manners_chapter(entered, manners).change.sentences[0]
    assert said.startswith("Already entered: r09 of 2026-06-01")
    assert "r10 came after it" in said
    assert standing_of_parts(opened_with(), proposed) == ""


def test_a_rev_limit_stands_in_the_same_form_and_says_when_it_is_overtaken():
    point = ShiftPoint(3, 4, "shift at", 5600.0, 5500.0, 5700.0, 100.0, 4000.0, "by hand")
    newer = opened_with(r09=later("r09"))
    limit = RevLimitProposal(
        newer.revision, 6000.0, "above 5700 rpm the next gear pulls harder.", point, (90, 1), 7000.0
    )
    assert power.rev_limit_standing(newer, limit).startswith("Overtaken: r09")
    ((caption, table),) = power.rev_limit_table(limit)
    assert caption == "Rev limit"
    assert table["proposed"].tolist() == [f"{MARK} 6000"]
    assert power.rev_limit_table(replace(limit, proposed_rpm=limit.in_force_rpm)) == ()


def test_parts_of_several_proposals_share_one_form():
    base = opened_with().revision
    rows = [("amount", 40.0, 2200.0, 8.0, 9.0, 8.4, 9.6, 8.5, "own unit", 4, "measured"),
            ("amount", 90.0, 2200.0, 8.0, np.nan, np.nan, np.nan, 8.0, "own unit", 0, "not measured")]  # fmt: skip
    made = TableProposal("acceleration_fuel", "Fuel for tip-ins", base, pd.DataFrame(rows, columns=COLUMNS), "",
                         content={"amount": [[8.5], [8.0]]})  # fmt: skip
    caption, shown = entry_rows(made)
    assert caption == "Fuel for tip-ins"
    assert shown["proposed"].tolist() == [f"{MARK} 8.5", "8.0"]
    assert shown["measured"].tolist() == ["9.00 (8.40 to 9.60)", "–"]
    after = revision_with(base, [made], "r02", DAY_AFTER)
    assert NextRevision(after, {}, made.parts()).parts == ("acceleration_fuel",)


@pytest.mark.parametrize(("p95", "lower", "upper", "beyond", "goes"), [
    (1.0, 0.8, 1.5, None, False),  # within the owner's 2 %: nothing has to be changed
    (1.0, 0.8, 1.5, "change", True),  # but pulls show that the curve beyond has to be
    (3.0, 2.5, 3.5, None, True),
    (0.4, 0.3, 0.6, "change", False),  # it would get worse
])  # fmt: skip
def test_curve_and_dead_times_go_in_with_the_fuel_of_full_load_only_where_something_has_to_be_changed(
    p95, lower, upper, beyond, goes
):
    before = LambdaError.not_shown()
    before = replace(before, p95_pct=p95, lower_pct=lower, upper_pct=upper)
    fit, proposal = SimpleNamespace(because="", before=before), SimpleNamespace(predicted=replace(before, p95_pct=0.6))
    points = pd.DataFrame({"basis": ["pulls"], "factor_lower": [1.04], "factor_upper": [1.06]})
    high = None if beyond is None else replace(no_high_flow("", "meter_v"), shown=True, points=points, tolerance_pct=2)
    assert goes_in(fit, proposal, high, 2.0) == goes
