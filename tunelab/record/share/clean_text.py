"""Clean copies of text files and pages: JSON, notebooks, TOML, tables, HTML. Their form stays, their private parts
go."""

from __future__ import annotations

import base64
import csv
import gzip
import io
import json
import re
import tomllib
from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any

from tunelab.channels import CHANNELS, name_key
from tunelab.lazy import as_if_missing
from tunelab.record.display import FIGURE, TABLE
from tunelab.record.page import ANSI, pack
from tunelab.record.share.kinds import KINDS
from tunelab.record.share.private import Scrubber
from tunelab.workspace.toml_file import PLACEHOLDER

if TYPE_CHECKING:
    import nbformat

PRIVATE_CHANNELS = ("latitude_deg", "longitude_deg", "altitude_m")
GONE_CHANNELS = PRIVATE_CHANNELS[:2]  # not in the log any more; height is, counted from the start
PRIVATE_HEADS = re.compile(
    r"^(?:gps)?(?:lat|latitude|lon|lng|long|longitude|position|coord\w*|nmea\w*|altitude|elevation|eastings?|northings?|utm\w*|mgrs|gridref\w*|geohash|pluscode|rechtswert|hochwert)(?:deg|degrees?|m|n|e|raw|gps)?$"
)
LEFT_OUT = "A figure that shows positions was left out of what is shared."
TEXTS = ("text/plain", "text/markdown")
SHOWN_TWICE = {"text/html"}  # a table as HTML; the table itself goes along
NOT_TEXT = "bytes"  # how bokeh marks numbers packed in base64
TOML_TEXT = re.compile(r'"""[\s\S]*?"""|\'\'\'[\s\S]*?\'\'\'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*')
NAMED = re.compile(r"(?P<key>\b(?:driver|entered_by|author)[\"']?\s*=\s*)(?P<name>\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*')")
NUMBER = re.compile(r"\s*[-+−]?\d*[.,]?\d+(?:[eE][-+−]?\d+)?\s*")


def is_position(heading: str) -> bool:
    """Whether a column's or a row's heading names a position on the earth."""
    stem = re.sub(r"[(\[{<][^)\]}>]*[)\]}>]\s*$", "", heading)
    keys = {name_key(heading), name_key(stem)}
    labels = {name_key(text) for n in PRIVATE_CHANNELS for text in (n, CHANNELS[n].label, *CHANNELS[n].aliases)}
    return bool(keys & labels) or any(PRIVATE_HEADS.match(key) for key in keys)


def clean_json(data: Any, scrubber: Scrubber, where: str) -> Any:
    """Clean every text within plain data, keys included; numbers packed as text by a figure stay as they are."""
    if isinstance(data, str):
        return scrubber.text(data, where)
    if isinstance(data, list):
        return [clean_json(item, scrubber, where) for item in data]
    if isinstance(data, dict):
        packed = data.get("type") == NOT_TEXT
        return {
            scrubber.text(key, where): item if packed and key == "data" else clean_json(item, scrubber, where)
            for key, item in data.items()
        }
    return data


def clean_json_text(text: str, scrubber: Scrubber, where: str) -> str:
    """Clean a JSON file; two spaces, as results.json is written."""
    return json.dumps(clean_json(json.loads(text), scrubber, where), indent=2, ensure_ascii=False) + "\n"


def clean_notebook(text: str, scrubber: Scrubber, where: str) -> str:
    """Clean an executed notebook: sources, outputs, tables, figures, metadata.

    Of an output only what a page shows goes along; pictures and the like cannot be read, so they go.
    """
    with as_if_missing("rfc3987_syntax"):  # a second, for addresses that no notebook holds
        import nbformat

    node = nbformat.reads(text, as_version=4)
    for cell in node.cells:
        cell.source = scrubber.text(cell.source, where)
        cell.metadata = nbformat.from_dict(clean_json(dict(cell.metadata), scrubber, where))
        if cell.pop("attachments", None):
            scrubber.note("unread", "a picture within a cell", where)
        for number, output in enumerate(cell.get("outputs", [])):
            cell.outputs[number] = _clean_output(output, scrubber, where)
    node.metadata = nbformat.from_dict(clean_json(dict(node.metadata), scrubber, where))
    return nbformat.writes(node)


