"""A figure as a still picture: SVG for paper, for pages without scripts, and until the scripts have drawn it.

It is drawn from the same data that bokeh's script embeds, so that whatever is cleaned there is clean here. All geometry
stands in the attribute `d` of paths. Colours that belong to the page are left to its style sheet.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, TypeGuard

import numpy as np

from tunelab.record.display import typeset
from tunelab.record.still_marks import (
    GLYPHS,
    Frame,
    Marks,
    Model,
    Models,
    Scale,
    alpha_of,
    dash_of,
    mark_shape,
    number_of,
    plain_value,
    px,
)

WIDTH = 480.0  # of the drawing; text of 12 in it is legible on a phone and quiet on a desk

TITLE_LETTER, TITLE_LINE = 7.8, 14  # width and height of the bold text of titles
TICK_LINE = 12  # height of a line of a label beside the axis that takes two
LETTER = 7.2  # width of a letter of that text, in the wider of the usual faces


@dataclass(frozen=True)
class Still:
    """The picture, and the legend that a page writes above it."""

    svg: str
    legend: tuple[tuple[str, str], ...]  # for each entry its look as SVG, and its words


def draw_still(item: str) -> Still:
    """Draw a figure as SVG.

    Parameters
    ----------
    item : str
        What `display.figure_item` gives: JSON text of one bokeh figure or a column of them.

    Returns
    -------
    Still
        One `<svg>` element, hidden from readers that cannot see: the figure's own text stands beside it.
    """
    models = Models(json.loads(item)["doc"])
    plots = models.plots()
    pieces, top = [], 0.0
    for plot in plots:
        drawn, height = _Panel(plot).draw()
        pieces.append(f'<g transform="translate(0,{px(top)})">{drawn}</g>')
        top += height
    size = f'viewBox="0 0 {WIDTH:.0f} {math.ceil(top)}" width="{WIDTH:.0f}" height="{math.ceil(top)}"'
    svg = f'<svg class="drawn" {size} aria-hidden="true">{"".join(pieces)}</svg>'
    legend = {words: look for plot in plots for look, words in _legend(plot)}
    return Still(svg, tuple((look, words) for words, look in legend.items()))


def _legend(plot: Model) -> Iterator[tuple[str, str]]:
    """Look and words of each entry of a panel's legend."""
    places = [model for side in ("center", "above", "below", "left", "right") for model in plot.list(side)]
    for legend in (model for model in places if model.name == "Legend"):
        for entry in legend.list("items"):
            label = entry.raw("label")
            words = str(label.get("value", label.get("field", "")) if isinstance(label, dict) else label or "")
            if words:
                yield (
                    f'<svg viewBox="0 0 20 14" width="20" height="14" aria-hidden="true">{_sample(entry)}</svg>',
                    words,
                )


Ticks = list[tuple[Any, str]]  # places on an axis and what stands there


