"""What the owner keeps on disk: car, revisions, sessions."""

from tunelab.workspace.channel_map import ChannelMap, ColumnRule
from tunelab.workspace.folder import (
    SessionFolder,
    Workspace,
    create_workspace,
    find_workspace,
    open_usable,
    open_workspace,
)
from tunelab.workspace.problem import Problem, WorkspaceError
from tunelab.workspace.write import write_revision

__all__ = [
    "ChannelMap",
    "ColumnRule",
    "Problem",
    "SessionFolder",
    "Workspace",
    "WorkspaceError",
    "create_workspace",
    "find_workspace",
    "open_usable",
    "open_workspace",
    "write_revision",
]
