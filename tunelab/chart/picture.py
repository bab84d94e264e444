"""Small still pictures as SVG text: they live in a page without scripts, on a phone, in the dark and on paper.

The few shapes that a summary needs are written by hand on the standard library's ElementTree. What else there was:
bokeh, which draws the live figures, writes SVG only through a browser; a second drawing library (HoloViews has one as
its other backend) is heavy to import, fixes its colours as it draws, so that a page in the dark cannot change them,
and writes its letters as outlines; a library of SVG shapes alone saves no more than the names of the tags.
ElementTree escapes every text, so nothing from a log can bring markup of its own.

A picture is 360 units wide, as wide as a phone: one unit is about one pixel there, and letters of 12 units are read.
Colours are the page's: each shape has a tone, and `record/templates/page.css` says what it is by day and in the dark.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import ArrayLike

from tunelab.chart.picture_parts import Axis, Band, Cells, Gauge, Line, Mark, Named, Picture, Points, Rule, Span

WIDE = 360.0  # units, as a phone's page

LETTER, SMALL = 13.0, 12.0  # heights of letters

LETTER_WIDTH = 0.63  # of a letter's height, on the wide side for a sans-serif face

RIGHT, GAP = 10.0, 6.0

TONES = ("main", "new", "old", "third", "quiet", "shade", "ink", "limit", "met", "watch", "stop")

STEPS = 3  # shades on either side of a map's zero

_HEX = re.compile(r"#[0-9a-fA-F]{6}")


def draw_picture(
    title: str, description: str, x: Axis, y: Axis, marks: Sequence[Mark], *, height: float = 210.0, note: str = ""
) -> Picture:
    """Draw marks over two axes.

    Parameters
    ----------
    title : str
        What came out; stands above the picture as text of the page.
    description : str
        The same with its figures, for who cannot see the picture.
    x, y : Axis
        The ranges across and up.
    marks : sequence
        What to draw, the lowest first.
    height : float
        Of the drawn area alone, in units of a 360 wide picture.
    note : str
        What a reader has to know beside the picture.

    Returns
    -------
    Picture
        The same marks give the same text. Values outside the range are cut off at the edge.
    """
    key = [mark for mark in marks if isinstance(mark, Named) and mark.name]
    ticks = y.ticks(4)
    left = max((_width(words, SMALL) for words in y.words(ticks)), default=0.0) + GAP
    svg, top = _root(title, description), _write_key(key) if key else []
    for item in top:
        svg.append(item)
    above = _key_height(key) + (SMALL + 2.5 * GAP if y.label else GAP)
    frame = _Frame(left, above, WIDE - left - RIGHT, height, x, y)
    _write_axes(svg, frame, ticks)
    plot = ET.SubElement(
        svg, "svg", _numbers(x=left, y=above, width=frame.wide, height=height)
    )  # cuts off what is beyond
    for mark in marks:
        _write_mark(plot, frame, mark)
    for rule in (mark for mark in marks if isinstance(mark, Rule) and mark.words):
        _name_rule(plot, frame, rule)
    return _finish(svg, (title, description, note), above + height + SMALL + 2 * GAP + (LETTER if x.label else 0.0))


def draw_gauges(title: str, description: str, gauges: Sequence[Gauge], note: str = "") -> Picture:
    """Draw how much of each limit was used: a bar below its words, the limit a line at 100 %.

    Of a gauge whose use is NaN the track stays empty.
    """
    svg = _root(title, description)
    most = max([100.0, *(v for g in gauges for v in (g.used, g.upper) if math.isfinite(v))])
    axis, row = Axis("", 0.0, min(most * 1.04, 250.0), False), 2.0 * LETTER + 10
    for k, gauge in enumerate(gauges):
        base = k * row + LETTER
        _text(svg, gauge.name, 0, base, "start", LETTER)
        _text(svg, gauge.text, WIDE, base, "end", LETTER, "soft")
        end = min(axis.place(gauge.used, WIDE), WIDE) if math.isfinite(gauge.used) else 0.0
        _shape(svg, "rect", "track", "", x=0, y=base + 5, width=WIDE, height=9)
        if not math.isfinite(gauge.used):  # an empty track: nothing is known
            continue
        _shape(svg, "rect", "fill", gauge.tone, x=0, y=base + 5, width=max(end, 1.5), height=9)
        if math.isfinite(gauge.upper):
            _path(svg, "whisker", "ink", f"M{_n(end)} {_n(base + 9.5)}H{_n(min(axis.place(gauge.upper, WIDE), WIDE))}")
        at = axis.place(100.0, WIDE)
        _path(svg, "rule", "limit", f"M{_n(at)} {_n(base + 3)}V{_n(base + 16)}")
    bottom = len(gauges) * row + SMALL
    _text(svg, "the limit", axis.place(100.0, WIDE), bottom, "end", SMALL, "soft")
    return _finish(svg, (title, description, note), bottom + 4)


@dataclass(frozen=True)
class _Frame:
    """The drawn area, and the axes over it."""

    left: float
    top: float
    wide: float
    high: float
    x: Axis
    y: Axis

    def across(self, value: float) -> float:
        return self.x.place(value, self.wide)

    def up(self, value: float) -> float:
        return self.high - self.y.place(value, self.high)


def _root(title: str, description: str) -> ET.Element:
    svg = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "class": "still"})
    svg.set("aria-label", f"{title.rstrip('.')}. {description}")
    return svg


def _finish(svg: ET.Element, words: tuple[str, str, str], height: float) -> Picture:
    svg.set("viewBox", f"0 0 {_n(WIDE)} {_n(height)}")
    svg.set("width", _n(WIDE))
    svg.set("height", _n(height))
    title, description, note = words
    return Picture(title, description, ET.tostring(svg, encoding="unicode"), note)


def _write_axes(svg: ET.Element, frame: _Frame, ticks: Sequence[float]) -> None:
    bottom = frame.top + frame.high
    for tick, words in zip(ticks, frame.y.words(ticks), strict=True):
        at = frame.top + frame.up(tick)
        _path(svg, "grid", "", f"M{_n(frame.left)} {_n(at)}h{_n(frame.wide)}")
        _text(svg, words, frame.left - GAP, at + SMALL / 3, "end", SMALL, "soft")
    across = frame.x.ticks(6)
    for tick, words in frame.x.places or zip(across, frame.x.words(across), strict=True):
        at = frame.left + frame.across(tick)
        _path(svg, "grid", "", f"M{_n(at)} {_n(bottom)}v4")
        half = _width(words, SMALL) / 2
        _text(svg, words, min(max(at, half), WIDE - half), bottom + 4 + SMALL, "middle", SMALL, "soft")
    _path(svg, "edge", "", f"M{_n(frame.left)} {_n(bottom)}h{_n(frame.wide)}")
    _text(svg, frame.y.label, 0, frame.top - 1.5 * GAP, "start", SMALL, "soft")
    _text(svg, frame.x.label, frame.left + frame.wide / 2, bottom + 6 + SMALL + LETTER, "middle", SMALL, "soft")


def _write_mark(plot: ET.Element, frame: _Frame, mark: Mark) -> None:
    if isinstance(mark, Line):
        path = _path(plot, "line", mark.tone, _line(_placed(frame, mark.x, mark.y)))
        if mark.dashed:
            path.set("class", f"{path.get('class')} dashed")
    elif isinstance(mark, Band):
        _write_band(plot, frame, mark)
    elif isinstance(mark, Points):
        _write_points(plot, frame, mark)
    elif isinstance(mark, Span):
        start, end = frame.across(mark.start), frame.across(mark.end)
        _shape(plot, "rect", "area", mark.tone, x=start, y=0, width=max(end - start, 1), height=frame.high)
    elif isinstance(mark, Cells):
        _write_cells(plot, frame, mark)
    else:
        at = frame.across(mark.value) if mark.upright else frame.up(mark.value)
        if 0 <= at <= (frame.wide if mark.upright else frame.high):
            _path(
                plot,
                "rule",
                mark.tone,
                f"M{_n(at)} 0V{_n(frame.high)}" if mark.upright else f"M0 {_n(at)}H{_n(frame.wide)}",
            )


def _placed(frame: _Frame, x: ArrayLike, y: ArrayLike) -> list[tuple[float, float]]:
    pairs = zip(np.asarray(x, dtype=float), np.asarray(y, dtype=float), strict=True)
    return [(frame.across(a), frame.up(b)) for a, b in pairs]


def _line(points: Iterable[tuple[float, float]]) -> str:
    parts, begins = [], True
    for a, b in points:
        known = math.isfinite(a) and math.isfinite(b)
        if known:
            parts.append(f"{'M' if begins else 'L'}{_n(a)} {_n(b)}")
        begins = not known
    return "".join(parts)


def _write_band(plot: ET.Element, frame: _Frame, mark: Band) -> None:
    lower, upper = _placed(frame, mark.x, mark.lower), _placed(frame, mark.x, mark.upper)
    piece: list[int] = []
    for k in range(len(lower) + 1):
        if k < len(lower) and all(map(math.isfinite, (*lower[k], *upper[k]))):
            piece.append(k)
        elif piece:
            _path(plot, "area", mark.tone, _line([upper[i] for i in piece] + [lower[i] for i in piece[::-1]]) + "Z")
            piece = []


def _write_points(plot: ET.Element, frame: _Frame, mark: Points) -> None:
    for k, (a, b) in enumerate(_placed(frame, mark.x, mark.y)):
        if not (math.isfinite(a) and math.isfinite(b)):
            continue
        if mark.lower is not None and mark.upper is not None:
            ends = [frame.up(float(np.asarray(end, dtype=float)[k])) for end in (mark.lower, mark.upper)]
            if all(map(math.isfinite, ends)):
                _path(plot, "whisker", mark.tone, f"M{_n(a)} {_n(ends[0])}V{_n(ends[1])}")
        _dot(plot, mark, a, b)


def _dot(parent: ET.Element, mark: Points, a: float, b: float) -> None:
    if mark.shape == "diamond":
        _path(parent, "fill", mark.tone, f"M{_n(a)} {_n(b - 5)}l4.5 5-4.5 5-4.5-5Z")
    else:
        _shape(parent, "circle", "ring" if mark.shape == "ring" else "fill", mark.tone, cx=a, cy=b, r=3.6)


def _write_cells(plot: ET.Element, frame: _Frame, mark: Cells) -> None:
    edges = [np.asarray(side, dtype=float) for side in (mark.left, mark.right, mark.bottom, mark.top)]
    places = int(np.nanmax(np.abs(np.asarray(mark.value, dtype=float)), initial=0.0) < 9.95)
    for k, value in enumerate(np.asarray(mark.value, dtype=float)):
        if not math.isfinite(value):
            continue
        a, c = frame.across(edges[0][k]), frame.across(edges[1][k])
        d, b = frame.up(edges[2][k]), frame.up(edges[3][k])
        cell = ET.SubElement(plot, "g", {"class": f"around {shade_of(value, mark.full)}"})
        if mark.hints:
            ET.SubElement(cell, "title").text = mark.hints[k]
        _shape(cell, "rect", "cell", "", x=a + 0.5, y=b + 0.5, width=max(c - a - 1, 0.5), height=max(d - b - 1, 0.5))
        words = signed(value, places)
        if _width(words, SMALL) < c - a and d - b > SMALL:
            _text(cell, words, (a + c) / 2, (b + d) / 2 + SMALL / 3, "middle", SMALL)


def signed(value: float, places: int) -> str:
    """Write a value of a map with its sign and as many decimals as all others of the map."""
    text = f"{value:+.{places}f}"
    return text[1:] if float(text) == 0.0 else text.replace("-", "−")


def shade_of(value: float, full: float) -> str:
    """Class of a cell: below-3 … below-1, none, above-1 … above-3; `none` within half a step of zero."""
    step = min(round(abs(value) / full * STEPS), STEPS) if full > 0 else 0
    return "none" if step == 0 else f"{'above' if value > 0 else 'below'}-{step}"


def _name_rule(plot: ET.Element, frame: _Frame, rule: Rule) -> None:
    """Write a reference line's words beside it, or at the edge beyond which it lies."""
    if rule.upright:
        at = frame.across(rule.value)
        words = f"← {rule.words}" if at < 0 else f"{rule.words} →" if at > frame.wide else rule.words
        left = at < frame.wide / 2
        place = min(max(at, 0), frame.wide) + (4 if left else -4)
        _text(plot, words, place, SMALL, "start" if left else "end", SMALL, "halo")
        return
    at = frame.up(rule.value)
    words = f"{rule.words} ↑" if at < 0 else f"{rule.words} ↓" if at > frame.high else rule.words
    above = at - 4 >= SMALL or at < 0
    place = min(max(at - 4, SMALL), frame.high - 4) if above else at + SMALL + 2
    across, anchor = (2.0, "start") if rule.begins else (frame.wide - 2, "end")
    _text(plot, words, across, place, anchor, SMALL, "halo")


