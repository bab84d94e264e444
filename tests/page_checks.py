"""What a page says, read back from its HTML, its figures and its print, to be compared with results.json and itself."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

from playwright.sync_api import Page

from tunelab.record.display import FIGURE
from tunelab.study.finding import has_interval, status_word

STATUS = r'<span class="status (\w+)">(?:(?!<span class="status|</li>).)*?</span>\s*'
AT_HEAD = r'<span class="what">([^<]*)</span> <span class="reading">([^<]*)</span> <span class="bound">([^<]*)</span>'
BELOW = r'<span>([^<]*)</span></h3>\s*<p class="reading">([^<]*)'
ROW = re.compile(f"{STATUS}{AT_HEAD}|{STATUS}{BELOW}", re.DOTALL)
NUMBER = re.compile(r"−?\d+(?:\.\d+)?")
# Marks put into a page before it is printed: where a caption or a heading begins, and where what belongs to it does.
PAIRS = """() => {
    const box = document.body.appendChild(document.createElement("p")), names = [];
    const mark = (element, id, first) => {
        const span = document.createElement("span"), link = document.createElement("a");
        Object.assign(span, {id, textContent: "\\u00a0"}); span.style.fontSize = "1px";
        Object.assign(link, {href: `#${id}`, textContent: `${id} `});
        first ? element.prepend(span) : element.append(span); box.append(link);
    };
    const pair = (head, rest, first) => {
        if (!head || !rest) return;
        mark(head, `head-${names.length}`, true); mark(rest, `rest-${names.length}`, first);
        names.push(head.textContent.trim().slice(0, 60));
    };
    const second = (table) => table.querySelector("tbody tr:nth-child(2) td") ?? table.querySelector("tbody td");
    document.querySelectorAll("figure").forEach((f) => pair(f.querySelector("figcaption"), f, false));
    document.querySelectorAll(".wide").forEach((t) => pair(t.querySelector("caption"), second(t), false));
    document.querySelectorAll("h2, h3").forEach((head) => {
        let next = (head.closest("summary") ?? head).nextElementSibling;
        if (next?.matches(".wide")) next = second(next);
        if (next?.matches("figure")) next = next.querySelector("figcaption");
        if (next?.matches("ul")) next = next.querySelector("li");
        if (next && !next.matches("pre, input, details")) pair(head, next, true);
        if (!next?.matches("p, ul")) return;
        let lead = next.nextElementSibling;
        while (lead?.matches("pre.code")) lead = lead.nextElementSibling;
        if (lead?.matches(".wide")) pair(head, second(lead), true);
        if (lead?.matches("figure")) pair(head, lead.querySelector("figcaption"), true);
    });
    return names;
}"""

# Of each table: pieces of text that lie on two lines, the least gap between two columns, and how wide it is.
PRINTED = """() => [...document.querySelectorAll(".wide table")].map((table) => {
    const torn = new Set();
    let gap = Infinity;
    const spans = (cell) => {
        const walk = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT), ends = [Infinity, -Infinity];
        for (let node = walk.nextNode(); node; node = walk.nextNode()) {
            for (const found of node.data.matchAll(/[\\p{L}\\p{N}.,\u2212+°%]+/gu)) {
                const range = document.createRange();
                range.setStart(node, found.index); range.setEnd(node, found.index + found[0].length);
                const boxes = [...range.getClientRects()].filter((box) => box.width > 0);
                const tops = boxes.map((box) => box.top);
                if (Math.max(...tops) - Math.min(...tops) > 2 && found[0].length <= 24) torn.add(found[0]);
                ends[0] = Math.min(ends[0], ...boxes.map((b) => b.left));
                ends[1] = Math.max(ends[1], ...boxes.map((b) => b.right));
            }
        }
        return ends;
    };
    for (const row of table.rows) {
        const seen = [...row.cells].filter((cell) => getComputedStyle(cell).visibility !== "hidden");
        const cells = seen.map(spans).filter(([left]) => Number.isFinite(left));
        cells.slice(1).forEach(([left], k) => { gap = Math.min(gap, left - cells[k][1]); });
    }
    const paper = document.documentElement.clientWidth, reach = table.getBoundingClientRect().right;
    const name = (table.caption ?? table.rows[0]).textContent.trim().slice(0, 50);
    return {name, torn: [...torn], gap, beyond: reach - paper, shown: table.getClientRects().length > 0};
}).filter((table) => table.shown)"""
LEAST_GAP_PX = 4  # between two columns of a printed table


@dataclass(frozen=True)
class Shown:
    """One finding as a page shows it."""

    word: str
    title: str
    reading: str  # value and interval
    limit: str  # empty where none is shown


def as_read(page: str) -> str:
    """A page's text with plain spaces, where it keeps a number and its unit on one line."""
    return page.replace("\N{NO-BREAK SPACE}", " ")


