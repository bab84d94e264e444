"""`tunelab list`: the notebooks, the steps that each serves, and their parameters."""

from __future__ import annotations

import argparse

from tunelab.cli.terminal import say

DESCRIPTION = """\
List the analyses: the question of each, the steps of a session that it serves, and its parameters
with their defaults.
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    return subparsers.add_parser(
        "list",
        help="list the analyses, the steps they serve and their parameters",
        description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the list; the exit code."""
    from tunelab.record.notebook import SET_BY_THE_RUN, find_notebooks, notebooks_folder

    for notebook in find_notebooks(notebooks_folder()):
        say(f"{notebook.name}: {notebook.question}")
        say(f"    serves the steps: {', '.join(notebook.steps) or 'none; run it by name'}")
        for parameter in notebook.parameters:
            if parameter.name not in SET_BY_THE_RUN:
                say(f"    --set {parameter.name}={parameter.default!r}    {parameter.comment}".rstrip())
    return 0
