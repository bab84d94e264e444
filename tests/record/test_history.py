"""The page over all records, the decisions beside it, and that a browser finds no serious barrier on any page."""

import hashlib
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from nbformat import read as read_notebook_file
from offline_browser import browser, offline_page
from plain_workspace import SESSION_NAME, write_workspace
from ready_drives import car, finding
from written_results import write_results

from tunelab.cli import main
from tunelab.record.comparing import Comparison, Side, compare, shown_changes
from tunelab.record.decisions import write_decisions
from tunelab.record.history import write_shelf
from tunelab.record.lab import lay_out_notebooks
from tunelab.record.opened import open_session
from tunelab.record.stored import changed_since, stored_records
from tunelab.workspace import WorkspaceError, open_usable, open_workspace

ROOT = Path(__file__).parents[2]
LATER = "2026-05-09-steady"
INPUT = {"path": "log1.csv", "sha256": "0" * 64, "rows_in": 2, "rows_kept": 2, "rows_set_aside": 0}


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    root = write_workspace(tmp_path_factory.mktemp("shelf"))
    second = root / "sessions" / LATER
    second.mkdir()
    text = (root / "sessions" / SESSION_NAME / "session.toml").read_text("utf-8").replace("2026-05-03", "2026-05-09")
    (second / "session.toml").write_text(text, encoding="utf-8")
    (second / "log1.csv").write_text("Time (s),Engine speed (rpm)\n0.00,850\n0.04,852\n", encoding="utf-8")
    write_results(root, SESSION_NAME, [finding("steady.lambda_error", "stop", 21.0)])
    write_results(root, LATER, [finding("steady.lambda_error", "met", 1.5), finding("a.<b>", "watch")], failed=True)
    return root


@pytest.fixture(scope="module")
def shelf(root):
    return write_shelf(root)


def test_every_record_is_listed_with_its_worst_status_and_counts(shelf):
    text = shelf.read_text("utf-8")
    assert text.index(LATER) < text.index(f'href="{SESSION_NAME}/index.html"')
    assert "an analysis failed" in text
    assert "1 watch, 1 m" in text
    assert "a.&lt;b&gt;" in text


def test_a_finding_shown_twice_has_a_trend(shelf):
    text = shelf.read_text("utf-8")
    assert "3 May 21.0; 9 May 1.50" in text
    assert re.search(
        r"steady\.lambda_error: 21\.0, then 1\.50 on \d+ May, the last to show it(; [^;]+)?; limit 2", text
    )
    assert text.index('class="still"') < text.index("Records, the newest first")
    assert text.count("<figure") == 1
    assert text.count('class="still"') == 1
    ends = [float(x) for x in re.findall(r'<circle cx="([\d.]+)"', text.partition('class="still"')[2])[:2]]
    assert ends[1] - ends[0] > 250  # units of 360
    assert 'role="img"' in text
    assert ">limit 2<" in text


def test_the_verdict_of_the_car_is_at_the_top_and_what_statuses_mean_at_hand(shelf):
    text = shelf.read_text("utf-8")
    assert text.index("with r01 in the car: ") < text.index("Records, the newest first")
    assert "the whole interval is within the limit" in text


def test_what_tells_most_of_the_car_is_the_first_trend_however_often_others_were_shown(tmp_path):
    root = write_workspace(tmp_path)
    names = [SESSION_NAME, *(SESSION_NAME.replace("03", f"{day:02d}") for day in (4, 5))]
    for name in names[1:]:
        shutil.copytree(root / "sessions" / SESSION_NAME, root / "sessions" / name)
    for k, name in enumerate(names):
        often = [finding("heat.often", "met", 1.0 + k), finding("drive_plan.coverage", "watch", 5.0)]
        write_results(root, name, [*often, *([finding("steady.lambda_error", "stop", 20.0)] if k else [])])
    text = write_shelf(root).read_text("utf-8")
    captions = re.findall(r"</span>\s+([^:<]*):", "".join(re.findall(r"<figcaption>.*?</figcaption>", text, re.DOTALL)))
    assert captions == ["steady.lambda_error", "heat.often"]


