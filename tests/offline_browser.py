"""A Chromium without a network for tests of pages: every request and every message of its console is kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
DRAWN = "html.ready, html.undrawn"
SCREENS = {"desk": {"viewport": {"width": 1280, "height": 800}}, "phone": {"viewport": {"width": 390, "height": 844}}}
QUESTION_HEAD = {  # what has to stand on the first screen of a question's page, where the page has it
    "sentence": ".answer .verdict", "first value": ".answer .values li:first-child",
    "figure": ".answer figure.live .drawing, .answer figure:not(.live) svg.drawn",
}  # fmt: skip
SUMMARY_HEAD = {part: f'.short > div:has(a[href="#{part}"])' for part in ("driven", "limits", "shows", "change")}


@dataclass
class Opened:
    """A page and what it did."""

    page: Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def show(self, path: Path, *, figures: bool = True) -> None:
        """Open a file and wait until its figures are drawn."""
        self.page.goto(path.resolve().as_uri())
        if figures:
            self.page.wait_for_selector(DRAWN, timeout=20000, state="attached")

    def left_the_page(self) -> list[str]:
        """Requests to anything but files of the record."""
        return [url for url in self.requests if not url.startswith(("file:", "data:", "blob:"))]


@contextmanager
def browser(chromium_path: str) -> Iterator:
    """A browser; close it by leaving the block."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium_path, args=ARGUMENTS)
        try:
            yield started
        finally:
            started.close()


@contextmanager
def offline_page(started, **options) -> Iterator[Opened]:
    """A fresh context of the browser, offline, that keeps requests and complaints."""
    context = started.new_context(offline=True, **options)
    opened = Opened(context.new_page())
    opened.page.on("request", lambda request: opened.requests.append(request.url))
    opened.page.on("console", lambda m: opened.complaints.append(m.text) if m.type in ("error", "warning") else None)
    opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
    try:
        yield opened
    finally:
        context.close()


def below_first_screen(page: Page, parts: dict[str, str], *, needed: tuple[str, ...] = ()) -> list[str]:
    """Parts of a page that end below its first screen, with the pixel where they do; and what is needed and missing."""
    ends = page.evaluate(
        """(parts) => Object.entries(parts).map(([name, selector]) => {
            const box = document.querySelector(selector)?.getBoundingClientRect();
            return [name, box && box.width ? box.bottom + scrollY : null];
        })""",
        parts,
    )
    height = page.viewport_size["height"]
    found = [f"{name} ends at {end:.0f}" for name, end in ends if end is not None and end > height]
    return [*found, *(f"{name} is missing" for name, end in ends if end is None and name in needed)]


def ink(page: Page, selector: str) -> list[float]:
    """Share of pixels of each canvas under a selector that are painted; shadow roots are looked into."""
    return page.evaluate(
        """(selector) => {
            const found = [];
            const look = (node) => {
                if (node.tagName === "CANVAS") found.push(node);
                if (node.shadowRoot) look(node.shadowRoot);
                for (const child of node.children || []) look(child);
            };
            document.querySelectorAll(selector).forEach(look);
            return found.filter((c) => c.width && c.height).map((canvas) => {
                const data = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
                let painted = 0;
                for (let i = 3; i < data.length; i += 4) painted += data[i] > 0;
                return painted / (data.length / 4);
            });
        }""",
        selector,
    )
