"""`tunelab lab`: JupyterLab on a workspace, with the kit's notebooks at hand."""

from __future__ import annotations

import argparse

from tunelab.cli.terminal import say

DESCRIPTION = """\
Open JupyterLab on a workspace with the kit's notebooks in its folder notebooks/, each set to the
latest session that it serves, and a start page that says what to run next. It answers this computer
alone, asks for the key in the address that it prints, and needs no network. Notebooks that are there
already stay as they are; where one is not the kit's own, that is said, and the kit's own is laid
beside it and opened. Control-C ends it.
"""
EPILOG = """\
exit status: 0 done; 2 bad arguments or files that cannot be used
example: tunelab lab my-car
"""
USUAL_PORT = 8888


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "lab",
        help="open JupyterLab on a workspace, notebooks at hand",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument(
        "dir", metavar="DIR", nargs="?", default=".", help="a workspace, or anything inside one (default: here)"
    )
    parser.add_argument(
        "--port", metavar="N", type=int, default=USUAL_PORT, help="where it listens (default: %(default)s, or the next)"
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser; the address is printed")
    return parser


def run(arguments: argparse.Namespace) -> int:
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