@pytest.mark.parametrize(
    ("based_on", "proposed_in", "said"),
    [
        ("r01", SESSION_NAME, "Its proposal was entered as r02."),
        ("r01", "2026-05-09-other", "Its proposal was not entered; r02 came after r01."),
    ],
)
def test_what_became_of_a_proposal_is_said(tmp_path, based_on, proposed_in, said):
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("steady.lambda_error", "stop", 20.0)])
    (root / "records" / SESSION_NAME / "proposal.toml").write_text("", encoding="utf-8")
    assert "Its proposal is not entered yet." in write_shelf(root).read_text("utf-8")
    text = (root / "revisions" / "r01.toml").read_text("utf-8").replace('"r01"', '"r02"').replace("04-20", "05-04")
    heads = f'\nbased_on = "{based_on}"\nproposed_in = "{proposed_in}"\n\n[meter'
    (root / "revisions" / "r02.toml").write_text(text.replace("\n\n[meter", heads, 1), encoding="utf-8")
    assert said in write_shelf(root).read_text("utf-8")


def test_what_may_run_means_stands_on_it(shelf):
    assert "no certificate" in shelf.read_text("utf-8")


def test_a_session_without_a_record_and_a_record_that_is_stale_are_named(tmp_path):
    root = write_workspace(tmp_path / "a")
    assert f"Sessions without a record: {SESSION_NAME}." in write_shelf(root).read_text("utf-8")
    write_results(root, SESSION_NAME, [], revision="r00")
    assert "session.toml says" in write_shelf(root).read_text("utf-8")
    (root / "records" / SESSION_NAME / "results.json").write_text("{", encoding="utf-8")
    records, left_out = stored_records(open_workspace(root))
    assert records == []
    assert "cannot be read" in left_out[0]


def test_an_unfinished_session_stops_nothing_but_itself(tmp_path, capsys):
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("steady.lambda_error", "met", 1.5)])
    (root / "sessions" / "2026-06-20-next").mkdir()
    left_out = "sessions/2026-06-20-next is left out: session.toml"
    assert left_out in write_shelf(root).read_text("utf-8")
    assert main(["ready", str(root)]) == 1
    said = capsys.readouterr()
    assert "steady" in said.out
    assert left_out in " ".join(said.out.split())
    assert main(["plan", "full-throttle", str(root)]) == 0
    assert left_out in capsys.readouterr().err
    assert lay_out_notebooks(open_usable(root), ROOT / "notebooks").new
    assert open_session(root / "sessions" / SESSION_NAME).name == SESSION_NAME
    with pytest.raises(WorkspaceError, match=r"2026-06-20-next/session\.toml"):
        open_session(root / "sessions" / "2026-06-20-next")
    with pytest.raises(WorkspaceError, match=r"2026-06-20-next/session\.toml"):
        compare(root, SESSION_NAME, "2026-06-20-next")


def test_each_record_leads_to_all_records_and_to_the_drives_before_and_after_it(tmp_path):
    """Also once a later drive was recorded; the record's own description has the page's new hash."""
    root = write_workspace(tmp_path)
    names = [SESSION_NAME, *(SESSION_NAME.replace("03", f"{day:02d}") for day in (4, 5))]
    for name in names:
        if name != SESSION_NAME:
            shutil.copytree(root / "sessions" / SESSION_NAME, root / "sessions" / name)
        write_results(root, name, [])
        page = root / "records" / name / "index.html"
        page.write_text('<nav class="among back" aria-label="o"></nav><p>rest</p>', encoding="utf-8")
        described = {"@graph": [{"@id": "index.html", "sha256": "0" * 64}, {"@id": "other", "sha256": "1" * 64}]}
        (page.parent / "ro-crate-metadata.json").write_text(json.dumps(described), encoding="utf-8")
        write_shelf(root)
    for k, name in enumerate(names):
        page = root / "records" / name / "index.html"
        links = re.findall(r'rel="(\w+)" href="([^"]+)"', page.read_text("utf-8"))
        near = {"prev": names[:k][-1:], "next": names[k + 1 : k + 2]}
        assert links == [("up", "../index.html"), *((way, f"../{n}/index.html") for way in near for n in near[way])]
        assert all((page.parent / href).is_file() for _, href in links)
        graph = json.loads((page.parent / "ro-crate-metadata.json").read_text("utf-8"))["@graph"]
        assert [entity["sha256"] for entity in graph] == [hashlib.sha256(page.read_bytes()).hexdigest(), "1" * 64]


def test_ready_renews_the_page_over_all_records(tmp_path, capsys):
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("steady.lambda_error", "met", 1.5)])
    page = root / "records" / "index.html"
    page.write_text("old", encoding="utf-8")
    assert main(["ready", str(root)]) == 1
    verdict = " ".join(capsys.readouterr().out.partition(".\n")[0].split())
    assert verdict in page.read_text("utf-8")


