"""First screens of every page of the demo: what of the answer and its figure lies below them, at both widths.

All sessions are recorded first, unless TUNELAB_BENCH_WORKSPACE names a workspace where that was done: it takes some
minutes. Each page is opened with scripts and without. Wanted: nothing below, on any page.
Run with `pytest -m bench -s tests/bench/test_bench_pages.py`.
"""

import os
import shutil
from pathlib import Path

import pytest
from offline_browser import QUESTION_HEAD, SCREENS, SUMMARY_HEAD, below_first_screen, browser, offline_page

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
