"""A session is found by its folder, and beside an open one by its bare name."""

import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.record import open_session
from tunelab.workspace import WorkspaceError


@pytest.fixture
def opened(tmp_path):
    write_workspace(tmp_path / "my-car")
    return open_session(tmp_path / "my-car" / "sessions" / SESSION_NAME)


@pytest.mark.parametrize("path", [SESSION_NAME, f"sessions/{SESSION_NAME}", f"my-car/sessions/{SESSION_NAME}"])
def test_another_session_of_the_car_is_found_from_any_working_directory(opened, path, tmp_path, monkeypatch):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    assert open_session(path, beside=opened).folder.path == opened.folder.path
    with pytest.raises(WorkspaceError, match="no session"):
        open_session(path)


def test_a_session_that_is_not_there_is_named(opened):
    with pytest.raises(WorkspaceError, match="2026-01-01-none"):
        open_session("2026-01-01-none", beside=opened)