class _Panel:
    """One panel: title, legend, axes and everything drawn between them."""

    def __init__(self, plot: Model):
        self.plot = plot
        self.x_range, self.y_range = plot.get("x_range"), plot.get("y_range")
        self.missed: set[str] = set()

    def draw(self) -> tuple[str, float]:
        """The panel and its height."""
        height = float(self.plot.get("height", 300))
        below, left = _first(self.plot.list("below")), _first(self.plot.list("left"))
        y_ticks = _ticks(left, self.y_range, _is_log(self.plot, "y_scale"), 5) if _shown(left) else []
        x_ticks = _ticks(below, self.x_range, _is_log(self.plot, "x_scale"), 7) if _shown(below) else []
        title = self.plot.get("title")
        title = str(title.get("text", "")) if title else ""
        bar = _first([m for m in self.plot.list("right") if m.name == "ColorBar"])
        frame = self._frame(height, left, y_ticks, title, bar)
        frame.has_grid = any(_is_drawn(grid) for grid in self.plot.list("center") if grid.name == "Grid")
        frame.x = _scale(self.x_range, _is_log(self.plot, "x_scale"), frame.left, frame.right)
        frame.y = _scale(self.y_range, _is_log(self.plot, "y_scale"), frame.bottom, frame.top)
        lines = _wrapped(title, frame.left)
        pieces = [_text(frame.left, 13 + TITLE_LINE * k, line, "title") for k, line in enumerate(lines)]
        pieces += [_axes(frame, left, below, y_ticks, x_ticks)]
        pieces += [self._inside(frame)]
        pieces += [_colour_bar(bar, frame)] if bar else []
        total = frame.bottom + (18 if x_ticks else 4) + (16 if _label(below) else 0) + 6
        if self.missed:
            pieces.append(_text(0, total + 10, f"Not drawn here: {', '.join(sorted(self.missed))}.", "tick"))
            total += 16
        return "".join(pieces), total

    def _frame(self, height: float, left: Model | None, y_ticks: Ticks, title: str, bar: Model | None) -> Frame:
        widest = max((len(label) for _, label in y_ticks), default=0)
        high = max(height - 70, 40)
        beside = 4 + 14 * len(_label_lines(left, high))
        start = min(LETTER * widest, 0.42 * WIDTH) + beside + 6
        end = WIDTH - (64 if bar else 18)
        top = (6 + TITLE_LINE * len(_wrapped(title, start)) if title else 4) + 6
        return Frame(start, end, top, top + high)

    def _inside(self, frame: Frame) -> str:
        """Everything between the axes; what lies beyond them is cut off."""
        wide, high = frame.right - frame.left, frame.bottom - frame.top
        box = f'x="{px(frame.left)}" y="{px(frame.top)}" width="{px(wide)}" height="{px(high)}"'
        view = f'viewBox="{px(frame.left)} {px(frame.top)} {px(wide)} {px(high)}"'
        parts = [*self.plot.list("renderers"), *self.plot.list("center")]
        drawn = "".join(self._renderer(part, frame) for part in parts if part.get("visible", True))
        return f'<svg {box} {view} overflow="hidden">{drawn}</svg>'

    def _renderer(self, part: Model, frame: Frame) -> str:
        if part.name == "Span":
            return _span(part, frame)
        if part.name == "Whisker":
            return _whisker(part, frame)
        if part.name != "GlyphRenderer":
            return ""
        glyph, source = part.get("glyph"), part.get("data_source")
        drawer = GLYPHS.get(glyph.name)
        if drawer is None:
            self.missed.add(glyph.name)
            return ""
        return drawer(Marks(glyph, source.get("data", {}) if source else {}, frame))


def _is_drawn(grid: Model) -> bool:
    return grid.node.get("attributes", {}).get("grid_line_color", "") is not None  # not said: drawn


def _wrapped(title: str, start: float) -> list[str]:
    """Lines of a panel's title, as long as there is room beside the axis."""
    return textwrap.wrap(title, max(12, int((WIDTH - start) / TITLE_LETTER)))


def _span(part: Model, frame: Frame) -> str:
    at = part.get("location")
    if at is None:
        return ""
    across = part.get("dimension", "width") == "width"
    place = float(np.ravel((frame.y if across else frame.x)(np.array([at])))[0])
    ends = (frame.left, frame.right) if across else (frame.top, frame.bottom)
    d = f"M{px(ends[0])} {px(place)}H{px(ends[1])}" if across else f"M{px(place)} {px(ends[0])}V{px(ends[1])}"
    return f'<path d="{d}" fill="none" {_stroke(part)}/>'


def _stroke(part: Model) -> str:
    tone = (
        f'stroke="{plain_value(part.get("line_color")) or "#444444"}" stroke-opacity="{alpha_of(part, "line_alpha")}"'
    )
    return f'{tone} stroke-width="{number_of(part.get("line_width", 1)):g}" {dash_of(part)}'


def _whisker(part: Model, frame: Frame) -> str:
    source = part.get("source")
    data = source.get("data", {}) if source else {}
    base, low, high = (np.asarray(data.get(_field(part.get(n)), ()), dtype=object) for n in ("base", "lower", "upper"))
    x, a, b = frame.x(base), frame.y(low), frame.y(high)
    d = "".join(f"M{px(p)} {px(q)}V{px(r)}" for p, q, r in zip(x, a, b, strict=True) if np.isfinite([p, q, r]).all())
    return f'<path d="{d}" fill="none" {_stroke(part)}/>'


