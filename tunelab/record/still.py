"""A figure as a still picture: SVG for paper, for pages without scripts, and until the scripts have drawn it.

It is drawn from the same data that bokeh's script embeds, so that whatever is cleaned there is clean here. All geometry
stands in the attribute `d` of paths. Colours that belong to the page are left to its style sheet.
"""

from __future__ import annotations

import base64
import gzip
import json
import math
import re
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any, TypeGuard

import numpy as np

from tunelab.record.display import typeset

WIDTH = 480.0  # of the drawing; text of 12 in it is legible on a phone and quiet on a desk
LETTER = 7.2  # width of a letter of that text, in the wider of the usual faces
MOST_POINTS = 1500  # a longer line is reduced to the least and greatest value of each pixel column
MOST_MARKS = 3000  # marks beyond this many places are drawn thinned
DASHES = {"solid": "", "dashed": "6", "dotted": "2 4", "dotdash": "2 4 6 4", "dashdot": "6 4 2 4"}
PAINT = re.compile(r"[#\w(),.% -]*")
Scale = Callable[[np.ndarray], np.ndarray]


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
    models = _Models(json.loads(item)["doc"])
    plots = models.plots()
    pieces, top = [], 0.0
    for plot in plots:
        drawn, height = _Panel(plot).draw()
        pieces.append(f'<g transform="translate(0,{_n(top)})">{drawn}</g>')
        top += height
    size = f'viewBox="0 0 {WIDTH:.0f} {math.ceil(top)}" width="{WIDTH:.0f}" height="{math.ceil(top)}"'
    svg = f'<svg class="drawn" {size} aria-hidden="true">{"".join(pieces)}</svg>'
    legend = {words: look for plot in plots for look, words in _legend(plot)}
    return Still(svg, tuple((look, words) for words, look in legend.items()))


def _legend(plot: _Model) -> Iterator[tuple[str, str]]:
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


class _Models:
    """The models of a figure's JSON, each by its id, with arrays as numpy reads them."""

    def __init__(self, doc: dict[str, Any]):
        self._known: dict[str, dict[str, Any]] = {}
        self._root = doc["roots"][0]
        self._enter(self._root)

    def _enter(self, value: Any) -> None:
        if isinstance(value, list):
            for item in value:
                self._enter(item)
        elif isinstance(value, dict):
            if value.get("type") == "object" and "id" in value:
                self._known[value["id"]] = value
            for item in value.values():
                self._enter(item)

    def model(self, value: Any) -> _Model:
        """A model as it stands or by its id."""
        return _Model(self, self._known[value["id"]])

    def plots(self) -> list[_Model]:
        """Panels from top to bottom."""
        root = _Model(self, self._root)
        children = root.raw("children")
        if children is None:
            return [root]
        return [self.model(child[0] if isinstance(child, list) else child) for child in children]

    def value(self, value: Any) -> Any:
        """Plain data of a JSON value: arrays, maps and numbers that JSON has no word for."""
        if isinstance(value, list):
            return [self.value(item) for item in value]
        if not isinstance(value, dict):
            return value
        kind = value.get("type")
        if kind == "ndarray":
            return _array(value)
        if kind == "map":
            return {self.value(k): self.value(v) for k, v in value["entries"]}
        if kind == "number":
            return float(value["value"])
        if kind == "value" and "value" in value:
            return self.value(value["value"])
        return value


def _array(value: dict[str, Any]) -> np.ndarray:
    data = value["array"]
    if isinstance(data, list):
        return np.array([math.nan if isinstance(item, dict) else item for item in data], dtype=object)
    raw = base64.b64decode(data["data"])
    raw = gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw
    order = "<" if value.get("order", "little") == "little" else ">"
    return np.frombuffer(raw, dtype=np.dtype(value["dtype"]).newbyteorder(order)).reshape(value["shape"])


@dataclass(frozen=True)
class _Model:
    """One model: its class and its attributes; what is not said has the default that is asked for."""

    models: _Models
    node: dict[str, Any]

    @property
    def name(self) -> str:
        return self.node.get("name", "")

    def raw(self, name: str) -> Any:
        return self.node.get("attributes", {}).get(name)

    def get(self, name: str, default: Any = None) -> Any:
        """An attribute as plain data; a model as `_Model`."""
        raw = self.raw(name)
        if raw is None:
            return default
        if isinstance(raw, dict) and "id" in raw:
            return self.models.model(raw)
        return self.models.value(raw)

    def list(self, name: str) -> list[_Model]:
        """Models of a list."""
        return [self.models.model(item) for item in self.raw(name) or () if isinstance(item, dict) and "id" in item]


