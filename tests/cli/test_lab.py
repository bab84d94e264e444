"""`tunelab lab`: notebooks at hand, this computer alone, and figures that answer in a real JupyterLab."""

import re
import shutil
import socket
import time
from pathlib import Path

import nbformat
import pytest
from lab_page import CHROMIUM_ARGUMENTS, ask, running_lab, wait_for

from tunelab.channels import channel
from tunelab.chart.explore import NO_BOX
from tunelab.chart.look import NEW
from tunelab.cli import main
from tunelab.record.lab import lay_out_notebooks, plan_lab
from tunelab.record.notebook import read_notebook
from tunelab.workspace import open_workspace

ROOT = Path(__file__).resolve().parents[2]
SESSION = "2026-05-20-launch-marit"
NO_NETWORK = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"  # as in the paddock
PATIENCE = 240  # on a machine that does much else [s]
RUN_ALL = "[role=menuitem]:has-text('Run All Cells')"
# Every figure on the page with its title, however deep in a layout.
FIGURES = """
const figures = view => [...(view.model.type === 'Figure' ? [view] : []), ...(view.child_views ?? []).flatMap(figures)]
const all = () => [...Bokeh.index.roots].flatMap(figures)
"""
TITLES = f"() => {{ {FIGURES}; return all().map(figure => figure.model.title?.text ?? '') }}"
FRAME = f"""title => {{
  {FIGURES}
  const figure = all().find(figure => figure.model.title?.text?.includes(title))
  figure.el.scrollIntoView({{block: 'center'}})
  const box = figure.canvas_view.el.getBoundingClientRect(), inner = figure.frame.bbox
  return [box.left + inner.left, box.top + inner.top, inner.width, inner.height]
}}"""

CHOOSE_BOX = f"""title => {{
  {FIGURES}
  const figure = all().find(figure => figure.model.title?.text?.includes(title))
  figure.model.toolbar.tools.find(tool => tool.type === 'BoxSelectTool').active = true
}}"""
# How many samples each figure marks: by its title, rows of the layer that has the tone of a mark.
MARKS = f"""tone => {{
  {FIGURES}
  const of = figure => figure.model.renderers.filter(one => one.glyph?.fill_color?.value === tone)
  return all().map(figure => [figure.model.title?.text ?? '', of(figure).map(one => one.data_source.length)])
}}"""


@pytest.fixture
def root(tmp_path):
    """A workspace with one session."""
    for name in ("car.toml", "channels.toml"):
        (tmp_path / "car").mkdir(exist_ok=True)
        shutil.copy(ROOT / "data_demo" / name, tmp_path / "car")
    shutil.copytree(ROOT / "data_demo" / "revisions", tmp_path / "car" / "revisions")
    shutil.copytree(ROOT / "data_demo" / "sessions" / SESSION, tmp_path / "car" / "sessions" / SESSION)
    return tmp_path / "car"


def test_notebooks_are_laid_out_and_set_to_the_latest_session(root):
    laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
    assert laid.kept == ()
    assert set(laid.new) == {path.stem for path in (ROOT / "notebooks").glob("*.ipynb")}
    for name in laid.new:
        path = laid.folder / f"{name}.ipynb"
        set_to = {parameter.name: parameter.default for parameter in read_notebook(path).parameters}
        assert set_to.get("session", f"../sessions/{SESSION}") == f"../sessions/{SESSION}"
        assert set_to.get("workspace", "..") == ".."
        assert {"session", "workspace"} & set(set_to)
        assert not any(cell.get("outputs") for cell in nbformat.read(path, as_version=4).cells)
    steady = read_notebook(laid.folder / "steady.ipynb")
    assert (laid.folder / steady.parameter("session").default).is_dir()


def test_what_the_owner_has_changed_stays(root):
    (root / "notebooks").mkdir()
    (root / "notebooks" / "link.ipynb").write_text("mine", encoding="utf-8")
    laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
    assert laid.kept == ("link",)
    assert (root / "notebooks" / "link.ipynb").read_text(encoding="utf-8") == "mine"


def foreign(root, name, change):
    """Somebody else's notebook under the name of one of the kit's."""
    (root / "notebooks").mkdir(exist_ok=True)
    node = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    change(node)
    nbformat.write(node, root / "notebooks" / f"{name}.ipynb")


def another_cell(node):
    node.cells.append(nbformat.v4.new_code_cell("import os; os.system('touch marker')"))


def another_import(node):
    next(cell for cell in node.cells if cell.cell_type == "code").source += "\nimport os"


def a_call_for_a_parameter(node):
    cell = next(cell for cell in node.cells if "parameters" in cell.metadata.get("tags", []))
    cell.source += "\nout = __import__('os').getcwd()"


def no_python_for_a_parameter(node):
    next(cell for cell in node.cells if "parameters" in cell.metadata.get("tags", [])).source += "\n!touch marker"


