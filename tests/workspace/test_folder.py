"""The expectations are the project's own contract for what an owner keeps on disk; there is no outside source."""

import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.workspace import WorkspaceError, find_workspace, open_workspace


@pytest.fixture
def root(tmp_path):
    return write_workspace(tmp_path / "my-car")


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def problems_of(root):
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(root)
    return caught.value.problems


def only_problem(root):
    problems = problems_of(root)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_a_valid_workspace_opens(root):
    workspace = open_workspace(root)
    assert workspace.car.engine.cylinders == 6
    assert list(workspace.revisions) == ["r01"]
    folder = workspace.sessions[SESSION_NAME]
    assert folder.files == (root / "sessions" / SESSION_NAME / "log1.csv",)
    assert workspace.channel_map.column == []


def test_find_workspace_walks_up(root):
    assert find_workspace(root / "sessions" / SESSION_NAME / "log1.csv") == root
    assert find_workspace(root) == root
    with pytest.raises(WorkspaceError, match=r"no car\.toml"):
        find_workspace(root.parent)