@dataclass
class _Frame:
    """Where a panel's data lie on the picture."""

    left: float
    right: float
    top: float
    bottom: float
    x: Scale = field(init=False)
    y: Scale = field(init=False)


Ticks = list[tuple[Any, str]]  # places on an axis and what stands there


class _Panel:
    """One panel: title, legend, axes and everything drawn between them."""

    def __init__(self, plot: _Model):
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
        frame = self._frame(height, left, below, y_ticks, x_ticks, title, bar)
        frame.x = _scale(self.x_range, _is_log(self.plot, "x_scale"), frame.left, frame.right)
        frame.y = _scale(self.y_range, _is_log(self.plot, "y_scale"), frame.bottom, frame.top)
        pieces = [_text(frame.left, 13, title, "title")] if title else []
        pieces += [_axes(frame, left, below, y_ticks, x_ticks)]
        pieces += [self._inside(frame)]
        pieces += [_colour_bar(bar, frame)] if bar else []
        total = frame.bottom + (18 if x_ticks else 4) + (16 if _label(below) else 0) + 6
        if self.missed:
            pieces.append(_text(0, total + 10, f"Not drawn here: {', '.join(sorted(self.missed))}.", "tick"))
            total += 16
        return "".join(pieces), total

    def _frame(
        self,
        height: float,
        left: _Model | None,
        below: _Model | None,
        y_ticks: Ticks,
        x_ticks: Ticks,
        title: str,
        bar: _Model | None,
    ) -> _Frame:
        widest = max((len(label) for _, label in y_ticks), default=0)
        high = max(height - 70, 40)
        beside = 4 + 14 * len(_label_lines(left, high))
        start = min(LETTER * widest, 0.42 * WIDTH) + beside + 6
        end = WIDTH - (64 if bar else 18)
        top = (20 if title else 4) + 6
        return _Frame(start, end, top, top + high)

    def _inside(self, frame: _Frame) -> str:
        """Everything between the axes; what lies beyond them is cut off."""
        wide, high = frame.right - frame.left, frame.bottom - frame.top
        box = f'x="{_n(frame.left)}" y="{_n(frame.top)}" width="{_n(wide)}" height="{_n(high)}"'
        view = f'viewBox="{_n(frame.left)} {_n(frame.top)} {_n(wide)} {_n(high)}"'
        parts = [*self.plot.list("renderers"), *self.plot.list("center")]
        drawn = "".join(self._renderer(part, frame) for part in parts if part.get("visible", True))
        return f'<svg {box} {view} overflow="hidden">{drawn}</svg>'

    def _renderer(self, part: _Model, frame: _Frame) -> str:
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
        return drawer(_Marks(glyph, source.get("data", {}) if source else {}, frame))


@dataclass(frozen=True)
class _Marks:
    """A glyph with its data."""

    glyph: _Model
    data: dict[str, Any]
    frame: _Frame

    def column(self, name: str) -> np.ndarray:
        """Values of a coordinate or a look, one for each mark; a single value alone."""
        value = self.glyph.get(name)
        if isinstance(value, dict) and "field" in value:
            return np.asarray(self.data.get(value["field"], ()), dtype=object)
        return np.asarray([value], dtype=object)

    def x(self, name: str) -> np.ndarray:
        """Places across."""
        return self.frame.x(self.column(name))

    def y(self, name: str) -> np.ndarray:
        """Places down."""
        return self.frame.y(self.column(name))

    def colours(self, name: str, count: int) -> list[str]:
        """A colour for each mark, through the colour scale where there is one."""
        value = self.glyph.get(name)
        if isinstance(value, dict) and "transform" in value:
            mapper = self.glyph.models.model(value["transform"])
            return _mapped(mapper, np.asarray(self.data[value["field"]], dtype=float))
        known = [_plain(colour) or "none" for colour in self.column(name)]
        return known * count if len(known) == 1 else known

    def look(self, *, fill: str | None = None, line: str | None = None) -> str:
        """Attributes of paint: line, fill, dashes."""
        found = []
        shade = fill if fill is not None else _plain(self.glyph.get("fill_color"))
        if shade and shade != "none":
            found.append(f'fill="{shade}" fill-opacity="{_alpha(self.glyph, "fill_alpha")}"')
        else:
            found.append('fill="none"')
        stroke = line if line is not None else _plain(self.glyph.get("line_color", "none"))
        width = _number(self.glyph.get("line_width", 1))
        if stroke and stroke != "none" and _alpha(self.glyph, "line_alpha") != "0" and width:
            found.append(
                f'stroke="{stroke}" stroke-opacity="{_alpha(self.glyph, "line_alpha")}" stroke-width="{width:g}"'
            )
            found.append(_dash(self.glyph))
        return " ".join(part for part in found if part)