@pytest.mark.parametrize(
    "change",
    [another_cell, another_import, a_call_for_a_parameter, no_python_for_a_parameter],
    ids=lambda c: c.__name__,
)
def test_a_foreign_notebook_does_not_stand_in_for_the_kits_own(root, change):
    foreign(root, "explore", change)
    before = (root / "notebooks" / "explore.ipynb").read_bytes()
    for _ in range(2):  # the second time the kit's own stands there
        laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
        assert laid.beside == {"explore": "explore-kit"}
        assert laid.first == "explore-kit"
        assert (root / "notebooks" / "explore.ipynb").read_bytes() == before
        own, here = (
            nbformat.read(p, as_version=4)
            for p in (ROOT / "notebooks/explore.ipynb", laid.folder / "explore-kit.ipynb")
        )
        assert [c.source for c in own.cells if "parameters" not in c.metadata.get("tags", [])] == [
            c.source for c in here.cells if "parameters" not in c.metadata.get("tags", [])
        ]
    foreign(root, "explore", change)
    (root / "notebooks" / "explore.ipynb").rename(root / "notebooks" / "explore-kit.ipynb")
    foreign(root, "explore", change)
    assert lay_out_notebooks(open_workspace(root), ROOT / "notebooks").first == "explore-kit-2"
    assert "explore-kit.ipynb?" in plan_lab(root, port=8888, opens_browser=False, first="explore-kit").address


def test_the_kits_own_with_other_values_and_outputs_stays_the_kits_own(root):
    def change(node):
        cell = next(cell for cell in node.cells if "parameters" in cell.metadata.get("tags", []))
        cell.source = cell.source.replace("data_demo/sessions", "../sessions")
        node.cells[-1].metadata["collapsed"] = True

    foreign(root, "explore", change)
    laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
    assert (laid.beside, laid.first, laid.kept) == ({}, "explore", ("explore",))


def test_a_start_page_says_what_to_run_next(root):
    laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
    page = laid.folder / f"{laid.start}.ipynb"
    (cell,) = nbformat.read(page, as_version=4).cells
    assert cell.cell_type == "markdown"
    assert nbformat.read(page, as_version=4).metadata.kernelspec.name == "python3"  # or JupyterLab asks for one
    assert f"The latest drive is `{SESSION}` (launch)." in cell.source
    assert f"tunelab record sessions/{SESSION}" in cell.source
    links = re.findall(r"\]\((.*?)\)", cell.source)
    assert links[-1] == "explore.ipynb"
    assert "launch.ipynb" in links
    assert all((laid.folder / link).exists() for link in links)
    assert "start.ipynb?" in plan_lab(root, port=8888, opens_browser=False, first=laid.start).address


def test_a_start_page_is_written_anew_and_one_that_was_changed_stays(root):
    laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
    (root / "records" / SESSION).mkdir(parents=True)
    assert lay_out_notebooks(open_workspace(root), ROOT / "notebooks").start == "start"
    page = laid.folder / "start.ipynb"
    assert "tunelab record" not in page.read_text(encoding="utf-8")
    node = nbformat.read(page, as_version=4)
    node.cells.append(nbformat.v4.new_code_cell("import os"))
    nbformat.write(node, page)
    before = page.read_bytes()
    for _ in range(2):
        assert lay_out_notebooks(open_workspace(root), ROOT / "notebooks").start == "start-kit"
    assert page.read_bytes() == before


def test_a_session_name_with_quotes_stays_one_name(root):
    odd = 'launch "one" \\n'
    (root / "sessions" / SESSION).rename(root / "sessions" / odd)
    laid = lay_out_notebooks(open_workspace(root), ROOT / "notebooks")
    assert read_notebook(laid.folder / "explore.ipynb").parameter("session").default == f"../sessions/{odd}"


def test_every_start_has_a_key_of_its_own_and_a_free_port(root):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        first, second = (plan_lab(root, port=port, opens_browser=False) for _ in range(2))
    assert f":{port}/" not in first.address
    assert first.address.rpartition("=")[2] != second.address.rpartition("=")[2]
    assert len(first.address.rpartition("=")[2]) == 48


def test_outside_a_workspace_it_says_so(tmp_path, capsys):
    assert main(["lab", str(tmp_path)]) == 2
    assert "tunelab new DIR" in capsys.readouterr().err


def test_figures_are_drawn_and_answer_in_a_real_jupyterlab(root, tmp_path, chromium_path):
    sync_api = pytest.importorskip("playwright.sync_api")
    with running_lab(root, tmp_path / "lab.log") as address:
        check_it_is_private(address)
        with sync_api.sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium_path, args=[*CHROMIUM_ARGUMENTS, NO_NETWORK])
            page = browser.new_page(viewport={"width": 1300, "height": 1600})
            page.set_default_timeout(PATIENCE * 1000)
            assert "/start.ipynb?" in address
            page.goto(address.replace("/start.ipynb?", "/explore.ipynb?") + "&reset")  # no tabs of an earlier run
            run_all(page, address)
            check_figures(page)
            check_selection(page)
            check_pickers(page)
            browser.close()


