"""A log that misleads, through the command: the record says why, and there is nothing to enter."""

import html
import json
import re

import numpy as np
import pytest
import tomlkit

from tunelab.cli import main
from tunelab.record.shown import small
from tunelab.simulate import drive, random_car, steady_sweep
from tunelab.workspace.write import write_revision

SESSION = 'date = 2026-05-03\nsteps = ["steady"]\nrevision = "r01"\nfiles = ["log.csv"]\n'
LOGGED = (
    "engine_speed_rpm", "air_flow_kg_h", "meter_v", "manifold_kpa", "throttle_pct", "pulse_width_ms", "lambda_measured",
    "lambda_commanded", "trim_short_pct", "trim_long_pct", "battery_v", "coolant_c", "intake_air_c", "fuel_mode",
)  # fmt: skip


@pytest.fixture(scope="module")
def counted_twice(tmp_path_factory):
    """A drive of a simulated car whose ECU lets its trims act twice; the log and the car file know nothing of it."""
    root = tmp_path_factory.mktemp("car")
    car, truth, revision = random_car(np.random.default_rng([7, 77]))
    done = drive(truth, revision, steady_sweep(truth, longest_s=150.0), rng=np.random.default_rng([7, 78, 1]))
    log = done.log(25.0)[list(LOGGED)].to_dataframe()
    dead = np.interp(log["battery_v"], revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    twice = (log["pulse_width_ms"] - dead) * (1 + log["trim_short_pct"] / 100) * (1 + log["trim_long_pct"] / 100) + dead
    log["pulse_width_ms"] = twice.where(log["pulse_width_ms"] > 0, 0.0)
    folder = root / "sessions" / "2026-05-03-steady"
    folder.mkdir(parents=True)
    log.rename_axis("time (s)").to_csv(folder / "log.csv", float_format="%.6g")
    (folder / "session.toml").write_text(SESSION, encoding="utf-8")
    (root / "car.toml").write_text(tomlkit.dumps(car.model_dump(exclude_none=True)), encoding="utf-8")
    (root / "revisions").mkdir()
    write_revision(root / "revisions" / "r01.toml", revision, {})
    return folder


def test_a_misleading_log_is_recorded_and_its_proposal_withheld_in_words(counted_twice, capsys):
    assert main(["record", str(counted_twice), "--notebook", "steady"]) == 0
    told = capsys.readouterr().out
    assert "nothing is proposed. Pulse width: logged against what this revision commands" in told
    assert "trims are counted twice" in told
    place = counted_twice.parents[1] / "records" / counted_twice.name
    assert (place / "index.html").is_file()
    assert not (place / "proposal.toml").exists()
    findings = {f["id"]: f for f in json.loads((place / "results.json").read_text(encoding="utf-8"))["findings"]}
    pulse = findings["consistency.pulse"]
    assert pulse["status"] == "stop"
    assert pulse["limit"] is None or pulse["value"] > pulse["limit"]
    resting = [finding for name, finding in findings.items() if name.startswith("steady.")]
    assert len(resting) > 5
    assert {(f["status"], f["value"], f["lower"], f["upper"]) for f in resting} == {("not_shown", None, None, None)}
    marked = (place / "index.html").read_text(encoding="utf-8")
    page = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", marked)).split())
    assert "Change Nothing: the checks that say stop have to be settled first." in page
    assert "Nothing: the log disagrees with itself, car.toml or the revision named" in page
    assert "Proposed revision" not in page
    title = findings["consistency.pulse"]["title"]
    title = small(title)
    first = f"{title}. Change what the record names, or find the cause, before you drive this."
    assert f"Before any drive, settle: {title}." in page  # in the short answer
    assert page.count(f"At stop: {first}") == 1  # where the next drive is named


def test_the_plan_to_take_along_begins_with_what_stands_at_stop(counted_twice):
    assert main(["record", str(counted_twice), "--notebook", "drive_plan", "--notebook", "steady"]) == 0
    place = counted_twice.parents[1] / "records" / counted_twice.name
    sheet = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", (place / "drive_sheet.html").read_text("utf-8"))).split())
    assert sheet.index("At stop:") < sheet.index("hold [s]")