def _plain(value: Any) -> str:
    """A colour or a pattern of dashes as it may stand in an attribute; empty for anything else."""
    return value if isinstance(value, str) and PAINT.fullmatch(value) else ""


def _number(value: Any) -> float:
    return float(value) if isinstance(value, (int, float)) else 1.0


def _alpha(model: _Model, name: str) -> str:
    return f"{_number(model.get(name, 1)):g}"


def _dash(model: _Model) -> str:
    dash = model.get("line_dash", "")
    pattern = DASHES.get(dash, _plain(dash)) if isinstance(dash, str) else " ".join(f"{part:g}" for part in dash)
    return f'stroke-dasharray="{pattern}"' if pattern else ""


def _mapped(mapper: _Model, values: np.ndarray) -> list[str]:
    palette = mapper.get("palette", [])
    low, high = float(mapper.get("low", np.nanmin(values))), float(mapper.get("high", np.nanmax(values)))
    place = np.clip((values - low) / ((high - low) or 1.0) * len(palette), 0, len(palette) - 1)
    return [_plain(palette[int(p)]) or "none" if np.isfinite(p) else "none" for p in place]


def _n(value: float) -> str:
    return f"{round(float(value), 1):g}"


def _path(x: np.ndarray, y: np.ndarray) -> str:
    """A line through points in the picture, broken where a point is missing."""
    x, y = _reduced(x, y)
    pieces, pen, last = [], "M", ""
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not (math.isfinite(a) and math.isfinite(b)):
            pen = "M"
            continue
        point = f"{_n(a)} {_n(b)}"
        if pen == "M" or point != last:
            pieces.append(f"{pen}{point}")
        pen, last = "L", point
    return "".join(pieces)


