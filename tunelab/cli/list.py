"""`tunelab list`: the notebooks, the steps that each serves, and their parameters; or the channels."""

from __future__ import annotations

import argparse

from tunelab.cli.terminal import say

DESCRIPTION = """\
List the analyses: the question of each, the steps of a session that it serves, and its parameters
with their defaults. With --channels: every channel that channels.toml may name, its unit, what it means
and the names that loggers give it.
"""
_WIDTH = 22
_ALIASES = 6  # of each channel, the most usual first


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "list",
        help="list the analyses, the steps they serve and their parameters; or the channels",
        description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--channels", action="store_true", help="list the channels instead")
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Print the list; the exit code."""
    if arguments.channels:
        _list_channels()
        return 0
    from tunelab.record.notebook import SET_BY_THE_RUN, find_notebooks, notebooks_folder

    for notebook in find_notebooks(notebooks_folder()):
        say(f"{notebook.name}: {notebook.question}")
        say(f"    serves the steps: {', '.join(notebook.steps) or 'none; run it by name'}")
        for parameter in notebook.parameters:
            if parameter.name not in SET_BY_THE_RUN:
                say(f"    --set {parameter.name}={parameter.default!r}    {parameter.comment}".rstrip())
    return 0


def _list_channels() -> None:
    from tunelab.channels import CHANNELS

    for known in CHANNELS.values():
        unit = "" if known.unit == "1" else f" [{known.unit}]"
        say(f"{known.name:{_WIDTH}} {known.meaning}{unit}")
        if known.aliases:
            say(f"{'':{_WIDTH}} logged as {', '.join(known.aliases[:_ALIASES])}")