def check_it_is_private(address):
    assert ask(address, "/api/sessions", with_key=False)[0] == 403
    port = int(address.split(":")[2].split("/")[0])
    with socket.socket() as elsewhere:  # another address of this computer: a server that listens on all would answer
        assert elsewhere.connect_ex(("127.0.0.2", port)) != 0


def run_all(page, address):
    """Run all cells once the kernel is there; the menu answers too early, so again until the first cell has begun."""
    kernels = lambda: [s["kernel"] for s in ask(address, "/api/sessions", with_key=True)[1] if s["kernel"]]  # noqa: E731
    wait_for(kernels, PATIENCE, "a kernel")
    page.wait_for_selector(".jp-Notebook .jp-CodeCell")
    wait_for(lambda: click_run_all(page), PATIENCE, "a cell that runs")
    wait_for(lambda: is_at_rest(page, kernels), PATIENCE, "all cells run")


def click_run_all(page):
    page.click("li.lm-MenuBar-item:has-text('Run')")
    page.click(RUN_ALL)
    page.wait_for_timeout(2000)
    return any(text.strip("[]: ") for text in prompts(page))


def is_at_rest(page, kernels):
    """Whether the kernel has nothing to do, and still has nothing a second later; cells out of sight say nothing."""
    idle = lambda: all(kernel["execution_state"] == "idle" for kernel in kernels())  # noqa: E731
    if not idle() or any("*" in text for text in prompts(page)):
        return False
    page.wait_for_timeout(1000)
    return idle()


def prompts(page):
    return [text for text in page.locator(".jp-CodeCell .jp-InputPrompt").all_inner_texts() if text.strip()]


def check_figures(page):
    assert page.locator(".jp-OutputArea-output[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
    page.evaluate("document.querySelectorAll('.jp-WindowedPanel-outer').forEach(part => part.scrollTo(0, 2000))")
    wait_for(lambda: page.evaluate("window.Bokeh?.index.roots.length") >= 5, PATIENCE, "figures")
    assert page.locator(".bk-Figure, .bk-GridPlot").count() >= 5


def check_selection(page):
    """A box over the points marks the trace, and one over the trace the points; each takes what the other did not."""
    assert NO_BOX in page.evaluate(TITLES)
    points, trace = " against engine speed", "grey or shaded: flagged"
    assert marked(page, trace) == marked(page, points) == 0
    first = next((text for _ in range(6) if (text := draw_box(page, points, up_to=0.95))), None)
    assert first, f"no selection: {page.evaluate(TITLES)}"
    inside, of = (int(word) for word in first.split() if word.isdigit())
    assert 0 < inside < of
    wait_for(lambda: marked(page, trace), PATIENCE, "marks on the trace")
    second = next((text for _ in range(6) if (text := draw_box(page, trace, up_to=0.3, before=first))), None)
    assert second, f"no selection from the trace: {page.evaluate(TITLES)}"
    assert 0 < int(second.split()[0]) < 0.35 * of
    wait_for(lambda: marked(page, points), PATIENCE, "marks among the points")
    assert_no_complaint(page)


def marked(page, title):
    """How many points a figure marks."""
    return next(sum(rows) for text, rows in page.evaluate(MARKS, NEW) if title in text)


def check_pickers(page):
    """Another channel is picked: its figure is drawn anew, and marks what was selected before."""
    page.locator("select:not([multiple])", has=page.locator("option[value='battery_v']")).first.select_option(
        "battery_v"
    )
    title = f" against {channel('battery_v').label}"
    wait_for(lambda: any(title in text for text in page.evaluate(TITLES)), PATIENCE, "the picked channel")
    assert marked(page, title) > 0
    assert_no_complaint(page)


def assert_no_complaint(page):
    page.wait_for_timeout(1000)  # what a kernel complains of comes after what it draws
    assert "Traceback" not in page.inner_text("body")


def draw_box(page, title, *, up_to, before=None):
    """Draw a box over a figure's left part with the mouse; the count that is shown then, if it is a new one."""
    page.evaluate(CHOOSE_BOX, title)
    left, top, width, height = settled_frame(page, title)
    page.mouse.move(left + 0.05 * width, top + 0.05 * height)
    page.mouse.down()
    for share in (0.3, 0.6, 1.0):
        page.mouse.move(left + share * up_to * width, top + share * 0.95 * height, steps=3)
    page.mouse.up()
    end = time.monotonic() + 20
    while time.monotonic() < end:
        counted = next((text for text in page.evaluate(TITLES) if "samples in the box" in text), None)
        if counted and counted != before:
            return counted
        page.wait_for_timeout(250)
    return None


def settled_frame(page, title):
    """Where a figure's frame is on the screen, once the notebook has come to rest."""
    before = None
    for _ in range(40):
        now = page.evaluate(FRAME, title)
        if now == before:
            break
        before = now
        page.wait_for_timeout(400)
    return now
