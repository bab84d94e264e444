"""The command line: arguments in, one library call, exit code out; and what a terminal is given to read.

Each command is two functions, `add_<command>(subparsers)` and `run_<command>(arguments) -> int`; what it needs it
imports in the second, so that `tunelab --help` answers at once.

Nothing is switched that would stay switched after a kill: no second screen, no hidden cursor. Where no terminal reads
the output, or one that can only write on, what changes is written as plain lines.
"""

from __future__ import annotations

import argparse
import codecs
import glob
import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Any, TextIO

SPELT = {
    "°": "deg ", "º": "deg ", "λ": "lambda", "µ": "u", "μ": "u", "→": "->", "←": "<-", "–": "-", "—": "-", "−": "-",
    "…": "...", "×": "x", "·": "*", "⋅": "*", "±": "+/-", "≤": "<=", "≥": ">=", "²": "^2", "³": "^3", "⁻": "^-",
    "¹": "1", "’": "'", "‘": "'", "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "′": "'", "″": '"', "√": "root ",
    "ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "ł": "l",
}  # fmt: skip
"""What stands for a character on a terminal that has no place for it."""


def spell_what_does_not_fit() -> None:
    """Let both outputs take any text, whatever few characters the terminal or the file behind them has a place for."""
    codecs.register_error("tunelab.spelt", _spell)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="tunelab.spelt")


def _spell(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_plainer(c) for c in error.object[error.start : error.end]), error.end


def _plainer(character: str) -> str:
    """Spell one character in ASCII: by the table, without its accents, or as a question mark."""
    if character in SPELT:
        return SPELT[character]
    bare = "".join(c for c in unicodedata.normalize("NFKD", character) if c.isascii())
    return bare or "?"


def spread(names: Sequence[str]) -> list[str]:
    """Give the paths that patterns such as `*.csv` stand for; where the shell does that itself none is left to spread.

    A name without a pattern, one that stands on the disk as it is, and a pattern that nothing fits stay as they are.
    """
    found: list[str] = []
    for name in names:
        is_pattern = any(mark in name for mark in "*?[") and not os.path.lexists(name)
        found += (sorted(glob.glob(name)) if is_pattern else []) or [name]
    return found


