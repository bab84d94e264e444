"""Figures of the history, drawn from a ledger with and without evidence."""

from types import SimpleNamespace

import holoviews as hv
import holoviews.plotting.bokeh
import pandas as pd
import pytest
from bokeh.models import GlyphRenderer, Legend
from ready_drives import drive, finding, revision

from tunelab.chart.revision import draw_convergence, draw_curve_changes, draw_predictions, draw_table_change
from tunelab.record.history import _cells
from tunelab.study.ledger import Proposed, keep_ledger
from tunelab.workspace.revision import FillingTable


def ledger(drives):
    changed = {"curve": {3: 1.05}}
    revisions = {"r01": revision(), "r02": revision("r02", day=5, based_on="r01", **changed)}
    said = finding("steady.proposal_predicted", value=1.0, lower=0.8, upper=1.2)
    proposed = Proposed("2026-05-03", "", drive(3).date, revision("r02", day=3, based_on="r01", **changed), said)
    return keep_ledger(revisions, drives, [proposed])


def points(figure):
    """Rows behind every drawn glyph of a figure."""
    model = hv.render(figure, backend="bokeh")
    return [len(next(iter(r.data_source.data.values()), ())) for r in model.select({"type": GlyphRenderer})], model


def test_with_one_revision_only_nothing_is_predicted_and_nothing_fails():
    assert sum(points(draw_predictions(keep_ledger({"r01": revision()}, [], [])))[0]) == 0


@pytest.mark.parametrize("drives", [[], [drive(3)], [drive(3), drive(7, "r02")]])
def test_convergence_and_predictions_draw_what_there_is(drives):
    found = ledger(drives)
    measured = found.convergence["lambda_error_pct"].notna().sum()
    assert max(points(draw_convergence(found))[0], default=0) == measured
    drawn = points(draw_predictions(found))[0]
    assert sum(drawn) == 2 * (1 + (len(drives) == 2))  # a span and a mark for each of predicted and measured


def test_each_later_revision_has_its_line_mark_and_name():
    changes = (("r01", "", 0.0), ("r02", "r01", 5.0), ("r03", "r02", 2.0))
    rows = [(name, base, x, x, change) for name, base, change in changes for x in (1.0, 2.0)]
    curves = pd.DataFrame(rows, columns=["revision", "based_on", "reading", "flow_kg_h", "change_pct"])
    _, model = points(draw_curve_changes(curves, "meter voltage [V]"))
    (legend,) = model.select({"type": Legend})
    assert [item.label.value for item in legend.items] == ["r02 against r01", "r03 against r02"]
    assert model.xaxis[0].axis_label == "meter voltage [V]"


def test_of_a_car_without_an_air_meter_the_changes_of_its_table_are_drawn():
    cells = [("r02", "r01", load, rpm, change) for load in (40.0, 80.0) for rpm, change in ((1000, -4.0), (3000, 10.0))]
    curves = pd.DataFrame(cells, columns=["revision", "based_on", "reading", "engine_speed_rpm", "change_pct"])
    counts, model = points(draw_curve_changes(curves, "manifold pressure [kPa]"))
    assert sorted(counts) == [2, 4]  # a line over two loads, a mark for each of four cells
    assert model.title.text.startswith("Change of the table of air: r02 -4.0 to +10.0 %")


def test_a_cell_is_compared_with_the_table_before_where_it_lies_between_its_breakpoints():
    """By hand: 60 and 80 % make 70 % in the middle, so that 77 % there is 10 % more air."""
    before = {"engine_speed_rpm": [1000, 3000], "manifold_kpa": [40, 80], "efficiency_pct": [[60, 80], [60, 80]]}
    after = {"engine_speed_rpm": [1000, 2000, 3000], "manifold_kpa": [40, 80], "efficiency_pct": [[60, 77, 80]] * 2}
    one, other = (revision(name, based_on=based).model_copy(update={"volumetric_efficiency": FillingTable(**table)})
                  for name, based, table in (("r01", None, before), ("r02", "r01", after)))  # fmt: skip
    changes = _cells(other, one)
    assert changes["change_pct"].tolist() == pytest.approx([0, 10, 0, 0, 10, 0])
    assert changes["reading"].tolist() == [40, 40, 40, 80, 80, 80]
    assert _cells(one, None)["change_pct"].tolist() == [0, 0, 0, 0]


def test_every_cell_of_a_table_has_as_many_decimals():
    rows = [(rpm, 60.0, value, 75.0, 2.0, True) for rpm, value in ((1000.0, 75.0), (2000.0, 87.25), (3000.0, 91.4))]
    columns = ["engine_speed_rpm", "manifold_kpa", "proposed", "in_force", "change_pct", "changed"]
    cells = pd.DataFrame(rows, columns=columns).assign(seconds=5.0, basis="measured")
    drawn = draw_table_change(SimpleNamespace(cells=cells, load_channel="manifold_kpa", notes=()))
    (words,) = [r.data_source.data["words"] for r in hv.render(drawn, backend="bokeh").select({"type": GlyphRenderer})
                if "words" in r.data_source.data]  # fmt: skip
    assert [text.partition("\n")[0] for text in words] == ["75.00", "87.25", "91.40"]