def _key_rows(marks: Sequence[Named]) -> Iterator[tuple[int, float, Named]]:
    row, at = 0, 0.0
    for mark in marks:
        wide = 22 + _width(mark.name, SMALL) + 12
        if at and at + wide > WIDE + 12:
            row, at = row + 1, 0.0
        yield row, at, mark
        at += wide


def _key_height(marks: Sequence[Named]) -> float:
    return (SMALL + GAP) * (1 + max((row for row, _, _ in _key_rows(marks)), default=-1))


def _write_key(marks: Sequence[Named]) -> list[ET.Element]:
    found = []
    for row, at, mark in _key_rows(marks):
        group = ET.Element("g")
        middle = row * (SMALL + GAP) + SMALL / 2 + 1
        if isinstance(mark, (Band, Span)):
            _shape(group, "rect", "area", mark.tone, x=at, y=middle - 5, width=16, height=10)
        elif isinstance(mark, Points):
            _dot(group, mark, at + 8, middle)
        else:
            path = _path(group, "line", mark.tone, f"M{_n(at)} {_n(middle)}h16")
            path.set("class", path.get("class", "") + (" dashed" if getattr(mark, "dashed", False) else ""))
        _text(group, mark.name, at + 22, middle + SMALL / 3, "start", SMALL)
        found.append(group)
    return found


