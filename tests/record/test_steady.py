"""Which sessions a steady fit uses beside the one that is recorded, and what is said of it."""

import dataclasses

import numpy as np
import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.record.earlier import pool_sessions
from tunelab.record.opened import open_session
from tunelab.study.consistency import check_consistency
from tunelab.workspace import open_workspace, write_revision
from tunelab.workspace.revision import OtherChange

LATER = "2026-05-09-steady"


def log_of(level):
    time = np.arange(0, 4, 0.04)
    rows = [f"{t:.2f},{level + 10 * np.sin(t):.0f}" for t in time]
    return "Time (s),Engine speed (rpm)\n" + "\n".join(rows) + "\n"


def workspace(tmp_path, **changed):
    """r01 was driven on 3 May, r02 entered with what `changed` says, and driven on 9 May."""
    root = write_workspace(tmp_path)
    base = open_workspace(root).revisions["r01"]
    entered = base.model_copy(update={"name": "r02", "based_on": "r01", "also_changed": []} | changed)
    write_revision(root / "revisions" / "r02.toml", entered, {})
    first, session = root / "sessions" / SESSION_NAME, root / "sessions" / LATER
    session.mkdir()
    text = (first / "session.toml").read_text("utf-8")
    text = text.replace("2026-05-03", "2026-05-09").replace('revision = "r01"', 'revision = "r02"')
    (session / "session.toml").write_text(text, encoding="utf-8")
    for folder, level in ((first, 850), (session, 900)):
        (folder / "log1.csv").write_text(log_of(level), encoding="utf-8")
    return root


def pooled(root, *names, session=LATER):
    return pool_sessions(open_session(root / "sessions" / session), names)


def test_a_later_drive_uses_the_earlier_ones_each_with_its_own_revision(tmp_path):
    found = pooled(workspace(tmp_path), "earlier")
    assert [own.session for own in found.used] == [SESSION_NAME]
    assert found.used[0].log.attrs["revision"] == "r01"
    assert f"Fitted together with {SESSION_NAME} (driven with r01)." in found.sentences()


def test_the_first_drive_has_none_and_one_can_be_fitted_alone(tmp_path):
    root = workspace(tmp_path)
    for found in (pooled(root, "earlier", session=SESSION_NAME), pooled(root)):
        assert found.used == ()
        assert found.sentences() == ("This session was fitted alone.",)


def test_a_session_that_is_named_too_is_used_once(tmp_path):
    found = pooled(workspace(tmp_path), "earlier", SESSION_NAME)
    assert [own.session for own in found.used] == [SESSION_NAME]


@pytest.mark.parametrize(
    ("kind", "used"), [("mechanical parts", False), ("fuel", False), ("sensors", False), ("spark", True)]
)
def test_what_was_changed_since_and_steady_driving_shows_leaves_a_session_out(tmp_path, kind, used):
    change = OtherChange(kind=kind, what="another one")
    found = pooled(workspace(tmp_path, also_changed=[change]), "earlier")
    assert bool(found.used) == used
    if not used:
        assert found.left_out == (f"{SESSION_NAME} was not used: r02 changed {change.words}.",)


def test_a_revision_that_says_of_none_what_it_is_based_on_leaves_the_sessions_before_it_out(tmp_path):
    found = pooled(workspace(tmp_path, based_on=None), "earlier")
    assert found.used == ()
    assert "no chain of based_on" in found.left_out[0]


def test_a_session_that_misleads_or_cannot_be_read_is_left_out_with_the_reason(tmp_path, monkeypatch):
    root = workspace(tmp_path)

    def misled(logs, *rest):
        first, *others = check_consistency(logs, *rest)
        return [dataclasses.replace(first, status="stop", because="It does not go with r01."), *others]

    monkeypatch.setattr("tunelab.record.earlier.check_consistency", misled)
    assert pooled(root, "earlier").left_out == (f"{SESSION_NAME} was not used: It does not go with r01.",)
    monkeypatch.undo()
    (root / "sessions" / SESSION_NAME / "log1.csv").write_text("nothing of a log\n", encoding="utf-8")
    found = pooled(root, "earlier")
    assert found.used == ()
    assert "log1.csv" in found.left_out[0]