def _field(value: Any) -> str:
    return str(value.get("field", "")) if isinstance(value, dict) else str(value)


def _first(models: Sequence[Model]) -> Model | None:
    return next(iter(models), None)


def _shown(axis: Model | None) -> TypeGuard[Model]:
    return axis is not None and axis.raw("visible") is not False


def _label(axis: Model | None) -> str:
    return str(axis.get("axis_label", "") or "") if _shown(axis) else ""


def _label_lines(axis: Model | None, high: float) -> list[str]:
    """Label of an axis upward: its unit on a line of its own where both together are longer than the panel is high."""
    words, _, unit = " ".join(_label(axis).split()).rpartition(" [")
    whole = f"{words} [{unit}" if words else unit
    if not whole:
        return []
    return [words, f"[{unit}"] if words and LETTER * len(whole) > high + 2 * LETTER else [whole]


def _is_log(plot: Model, name: str) -> bool:
    scale = plot.get(name)
    return bool(scale) and scale.name == "LogScale"


def _scale(span: Model, is_log: bool, begin: float, end: float) -> Scale:
    """Places on the picture of values on an axis."""
    factors = span.get("factors") if span.name == "FactorRange" else None
    if factors is not None:
        place = {str(name): k + 0.5 for k, name in enumerate(factors)}
        low, high = 0.0, float(len(factors)) or 1.0
    else:
        place, low, high = {}, float(span.get("start", 0.0)), float(span.get("end", 1.0))
    if is_log:
        low, high = math.log10(max(low, 1e-12)), math.log10(max(high, 1e-12))

    def to_picture(values: np.ndarray) -> np.ndarray:
        plain = [
            place.get(v, math.nan) if isinstance(v, str) else math.nan if v is None else v for v in np.ravel(values)
        ]
        numbers = np.asarray(plain, dtype=float)
        if is_log:
            with np.errstate(divide="ignore", invalid="ignore"):
                numbers = np.log10(np.where(numbers > 0, numbers, np.nan))
        return begin + (numbers - low) / ((high - low) or 1.0) * (end - begin)

    return to_picture


def _ticks(axis: Model, span: Model, is_log: bool, count: int) -> list[tuple[Any, str]]:
    """Ticks of an axis within its range, each with its label."""
    if span.name == "FactorRange":
        return [(name, str(name)) for name in span.get("factors", ())]
    low, high = sorted((float(span.get("start", 0.0)), float(span.get("end", 1.0))))
    ticker = axis.get("ticker")
    if ticker is not None and ticker.name == "FixedTicker":
        named = {float(k): str(v) for k, v in (axis.get("major_label_overrides") or {}).items()}
        places = [float(tick) for tick in ticker.get("ticks", ())]
        return [(place, named.get(place, f"{place:g}")) for place in places if low <= place <= high]
    places = list(_decades(low, high)) if is_log else _even(low, high, count)
    return [(place, _tick_text(place)) for place in places]


def _even(low: float, high: float, count: int) -> list[float]:
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return []
    rough = span / count
    size = 10 ** math.floor(math.log10(rough))
    step = next(size * m for m in (1, 2, 5, 10) if size * m >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 12) + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _decades(low: float, high: float) -> Iterator[float]:
    bottom, top = math.floor(math.log10(max(low, 1e-12))), math.ceil(math.log10(max(high, 1e-11)))
    for power in range(bottom, top + 1):
        if low <= 10.0**power <= high:
            yield 10.0**power


def _tick_text(value: float) -> str:
    text = f"{value:.10g}"
    return text.replace("-", "\u2212")


def _text(x: float, y: float, text: str, kind: str = "", anchor: str = "start") -> str:
    name = f' class="{kind}"' if kind else ""
    return f'<text x="{px(x)}" y="{px(y)}" text-anchor="{anchor}"{name}>{escape(typeset(text))}</text>'