def _clean_output(output: nbformat.NotebookNode, scrubber: Scrubber, where: str) -> nbformat.NotebookNode:
    import nbformat

    data = output.get("data", {})
    if FIGURE in data:
        if not scrubber.keeps_position and shows_position(data[FIGURE]["item"]):
            scrubber.note("position", "figure", where)
            return nbformat.v4.new_output("stream", name="stdout", text=LEFT_OUT + "\n")
        data[FIGURE] = nbformat.from_dict(clean_figure(dict(data[FIGURE]), scrubber, where))
    if TABLE in data:
        data[TABLE], is_cut = clean_table(dict(data[TABLE]), scrubber, where)
        if is_cut or _reads_as_private(data.get("text/plain", "")):
            data.pop("text/plain", None)  # the same table again
    rest = {k: _without_colour(v) for k, v in output.items() if k != "data"}
    kept = {k: data[k] for k in (FIGURE, TABLE) if k in data}
    kept |= {k: scrubber.text(_without_colour(data[k]), where) for k in TEXTS if k in data}
    for kind in sorted(set(data) - set(kept) - SHOWN_TWICE):
        scrubber.note("unread", f"an output of the kind {scrubber.text(kind, where)}", where)
    return nbformat.from_dict(clean_json(rest, scrubber, where) | ({"data": kept} if data else {}))


def _reads_as_private(plain: str) -> bool:
    """Whether columns printed side by side read as something private, which the table's own cells are not."""
    unsure = (rule for rule in KINDS if not rule.sure)
    texts = [plain, *plain.splitlines()]  # a notebook's file holds each line by itself
    return any(rule.holds(match) for rule in unsure for text in texts for match in rule.pattern.finditer(text))


def _without_colour(value: Any) -> Any:
    """Text without the colours of a terminal, which could stand in the middle of a name or right before a path."""
    if isinstance(value, list):
        return [_without_colour(item) for item in value]
    return ANSI.sub("", value) if isinstance(value, str) else value


def shows_position(item: str) -> bool:
    """Whether a drawn figure holds latitudes, longitudes or heights."""
    return bool(re.search(r"latitude|longitude|altitude", item, re.IGNORECASE))


def clean_figure(figure: dict, scrubber: Scrubber, where: str) -> dict:
    """Clean a figure's texts; `item` is JSON within JSON."""
    item = json.dumps(clean_json(json.loads(figure["item"]), scrubber, where), ensure_ascii=False)
    return {key: item if key == "item" else clean_json(value, scrubber, where) for key, value in figure.items()}


def clean_table(table: dict, scrubber: Scrubber, where: str) -> tuple[dict, bool]:
    """Clean a table of a notebook: rows and columns that give positions go; tells whether any did."""
    stays = scrubber.keeps_position
    keep = [stays or not is_position(str(head)) for head in table["head"]]
    rows = [row for row in table["rows"] if stays or not row_gives_position(row)]
    gone = len(table["rows"]) - len(rows) + keep.count(False)
    if gone:
        scrubber.note("position", "rows or columns of a table", where, times=gone)
    cut = {"head": _kept(table["head"], keep), "numeric": _kept(table["numeric"], keep)}
    return clean_json(table | cut | {"rows": [_kept(row, keep) for row in rows]}, scrubber, where), gone > 0


def row_gives_position(row: list[str]) -> bool:
    """Whether a row of a table is headed by a position and goes on with numbers."""
    return bool(row) and is_position(str(row[0])) and any(NUMBER.fullmatch(str(cell)) for cell in row[1:])


def _kept(items: list, keep: list[bool]) -> list:
    return [item for item, stays in zip(items, keep, strict=True) if stays]


def clean_toml(text: str, scrubber: Scrubber, where: str) -> str:
    """Clean the texts and comments of a TOML file; its keys and numbers stay."""
    if scrubber.hides_names:
        text = NAMED.sub(lambda found: _without_name(found, scrubber, where), text)
    return TOML_TEXT.sub(lambda found: _clean_toml_text(found.group(), scrubber, where), text)


def _clean_toml_text(text: str, scrubber: Scrubber, where: str) -> str:
    """Clean a comment or a string; one with escapes as it reads, since a letter of an escape would hide a beginning."""
    if text.startswith('"') and "\\" in text:
        value = tomllib.loads(f"text = {text}")["text"]
        cleaned = scrubber.text(value, where)
        return text if cleaned == value else json.dumps(cleaned, ensure_ascii=False)
    return scrubber.text(text, where)


def _without_name(found: re.Match[str], scrubber: Scrubber, where: str) -> str:
    """A key that names a person, with a word instead; one that is empty or not filled in stays."""
    name = tomllib.loads(f"name = {found['name']}")["name"]
    if not name.strip() or name == PLACEHOLDER or scrubber.text(name, "names") != name:
        return found.group()
    return f'{found["key"]}"{scrubber.word("name", name, where)}"'


