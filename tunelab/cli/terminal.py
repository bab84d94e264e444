"""What a command writes to the terminal: always text, whatever a file, a folder or a note is named."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap


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