def _axes(frame: Frame, left: Model | None, below: Model | None, y_ticks: Ticks, x_ticks: Ticks) -> str:
    across = [(float(p), text) for (v, text) in y_ticks for p in frame.y(np.array([v], dtype=object))]
    down = [(float(p), text) for (v, text) in x_ticks for p in frame.x(np.array([v], dtype=object))]
    grid = "".join(f"M{px(frame.left)} {px(p)}H{px(frame.right)}" for p, _ in across)
    grid += "".join(f"M{px(p)} {px(frame.top)}V{px(frame.bottom)}" for p, _ in down)
    pieces = [f'<path class="grid" d="{grid}"/>'] if grid and frame.has_grid else []
    if left is not None or below is not None:
        edge = f"M{px(frame.left)} {px(frame.top)}V{px(frame.bottom)}H{px(frame.right)}"
        pieces += [f'<path class="edge" d="{edge}"/>'] if across or down else []
    longest = int(0.42 * WIDTH / LETTER)
    pieces += [piece for place, text in across for piece in _row_label(frame.left - 6, place, text, longest)]
    pieces += [_text(p, frame.bottom + 15, text, "tick", "middle") for p, text in _apart(down)]
    if _label(below):
        middle = (frame.left + frame.right) / 2
        pieces.append(_text(middle, frame.bottom + (32 if down else 14), _label(below), "", "middle"))
    middle, high = (frame.top + frame.bottom) / 2, frame.bottom - frame.top
    for line, text in enumerate(_label_lines(left, high)):
        text = _cut(text, max(12, int(high / LETTER) + 6))
        turn = f'transform="translate({11 + 13 * line},{px(middle)}) rotate(-90)"'
        pieces.append(f'<text {turn} text-anchor="middle">{escape(text)}</text>')
    return "".join(pieces)


def _row_label(x: float, y: float, text: str, longest: int) -> list[str]:
    """The label of a row of an axis, in two lines where one has no room for it."""
    lines = textwrap.wrap(text, longest) or [text]
    lines = [lines[0], _cut(" ".join(lines[1:]), longest)] if lines[1:] else lines
    first = y + 4 - TICK_LINE * (len(lines) - 1) / 2
    return [_text(x, first + TICK_LINE * k, line, "tick", "end") for k, line in enumerate(lines)]


def _apart(ticks: list[tuple[float, str]]) -> Iterator[tuple[float, str]]:
    """Labels that do not run into the one before."""
    edge = -math.inf
    for place, text in sorted(ticks):
        half = LETTER * len(text) / 2
        if place - half > edge:
            edge = place + half + 4
            yield place, text


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else textwrap.shorten(text, letters, placeholder="…") or text[:letters]


def _sample(entry: Model) -> str:
    """The look of a legend's entry."""
    found = []
    for renderer in entry.list("renderers"):
        glyph = renderer.get("glyph")
        if glyph is None:
            continue
        marks = Marks(glyph, {}, Frame(0, 20, 0, 12))
        if glyph.name == "Scatter":
            shape = glyph.get("marker", "circle")
            look = marks.look(fill=plain_value(glyph.get("fill_color")) or "none")
            found.append(f'<path d="{mark_shape(9, 7, shape if isinstance(shape, str) else "circle", 4)}" {look}/>')
        elif glyph.name in ("Line", "MultiLine", "Segment"):
            found.append(f'<path d="M0 7H18" {marks.look(fill="none")}/>')
        else:
            found.append(f'<path d="M0 2H18V12H0Z" {marks.look()}/>')
    return "".join(found)


def _colour_bar(bar: Model, frame: Frame) -> str:
    mapper = bar.get("color_mapper")
    if mapper is None:
        return ""
    palette, low, high = mapper.get("palette", []), float(mapper.get("low", 0)), float(mapper.get("high", 1))
    left, tall = frame.right + 10, (frame.bottom - frame.top) / max(len(palette), 1)
    boxes = [
        f'<path d="M{px(left)} {px(frame.bottom - tall * k)}h12v{px(-tall)}h-12Z" fill="{plain_value(shade)}"/>'
        for k, shade in enumerate(palette)
    ]
    place = _even(low, high, 5)
    texts = [
        _text(
            left + 16,
            frame.bottom - (v - low) / ((high - low) or 1) * (frame.bottom - frame.top) + 4,
            _tick_text(v),
            "tick",
        )
        for v in place
    ]
    return "".join([*boxes, *texts])