def _reduced(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if len(x) <= MOST_POINTS or np.any(np.diff(x[np.isfinite(x)]) < 0):
        return x, y
    column = np.round(np.where(np.isfinite(x), x, -1.0))
    edges = np.flatnonzero(np.diff(column)) + 1
    keep: list[int] = []
    for part in np.split(np.arange(len(x)), edges):
        own = y[part]
        if np.isnan(own).any():
            keep += [int(part[0])] if np.isnan(own).all() else sorted({int(part[0]), int(part[-1])} | _ends(part, own))
        else:
            keep += sorted(_ends(part, own))
    return x[keep], y[keep]


def _ends(part: np.ndarray, own: np.ndarray) -> set[int]:
    return {int(part[np.nanargmin(own)]), int(part[np.nanargmax(own)])}


def _line(marks: _Marks) -> str:
    return f'<path d="{_path(marks.x("x"), marks.y("y"))}" {marks.look(fill="none")}/>'


def _multi_line(marks: _Marks) -> str:
    lines = zip(marks.column("xs"), marks.column("ys"), strict=True)
    d = "".join(_path(marks.frame.x(np.asarray(x)), marks.frame.y(np.asarray(y))) for x, y in lines)
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _segment(marks: _Marks) -> str:
    ends = zip(*(_wide(marks, name) for name in ("x0", "y0", "x1", "y1")), strict=True)
    d = "".join(f"M{_n(a)} {_n(b)}L{_n(c)} {_n(e)}" for a, b, c, e in ends if np.isfinite([a, b, c, e]).all())
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _wide(marks: _Marks, name: str) -> np.ndarray:
    values = marks.x(name) if name in ("x0", "x1", "left", "right") else marks.y(name)
    count = max((len(column) for column in marks.data.values()), default=1)
    return np.full(count, values[0]) if len(values) == 1 and count != 1 else values


def _boxes(marks: _Marks, left: np.ndarray, top: np.ndarray, right: np.ndarray, bottom: np.ndarray) -> str:
    shades = marks.colours("fill_color", len(left))
    lines = marks.colours("line_color", len(left))
    by_look: dict[tuple[str, str], list[str]] = {}
    for a, b, c, e, shade, line in zip(left, top, right, bottom, shades, lines, strict=True):
        if np.isfinite([a, b, c, e]).all():
            by_look.setdefault((shade, line), []).append(f"M{_n(a)} {_n(b)}\nH{_n(c)}\nV{_n(e)}\nH{_n(a)}Z")
    return "".join(f'<path d="{"".join(d)}" {marks.look(fill=k[0], line=k[1])}/>' for k, d in by_look.items())


def _quad(marks: _Marks) -> str:
    return _boxes(marks, *(_wide(marks, name) for name in ("left", "top", "right", "bottom")))


def _bars_down(marks: _Marks) -> str:
    at, top, bottom = marks.column("x"), marks.y("top"), marks.y("bottom" if marks.glyph.raw("bottom") else "top")
    half = float(marks.column("width")[0]) / 2
    centre = marks.frame.x(at)
    step = abs(float(np.ravel(marks.frame.x(np.array([1.0])) - marks.frame.x(np.array([0.0])))[0])) * half
    base = marks.frame.y(np.zeros(1))[0] if not marks.glyph.raw("bottom") else bottom
    return _boxes(marks, centre - step, top, centre + step, np.broadcast_to(base, top.shape))


def _bars_across(marks: _Marks) -> str:
    at, right = marks.column("y"), marks.x("right")
    half = float(marks.column("height")[0]) / 2
    centre = marks.frame.y(at)
    step = abs(float(np.ravel(marks.frame.y(np.array([1.0])) - marks.frame.y(np.array([0.0])))[0])) * half
    base = marks.frame.x(np.zeros(1))[0] if not marks.glyph.raw("left") else marks.x("left")
    return _boxes(marks, np.broadcast_to(base, right.shape), centre - step, right, centre + step)


def _patch(marks: _Marks) -> str:
    return f'<path d="{_path(marks.x("x"), marks.y("y"))}Z" {marks.look()}/>' if len(marks.x("x")) else ""


def _area(marks: _Marks) -> str:
    x, low, high = marks.x("x"), marks.y("y1"), marks.y("y2")
    d = _path(np.concatenate([x, x[::-1]]), np.concatenate([low, high[::-1]]))
    return f'<path d="{d}Z" {marks.look(line="none")}/>'


def _strips(marks: _Marks) -> str:
    left, right = marks.x("x0"), marks.x("x1")
    return _boxes(marks, left, np.full(left.shape, marks.frame.top), right, np.full(left.shape, marks.frame.bottom))


def _lines_down(marks: _Marks) -> str:
    d = "".join(f"M{_n(x)} {_n(marks.frame.top)}V{_n(marks.frame.bottom)}" for x in marks.x("x") if np.isfinite(x))
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _lines_across(marks: _Marks) -> str:
    d = "".join(f"M{_n(marks.frame.left)} {_n(y)}H{_n(marks.frame.right)}" for y in marks.y("y") if np.isfinite(y))
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _scatter(marks: _Marks) -> str:
    x, y = marks.x("x"), marks.y("y")
    shapes, sizes = _every(marks.column("marker"), len(x)), _every(marks.column("size"), len(x))
    shades, lines = marks.colours("fill_color", len(x)), marks.colours("line_color", len(x))
    by_look: dict[tuple[str, str], dict[str, None]] = {}
    for a, b, shape, size, shade, line in zip(x, y, shapes, sizes, shades, lines, strict=True):
        if math.isfinite(a) and math.isfinite(b):
            mark = _mark(round(a * 2) / 2, round(b * 2) / 2, str(shape or "circle"), _number(size) / 2)
            by_look.setdefault((shade, line), {})[mark] = None
    found = []
    for (shade, line), places in by_look.items():
        kept = list(places)[:: max(1, math.ceil(len(places) / MOST_MARKS))]
        found.append(f'<path d="{"".join(kept)}" {marks.look(fill=shade, line=line)}/>')
    return "".join(found)


def _every(values: np.ndarray, count: int) -> Sequence[Any]:
    return [values[0]] * count if len(values) == 1 else list(values)


def _mark(x: float, y: float, shape: str, r: float) -> str:
    b, s = _n(y), _n(r)
    if shape in ("x", "cross"):
        return f"M{_n(x - r)} {_n(y - r)}L{_n(x + r)} {_n(y + r)}M{_n(x - r)} {_n(y + r)}L{_n(x + r)} {_n(y - r)}"
    if shape == "dash":
        return f"M{_n(x - r)} {b}H{_n(x + r)}"
    corners = {
        "square": (4, 45), "diamond": (4, 0), "triangle": (3, -90), "inverted_triangle": (3, 90), "hex": (6, 0),
    }.get(shape)  # fmt: skip
    if corners is None:
        return f"M{_n(x - r)} {b}a{s} {s} 0 1 0 {_n(2 * r)} 0a{s} {s} 0 1 0 {_n(-2 * r)} 0"
    angles = np.radians(corners[1] + 360 / corners[0] * np.arange(corners[0]))
    points = [f"{_n(x + 1.2 * r * math.cos(t))} {_n(y + 1.2 * r * math.sin(t))}" for t in angles]
    return f"M{'L'.join(points)}Z"


def _words(marks: _Marks) -> str:
    anchor = {"left": "start", "right": "end"}.get(str(marks.glyph.get("text_align", "left")), "middle")
    baseline = str(marks.glyph.get("text_baseline", "bottom"))
    tone = _plain(marks.glyph.get("text_color")) or "#444444"
    found = []
    for x, y, text in zip(marks.x("x"), marks.y("y"), marks.column("text"), strict=True):
        lines = str(text).split("\n")
        if not (math.isfinite(x) and math.isfinite(y)):
            continue
        first = y - {"bottom": 13.0 * (len(lines) - 1) + 2, "top": -11.0}.get(baseline, 6.5 * (len(lines) - 1) - 4)
        for row, line in enumerate(lines):
            place = f'x="{_n(x)}" y="{_n(first + 13 * row)}" text-anchor="{anchor}" fill="{tone}"'
            found.append(f"<text {place}>{escape(line)}</text>")
    return "".join(found)


GLYPHS: dict[str, Callable[[_Marks], str]] = {
    "Line": _line, "MultiLine": _multi_line, "Segment": _segment, "Quad": _quad, "VBar": _bars_down,
    "HBar": _bars_across, "Patch": _patch, "VArea": _area, "VStrip": _strips, "VSpan": _lines_down,
    "HSpan": _lines_across, "Scatter": _scatter, "Text": _words,
}  # fmt: skip


def _span(part: _Model, frame: _Frame) -> str:
    at = part.get("location")
    if at is None:
        return ""
    across = part.get("dimension", "width") == "width"
    place = float(np.ravel((frame.y if across else frame.x)(np.array([at])))[0])
    ends = (frame.left, frame.right) if across else (frame.top, frame.bottom)
    d = f"M{_n(ends[0])} {_n(place)}H{_n(ends[1])}" if across else f"M{_n(place)} {_n(ends[0])}V{_n(ends[1])}"
    return f'<path d="{d}" fill="none" {_stroke(part)}/>'


def _stroke(part: _Model) -> str:
    tone = f'stroke="{_plain(part.get("line_color")) or "#444444"}" stroke-opacity="{_alpha(part, "line_alpha")}"'
    return f'{tone} stroke-width="{_number(part.get("line_width", 1)):g}" {_dash(part)}'


def _whisker(part: _Model, frame: _Frame) -> str:
    source = part.get("source")
    data = source.get("data", {}) if source else {}
    base, low, high = (np.asarray(data.get(_field(part.get(n)), ()), dtype=object) for n in ("base", "lower", "upper"))
    x, a, b = frame.x(base), frame.y(low), frame.y(high)
    d = "".join(f"M{_n(p)} {_n(q)}V{_n(r)}" for p, q, r in zip(x, a, b, strict=True) if np.isfinite([p, q, r]).all())
    return f'<path d="{d}" fill="none" {_stroke(part)}/>'


def _field(value: Any) -> str:
    return str(value.get("field", "")) if isinstance(value, dict) else str(value)


def _first(models: Sequence[_Model]) -> _Model | None:
    return next(iter(models), None)


def _shown(axis: _Model | None) -> TypeGuard[_Model]:
    return axis is not None and axis.raw("visible") is not False


def _label(axis: _Model | None) -> str:
    return str(axis.get("axis_label", "") or "") if _shown(axis) else ""


def _label_lines(axis: _Model | None, high: float) -> list[str]:
    """Label of an axis upward: its unit on a line of its own where both together are longer than the panel is high."""
    words, _, unit = " ".join(_label(axis).split()).rpartition(" [")
    whole = f"{words} [{unit}" if words else unit
    if not whole:
        return []
    return [words, f"[{unit}"] if words and LETTER * len(whole) > high + 2 * LETTER else [whole]


def _is_log(plot: _Model, name: str) -> bool:
    scale = plot.get(name)
    return bool(scale) and scale.name == "LogScale"


def _scale(span: _Model, is_log: bool, begin: float, end: float) -> Scale:
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


def _ticks(axis: _Model, span: _Model, is_log: bool, count: int) -> list[tuple[Any, str]]:
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
    return f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}"{name}>{escape(typeset(text))}</text>'


