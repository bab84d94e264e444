"""The page of one executed notebook: one HTML file that opens offline, on a phone and on paper."""

from __future__ import annotations

import base64
import gzip
import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from markdown_it import MarkdownIt
from markupsafe import Markup

from tunelab.record.answer import Answer, answer_of
from tunelab.record.display import FIGURE, TABLE, real_minus, typeset
from tunelab.record.still import draw_still

if TYPE_CHECKING:
    import nbformat

    from tunelab.record.execute import Run

TEMPLATES = Path(__file__).parent / "templates"
EXTRA = {"bokeh-tables": ("DataTable", "DataCube"), "bokeh-widgets": ("Slider", "Select", "Button", "Div", "Tabs")}


@dataclass(frozen=True)
class Script:
    """One script as the page carries it: compressed text, and the hash by which the policy knows it."""

    name: str
    packed: str  # gzip, then base64
    policy_hash: str


@cache
def bokeh_script(name: str) -> Script:
    """Pack one of bokeh's own scripts, such as `bokeh`, from the installed package."""
    import bokeh

    path = Path(bokeh.__file__).parent / "server" / "static" / "js" / f"{name}.min.js"
    text = path.read_text(encoding="utf-8")
    return Script(name, pack(text), policy_hash(text))


def scripts_for(figures: Iterable[str]) -> list[Script]:
    """Choose the scripts that these figures need, given as JSON texts; none where there is no figure."""
    texts = list(figures)
    if not texts:
        return []
    extra = [n for n, models in EXTRA.items() if any(f'"name": "{m}"' in text for m in models for text in texts)]
    return [bokeh_script(name) for name in ["bokeh", *extra]]


def pack(text: str) -> str:
    """Compress a text and write it in base64; the same text gives the same result."""
    return base64.b64encode(gzip.compress(text.encode("utf-8"), compresslevel=9, mtime=0)).decode("ascii")


