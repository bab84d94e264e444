"""All pages of the demo: what lies below the first screen, numbers that differ, lines out of view, captions alone.

All sessions are recorded first, unless TUNELAB_BENCH_WORKSPACE names a workspace where that was done: it takes some
minutes. Each page is opened with scripts and without. Wanted: none of it, on any page.
Run with `pytest -m bench -s tests/bench/test_bench_pages.py`.
"""

import json
import os
import shutil
from pathlib import Path

import pytest
from offline_browser import QUESTION_HEAD, SCREENS, SUMMARY_HEAD, below_first_screen, browser, offline_page
from page_checks import (
    captions_without_result,
    contradictions,
    lines_out_of_view,
    misstated,
    one_as_many,
    parted_in_print,
    shown_on,
    torn_in_print,
)

from tunelab.cli import main

ROOT = Path(__file__).parents[2]
NO_QUESTION = ("drive_sheet.html",)  # to print, not to answer


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    made = os.environ.get("TUNELAB_BENCH_WORKSPACE")
    if made:
        return Path(made)
    root = tmp_path_factory.mktemp("pages") / "car"
    shutil.copytree(ROOT / "data_demo", root)
    for session in sorted((root / "sessions").iterdir()):
        assert main(["record", str(session)]) == 0
    main(["ready", str(root), "--page", "--event", "2026-06-10"])
    return root


@pytest.mark.bench
@pytest.mark.parametrize("scripts", [True, False], ids=["drawn", "without scripts"])
@pytest.mark.parametrize("screen", SCREENS)
def test_what_lies_below_the_first_screen(workspace, chromium_path, screen, scripts):
    places = sorted(p for p in (workspace / "records").rglob("*.html") if p.name not in NO_QUESTION)
    with (
        browser(chromium_path) as started,
        offline_page(started, java_script_enabled=scripts, **SCREENS[screen]) as page,
    ):
        found = {}
        for path in places:
            text = path.read_text("utf-8")
            page.show(path, figures=scripts and 'data-figure="figure-1"' in text)
            head = QUESTION_HEAD if 'class="question"' in text else SUMMARY_HEAD
            needed = ("sentence", "figure") if head is QUESTION_HEAD else ()
            below = below_first_screen(page.page, head, needed=needed)
            if below:
                found[path.relative_to(workspace / "records").as_posix()] = below
    print(f"\n{screen}, {'drawn' if scripts else 'without scripts'}: {len(places) - len(found)} of {len(places)} pages")
    for name, below in found.items():
        print(f"  {name}: {', '.join(below)}")


@pytest.mark.bench
def test_numbers_that_differ_and_lines_out_of_view(workspace):
    shown = lines = 0
    for record in sorted(path.parent for path in (workspace / "records").glob("*/results.json")):
        findings = json.loads((record / "results.json").read_text("utf-8"))["findings"]
        texts = {path.name: path.read_text("utf-8") for path in record.glob("*.html")}
        shown += sum(1 for text in texts.values() for _ in shown_on(text))
        found = [f"{name}: {line}" for name, text in texts.items() for line in misstated(text, findings)]
        found += contradictions(texts)
        for name, text in texts.items():
            found += [f"{name}: no result in {caption!r}" for caption in captions_without_result(text)]
            found += [f"{name}: one as many in {place!r}" for place in one_as_many(text)]
        for notebook in record.glob("*.ipynb"):
            count, outside = lines_out_of_view(notebook)
            lines += count
            found += outside
        print(f"\n{record.name}: {len(found)} that differ or are out of view", *found, sep="\n  ")
    print(f"{shown} findings shown, {lines} reference lines")


@pytest.mark.bench
def test_captions_and_headings_alone_on_a_printed_sheet(workspace, chromium_path):
    pairs = 0
    with browser(chromium_path) as started, offline_page(started) as page:
        for path in sorted((workspace / "records").rglob("*.html")):
            page.show(path, figures=False)
            count, parted = parted_in_print(page.page)
            pairs += count
            if parted:
                print(f"\n{path.parent.name}/{path.name}: {parted}")
    print(f"\n{pairs} captions and headings with what belongs to them")


@pytest.mark.bench
def test_numbers_broken_and_columns_that_touch_on_paper(workspace, chromium_path):
    tables = 0
    with browser(chromium_path) as started, offline_page(started) as page:
        for path in sorted((workspace / "records").rglob("*.html")):
            page.show(path, figures=False)
            count, torn = torn_in_print(page.page, 1052 if path.name in NO_QUESTION else 680)  # a sheet lies across
            tables += count
            if torn:
                print(f"\n{path.parent.name}/{path.name}: {torn}")
    print(f"\n{tables} printed tables")
