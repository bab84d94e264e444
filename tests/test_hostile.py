"""Text that would run, hide or lead astray is shown as text everywhere: terminal, tables, results, pages."""

import csv
import gzip
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from found_case import is_plain
from offline_browser import browser, offline_page

SCRIPT = "<script>window.hit=1</script><img src=x onerror='window.hit=1'>"
FORMULA = '=HYPERLINK("http://a.example";"x")'
ESCAPE = "\x1b]0;owned\x07\x1b[2J\u202egnp.exe"
CLIMB = "../../../../etc/passwd"
EVERYTHING = f"{SCRIPT} {FORMULA} {ESCAPE} {CLIMB}"
COLUMNS = [f"{SCRIPT} {ESCAPE}", FORMULA, f"@SUM(A1) {CLIMB}", "javascript:alert(1)"]
FILE = "=1+1 <b onclick=hit()>\u202e & ''.csv.gz"
SESSION = "2026-05-03-steady"


def _hostile_log(source: Path, target: Path) -> None:
    """The demo's log with more columns, and with more words among its numbers; one minute is enough."""
    with gzip.open(source, "rt", encoding="utf-8", newline="") as file:
        lines = file.read().splitlines()
    head = next(i for i, line in enumerate(lines) if line.count(",") > 10)
    rows = [line.split(",") for line in lines[head : head + 1500]]
    rows[0] += COLUMNS
    for number, row in enumerate(rows[1:], 1):
        row += ["1", FORMULA if number % 50 == 0 else str(number), "", SCRIPT]
    with gzip.open(target, "wt", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """The demo workspace made hostile; what `inspect` and `record` printed; the record."""
    root = tmp_path_factory.mktemp("car") / "car"
    shutil.copytree(Path(__file__).parents[1] / "data_demo", root)
    folder = root / "sessions" / SESSION
    _hostile_log(folder / "sweep-1.csv.gz", folder / FILE)
    (folder / "sweep-1.csv.gz").unlink()
    said = [
        "date = 2026-05-03", 'steps = ["steady"]', 'revision = "r01"',
        *(f"{key} = {json.dumps(EVERYTHING)}" for key in ("driver", "place", "wiring", "notes")),
        "[weather]", "air_c = 15.0", "pressure_kpa = 98.8", "humidity_pct = 60.0",
        "[[exclude]]", "start_s = 10.0", "end_s = 12.0",
        f"author = {json.dumps(SCRIPT)}", f"reason = {json.dumps(FORMULA)}",
    ]  # fmt: skip
    (folder / "session.toml").write_text("\n".join(said) + "\n", encoding="utf-8")
    shown = [_run("inspect", folder / FILE), _run("record", folder, "--notebook", "steady")]
    return shown, root / "records" / SESSION


def _run(*arguments):
    command = [sys.executable, "-m", "tunelab", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=False)


def test_the_terminal_gets_text_only(ran):
    inspected, recorded = ran[0]
    assert inspected.returncode == 0, inspected.stderr
    assert recorded.returncode == 0, recorded.stderr
    assert is_plain(inspected.stdout)
    assert is_plain(inspected.stderr)
    assert SCRIPT[:20] in inspected.stdout
    assert is_plain(recorded.stdout)
    assert "\x1b]" not in recorded.stderr


def test_tables_run_nothing_in_a_spreadsheet(ran):
    tables = list((ran[1] / "tables").glob("*.csv"))
    assert tables
    for path in tables:
        for row in csv.reader(path.open(encoding="utf-8", newline="")):
            assert not any(cell[:1] in ("=", "@", "\t") for cell in row), (path.name, row)


def test_results_hold_the_text_as_it_was(ran):
    results = json.loads((ran[1] / "results.json").read_text(encoding="utf-8"))
    assert next(source["path"] for source in results["inputs"]).endswith(FILE)


@pytest.mark.parametrize("name", ["index", "steady"])
def test_pages_show_it_and_run_nothing(ran, chromium_path, name):
    with browser(chromium_path) as started, offline_page(started) as opened:
        opened.show(ran[1] / f"{name}.html", figures=name == "steady")
        assert opened.page.evaluate("window.hit") is None
        assert opened.page.locator("img[src=x], [onclick], [onerror]").count() == 0
        assert opened.page.locator("a[href^='javascript'], a[href*='example'], a[href*='passwd']").count() == 0
        assert opened.left_the_page() == []
        assert opened.complaints == []
        opened.page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        text = opened.page.locator("body").inner_text()
        assert "<b onclick=hit()>" in text
        assert not {"\x1b", "\x07", "\u202e"} & set(text)