def policy_hash(text: str) -> str:
    """Hash of a script in the notation of the Content Security Policy (W3C CSP Level 3, section 2.3.1)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def policy(scripts: Iterable[str]) -> str:
    """Write the policy of a page: nothing from anywhere, and only scripts with these hashes.

    Styles are inline, because bokeh writes them; pictures may only be the page's own data.
    """
    sources = " ".join(scripts) or "'none'"
    return (
        f"default-src 'none'; script-src {sources}; style-src 'unsafe-inline'; img-src data: blob:; "
        "font-src data:; connect-src 'none'; form-action 'none'; base-uri 'none'"
    )


WORD = re.compile(r"(?:[^\s–/-]|\N{NO-BREAK SPACE})+[–/-]?|[–/-]")  # what a browser does not break
ANSI = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
NOT_RUN = "What comes after this in the notebook did not run."
BANNER_TAG = "papermill-error-cell-tag"
ANSWER_FIGURE = "answer-figure"  # tag of the cell whose figure shows the answer
TO_DO = "to-do"  # tag of the heading whose section says in full what to do
LAST = ("What may be trusted", "What was read")  # sections about the log, not about the question
HANDED_OVER = "record.write("
ROOM, ROOM_IN_SMALL_TYPE = 96.0, 115.0  # letters across a page and across a sheet of paper, in the type of tables
GAP = 1.5  # between columns, in letters
LONG, MID, LEAST_LONG, LEAST_MID = 24, 11, 16, 10  # letters of a cell that wraps, and its least room
MOST_KEYS = 3  # leading columns that name a row; each part of a table begins with them


@dataclass(frozen=True)
class Part:
    """One output as the page shows it; `kind` is figure, table, text or failure."""

    kind: str
    content: Any


@dataclass(frozen=True)
class Block:
    """One cell as the page shows it: prose, or code folded away with its outputs."""

    prose: Markup
    code: str
    parts: tuple[Part, ...]
    heading: str = ""  # of the section that it begins
    tags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """A part of the page under one heading."""

    heading: str
    slug: str
    blocks: tuple[Block, ...]


def notebook_page(
    run: Run, about: Mapping[str, str], chapter: Mapping[str, Any] | None = None,
    beside: Sequence[Mapping[str, Any]] = (),
) -> str:  # fmt: skip
    """Write the page of a notebook that was run: the answer first, where it comes from last.

    Parameters
    ----------
    run : Run
        The executed notebook, whole or up to where it failed.
    about : mapping
        Label → text of the lines under the title, such as the session and its date.
    chapter : mapping, optional
        What the notebook handed over; None: it failed before, or hands over nothing.
    beside : sequence of mapping
        Findings of other questions that passed a limit of this one.

    Returns
    -------
    str
        HTML that asks for nothing from any network.
    """
    blocks = _as_far_as_it_ran(_merge_code([_block(cell) for cell in run.executed.cells if not _is_hidden(cell)]))
    figures = [part.content["item"] for block in blocks for part in block.parts if part.kind == "figure"]
    answer = answer_of(chapter, run.notebook.answer, beside) if chapter and not run.failed else None
    lifted = _lift(blocks) if answer else None
    head, sections = _sections(_without_repeats(blocks, answer) if answer else blocks)
    asked = [section for section in sections if any(TO_DO in block.tags for block in section.blocks)]
    last = [section for section in sections if section.heading in LAST] if not run.failed else []
    values = {
        "title": run.notebook.question or run.notebook.name,
        "about": about,
        "failure": run.failure,
        "stopped_at": next((s for s in sections if any(p.kind == "failure" for b in s.blocks for p in b.parts)), None),
        "answer": answer,
        "lifted": lifted,
        "head": head,
        "asked": [_without_told(section) for section in asked] if answer else [],
        "sections": [s for s in sections if s not in last and not (answer and s in asked)],
        "last": sorted(last, key=lambda section: LAST.index(section.heading)),
        "bare": [section.slug for section in last if not any(b.parts or b.prose.strip() for b in section.blocks)],
    }
    return fill("notebook.html", figures, values)


def _lift(blocks: Sequence[Block]) -> Part | None:
    """The figure that shows the answer; where none is marked, none stands with it."""
    parts = [part for block in blocks if ANSWER_FIGURE in block.tags for part in block.parts if part.kind == "figure"]
    return next(iter(parts), None)


def _without_repeats(blocks: Sequence[Block], answer: Answer) -> list[Block]:
    """Leave out what stands at the top already: the figure lifted there, the table of findings, what is to be done."""
    has_own = any(TO_DO in block.tags for block in blocks)  # a section that stands there in place of these tables
    above = [] if has_own else [table["rows"] for table in answer.tables]
    kept = []
    for block in blocks:
        if ANSWER_FIGURE in block.tags:
            block = replace(block, parts=tuple(Part("lifted", "") if p.kind == "figure" else p for p in block.parts))
        if block.code.rpartition("\n\n")[2].startswith(HANDED_OVER) or block.code.startswith(HANDED_OVER):
            block = replace(block, parts=tuple(part for part in block.parts if part.kind != "table"))
        shown = (Part("above", "") if p.kind == "table" and p.content["rows"] in above else p for p in block.parts)
        kept.append(replace(block, parts=tuple(shown)))
    return kept


def _without_told(section: Section) -> Section:
    """Leave out the sentences of a section that stands under what to do: they stand at its head already."""
    told = ("prose", "text")
    blocks = (replace(b, parts=tuple(part for part in b.parts if part.kind not in told)) for b in section.blocks)
    return replace(section, blocks=tuple(blocks))


def _sections(blocks: Sequence[Block]) -> tuple[Section, list[Section]]:
    """What stands before the first heading, and the sections after it."""
    starts = [k for k, block in enumerate(blocks) if block.heading]
    ends = [*starts[1:], len(blocks)] if starts else []
    head = Section("", "", tuple(blocks[: starts[0]] if starts else blocks))
    return head, [
        Section(blocks[a].heading, re.sub(r"\W+", "-", blocks[a].heading.lower()).strip("-"), tuple(blocks[a:b]))
        for a, b in zip(starts, ends, strict=True)
    ]


def fitted(item: Mapping[str, Any]) -> list[dict[str, Any]]:
    """A table as it fits a page and a sheet without a broken number or word: whole, in small type, or in parts."""
    names, rows = item["head"], item["rows"]
    wide = [_least_width(k, item) + GAP for k in range(len(names))]
    if item.get("compact") or sum(wide) <= ROOM_IN_SMALL_TYPE:
        return [{**item, "many": sum(wide) > ROOM}]
    keys = next((k for k in range(1, MOST_KEYS) if len({tuple(row[:k]) for row in rows}) == len(rows)), MOST_KEYS)
    parts: list[list[int]] = [list(range(keys))]
    for k in range(keys, len(names)):
        if len(parts[-1]) > keys and sum(wide[j] for j in [*parts[-1], k]) > ROOM:
            parts.append(list(range(keys)))
        parts[-1].append(k)
    return [_part_of(item, columns) | {"many": sum(wide[k] for k in columns) > ROOM} for columns in parts]


def _least_width(column: int, item: Mapping[str, Any]) -> float:
    """Letters across a column, with numbers and words whole."""
    least = longest_word(item["head"][column].replace(" ", "\n"))  # it may break before its unit
    for cell in (str(row[column]) for row in item["rows"]):
        own = len(cell) if item["numeric"][column] else longest_word(cell)
        least = max(least, min(own, LONG), LEAST_LONG if len(cell) > LONG else LEAST_MID if len(cell) > MID else 0)
    return least


def longest_word(text: str) -> int:
    """Letters of the longest piece of a text that does not break."""
    return max((len(word) for word in WORD.findall(typeset(text))), default=0)


def _part_of(item: Mapping[str, Any], columns: Sequence[int]) -> dict[str, Any]:
    typed = item.get("typed", ())
    return {
        **item,
        "head": [item["head"][k] for k in columns],
        "numeric": [item["numeric"][k] for k in columns],
        "rows": [[row[k] for k in columns] for row in item["rows"]],
        "typed": [place for place, k in enumerate(columns) if k in typed],
    }


def fill(template: str, figures: list[str], values: Mapping[str, Any]) -> str:
    """Fill one of the templates, with the scripts that its figures need and the policy that allows just those."""
    loader = _asset("page.js")
    scripts = scripts_for(figures)
    allowed = [policy_hash(loader), *(script.policy_hash for script in scripts)] if scripts else []
    page = (
        _environment()
        .get_template(template)
        .render(
            **values,
            style=Markup(_asset("page.css")),
            loader=Markup(loader) if scripts else "",
            scripts=scripts,
            policy=Markup(policy(allowed)),
        )
    )
    return page.translate(_NOT_TEXT)


# Control characters, and those that turn the direction of the text after them: a name could show as another one.
_NOT_TEXT = dict.fromkeys(
    [*range(9), 11, 12, *range(14, 32), *range(127, 160), 0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F),
     *range(0x2066, 0x206A)], "\ufffd"
)  # fmt: skip


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finish,
    )
    environment.filters["pack"] = lambda text: Markup(pack(text))
    environment.filters.update(prose=prose, fitted=fitted, longest_word=longest_word, real_minus=real_minus)
    environment.globals["glossary"] = prose(_asset("glossary.md"))
    return environment


def _finish(value: Any) -> Any:
    """Set the numbers of a text; what is HTML already, such as code, stays as it is."""
    return typeset(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _asset(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


@cache
def _markdown() -> MarkdownIt:
    return MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")


def prose(text: str) -> Markup:
    """Turn Markdown into HTML; HTML within it stays text, and pictures are left out."""
    parsed = _markdown().parse(text)
    for token in (child for block in parsed for child in block.children or ()):
        if token.type == "text":
            token.content = typeset(token.content)
    html = _PARAGRAPH.sub(_mark_by_hand, _markdown().renderer.render(parsed, _markdown().options, {}))
    return Markup(
        html.replace("<table>", '<div class="wide" tabindex="0"><table>').replace("</table>", "</table></div>")
    )


# What a reader does with a mouse or in a notebook has no place on paper.
_BY_HAND = re.compile(r"\b(?:[Dd]rag to|under the pointer|zoom|slider|box selection|JupyterLab)\b")
_PARAGRAPH = re.compile(r"(?<=<p>).*?(?=</p>)", re.DOTALL)


def _mark_by_hand(paragraph: re.Match) -> str:
    """Mark the sentences of a paragraph that are for the screen alone."""
    sentences = re.split(r"(?<=[.!?])\s+(?=[A-Z])", paragraph[0])
    whole = (s.count("<") == 2 * s.count("</") for s in sentences)  # no tag is opened in one and closed in another
    marked = (
        f'<span class="on-screen">{text}</span>' if closed and _BY_HAND.search(text) else text
        for text, closed in zip(sentences, whole, strict=True)
    )
    return " ".join(marked)


def _is_hidden(cell: nbformat.NotebookNode) -> bool:
    return BANNER_TAG in cell.metadata.get("tags", []) or not cell.source.strip()


def _block(cell: nbformat.NotebookNode) -> Block:
    tags = tuple(cell.metadata.get("tags", ()))
    if cell.cell_type != "code":
        heading, text = _heading(cell.source) if cell.cell_type == "markdown" else ("", "")
        return Block(prose(text), "", (), heading, tags)
    parts = [_part(output) for output in _join_streams(cell.outputs)]
    return Block(Markup(""), cell.source, tuple(part for part in parts if part), tags=tags)


def _heading(source: str) -> tuple[str, str]:
    """The heading of a section apart from its text; the page's own title stands in its head, and is left out."""
    first, _, rest = source.lstrip().partition("\n")
    if first.startswith("## "):
        return first[3:].strip(), rest
    return "", rest if first.startswith("# ") else source


