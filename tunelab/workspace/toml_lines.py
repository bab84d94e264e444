"""Where each key of a TOML file is, and what is wrong with a line that is no TOML."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left
from collections.abc import Iterator

from tunelab.workspace.problem import KeyPath

LONGEST_STATEMENT = 400  # lines; a longer array is not searched further, its key then has no line
MOST_WORK = 3_000_000  # characters tried in all, far more than a file by hand asks for; what comes after has no line
WORK_OF_A_TRY = 200  # characters that the start of a try is worth


def key_lines(text: str) -> dict[KeyPath, int]:
    """Find the line, counted from one, on which each table and key begins.

    Parameters
    ----------
    text : str
        A TOML document that parses. Of one that does not, the lines that could be read are given.

    Returns
    -------
    dict
        Key path, entries of arrays counted from zero, to line. Items inside an array of plain values have no line.
    """
    table: KeyPath = ()
    lines: dict[KeyPath, int] = {}
    for number, source, content in _statements(text):
        if source.startswith("["):
            table = _header_path(content, source.startswith("[["), lines)
            lines.setdefault(table, number)
        else:
            for path in _paths(content):
                lines.setdefault(table + path, number)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of a key path, or of the nearest table above it; None where not even that is known."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _statements(text: str) -> Iterator[tuple[int, str, dict]]:
    rows = text.split("\n")
    start, left = 0, MOST_WORK
    while start < len(rows) and left > 0:
        content, length, left = _one_statement(rows, start, left)
        if content:
            yield start + 1, rows[start].strip(), content
        start += length


def _one_statement(rows: list[str], start: int, left: int) -> tuple[dict, int, int]:
    """Take rows until they parse; gives the content, the number of rows, and the work that is left to be done."""
    for length in range(1, min(LONGEST_STATEMENT, len(rows) - start) + 1):
        source = "\n".join(rows[start : start + length])
        left -= WORK_OF_A_TRY + len(source)
        try:
            return tomllib.loads(source), length, left
        except tomllib.TOMLDecodeError:
            if left <= 0:
                break
    return {}, 1, left


def _header_path(content: dict, is_entry: bool, lines: dict[KeyPath, int]) -> KeyPath:
    names = list(_header_names(content))
    path: KeyPath = ()
    for name in names[:-1]:
        path += (name,)
        last = _entries(path, lines)
        path += (last - 1,) if last else ()
    path += (names[-1],)
    return (*path, _entries(path, lines)) if is_entry else path


def _header_names(content: dict) -> Iterator[str]:
    while content:
        name, below = next(iter(content.items()))
        yield name
        content = below[0] if isinstance(below, list) else below


def _entries(path: KeyPath, lines: dict[KeyPath, int]) -> int:
    """Count the entries of an array; they are numbered without a gap."""
    step = 1
    while (*path, step - 1) in lines:
        step *= 2
    return bisect_left(range(step), True, key=lambda count: (*path, count) not in lines)


def _paths(content: dict | list, above: KeyPath = ()) -> Iterator[KeyPath]:
    pairs = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in pairs:
        if isinstance(content, dict) or isinstance(value, dict):
            yield (*above, key)
        if isinstance(value, dict | list):
            yield from _paths(value, (*above, key))


LONGEST = 80  # characters of a line that a message shows
NUMBER = r"[-+]?\d+(?:[._]\d+)*"
KEY = r"^\s*(?:[\w.-]+|\"[^\"]*\"|'[^']*')\s*"
LOOKS: tuple[tuple[str, str, str], ...] = (
    (r"[“”„‟«»‘’]", "curved quotation marks", 'use the straight ones: "text"'),
    (r"^\s*(?://|;|--|/\*|%)", "a remark that does not begin with #", "put # before it"),
    (rf"{KEY}:(?!.*=)", "a colon behind the key", "put an equals sign in its place: key = value"),
    (rf"{KEY}={{2,}}|{KEY}:=", "another sign in place of one equals sign", "write key = value"),
    (r"^\s*=", "no key before the equals sign", "write key = value"),
    (rf"{KEY}=\s*(?:#.*)?$", "nothing behind the equals sign", "write the value there, or take the line out"),
    (rf"{KEY}=\s*\d{{1,2}}[./]\d{{1,2}}[./]\d{{2,4}}", "a date in another order", "write year-month-day: 2026-05-03"),
    (rf"{KEY}=\s*\d{{4}}-\d", "a date that no calendar has, or more behind it", "write year-month-day: 2026-05-03"),
    (rf"{KEY}=\s*\d{{1,2}}:\d{{2}}\s*(?:#.*)?$",
     "a time of day that is not whole", "write 10:30:00, or put it in quotes"),
    (rf"{KEY}=\s*[-+]?\d{{1,3}}(?:[.' ]\d{{3}})+,\d",
     "a number with thousands marks", "write it plain, such as 1150.0"),
    (rf"{KEY}=\s*{NUMBER}(?:\s*;|,\s|\s)\s*{NUMBER}", "several numbers and no list", "put them between [ and ]"),
    (r"=\s*(?:\"{3}|'{3})", "a text of several lines that is not closed", "close it with the same three marks"),
    (rf"{KEY}=\s*[-+]?\d+,\d", "a comma as decimal mark", "write the number with a dot, such as 3.0"),
    (rf"{KEY}=\s*[-+]?0\d", "a number that begins with 0", "leave the leading zero out"),
    (rf"{KEY}=\s*[-+]?(?:\.\d|\d+\.(?!\d))", "a decimal point without a digit on both sides", "write 0.5 or 5.0"),
    (rf"{KEY}=\s*{NUMBER}\s*[^\s\d#,\].eE+-]",
     "something behind the number", "leave the unit out: the key's name says it"),
    (rf"{KEY}=\s*(?i:true|false|yes|no|on|off)\b", "a word for yes or no", "write true or false, in small letters"),
    (rf"{KEY}=\s*\"[^\"\\]*\\", "a backslash in double quotes", "use single quotes, or / in place of it"),
    (rf"{KEY}=\s*(?:\"[^\"]*|'[^']*)$", "a quotation mark that is not closed", "put one at the end of the text"),
    (rf"{KEY}=\s*(?:\"[^\"]*\"|'[^']*')\s*[^\s#]",
     "something behind the text in quotes", "take it out, or put # before"),
    (r"^\s*\[[^\]]*$|^\s*\[\[[^\]]*\](?!\])",
     "a heading that is not closed", "write [name], or [[name]] with two of each"),
    (r"^\s*\[[^\]]*\]\]?\s*[^\s#]", "something behind a heading", "put it on a line of its own"),
    (rf"{KEY}=\s*[A-Za-z]",
     "text without quotation marks", 'put it in quotes: key = "text"; where a number is wanted, write it in digits'),
    (r"^[^=\"']*\s[^=\"']*\S\s*=|^[^=]*[^\x00-\x7f][^=]*=",
     "a key that is not one plain word", "use a key of the template"),
    (r"^[^=]*$", "no equals sign", "write key = value, or put # before a remark"),
)  # fmt: skip
"""What a line looks like, what that is, the way out; the first that fits is said."""

IN_WORDS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
"""Numbers that are written in words, each at its own place."""


def tell_line(text: str, message: str) -> tuple[int, str, str]:
    """Tell what is wrong where a parser stopped.

    Parameters
    ----------
    text : str
        The whole file.
    message : str
        What the parser said, with its place.

    Returns
    -------
    tuple of (int, str, str)
        The line, counted from one; what is found there, with the line itself; the way out.
    """
    rows = text.rstrip("\n").split("\n")
    place = re.search(r"\(at line (\d+), column \d+\)", message)
    at = min(int(place[1]) if place else len(rows), len(rows)) - 1
    while not place and at > 0 and not rows[at].strip():
        at -= 1
    at, what, way_out = _tell(rows, at, message)
    return at + 1, f"{what}: {_shown(rows[at])}", way_out


def _tell(rows: list[str], at: int, message: str) -> tuple[int, str, str]:
    if re.match(r"Cannot (?:overwrite|declare|redefine|mutate)|Duplicate", message):
        first = _first_like(rows, at)
        return (
            at,
            "the same name a second time" + (f", first on line {first + 1}" if first is not None else ""),
            ("keep one of the two"),
        )
    if message.startswith("Illegal character"):
        sign = re.match(r"Illegal character (.*?)(?: \(at|$)", message)
        if sign and sign[1] not in ("'\\n'", '"\\n"'):
            return at, f"a character that no text holds ({sign[1]})", "take it out, or type the line anew"
    if message.startswith("Unclosed array"):
        return _tell_list(rows, at)
    bare = re.sub(r"\s+#.*$", "", rows[at])
    word = re.search(rf"({KEY})=\s*([a-z]+)\s*$", bare, re.IGNORECASE)
    if word and word[2].casefold() in IN_WORDS:
        return at, "a number in words", f"a number is wanted: {word[1].strip()} = {IN_WORDS.index(word[2].casefold())}"
    for look, what, way_out in LOOKS:
        if re.search(look, bare):
            return at, what, way_out
    return at, "a line that cannot be read", "text needs quotes, a decimal point is a dot, a list needs its ]"


def _tell_list(rows: list[str], at: int) -> tuple[int, str, str]:
    """A list that comes to no end: named where it begins."""
    begin = next((k for k in range(at, -1, -1) if re.search(rf"{KEY}=\s*\[", rows[k])), at)
    inside = " ".join(rows[begin : at + 1])
    if ";" in inside:
        return begin, "semicolons in a list", "part the values with commas, and write decimals with a dot"
    if re.search(r"\d\s+[-+]?\d", inside):
        return begin, "values of a list with no comma between them", "part them with commas"
    return begin, "a list that is not closed", "put ] behind its last value"


def _first_like(rows: list[str], at: int) -> int | None:
    """The earlier line with the same key, or heading, in the same table."""
    name = re.split(r"=|#", rows[at])[0].strip()
    is_heading = name.startswith("[")
    for k in range(at - 1, -1, -1):
        if not is_heading and rows[k].lstrip().startswith("["):
            return None
        if re.split(r"=|#", rows[k])[0].strip() == name:
            return k
    return None


def _shown(row: str) -> str:
    plain = "".join(letter if letter.isprintable() else "?" for letter in row.strip())
    return plain if len(plain) <= LONGEST else plain[: LONGEST - 3] + "..."