def plain(text: str) -> str:
    """Make text safe for a terminal: escape sequences, other control and bidi characters become "?"; line ends stay."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def say(text: str = "") -> None:
    """Write to standard output."""
    print(plain(text))


def say_folded(text: str, *, hang: int) -> None:
    """Write one long sentence folded to the terminal's width; whole where no terminal reads it, so it can be searched.

    Parameters
    ----------
    hang : int
        Columns by which the lines after the first are moved in.
    """
    if not (sys.stdout.isatty() or os.environ.get("COLUMNS")):
        say(text)
        return
    width = max(shutil.get_terminal_size().columns, hang + 20)
    folded = textwrap.fill(
        plain(text), width, subsequent_indent=" " * hang, break_long_words=False, break_on_hyphens=False
    )
    print(folded)


def complain(text: str) -> None:
    """Write to standard error."""
    print(plain(text), file=sys.stderr)


# Five rows of three dots each: one octal digit for a row.
LETTERS = {
    "A": "25755", "B": "65656", "C": "34443", "D": "65556", "E": "74647", "F": "74644", "G": "34553", "H": "55755",
    "I": "72227", "J": "11152", "K": "55655", "L": "44447", "M": "57755", "N": "65555", "O": "25552", "P": "65644",
    "Q": "25563", "R": "65655", "S": "34216", "T": "72222", "U": "55557", "V": "55552", "W": "55775", "X": "55255",
    "Y": "55222", "Z": "71247", "0": "75557", "1": "26227", "2": "71747", "3": "71717", "4": "55711", "5": "74717",
    "6": "74757", "7": "71122", "8": "75757", "9": "75717", ".": "00002", ":": "02020", "/": "11244", "-": "00700",
    "+": "02720", "!": "22202", " ": "00000",
}  # fmt: skip
ROWS = 5
LABEL_WIDTH = 9
NARROW = 40
HOME, CLEAR, TO_LINE_END, TO_SCREEN_END, BELL = "\x1b[H", "\x1b[2J", "\x1b[K", "\x1b[J", "\a"
LOUD, CALM = "\x1b[1;7m", "\x1b[0m"


def large(text: str, width: int, dot: str) -> list[str]:
    """Write a few words in letters five rows high, wider where there is room; where there is little, the first ones."""
    words = text.split()
    for count in range(len(words), 0, -1):
        for scale in (2, 1):
            rows = [_row(" ".join(words[:count]), row, dot, scale) for row in range(ROWS)]
            if max(map(len, rows)) <= width:
                return rows
    return [text[:width]]


def _row(text: str, row: int, dot: str, scale: int) -> str:
    dots = (f"{int(LETTERS.get(letter, LETTERS['-'])[row]):03b}" for letter in text)
    line = " ".join("".join(dot if on == "1" else " " for on in letter) for letter in dots)
    return "".join(mark * scale for mark in line).rstrip()


class Screen:
    """Where a command shows what it knows again and again.

    On a terminal the same place is drawn anew; elsewhere only what changed is written, in lines.
    """

    def __init__(self, out: TextIO | None = None):
        self._out = out or sys.stdout
        self.is_drawn = self._out.isatty() and os.environ.get("TERM") != "dumb"
        self._loud = self.is_drawn and not os.environ.get("NO_COLOR")
        self._size = (0, 0)
        self._told: list[str] = []
        if self.is_drawn and os.name == "nt":
            os.system("")  # switches the console to understand what is written below

    def ring(self) -> None:
        """Sound the terminal's bell."""
        if self.is_drawn:
            self._write(BELL)

    def show(self, title: str, words: Sequence[tuple[str, bool]], rows: Sequence[tuple[str, str]], end: str) -> None:
        """Draw everything anew.

        Parameters
        ----------
        title, end : str
            The first line, and the last.
        words : sequence of (str, bool)
            What stands large, and whether it is an alarm.
        rows : sequence of (str, str)
            A label and a sentence each.
        """
        size = shutil.get_terminal_size()
        lines = _layout(title, words, rows, end, (size.columns, size.lines), self._dot())
        marked = [f"{LOUD}{text}{CALM}" if loud and self._loud and text else text for text, loud in lines]
        start = HOME if (size.columns, size.lines) == self._size else CLEAR + HOME
        self._size = (size.columns, size.lines)
        self._write(start + "\n".join(f"{line}{TO_LINE_END}" for line in marked) + TO_SCREEN_END)

    def tell(self, lines: Sequence[str]) -> None:
        """Write those lines that were not among the ones shown the time before."""
        for line in lines:
            if line not in self._told:
                self._write(plain(line) + "\n")
        self._told = list(lines)

    def leave(self) -> None:
        """Go below what was drawn."""
        if self.is_drawn:
            self._write("\n")

    def _dot(self) -> str:
        try:
            "█".encode(self._out.encoding or "ascii")
        except (UnicodeEncodeError, LookupError):
            return "#"
        return "█"

    def _write(self, text: str) -> None:
        code = self._out.encoding or "ascii"
        self._out.write(text.encode(code, "replace").decode(code))
        self._out.flush()


def _layout(
    title: str,
    words: Sequence[tuple[str, bool]],
    rows: Sequence[tuple[str, str]],
    end: str,
    size: tuple[int, int],
    dot: str,
) -> list[tuple[str, bool]]:
    """Lines of one screen, each with whether it is loud: large words as long as everything else has room."""
    width, height = max(size[0] - 1, 20), size[1]
    small = [(line, False) for label, text in rows for line in _folded(label, plain(text), width)]
    edges = [(line, False) for line in textwrap.wrap(plain(title), width)], [(plain(end)[:width], False)]
    drawn: list[tuple[str, bool]] = []
    for text, loud in words:  # the first one is large wherever the screen has its rows, others where all has room
        room = height - len(edges[0]) - len(edges[1]) - len(drawn) - (len(small) if drawn else ROWS)
        shown = large(text, width, dot) if room > ROWS else [text[:width]]
        drawn += [(line, loud) for line in shown] + [("", False)]
    room = max(height - len(edges[0]) - len(edges[1]) - len(drawn), 0)
    return [*edges[0], *drawn, *small[:room], *edges[1]][:height]


def _folded(label: str, text: str, width: int) -> list[str]:
    if width < NARROW:
        return textwrap.wrap(f"{label}: {text}" if label else text, width)
    return textwrap.wrap(
        f"{label:{LABEL_WIDTH}}{text}", width, subsequent_indent=" " * LABEL_WIDTH, drop_whitespace=True
    )


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
