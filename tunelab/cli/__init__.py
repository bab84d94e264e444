"""The command line: arguments in, one library call, exit code out.

Each command is two functions, `add_<command>(subparsers)` and `run_<command>(arguments) -> int`; what it needs it
imports in the second, so that `tunelab --help` answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Any

from tunelab.cli.terminal import complain, say, spell_what_does_not_fit

COMMANDS = {
    "new": "begin",
    "inspect": "inspect",
    "list": "begin",
    "record": "record",
    "plan": "drive",
    "follow": "drive",
    "ready": "record",
    "compare": "record",
    "share": "share",
    "open": "share",
    "archive": "share",
    "demo": "begin",
    "lab": "begin",
}  # the module of each
DESCRIPTION = """\
Turn the drive logs of a self-built engine management into a documented record: what is wrong with
the air meter, the injectors and the transients, with intervals, and what to enter next.
"""
EPILOG = """\
start here: tunelab demo        makes a demo workspace and its first record
then:       tunelab new my-car  makes a workspace of your own to fill in
exit status: 0 done; 1 an analysis failed; 2 bad arguments or files that cannot be used
"""
STOPPED = 130  # what a shell expects of a command that was stopped by hand
READER_LEFT = 141  # and of one whose output nobody reads any more


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; None: those of the process.

    Returns
    -------
    int
        0 done, 1 an analysis failed, 2 bad arguments or files that cannot be used.
    """
    spell_what_does_not_fit()
    try:
        code = _run(argv)
        sys.stdout.flush()  # here, where a reader who has left is expected, and not as Python ends
    except BrokenPipeError:
        return _end_quietly()
    return code


def _end_quietly() -> int:
    """Whoever read the output, such as `head`, has seen enough: nothing more is written, and nothing is said."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    return READER_LEFT


def _run(argv: Sequence[str] | None) -> int:
    try:
        arguments = _parser().parse_args(argv)
    except SystemExit as exit_:
        return int(exit_.code or 0)
    try:
        return _find("run", arguments.command)(arguments)
    except BrokenPipeError:
        raise
    except (ValueError, OSError) as error:
        from tunelab.workspace.disk import say_error

        complain(f"tunelab {arguments.command}: {say_error(error)}")
        return 2
    except KeyboardInterrupt:
        complain(f"\ntunelab {arguments.command}: stopped.")
        return STOPPED


def _find(what: str, command: str) -> Callable[..., Any]:
    return getattr(import_module(f"tunelab.cli.{COMMANDS[command]}"), f"{what}_{command}")


class _Parser(argparse.ArgumentParser):
    """Keeps the lines of its texts as they are written and takes no shortened names; a command's parser is one too."""

    def __init__(self, **given: Any) -> None:
        super().__init__(formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False, **given)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="tunelab", description=DESCRIPTION, epilog=EPILOG)
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and leave")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        _find("add", name)(subparsers)
    return parser


class _Version(argparse.Action):
    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        from importlib.metadata import version

        say(f"tunelab {version('tunelab')}")
        parser.exit(0)
