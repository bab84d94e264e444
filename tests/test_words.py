"""Words that a reader stumbles over stay out of everything shown; the glossary is short and on every page.

The list is the project's own choice of plain English; no source.
"""

from __future__ import annotations

import argparse
import ast
import io
import json
import re
import tokenize
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import NamedTuple

import pytest

from tunelab.cli import COMMANDS
from tunelab.record.page import TEMPLATES, fill

ROOT = Path(__file__).parent.parent
# What is not said any more, as a pattern, and what to say instead.
RETIRED = {
    r"told": "distinguished, separated, shown or known",
    r"tells?": "shows or says",
    r"held against": "compared with or checked against",
    r"calm(?:ly|er)?": "steady, steadily",
    r"good seconds": "usable seconds, or seconds of steady driving",
    r"stands?|stood": "is, applies or remains",
    r"reckon\w*": "calculated, used or allowed for",
    r"in the middle": "median",
    r"beyond belief|believed": "implausible; trusted",
    r"look whether": "check that",
    r"makes? out": "shows",
    r"in force": "current or now",
    r"engine computer": "ECU",
    r"satellite speeds?": "GPS speed",
    r"by turns": "in turn",
    r"like with like": "at like speeds and loads",
    r"consumers": "electrical loads",
}
# Of these, what comments and docstrings leave out too: there "stands" and "tells" are at home.
IN_CODE = ("told", "held against", r"calm(?:ly|er)?", "good seconds", r"reckon\w*", "engine computer")
_WORDS = re.compile("|".join(f"(?P<w{k}>\\b(?:{word})\\b)" for k, word in enumerate(RETIRED)), re.IGNORECASE)
# Text that may hold such a word, as (end of the file's path, part of the line), each with its reason.
ALLOWED = {
    ("README.md", "a used engine computer (ECU)"): "the one place that says what an ECU is",
    ("comparing.py", "told apart"): "a column of the table that `compare --csv` writes: a contract",
    ("comparison_page.py", "told apart"): "the same column",
}


class Shown(NamedTuple):
    """A piece of text that a person reads, and where its first line is."""

    path: Path
    line: int
    text: str