def _width(words: str, size: float) -> float:
    return LETTER_WIDTH * size * len(words)


def _dress(element: ET.Element, kind: str, tone: str) -> ET.Element:
    if tone and tone not in TONES:
        if not _HEX.fullmatch(tone):
            raise ValueError(f"tone {tone!r} is unknown; there are {', '.join(TONES)} and colours such as #2b7fa3.")
        element.set("style", f"--tone:{tone}")
        tone = ""
    element.set("class", f"{kind} tone-{tone}" if tone else kind)
    return element


def _path(parent: ET.Element, kind: str, tone: str, d: str) -> ET.Element:
    return _dress(ET.SubElement(parent, "path", {"d": d}), kind, tone)


def _shape(parent: ET.Element, tag: str, kind: str, tone: str, **numbers: float) -> ET.Element:
    return _dress(ET.SubElement(parent, tag, _numbers(**numbers)), kind, tone)


def _text(
    parent: ET.Element, words: str, x: float, y: float, anchor: str, size: float, kind: str = ""
) -> None:  # fmt: skip
    given = {"text-anchor": anchor, "font-size": _n(size), **_numbers(x=x, y=y)}
    element = ET.SubElement(parent, "text", given | ({"class": kind} if kind else {}))
    element.text = words


def _numbers(**numbers: float) -> dict[str, str]:
    return {name: _n(value) for name, value in numbers.items()}


def _n(value: float) -> str:
    return f"{round(value, 1) + 0.0:g}"