def _axes(frame: _Frame, left: _Model | None, below: _Model | None, y_ticks: Ticks, x_ticks: Ticks) -> str:
    across = [(float(p), text) for (v, text) in y_ticks for p in frame.y(np.array([v], dtype=object))]
    down = [(float(p), text) for (v, text) in x_ticks for p in frame.x(np.array([v], dtype=object))]
    grid = "".join(f"M{_n(frame.left)} {_n(p)}H{_n(frame.right)}" for p, _ in across)
    grid += "".join(f"M{_n(p)} {_n(frame.top)}V{_n(frame.bottom)}" for p, _ in down)
    pieces = [f'<path class="grid" d="{grid}"/>'] if grid else []
    if left is not None or below is not None:
        edge = f"M{_n(frame.left)} {_n(frame.top)}V{_n(frame.bottom)}H{_n(frame.right)}"
        pieces += [f'<path class="edge" d="{edge}"/>'] if across or down else []
    longest = int(0.42 * WIDTH / LETTER)
    pieces += [_text(frame.left - 6, p + 4, _cut(text, longest), "tick", "end") for p, text in across]
    pieces += [_text(p, frame.bottom + 15, text, "tick", "middle") for p, text in _apart(down)]
    if _label(below):
        middle = (frame.left + frame.right) / 2
        pieces.append(_text(middle, frame.bottom + (32 if down else 14), _label(below), "", "middle"))
    middle, high = (frame.top + frame.bottom) / 2, frame.bottom - frame.top
    for line, text in enumerate(_label_lines(left, high)):
        text = _cut(text, max(12, int(high / LETTER) + 6))
        turn = f'transform="translate({11 + 13 * line},{_n(middle)}) rotate(-90)"'
        pieces.append(f'<text {turn} text-anchor="middle">{escape(text)}</text>')
    return "".join(pieces)


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