def in_code(source: str, path: Path) -> Iterator[Shown]:
    """Texts of a module: every literal but docstrings, and keys, which are single names."""
    tree = ast.parse(source)
    docstrings = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr)  # and what describes an attribute
    }
    for node in ast.walk(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings
        if is_text and not re.fullmatch(r"[\w.]*", node.value):
            yield Shown(path, node.lineno, node.value)


def in_notebook(text: str, path: Path) -> Iterator[Shown]:
    """Prose and literals of a notebook; `line` counts its cells from 1."""
    for number, cell in enumerate(json.loads(text)["cells"], start=1):
        source = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            yield Shown(path, number, source)
        else:
            yield from (Shown(path, number, item.text) for item in in_code(source, path))
            notes = tokenize.generate_tokens(io.StringIO(source).readline)
            yield from (Shown(path, number, note.string) for note in notes if note.type == tokenize.COMMENT)


def in_comments(source: str, path: Path) -> Iterator[Shown]:
    """Docstrings and comments of a module."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield Shown(path, node.lineno, node.value.value)
    for note in tokenize.generate_tokens(io.StringIO(source).readline):
        if note.type == tokenize.COMMENT:
            yield Shown(path, note.start[0], note.string)


def everything_shown() -> Iterator[Shown]:
    """Literals of the package, templates of pages and files, notebooks, demo texts, README and DEVELOPERS."""
    for path in sorted((ROOT / "tunelab").rglob("*.py")):
        yield from in_code(path.read_text(encoding="utf-8"), path)
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        yield from in_notebook(path.read_text(encoding="utf-8"), path)
    whole = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "data_demo" / "README.md"]
    whole += [p for kind in ("*.toml", "*.md") for p in (ROOT / "tunelab").rglob(kind)]
    whole += (ROOT / "data_demo").rglob("*.toml")
    for path in whole:
        yield Shown(path, 1, path.read_text(encoding="utf-8"))
    for path in TEMPLATES.glob("*.html"):  # what stands in braces and tags is code
        text = re.sub(r"\{[%{].*?[%}]\}|<[^>]*>", " ", path.read_text(encoding="utf-8"))
        yield Shown(path, 1, text)


def complaints(shown: Iterator[Shown] | list[Shown]) -> list[str]:
    """File, line, sentence and the better word for each retired word."""
    found = []
    for item in shown:
        for match in _WORDS.finditer(item.text):
            begin, end = item.text.rfind("\n", 0, match.start()) + 1, item.text.find("\n", match.end())
            line = item.text[begin : None if end < 0 else end].strip()
            if any(str(item.path).endswith(name) and part in line for name, part in ALLOWED):
                continue
            better = list(RETIRED.values())[int(match.lastgroup[1:])]
            at = item.line + item.text.count("\n", 0, match.start())
            found.append(f"{item.path.name}:{at}: {match.group()!r} in {line[:120]!r}; say {better}")
    return found


def test_nothing_shown_uses_a_retired_word():
    found = complaints(everything_shown())
    assert not found, "\n".join(found)


def test_no_comment_and_no_docstring_uses_the_worst_of_them():
    assert set(IN_CODE) <= set(RETIRED)
    notes = (n for p in (ROOT / "tunelab").rglob("*.py") for n in in_comments(p.read_text(encoding="utf-8"), p))
    found = [item for item in complaints(notes) if any(re.search(f": '{word}'", item, re.I) for word in IN_CODE)]
    assert not found, "\n".join(found)


def test_a_comment_and_a_docstring_are_looked_through():
    code = 'def f():\n    """Calm blocks."""\n    return 1  # held against 2\n'
    assert [item.partition(";")[0] for item in complaints(in_comments(code, Path("x.py")))] == [
        "x.py:2: 'Calm' in 'Calm blocks.'",
        "x.py:3: 'held against' in '# held against 2'",
    ]


def test_help_of_every_command_uses_no_retired_word():
    parser = argparse.ArgumentParser(prog="tunelab")
    commands = parser.add_subparsers()
    for name in COMMANDS:
        getattr(import_module(f"tunelab.cli.{COMMANDS[name]}"), f"add_{name}")(commands)
    texts = [Shown(Path(f"tunelab {name} --help"), 1, own.format_help()) for name, own in commands.choices.items()]
    assert len(texts) == len(COMMANDS)
    assert not complaints(texts)


@pytest.mark.parametrize(("text", "better"), [
    ("Cannot be told apart.", "distinguished"),
    ("Each session stands\nagainst the mean.", "remains"),
    ("Reckoned from airflow.", "calculated"),
    ("Nothing was driven calmly enough.", "steady"),
    ("It was 3 % in the middle.", "median"),
    ("What the engine computer does.", "ECU"),
])  # fmt: skip
def test_a_retired_word_is_found_wherever_text_is_shown(text, better):
    code = f'def f():\n    """Told: a docstring is for programmers."""\n    return {text!r}\n'
    cells = [{"cell_type": "markdown", "source": [text]}, {"cell_type": "code", "source": [f"print({text!r})"]}]
    for shown in (in_code(code, Path("x.py")), in_notebook(json.dumps({"cells": cells}), Path("x.ipynb"))):
        found = complaints(shown)
        assert found
        assert all(better in item for item in found), found
    (first, *_) = complaints(in_code(code, Path("x.py")))
    assert first.startswith("x.py:")


def test_per_cent_stands_apart_from_its_number_in_a_terminal_too():
    """Pages set the space themselves; what commands print and results.json keeps is written so (ISO 80000-1, 7.1.4)."""
    shown = (item for path in (ROOT / "tunelab").rglob("*.py") for item in in_code(path.read_text("utf-8"), path))
    formats = [f"{item.path.name}:{item.line}" for item in shown if re.fullmatch(r"[+ ]?\.\d%", item.text)]
    assert not formats, f"a format ends in %: {formats}; write 100 * share and ' %'"
    cells = (
        item for path in (ROOT / "notebooks").glob("*.ipynb") for item in in_notebook(path.read_text("utf-8"), path)
    )
    assert not [f"{item.path.name}:{item.line}" for item in cells if re.fullmatch(r"[+ ]?\.\d%", item.text)]


@pytest.mark.parametrize("text", ["It is understood.", "standing hot", "outstanding", "calm"])
def test_other_words_pass(text):
    assert not complaints(in_code(f"x = {text!r}", Path("x.py")))


def test_the_glossary_has_at_most_25_terms_each_once():
    text = (TEMPLATES / "glossary.md").read_text(encoding="utf-8")
    terms = re.findall(r"\*\*([^*\n]+)\*\*", "\n".join(line for line in text.splitlines() if line.startswith("- ")))
    assert len(terms) == len({term.lower() for term in terms}) <= 25
    wanted = ("dead time", "air meter curve", "breakpoint", "lambda", "commanded lambda", "trim", "hold", "pull",
              "tip-in", "wall film", "pulse width", "revision", "session", "record", "finding", "met, watch, stop",
              "not shown", "interval", "delay and lag", "coast-down")  # fmt: skip
    assert set(wanted) <= {term.lower() for term in terms}
    assert "templates/glossary.md" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_a_page_ends_with_the_glossary_and_a_sheet_of_paper_does_not():
    values = {"title": "Old parts", "verdict": "", "word": "watch", "because": "", "bounds": (), "picture": None,
              "caution": "", "gates": (), "questions": (), "cautions": ()}  # fmt: skip
    page = fill("decisions.html", [], values)
    assert page.index("</main>") < page.index("What the words mean") < page.index("<strong>Dead time</strong>")
    sheet = {"title": "Sheet", "in_record": False, "first": "", "plan": {"sentences": (), "tables": ()}, "cautions": ()}
    assert "What the words mean" not in fill("sheet.html", [], sheet)
