"""`tunelab new`, `demo`, `list` and `lab`: what one begins with."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli import complain, say, say_folded

NEW_DESCRIPTION = """\
Write a commented workspace to fill in: car.toml, channels.toml, a first revision and a first session.

It holds no number that you have not entered: until every "fill in" is replaced, each command that
reads the workspace lists what is left.
"""
NEW_EPILOG = """\
exit status: 0 written; 2 something is already there, and nothing was written
example: tunelab new my-car
"""


def add_new(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "new", help="write a commented workspace to fill in", description=NEW_DESCRIPTION, epilog=NEW_EPILOG
    )
    parser.add_argument("dir", metavar="DIR", help="folder of the new workspace; made if it is not there")


def run_new(arguments: argparse.Namespace) -> int:
    """Write the workspace and say what to do next; the exit code."""
    from tunelab.workspace import create_workspace

    for path in create_workspace(arguments.dir):
        say(f"wrote {path}")
    say('Replace every "fill in", rename the session folder to its date, and put the raw logs into it.')
    return 0


DEMO_DESCRIPTION = """\
Copy the demo workspace, record its first steady session, and print where the page is. The car,
its owner and all numbers are invented. Nothing that exists is overwritten.
"""
DEMO_EPILOG = """\
exit status: 0 record written; 1 an analysis failed; 2 the folder exists already
example: tunelab demo
"""


def add_demo(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "demo", help="make a demo workspace and its first record", description=DEMO_DESCRIPTION, epilog=DEMO_EPILOG
    )
    parser.add_argument(
        "dir", metavar="DIR", nargs="?", default="tunelab-demo", help="where it goes (default: %(default)s)"
    )


def run_demo(arguments: argparse.Namespace) -> int:
    """Copy, record, say where; the exit code."""
    from tunelab.record.answer import LABEL_WIDTH
    from tunelab.record.lab import copy_demo, first_steady_session
    from tunelab.record.notebook import choose_notebooks, notebooks_folder
    from tunelab.record.session import record_session

    root = copy_demo(Path(arguments.dir))
    say(f"copied the demo workspace to {root}")
    opened = first_steady_session(root)
    notebooks = choose_notebooks(
        notebooks_folder(), tuple(opened.folder.session.steps), (), load_from=opened.car.load_from
    )
    record = record_session(opened, notebooks, {})
    for failed in (run for run in record.runs if run.failed):
        complain(f"{failed.notebook.name} failed: {failed.failure}")
    for line in record.short:
        say_folded(line, hang=LABEL_WIDTH)
    say(f"open {record.index}")
    return 1 if record.failed else 0


LIST_DESCRIPTION = """\
List the analyses: the question of each, the steps of a session that it serves, and its parameters
with their defaults. With --channels: every channel that channels.toml may name, its unit, what it means
and the names that loggers give it.
"""
_WIDTH = 22
_ALIASES = 6  # of each channel, the most usual first


def add_list(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "list",
        help="list the analyses, the steps they serve and their parameters; or the channels",
        description=LIST_DESCRIPTION,
    )
    parser.add_argument("--channels", action="store_true", help="list the channels instead")


def run_list(arguments: argparse.Namespace) -> int:
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


LAB_DESCRIPTION = """\
Open JupyterLab on a workspace with the kit's notebooks in its folder notebooks/, each set to the
latest session that it serves, and a start page that says what to run next. It answers this computer
alone, asks for the key in the address that it prints, and needs no network. Notebooks that are there
already stay as they are; where one is not the kit's own, that is said, and the kit's own is laid
beside it and opened. Control-C ends it.
"""
LAB_EPILOG = """\
exit status: 0 done; 2 bad arguments or files that cannot be used
example: tunelab lab my-car
"""
USUAL_PORT = 8888


def add_lab(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "lab", help="open JupyterLab on a workspace, notebooks at hand", description=LAB_DESCRIPTION, epilog=LAB_EPILOG
    )
    parser.add_argument(
        "dir", metavar="DIR", nargs="?", default=".", help="a workspace, or anything inside one (default: here)"
    )
    parser.add_argument(
        "--port", metavar="N", type=int, default=USUAL_PORT, help="where it listens (default: %(default)s, or the next)"
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser; the address is printed")


def run_lab(arguments: argparse.Namespace) -> int:
    """Lay the notebooks out and serve them until stopped; the exit code."""
    import os
    import sys

    from tunelab.record.lab import lay_out_notebooks, plan_lab
    from tunelab.record.notebook import notebooks_folder
    from tunelab.workspace import find_workspace, open_usable

    workspace = open_usable(find_workspace(arguments.dir))
    for sentence in workspace.left_out():
        say(sentence)
    laid = lay_out_notebooks(workspace, notebooks_folder())
    say(f"{laid.folder}: {', '.join(laid.new) or 'nothing'} copied, {', '.join(laid.kept) or 'nothing'} kept as it is")
    for name, own in laid.beside.items():
        say(
            f"{name}.ipynb there is not the kit's own: you changed it, or it came from someone else or another "
            f"version. Read it before you run it. The kit's own is beside it, as {own}.ipynb"
        )
    start = plan_lab(workspace.root, port=arguments.port, opens_browser=not arguments.no_browser, first=laid.start)
    say(f"{start.address}\nThis address holds the key; Control-C ends JupyterLab.")
    sys.stdout.flush()  # JupyterLab does not come back
    os.environ.pop("JUPYTER_PATH", None)  # could name another Python's kernel, which knows no tunelab
    from jupyterlab.labapp import LabApp

    LabApp.launch_instance(argv=list(start.arguments))
    return 0
