"""Clean copies of pages: text, attributes, rows of tables and packed figures; scripts and styles are the kit's own."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser

from tunelab.record.share.clean_text import LEFT_OUT, is_position, repack_figure, row_gives_position
from tunelab.record.share.private import Scrubber


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
