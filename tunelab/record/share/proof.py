"""The last look before a zip is written: every byte of every file is searched for what was to be taken out."""

from __future__ import annotations

import contextlib
import gzip
import re
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from tunelab.record.share.clean_text import unpack_figure
from tunelab.record.share.private import Rule

PACKED = re.compile(r'<script type="application/gzip" data-figure[^>]*>([^<]+)</script>')
NUMBERS = re.compile(r'\\*"data\\*":\s*\\*"[A-Za-z0-9+/=]*\\*"|[A-Za-z0-9+/=]{40,}')  # packed in base64: no text
GZIP = b"\x1f\x8b"


class LeakError(ValueError):
    """Something private is still there; nothing was written."""


def require_clean(content: Path, rules: Sequence[Rule]) -> None:
    """Search every file under a folder, its name included, unpacked and as it is, in the common encodings.

    Raises
    ------
    LeakError
        Names every file in which something was found, and of what kind.
    """
    found = []
    for path in sorted(content.rglob("*")):
        name = path.relative_to(content).as_posix()
        texts = [name, *(_texts(path.read_bytes()) if path.is_file() else ())]
        kinds = {rule.kind for rule in rules if rule.in_bytes for text in texts if _holds(rule, text)}
        found += [f"{name}: {kind}" for kind in sorted(kinds)]
    if found:
        raise LeakError(
            "not shared, because something private would be left:\n  "
            + "\n  ".join(found)
            + "\nTake these files out of the record, or share with --keep-place if it may be seen."
        )


def _holds(rule: Rule, text: str) -> bool:
    return any(rule.holds(match.group()) for match in rule.pattern.finditer(text))


def _texts(data: bytes) -> Iterator[str]:
    """Every reading of a file's bytes in which a text could hide."""
    if data.startswith(GZIP):
        with contextlib.suppress(OSError, EOFError, zlib.error):
            yield from _texts(gzip.decompress(data))
    text = data.decode("utf-8", "replace")
    for packed in PACKED.findall(text):
        yield NUMBERS.sub("", unpack_figure(packed.strip()))
    yield NUMBERS.sub("", text)
    if b"\0" in data[:4096]:
        yield data.decode("utf-16-le", "replace")
        yield data[1:].decode("utf-16-le", "replace")
        yield data.decode("latin-1")
