"""What is wrong with a line that is no TOML, in plain words: by a look at the line, not by what a parser says."""

from __future__ import annotations

import re

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
    (
        rf"{KEY}=\s*\d{{1,2}}:\d{{2}}\s*(?:#.*)?$",
        "a time of day that is not whole",
        "write 10:30:00, or put it in quotes",
    ),
    (
        rf"{KEY}=\s*[-+]?\d{{1,3}}(?:[.' ]\d{{3}})+,\d",
        "a number with thousands marks",
        "write it plain, such as 1150.0",
    ),
    (
        rf"{KEY}=\s*{NUMBER}(?:\s*;|,\s|\s)\s*{NUMBER}",
        "several numbers and no list",
        "put them between [ and ]",
    ),
    (
        r"=\s*(?:\"{3}|'{3})",
        "a text of several lines that is not closed",
        "close it with the same three marks",
    ),
    (rf"{KEY}=\s*[-+]?\d+,\d", "a comma as decimal mark", "write the number with a dot, such as 3.0"),
    (rf"{KEY}=\s*[-+]?0\d", "a number that begins with 0", "leave the leading zero out"),
    (rf"{KEY}=\s*[-+]?(?:\.\d|\d+\.(?!\d))", "a decimal point without a digit on both sides", "write 0.5 or 5.0"),
    (
        rf"{KEY}=\s*{NUMBER}\s*[^\s\d#,\].eE+-]",
        "something behind the number",
        "leave the unit out: the key's name says it",
    ),
    (rf"{KEY}=\s*(?i:true|false|yes|no|on|off)\b", "a word for yes or no", "write true or false, in small letters"),
    (rf"{KEY}=\s*\"[^\"\\]*\\", "a backslash in double quotes", "use single quotes, or / in place of it"),
    (rf"{KEY}=\s*(?:\"[^\"]*|'[^']*)$", "a quotation mark that is not closed", "put one at the end of the text"),
    (
        rf"{KEY}=\s*(?:\"[^\"]*\"|'[^']*')\s*[^\s#]",
        "something behind the text in quotes",
        "take it out, or put # before",
    ),
    (
        r"^\s*\[[^\]]*$|^\s*\[\[[^\]]*\](?!\])",
        "a heading that is not closed",
        "write [name], or [[name]] with two of each",
    ),
    (r"^\s*\[[^\]]*\]\]?\s*[^\s#]", "something behind a heading", "put it on a line of its own"),
    (rf"{KEY}=\s*[A-Za-z]", "text without quotation marks", 'put it in quotes: key = "text"'),
    (
        r"^[^=\"']*\s[^=\"']*\S\s*=|^[^=]*[^\x00-\x7f][^=]*=",
        "a key that is not one plain word",
        "use a key of the template",
    ),
    (r"^[^=]*$", "no equals sign", "write key = value, or put # before a remark"),
)
"""What a line looks like, what that is, the way out; the first that fits is said."""


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
