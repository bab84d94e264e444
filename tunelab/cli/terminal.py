"""What a command writes to the terminal: always text, whatever a file, a folder or a note is named."""

from __future__ import annotations

import sys


def plain(text: str) -> str:
    """Make text safe for a terminal: escape sequences, other control and bidi characters become "?"; line ends stay."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def say(text: str = "") -> None:
    """Write to standard output."""
    print(plain(text))


def complain(text: str) -> None:
    """Write to standard error."""
    print(plain(text), file=sys.stderr)
