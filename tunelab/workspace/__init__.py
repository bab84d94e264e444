"""What the owner keeps on disk: car, revisions, sessions."""

from tunelab.workspace.channel_map import ChannelMap, ColumnRule
from tunelab.workspace.folder import SessionFolder, Workspace, find_workspace, open_workspace
from tunelab.workspace.problem import Problem, WorkspaceError

__all__ = [
    "ChannelMap",
    "ColumnRule",
    "Problem",
    "SessionFolder",
    "Workspace",
    "WorkspaceError",
    "find_workspace",
    "open_workspace",
]