@pytest.mark.parametrize("also", ["", "also_changed = []", 'also_changed = ["spark"]'])
def test_a_sheet_sends_out_after_a_stop_only_with_a_change_that_may_have_ended_it(tmp_path, capsys, also):
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("full_throttle.knock_retard", "stop", 9.0)])
    text = (root / "revisions" / "r01.toml").read_text("utf-8").replace('"r01"', '"r02"').replace("04-20", "05-04")
    text = text.replace("\n\n[meter", f'\nbased_on = "r01"\n{also}\n\n[meter', 1)
    (root / "revisions" / "r02.toml").write_text(text, encoding="utf-8")
    assert main(["plan", "full-throttle", str(root)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert ("to be shown again: knock at full throttle. One run first" in said) == ("spark" in also)
    assert ("At stop: knock at full throttle: full_throttle.knock_retard reached 9.00" in said) == ("spark" not in also)


def test_a_comparison_says_what_was_also_changed_between_its_revisions():
    one, other = (Side(name, (name,), (name,), ()) for name in ("r01", "r02"))

    def said(after, *also):
        return shown_changes(Comparison(one, after, (), (), (), (), car(), also))

    assert said(other, "r02 changed spark (4 out)") == [
        "No table of the revisions differs.",
        "r02 changed spark (4 out).",
    ]
    assert said(one) == ["Both were driven with the same revision."]
    assert said(replace(other, revisions=("r02", "r03"))) == ["Several revisions on one side."]


def test_a_revision_that_now_says_what_was_also_changed_leaves_its_records_as_they_are(tmp_path):
    """No number of a record rests on it, and the kit itself asks for it."""
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [])
    path, results = root / "revisions" / "r01.toml", root / "records" / SESSION_NAME / "results.json"
    made_of = {"path": "revisions/r01.toml", "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    data = json.loads(results.read_text("utf-8")) | {"settings": [made_of], "inputs": [INPUT]}
    results.write_text(json.dumps(data), encoding="utf-8")

    def changed():
        workspace = open_workspace(root)
        return changed_since(stored_records(workspace)[0][0], workspace)

    assert changed() == []
    before = path.read_text("utf-8")
    said = 'also_changed = [\n    { kind = "spark", what = "] 4 out" },  # since May\n]\n\n[meter_curve]'
    path.write_text(before.replace("\n[meter_curve]", said), encoding="utf-8")
    assert changed() == []
    path.write_text(before.replace("\n[meter_curve]", said).replace("680.0", "690.0"), encoding="utf-8")
    assert "revisions/r01.toml: changed after" in changed()[0]


@pytest.fixture(scope="module")
def decisions(root):
    parameters = {"readiness": {"event": "2026-06-10", "today": "2026-05-20"}}
    written = write_decisions(root, parameters)
    assert written.failures == ()
    return written.index


def test_readiness_and_history_run_on_a_workspace_and_leave_their_tables(decisions):
    folder = decisions.parent
    for name in ("readiness", "history"):
        node = read_notebook_file(folder / f"{name}.ipynb", as_version=4)
        errors = [o for c in node.cells for o in c.get("outputs", []) if o.output_type == "error"]
        assert errors == []
    tables = {path.name for path in (folder / "tables").iterdir()}
    names = ("readiness", "pace", "ledger", "predictions", "convergence", "curves", "notes")
    assert tables == {f"{name}.csv" for name in names}
    index = (folder / "index.html").read_text("utf-8")
    assert index.index("Cannot be said yet, with r01 in the car: no drive that counts shows ") < index.index(
        "What it rests on"
    )
    assert "decisions/index.html" in (folder.parent / "index.html").read_text("utf-8")
    text = (folder / "readiness.html").read_text("utf-8")
    assert "and battery at full throttle." in text
    assert "Every bound has to be kept" not in text
    assert "must go back in on 2026-06-09 at the latest" in text
    assert "no certificate" in text
    assert "checks are met" not in text
    assert "not shown: drive full-throttle" in index  # the picture's empty tracks say what would fill them


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_barrier_and_none_asks_for_a_network(chromium_path, shelf, decisions, scheme):
    pages = [shelf, decisions, *(decisions.parent / f"{name}.html" for name in ("readiness", "history"))]
    found = []
    with browser(chromium_path) as started, offline_page(started, color_scheme=scheme) as opened:
        for page in pages:
            opened.show(page, figures="figure-1" in page.read_text("utf-8"))
            violations = Axe().run(opened.page).response["violations"]
            found += [(page.name, v["id"], v["nodes"][0]["html"][:120]) for v in violations
                      if v["impact"] in ("serious", "critical")]  # fmt: skip
        assert found == []
        assert opened.left_the_page() == []
        assert opened.complaints == []