def shown_on(page: str) -> Iterator[Shown]:
    """Findings that a page lists, at its head or below."""
    for row in ROW.findall(as_read(page)):
        word, title, reading, bound = (unescape(text) for text in (row[:4] if row[0] else (*row[4:7], "")))
        value, _, limit = reading.partition("; limit ")
        limit = (bound.removeprefix("limit ") or limit).partition(",")[0]
        yield Shown(word, title, value.partition(", 95")[0].strip(), limit.strip())


def misstated(page: str, findings: Iterable[Mapping[str, Any]]) -> list[str]:
    """What a page shows otherwise than results.json: status, value, ends of the interval, limit."""
    known = {finding["title"]: finding for finding in findings}
    wrong = []
    for shown in shown_on(page):
        finding = known.get(shown.title)
        if finding is None:
            wrong.append(f"{shown.title}: in no results.json")
            continue
        status = finding["status"]
        known_end = has_interval(finding["id"], finding["value"], finding["lower"])
        word = status_word(status, finding["limit"], has_interval=known_end)
        wrong += [f"{shown.title}: {shown.word}, not {word}"] if shown.word != word else []
        wanted = [finding[name] for name in ("value", "lower", "upper") if finding[name] is not None]
        wrong += _numbers_off(shown.title, shown.reading, wanted if len(wanted) == 3 else wanted[:1])
        if finding["limit"] is not None:
            wrong += _numbers_off(f"{shown.title}, limit", shown.limit, [finding["limit"]])
    return wrong


CAPTION = re.compile(r'<figcaption>(?:<span class="count">[^<]*</span>)?(.*?)</figcaption>', re.DOTALL)
RESULT = re.compile(r"\d|\b(?:no|none|nothing|not|nowhere)\b", re.IGNORECASE)
TEXT = re.compile(r"<(script|style|svg|pre)\b.*?</\1>|<[^>]*>", re.DOTALL)
MANY = re.compile(r"(?<![\d.,−–/-])\b1 (?!(?:[a-z]*ss|is|as|was|has|its|this|us|ms|always|plus|minus)\b)[a-z]{2,}s\b")


def captions_without_result(page: str) -> list[str]:
    """Captions of figures that name what is drawn and do not say what came out: no number, and no "none"."""
    captions = (unescape(re.sub(r"<[^>]*>", "", found)).strip() for found in CAPTION.findall(page))
    return [caption for caption in captions if not RESULT.search(caption)]


def one_as_many(page: str) -> list[str]:
    """Places where one thing is written as several, such as "1 samples"; "bank 1 follows" and a factor 1 are none."""
    text = unescape(TEXT.sub(" ", page))
    found = [text[max(0, m.start() - 30) : m.end() + 10] for m in MANY.finditer(text)]
    return [place for place in found if not re.search(r"(?:bank|factor|above|from|chapter|section) 1 ", place)]


def _numbers_off(what: str, text: str, wanted: list[float]) -> list[str]:
    """Numbers of a text that differ from those wanted by more than their last digit shows; or are not as many."""
    numbers = [found.replace("−", "-") for found in NUMBER.findall(text)][: len(wanted)]
    if len(numbers) < len(wanted):
        return [f"{what}: {text!r} has no {wanted[len(numbers) :]}"]
    steps = [10.0 ** -len(number.partition(".")[2]) for number in numbers]
    return [
        f"{what}: {number}, not {value}"
        for number, step, value in zip(numbers, steps, wanted, strict=True)
        if abs(float(number) - value) > max(0.501 * step, 5e-3 * abs(value) if step >= 1 and abs(value) >= 1000 else 0)
    ]


