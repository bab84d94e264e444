"""What the link study hands to the record: like with earlier sessions, and what could not be read."""

import gzip
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from tunelab.record import gather_evidence, open_session
from tunelab.record.beside import first_present, gather_logs
from tunelab.record.chapter import as_data
from tunelab.record.link import change_sentences, drives_of, drop_out_table, gather_accounts, link_chapter, unasked_link
from tunelab.study import link

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
KEPT = ("2026-05-02-link", "2026-05-03-steady", "2026-05-14-full-throttle")
HOW = {"factor": 3.0, "power": 0.8, "confidence": 0.95}


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Three sessions of the demo: two with one wiring, one with another; the second one's log is spoilt."""
    root = tmp_path_factory.mktemp("car")
    for name in ("car.toml", "channels.toml"):
        shutil.copy(DEMO / name, root)
    shutil.copytree(DEMO / "revisions", root / "revisions")
    for name in KEPT:
        shutil.copytree(DEMO / "sessions" / name, root / "sessions" / name)
    spoilt = next((root / "sessions" / KEPT[1]).glob("*.gz"))
    spoilt.write_bytes(b"no log at all")
    return root


@pytest.fixture(scope="module")
def opened(root):
    return open_session(root / "sessions" / KEPT[2])


@pytest.fixture(scope="module")
def parts(opened):
    evidence = gather_evidence(opened)
    gathered = gather_accounts(opened, evidence, shortest_s=0.5)
    study = link.study_link(gathered.accounts, rng=np.random.default_rng(1), **HOW)
    noise = link.channel_noise(evidence.log, opened.car, confidence=0.95)
    clues = link.find_clues(study, noise, (), supply=None)
    chapter = link_chapter(opened, study, (noise, (), None), gathered=gathered, clues=clues, tolerable_per_h=2.0)
    return gathered, study, chapter


def test_earlier_sessions_with_a_named_wiring_come_along_and_the_spoilt_one_is_named(parts):
    gathered, study, chapter = parts
    assert [account.session for account in gathered.accounts] == [KEPT[0], KEPT[2]]
    assert gathered.left_out["session"].tolist() == [KEPT[1]]
    assert any(sentence.startswith(f"{KEPT[1]} is left out") for sentence in chapter.cannot_show.sentences)
    assert study.change is not None
    read = [item["path"].partition("/")[0] for item in chapter.inputs]
    assert read == [KEPT[0]]  # stands among the inputs, so it goes along when the record is shared


def test_the_answer_to_did_it_help_is_a_sentence_of_the_summary(parts):
    _, study, chapter = parts
    (finding,) = [item for item in chapter.findings if item.id == "link.wiring_change"]
    assert finding.because == study.change.because == change_sentences(study)[0]
    if study.change.verdict == "not shown yet":
        assert chapter.drive_next.sentences == (study.change.because,)


def test_the_page_answers_both_of_its_questions_first_and_says_which_drives_a_rate_is_of(parts):
    _, study, chapter = parts
    said = chapter.verdict.sentence
    assert re.match(r"(no|\d+) drop-outs? in \d+ min of this drive, [\d.]+ per hour \([\d.]+ to [\d.]+\)\. ", said)
    helped = {"helped": "It helped: ", "made it worse": "It made it worse: "}
    assert helped.get(study.change.verdict, "Whether the new wiring helped is not shown: ") in said
    own = next(wiring for wiring in study.wirings if study.here.session in wiring.sessions)
    assert drives_of(study).endswith(own.name.partition(":")[0])
    assert drives_of(study).startswith("this drive" if len(own.sessions) == 1 else f"all {len(own.sessions)} drives")


def test_the_drop_outs_of_the_demo_are_the_ones_that_were_made(parts):
    # The demo's logger writes its heading again after each drop-out; the raw file shows how often.
    gathered, _, _ = parts
    raw = next((DEMO / "sessions" / KEPT[0]).glob("*.csv.gz"))
    lines = gzip.decompress(raw.read_bytes()).decode().splitlines()
    again = sum(line == lines[0] for line in lines) - 1
    first = gathered.accounts[0]
    assert len(first.drop_outs) == again > 0
    assert len(drop_out_table(first)) == len(first.drop_outs)


def test_drop_outs_that_nobody_asked_about_are_named_with_the_way_to_ask(root, opened, parts):
    broken = open_session(root / "sessions" / KEPT[0])
    evidence = gather_evidence(broken)
    (chapter,) = unasked_link(broken, evidence, ["road_manners"])
    (sentence,) = chapter["cannot_show"]["sentences"]
    assert f"it did {len(parts[0].accounts[0].drop_outs)} times" in sentence
    assert 'Add "link" to the steps of session.toml' in sentence
    assert unasked_link(broken, evidence, ["road_manners", "link"]) == []
    assert unasked_link(opened, gather_evidence(opened), ["power"]) == []  # nothing dropped out


def test_a_chapter_is_plain_data_and_every_table_has_its_columns(parts):
    _, _, chapter = parts
    data = as_data(chapter)
    assert {"link_drop_outs", "link_rates", "link_wirings", "wiring_checks", "noise"} <= set(data["tables"])
    assert all(len(table.columns) for table in chapter.tables.values())
    assert [item.status for item in chapter.findings if item.value is None] == [
        "not_shown" for item in chapter.findings if item.value is None
    ]


def test_logs_to_lay_over_each_other_are_sessions_of_the_workspace(opened):
    evidence = gather_evidence(opened)
    assert list(gather_logs(opened, evidence, [KEPT[0]])) == [KEPT[2], KEPT[0]]
    with pytest.raises(ValueError, match="nearest known one is 2026-05-02-link"):
        gather_logs(opened, evidence, ["2026-05-02-lnk"])
    assert first_present(evidence.log, ["boost_kpa", "battery_v"]) == "battery_v"
    with pytest.raises(ValueError, match="none of boost_kpa"):
        first_present(evidence.log, ["boost_kpa"])
