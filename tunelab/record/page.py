"""The page of one executed notebook: one HTML file that opens offline, on a phone and on paper."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import jinja2
from markdown_it import MarkdownIt
from markupsafe import Markup

from tunelab.record.bundle import TEMPLATES, pack, policy, policy_hash, scripts_for
from tunelab.record.display import FIGURE, TABLE
from tunelab.record.execute import Run

if TYPE_CHECKING:
    import nbformat

ANSI = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
NOT_RUN = "What comes after this in the notebook did not run."
BANNER_TAG = "papermill-error-cell-tag"


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


def notebook_page(run: Run, about: Mapping[str, str]) -> str:
    """Write the page of a notebook that was run.

    Parameters
    ----------
    run : Run
        The executed notebook, whole or up to where it failed.
    about : mapping
        Label → text of the lines under the title, such as the session and its date.

    Returns
    -------
    str
        HTML that asks for nothing from any network.
    """
    blocks = _as_far_as_it_ran(_merge_code([_block(cell) for cell in run.executed.cells if not _is_hidden(cell)]))
    figures = [part.content for block in blocks for part in block.parts if part.kind == "figure"]
    return fill(
        "notebook.html",
        [figure["item"] for figure in figures],
        {"title": run.notebook.question or run.notebook.name, "about": about, "blocks": blocks, "failure": run.failure},
    )


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
    )
    environment.filters["pack"] = lambda text: Markup(pack(text))
    environment.filters["prose"] = prose
    return environment


@cache
def _asset(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


@cache
def _markdown() -> MarkdownIt:
    return MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")


def prose(text: str) -> Markup:
    """Turn Markdown into HTML; HTML within it stays text, and pictures are left out."""
    html = _markdown().render(text)
    return Markup(
        html.replace("<table>", '<div class="wide" tabindex="0"><table>').replace("</table>", "</table></div>")
    )


def _is_hidden(cell: nbformat.NotebookNode) -> bool:
    return BANNER_TAG in cell.metadata.get("tags", []) or not cell.source.strip()


def _block(cell: nbformat.NotebookNode) -> Block:
    if cell.cell_type != "code":
        return Block(prose(cell.source) if cell.cell_type == "markdown" else Markup(""), "", ())
    parts = [_part(output) for output in _join_streams(cell.outputs)]
    return Block(Markup(""), cell.source, tuple(part for part in parts if part))


def _join_streams(outputs: list[nbformat.NotebookNode]) -> list[nbformat.NotebookNode]:
    """Join what was printed in pieces; how the pieces arrive is chance."""
    from nbformat.v4 import new_output

    joined: list[nbformat.NotebookNode] = []
    for output in outputs:
        before = joined[-1] if joined else None
        if before and output.output_type == before.output_type == "stream" and output.name == before.name:
            joined[-1] = new_output("stream", name=output.name, text=before.text + output.text)
        else:
            joined.append(output)
    return joined


def _merge_code(blocks: list[Block]) -> list[Block]:
    """Join code that shows nothing with the code after it, so that a reader unfolds it once."""
    merged: list[Block] = []
    for block in blocks:
        before = merged[-1] if merged else None
        if before and before.code and block.code and not before.parts:
            merged[-1] = Block(block.prose, f"{before.code}\n\n{block.code}", block.parts)
        else:
            merged.append(block)
    return merged


def _as_far_as_it_ran(blocks: list[Block]) -> list[Block]:
    """Leave out what comes after a cell that failed: words about figures that are not there."""
    failed = [any(part.kind == "failure" for part in block.parts) for block in blocks]
    if True not in failed:
        return blocks
    return [*blocks[: failed.index(True) + 1], Block(prose(NOT_RUN), "", ())]


def _part(output: nbformat.NotebookNode) -> Part | None:
    if output.output_type == "error":
        return Part("failure", ANSI.sub("", "\n".join(output.traceback)))
    if output.output_type == "stream":
        return Part("text", ANSI.sub("", output.text)) if output.text.strip() else None
    data = output.data
    if FIGURE in data:
        return Part("figure", data[FIGURE])
    if TABLE in data:
        return Part("table", data[TABLE])
    if "text/markdown" in data:
        return Part("prose", prose(data["text/markdown"]))
    text = str(data.get("text/plain", "")).strip()
    return Part("text", text) if text else None