def contradictions(pages: Mapping[str, str]) -> list[str]:
    """Findings that two pages of a record show otherwise: another status, value, interval or limit."""
    seen: dict[str, dict[tuple[str, str, str], str]] = {}
    for name, text in pages.items():
        for shown in shown_on(text):
            key = (shown.word, shown.reading.rstrip(")"), shown.limit)
            seen.setdefault(shown.title, {}).setdefault(key, name)
    return [f"{title}: {keys}" for title, keys in seen.items() if len(keys) > 1]


def lines_out_of_view(notebook: Path) -> tuple[int, list[str]]:
    """Reference lines in the figures of an executed notebook, and those neither in view nor named at the edge."""
    cells = json.loads(notebook.read_text("utf-8"))["cells"]
    outputs = [output.get("data", {}) for cell in cells for output in cell.get("outputs", ())]
    items = [data[FIGURE] for data in outputs if FIGURE in data]
    count, found = 0, []
    for item in items:
        models = list(_models(json.loads(item["item"])))
        ranges = {m["id"]: m["attributes"] for m in models if m["name"] == "Range1d"}
        for plot in (m for m in models if m["name"] == "Plot" or m["name"] == "Figure"):
            inside = list(_models(plot))
            named = " ".join(str(m["attributes"].get("text", "")) for m in inside if m["name"] == "Label")
            for line in (m["attributes"] for m in inside if m["name"] == "Span"):
                side = "x_range" if line.get("dimension") == "height" else "y_range"
                span, at = ranges.get(plot["attributes"].get(side, {}).get("id")), line.get("location")
                if span is None or not isinstance(at, (int, float)) or "start" not in span:
                    continue
                count += 1
                if not span["start"] <= at <= span["end"] and f"line at {at:g}" not in named:
                    reach = f"{span['start']:g} to {span['end']:g}"
                    found.append(f"{notebook.name}: {item['caption'][:40]}: {at:g} beyond {reach}")
    return count, found


def _models(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        if node.get("type") == "object" and "id" in node and "name" in node:
            yield {**node, "attributes": node.get("attributes", {})}
        for value in node.values():
            yield from _models(value)
    elif isinstance(node, list):
        for value in node:
            yield from _models(value)


def torn_in_print(page: Page, paper_px: int = 680) -> tuple[int, list[str]]:
    """Tables of an opened page whose numbers or words break on paper, whose columns touch, or that are wider than it.

    `paper_px` is the width between the margins, in CSS pixels: 180 mm of a sheet A4. Returns how many were looked at.
    """
    page.set_viewport_size({"width": paper_px, "height": 1000})
    page.emulate_media(media="print")
    tables = page.evaluate(PRINTED)
    page.emulate_media(media="screen")
    found = [f"{table['name']}: broken {table['torn'][:6]}" for table in tables if table["torn"]]
    found += [f"{table['name']}: {table['gap']:.1f} px apart" for table in tables if table["gap"] < LEAST_GAP_PX]
    found += [f"{table['name']}: {table['beyond']:.0f} px too wide" for table in tables if table["beyond"] > 1]
    return len(tables), found


def parted_in_print(page: Page) -> tuple[int, list[str]]:
    """Captions and headings of an opened page that are printed on another sheet than what belongs to them.

    Where they lie comes from the PDF's own link targets: for each mark the sheet's object. Returns how many were found.
    """
    names = page.evaluate(PAIRS)
    pdf = page.pdf(prefer_css_page_size=True)
    sheets = dict(re.findall(rb"/((?:head|rest)-\d+)\s*\[(\d+) 0 R /XYZ", pdf))
    places = [[sheets.get(f"{end}-{k}".encode()) for end in ("head", "rest")] for k in range(len(names))]
    found = [names[k] for k, (head, rest) in enumerate(places) if head and rest and head != rest]
    return sum(None not in pair for pair in places), found
