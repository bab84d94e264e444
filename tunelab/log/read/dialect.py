"""Find out how a delimited text is written: delimiter, decimal mark, where names, units and data stand."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from tunelab.channels import is_known_name
from tunelab.log.read.raw import THIS_FILE, ReadError
from tunelab.units import recognise_unit

DELIMITERS = (",", ";", "\t", "|")
_HEAD_LINES = 400
_HEAD_BYTES = 1 << 19
_SAMPLE_LINES = 100
_MOST_COLUMNS = 5000
_DATA_SHARE = 0.5  # of the filled fields of a data line are values at least
_SPREAD = 16  # places over the rest of the file from which some lines are looked at

_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)(e[+-]?\d+)?", re.I)
_NUMBERS = re.compile(rf"(?>{_NUMBER.pattern}\n)*+", re.I)  # each by itself: nothing is tried again
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([.,' \u00a0\u202f’])\d{3})(?:\1\d{3})*(?:[.,]\d+)?")
_STAMP = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([T ]+\d{1,2}:\d{2}.*)?"
    r"|\d{1,2}[- ][a-z]{3,9}\.?[- ]\d{2,4}([T, ]+\d{1,2}:\d{2}.*)?"
    r"|\d{1,3}:\d{2}(:\d{2})?([.,:]\d+)?( ?[ap]\.?m\.?)?|\d{8}T\d{6}.*",
    re.I,
)
_NUMBER_HEAD = re.compile(r"[-+\d.,' \u00a0\u202f’]*")
_MEASURED = re.compile(r"[+-]?\d+(?:[.,]\d+)?\s?[^\d\s.,;:+-]{1,5}")


@dataclass(frozen=True)
class Layout:
    """Where things stand in a delimited text. Line positions count from 0; -1 is none."""

    delimiter: str
    decimal: str
    header: int
    unit_row: int
    data: int  # first line of data
    names: tuple[str, ...]
    units: tuple[str, ...]
    width: int  # fields in a data line
    is_plain: tuple[bool, ...]  # columns in which nothing but plain numbers was seen
    is_padded: bool  # blanks stand round the numbers
    is_said: bool  # the owner has said the decimal mark


def find_layout(data: bytes, *, headings: Sequence[str], decimal: str | None) -> Layout:
    """Find the layout of a delimited text.

    Parameters
    ----------
    data : bytes
        UTF-8 with LF line ends.
    headings : sequence of str
        Column names for a text without a heading line; empty where the text names its own.
    decimal : str or None
        Decimal mark, where the owner has said it.

    Raises
    ------
    ReadError
        No delimiter, no heading line, or headings that do not fit the data.
    """
    head = head_lines(data)
    delimiter, width = find_delimiter(head)
    if width > _MOST_COLUMNS:
        raise ReadError(f"its lines have {width} fields, and no log has more than {_MOST_COLUMNS}; is this a log?")
    first, above = _find_first(head, delimiter, width)
    below = [split_line(line, delimiter) for line in head[first : max(len(head) - 1, first + 1)][:_SAMPLE_LINES]]
    sample = [cells for cells in below + _spread(data, delimiter) if len(cells) == width]
    header, unit_row = _find_header(above, first, width) if not headings else (-1, -1)
    names = tuple(headings) if headings else _names(above, header, first, width)
    _check_width(names, width, header, sample)
    start = max(header, unit_row) + 1 if header >= 0 else first
    start = next(i for i in range(start, len(head)) if head[i].strip())
    return Layout(
        delimiter=delimiter,
        decimal=decimal or _find_decimal(sample),
        header=header,
        unit_row=unit_row,
        data=start,
        names=_fit(names, width),
        units=_fit(tuple(above[unit_row]) if unit_row >= 0 else (), width),
        width=width,
        is_plain=tuple(bool(_NUMBERS.fullmatch("\n".join(column) + "\n")) for column in zip(*sample, strict=True)),
        is_padded=_is_padded(head[first : first + 50], delimiter),
        is_said=decimal is not None,
    )


def head_lines(data: bytes) -> list[str]:
    """First lines of a text, from which its layout is found; the last may be cut off."""
    return data[:_HEAD_BYTES].decode("utf-8", errors="replace").split("\n")[:_HEAD_LINES]


def _find_first(head: list[str], delimiter: str, width: int) -> tuple[int, list[list[str]]]:
    """Position of the first data line, and the lines above it, cut into fields."""
    above: list[list[str]] = []
    for position, line in enumerate(head):
        cells = split_line(line, delimiter)
        if len(cells) == width and _is_data(cells) and not _stands_above_names(head, position, delimiter, width):
            return position, above
        above.append(cells)
    raise ReadError("no data line was found below the heading line.")


def _stands_above_names(head: list[str], position: int, delimiter: str, width: int) -> bool:
    """Whether a line of numbers only counts the columns: the one heading line stands right below it."""
    if any(share_of_names(split_line(line, delimiter)) > 0.3 for line in head[:position]):
        return False  # a logger that started anew after its first row
    below = split_line(head[position + 1], delimiter) if position + 1 < len(head) else []
    return len(below) == width and share_of_names(below) > 0.3 and not any(map(is_value, below))


def split_line(line: str, delimiter: str) -> list[str]:
    """Cut one line into its fields, outer blanks and quotes taken off."""
    line = line.rstrip("\r\n")
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
    except csv.Error:  # a control character inside, or a field beyond the module's limit: no quoting to go by
        return [cell.replace('"', "").strip() for cell in line.split(delimiter)]


def find_delimiter(head: list[str]) -> tuple[str, int]:
    """Find what cuts the lines of a table into fields, and how many fields its rows have.

    Raises
    ------
    ReadError
        Nothing does.
    """
    scores = {delimiter: _score(head, delimiter) for delimiter in DELIMITERS}
    best = max(scores, key=lambda delimiter: scores[delimiter])
    if not scores[best][0]:
        raise ReadError(
            "no table was found: no comma, semicolon, tab or bar cuts its lines into a time and readings. "
            "Wanted: one line per sample, with a heading line above the first."
        )
    return best, scores[best][1]


def _score(head: list[str], delimiter: str) -> tuple[float, int]:
    """How well a delimiter makes a table of the lines, and how many fields its rows have."""
    lines = [line for line in head if delimiter in line]
    rows = [split_line(line, delimiter) for line in lines[:: max(len(lines) // 60, 1)]]
    shares = [(len(row), _share_of_values(row)) for row in rows if len(row) >= 2]
    filled = [(length, share) for length, share in shares if share >= _DATA_SHARE]
    if not filled:
        return 0.0, 0
    width, count = Counter(length for length, _ in filled).most_common(1)[0]
    like = [share for length, share in filled if length == width]
    cut = (split_line(line, delimiter) for line in lines[:60] if abs(line.count(delimiter) + 1 - width) <= 1)
    heading = any(not _is_data(cells) for cells in cut)
    return (sum(like) / len(like)) ** 2 * count / len(filled) * (1.0 if heading else 0.6) * (1 - 0.5 / width), width


def _share_of_values(cells: list[str]) -> float:
    filled = [cell for cell in cells if cell.strip("-")]
    if filled and _NUMBERS.fullmatch("\n".join(filled) + "\n"):
        return 1.0
    return sum(is_value(cell) for cell in filled) / len(filled) if filled else 0.0


def _is_data(cells: list[str]) -> bool:
    return len(cells) >= 2 and _share_of_values(cells) >= _DATA_SHARE


def is_value(cell: str) -> bool:
    """True for a number, a grouped number, a clock time or a date, or a number with its unit; "1/min" is a unit."""
    if _NUMBER.fullmatch(cell) or _GROUPED.fullmatch(cell) or _STAMP.fullmatch(cell):
        return True
    return _MEASURED.fullmatch(cell) is not None and recognise_unit(cell) is None


def _find_header(rows: list[list[str]], first: int, width: int) -> tuple[int, int]:
    """Positions of the heading line and of the unit line, -1 where there is none."""
    block: list[int] = []
    for position in range(first - 1, -1, -1):
        cells = rows[position]
        if not any(cells):
            continue
        if abs(len(cells) - width) > 1 and not (len(cells) > 1 and not block):
            break
        block.append(position)
    units = _find_unit_row(rows, block)
    names = [p for p in block if p != units]
    if not names:
        return -1, -1
    return max(names, key=lambda p: (sum(is_known_name(c) for c in rows[p]), len({c for c in rows[p] if c}), p)), units


def _find_unit_row(rows: list[list[str]], block: list[int]) -> int:
    """Position of the line that holds units, -1 where none does.

    "s, rpm" may be names as well as units: of several lines the one with the most units is the unit line, if
    another one has names; a lone line is the heading.
    """
    shares = {p: share_of_units(rows[p]) for p in block}
    best = max(shares, key=lambda p: shares[p], default=-1)
    if len(block) < 2 or shares[best] < 0.5 or min(shares.values()) == shares[best]:
        return -1
    named = max(share_of_names(rows[p]) for p in block if p != best)
    return best if named > 0.3 or share_of_names(rows[best]) < 0.5 else -1


def share_of_names(cells: list[str]) -> float:
    """Share of the filled cells that are names of channels or of a clock."""
    filled = [cell for cell in cells if cell]
    return sum(is_known_name(cell) for cell in filled) / len(filled) if filled else 0.0


def share_of_units(cells: list[str]) -> float:
    """Share of the cells that are units; none of them in a line that holds a number, whose "-" are missing readings."""
    filled = [cell for cell in cells if cell]
    numbers = {cell for cell in filled if _NUMBER.fullmatch(cell) or _STAMP.fullmatch(cell)}
    if numbers - {"1"}:
        return 0.0
    if numbers and 2 * sum(cell != "1" and recognise_unit(cell) not in (None, "1") for cell in filled) < len(filled):
        return 0.0  # "1" is the unit of a ratio only among other units
    known = sum(recognise_unit(cell) is not None or cell.strip("[](){}").casefold() in _UNIT_WORDS for cell in filled)
    return known / len(filled) if filled else 0.0


_UNIT_WORDS = {"-", "--", "on/off", "hh:mm:ss", "hh:mm:ss.fff", "state", "text", "#", "n/a", "0/1", "lambda", "afr"}


def _names(rows: list[list[str]], header: int, first: int, width: int) -> tuple[str, ...]:
    if header < 0:
        raise ReadError(
            f"line {first + 1} already holds data and there is no heading line above it; the {width} columns have no "
            "names. Give them in channels.toml, in order:\n"
            f'    [[file]]\n    name = "{THIS_FILE}"\n    headings = ["Time (s)", "Engine speed (rpm)", ...]'
        )
    cells = rows[header]
    return (re.sub(r"^(#|//|%|;)\s*", "", cells[0]), *cells[1:])


def _check_width(names: tuple[str, ...], width: int, header: int, sample: list[list[str]]) -> None:
    extra = names[width:]
    missing = range(len(names), width)
    if len(names) > width and not any(extra) and _is_mostly_empty(sample, width - 1):
        raise ReadError(
            f"line {header + 1} has {len(names)} fields, and most data lines have {width} and end in an empty one: a "
            "cell is missing in them, and nothing says which. Give the names of the columns that are there in "
            "channels.toml: [[file]] with name and headings."
        )
    if any(extra) or any(cells[i] for i in missing for cells in sample):
        where = f"line {header + 1} has" if header >= 0 else "channels.toml gives"
        raise ReadError(
            f"{where} {len(names)} column names and most data lines have {width} fields; they must agree. Is the "
            "decimal mark the same as the delimiter, or is the heading line damaged? Names can be given in "
            "channels.toml: [[file]] with name and headings."
        )


def _is_mostly_empty(sample: list[list[str]], place: int) -> bool:
    return bool(sample) and sum(not cells[place] for cells in sample) > 0.5 * len(sample)


def _fit(cells: Sequence[str], width: int) -> tuple[str, ...]:
    return tuple(cells[:width]) + ("",) * (width - len(cells))


def _spread(data: bytes, delimiter: str) -> list[list[str]]:
    """Cut some lines from all over the file."""
    if len(data) <= _HEAD_BYTES // 8:
        return []
    step = len(data) // (_SPREAD + 1)
    lines = []
    for start in range(step, step * _SPREAD + 1, step):
        lines += data[start : start + 8192].split(b"\n")[1:-1][:5]
    return [split_line(line.decode("utf-8", errors="replace"), delimiter) for line in lines]


def _find_decimal(sample: list[list[str]]) -> str:
    """Decimal mark from the numbers themselves, units behind them left aside.

    Where every comma stands before three digits, as in 2,500, the point is taken: what such a column holds is settled
    when it is known which channel it is.
    """
    heads = (_NUMBER_HEAD.match(cell) for row in sample for cell in row if "," in cell and is_value(cell))
    cells = {head[0].strip() for head in heads if head}
    with_comma = {cell for cell in cells if _NUMBER.fullmatch(cell) or _GROUPED.fullmatch(cell)}
    if any(re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+\.\d+|[+-]?\d{1,3}(,\d{3}){2,}", cell) for cell in with_comma):
        return "."
    return "," if any(not re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell) for cell in with_comma) else "."


def _is_padded(lines: list[str], delimiter: str) -> bool:
    blank = " " if delimiter == "\t" else " \t"
    beside = re.compile(rf"(^|{re.escape(delimiter)})[{blank}]|[{blank}]({re.escape(delimiter)}|$)")
    return any(beside.search(line) for line in lines if any(mark in line for mark in blank))