def clean_csv(text: str, scrubber: Scrubber, where: str) -> str:
    """Clean a table of a record: columns of positions go, texts are cleaned, numbers stay as they are."""
    rows = list(csv.reader(io.StringIO(text)))
    if not rows:
        return text
    keep = [scrubber.keeps_position or not is_position(name) for name in rows[0]]
    if not all(keep):
        scrubber.note("position", "columns of a table", where, times=keep.count(False))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    channel = rows[0].index("channel") if "channel" in rows[0] and not scrubber.keeps_position else None
    for row in rows:
        if channel is not None and len(row) > channel and row[channel] in GONE_CHANNELS:
            continue
        cells = _kept(row, keep) if len(row) == len(keep) else row
        writer.writerow([c if NUMBER.fullmatch(c) else scrubber.text(c, where) for c in cells])
    return out.getvalue()


def unpack_figure(packed: str) -> str:
    """Give the text that a page carries packed."""
    return gzip.decompress(base64.b64decode(packed)).decode("utf-8")


def repack_figure(packed: str, scrubber: Scrubber, where: str) -> str | None:
    """Clean a figure as a page carries it; None where it shows positions."""
    item = unpack_figure(packed)
    if not scrubber.keeps_position and shows_position(item):
        scrubber.note("position", "figure", where)
        return None
    return pack(json.dumps(clean_json(json.loads(item), scrubber, where), ensure_ascii=False))


def clean_page(text: str, scrubber: Scrubber, where: str) -> str:
    """Clean one page that the kit wrote."""
    cleaner = _Cleaner(scrubber, where)
    cleaner.feed(text)
    cleaner.close()
    return "".join(cleaner.pieces)


@dataclass
class _Cell:
    """A cell of a table: where it begins and ends among the pieces written, and its text."""

    start: int
    is_head: bool
    end: int = 0
    text: str = ""


@dataclass
class _Row:
    start: int
    cells: list[_Cell] = field(default_factory=list)


class _Cleaner(HTMLParser):
    """Writes a page again as it reads it."""

    def __init__(self, scrubber: Scrubber, where: str):
        super().__init__(convert_charrefs=True)
        self.pieces: list[str] = []
        self._scrubber, self._where = scrubber, where
        self._inside = ""  # script, style or figure
        self._row: _Row | None = None
        self._figure_from = 0  # where among the pieces the figure at hand begins
        self._columns: set[int] = set()  # columns of the table at hand that give positions

    def handle_decl(self, decl: str) -> None:
        self.pieces.append(f"<!{decl}>")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self._inside = "figure" if dict(attrs).get("data-figure") else tag
        if tag == "figure":
            self._figure_from = len(self.pieces)
        if tag == "table":
            self._columns = set()
        if tag == "tr":
            self._row = _Row(len(self.pieces))
        if tag in ("td", "th") and self._row:
            self._row.cells.append(_Cell(len(self.pieces), is_head=tag == "th"))
        self.pieces.append(f"<{tag}{''.join(self._attribute(name, value) for name, value in attrs)}>")

    def _attribute(self, name: str, value: str | None) -> str:
        if value is None:
            return f" {name}"
        kept = name in ("content", "style", "class", "d")
        return f' {name}="{escape(value if kept else self._scrubber.text(value, self._where))}"'

    def handle_endtag(self, tag: str) -> None:
        self.pieces.append(f"</{tag}>")
        if tag in ("script", "style"):
            self._inside = ""
        if tag in ("td", "th") and self._row and self._row.cells:
            self._row.cells[-1].end = len(self.pieces)
        if tag == "tr" and self._row:
            self._end_row(self._row)
            self._row = None

    def _end_row(self, row: _Row) -> None:
        """Take out a row that gives a position, or its cells in columns that do."""
        if self._scrubber.keeps_position:
            return
        texts = [cell.text.strip() for cell in row.cells]
        if row.cells and all(cell.is_head for cell in row.cells):
            self._columns = {k for k, text in enumerate(texts) if is_position(text)}
        elif row_gives_position(texts):
            self._scrubber.note("position", "rows or columns of a table", self._where)
            del self.pieces[row.start :]
            return
        for k in sorted(self._columns, reverse=True):
            if k < len(row.cells):
                self._scrubber.note("position", "rows or columns of a table", self._where)
                del self.pieces[row.cells[k].start : row.cells[k].end]

    def handle_data(self, data: str) -> None:
        if self._inside == "figure":
            self._figure(data)
        elif self._inside:
            self.pieces.append(data)
        else:
            if self._row and self._row.cells:
                self._row.cells[-1].text += data
            self.pieces.append(escape(self._scrubber.text(data, self._where), quote=False))

    def _figure(self, data: str) -> None:
        """Put the cleaned figure back; or a sentence in its place, and of its still picture and text nothing."""
        cleaned = repack_figure(data.strip(), self._scrubber, self._where)
        if cleaned is not None:
            self.pieces.append(cleaned)
            return
        del self.pieces[self._figure_from :]
        self.pieces.append(f'<figure><p class="note">{LEFT_OUT}</p><script type="text/plain">')