def _sample(entry: _Model) -> str:
    """The look of a legend's entry."""
    found = []
    for renderer in entry.list("renderers"):
        glyph = renderer.get("glyph")
        if glyph is None:
            continue
        marks = _Marks(glyph, {}, _Frame(0, 20, 0, 12))
        if glyph.name == "Scatter":
            shape = glyph.get("marker", "circle")
            look = marks.look(fill=_plain(glyph.get("fill_color")) or "none")
            found.append(f'<path d="{_mark(9, 7, shape if isinstance(shape, str) else "circle", 4)}" {look}/>')
        elif glyph.name in ("Line", "MultiLine", "Segment"):
            found.append(f'<path d="M0 7H18" {marks.look(fill="none")}/>')
        else:
            found.append(f'<path d="M0 2H18V12H0Z" {marks.look()}/>')
    return "".join(found)


def _colour_bar(bar: _Model, frame: _Frame) -> str:
    mapper = bar.get("color_mapper")
    if mapper is None:
        return ""
    palette, low, high = mapper.get("palette", []), float(mapper.get("low", 0)), float(mapper.get("high", 1))
    left, tall = frame.right + 10, (frame.bottom - frame.top) / max(len(palette), 1)
    boxes = [
        f'<path d="M{_n(left)} {_n(frame.bottom - tall * k)}h12v{_n(-tall)}h-12Z" fill="{_plain(shade)}"/>'
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