def _join_streams(outputs: list[nbformat.NotebookNode]) -> list[nbformat.NotebookNode]:
    """Join what was printed in pieces; how the pieces arrive is chance."""
    joined: list[nbformat.NotebookNode] = []
    for output in outputs:
        before = joined[-1] if joined else None
        if before and output.output_type == before.output_type == "stream" and output.name == before.name:
            joined[-1] = type(before)({**before, "text": before.text + output.text})
        else:
            joined.append(output)
    return joined


def _merge_code(blocks: list[Block]) -> list[Block]:
    """Join code that shows nothing with the code after it, so that a reader unfolds it once."""
    merged: list[Block] = []
    for block in blocks:
        before = merged[-1] if merged else None
        if before and before.code and block.code and not before.parts:
            code, tags = f"{before.code}\n\n{block.code}", (*before.tags, *block.tags)
            merged[-1] = Block(block.prose, code, block.parts, tags=tags)
        else:
            merged.append(block)
    return merged


def _as_far_as_it_ran(blocks: list[Block]) -> list[Block]:
    """Leave out what comes after a cell that failed: words about figures that are not there."""
    failed = [any(part.kind == "failure" for part in block.parts) for block in blocks]
    return [*blocks[: failed.index(True) + 1], Block(prose(NOT_RUN), "", ())] if True in failed else blocks


def _part(output: nbformat.NotebookNode) -> Part | None:
    if output.output_type == "error":
        return Part("failure", ANSI.sub("", "\n".join(output.traceback)))
    if output.output_type == "stream":
        return Part("text", ANSI.sub("", output.text)) if output.text.strip() else None
    if FIGURE in (data := output.data):
        still = draw_still(data[FIGURE]["item"])
        legend = [(Markup(look), words) for look, words in still.legend]
        return Part("figure", {**data[FIGURE], "still": Markup(still.svg), "legend": legend})
    if TABLE in data:
        return Part("table", data[TABLE])
    if "text/markdown" in data:
        return Part("prose", prose(data["text/markdown"]))
    text = str(data.get("text/plain", "")).strip()
    return Part("text", text) if text else None
