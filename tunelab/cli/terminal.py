"""What a command takes from the terminal and writes to it: always text, however a file or a note is named."""

from __future__ import annotations

import codecs
import glob
import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Sequence

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
