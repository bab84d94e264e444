"""The marks of a figure as SVG: lines, bars, areas, points and words, drawn from the figure's own models."""

from __future__ import annotations

import base64
import gzip
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np

MOST_POINTS, MOST_MARKS = 1500, 3000  # a longer line keeps each pixel column's ends; more marks are thinned
TEXT, LEAST_TEXT = 12.0, 5.0  # size of letters: as a rule, and where cells leave no more room
TIGHT = 45.0  # width of cells whose words a phone leaves out: about 34 px there; paper shows them
LETTER_WIDTH, LINE_HEIGHT = 7.2, 13.0  # of that text, with some room beside it
DASHES = {"solid": "", "dashed": "6", "dotted": "2 4", "dotdash": "2 4 6 4", "dashdot": "6 4 2 4"}
PAINT = re.compile(r"[#\w(),.% -]*")
Scale = Callable[[np.ndarray], np.ndarray]


class Models:
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

    def model(self, value: Any) -> Model:
        """A model as it stands or by its id."""
        return Model(self, self._known[value["id"]])

    def plots(self) -> list[Model]:
        """Panels from top to bottom."""
        root = Model(self, self._root)
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
class Model:
    """One model: its class and its attributes; what is not said has the default that is asked for."""

    models: Models
    node: dict[str, Any]

    @property
    def name(self) -> str:
        """Its type's name."""
        return self.node.get("name", "")

    def raw(self, name: str) -> Any:
        """An attribute as it is in the file, None where it has none."""
        return self.node.get("attributes", {}).get(name)

    def get(self, name: str, default: Any = None) -> Any:
        """An attribute as plain data; a model as `Model`."""
        raw = self.raw(name)
        if raw is None:
            return default
        if isinstance(raw, dict) and "id" in raw:
            return self.models.model(raw)
        return self.models.value(raw)

    def list(self, name: str) -> list[Model]:
        """Models of a list."""
        return [self.models.model(item) for item in self.raw(name) or () if isinstance(item, dict) and "id" in item]


@dataclass
class Frame:
    """Where a panel's data lie on the picture."""

    left: float
    right: float
    top: float
    bottom: float
    x: Scale = field(init=False)
    y: Scale = field(init=False)
    has_grid: bool = True


@dataclass(frozen=True)
class Marks:
    """A glyph with its data."""

    glyph: Model
    data: dict[str, Any]
    frame: Frame

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
        known = [plain_value(colour) or "none" for colour in self.column(name)]
        return known * count if len(known) == 1 else known

    def look(self, *, fill: str | None = None, line: str | None = None) -> str:
        """Attributes of paint: line, fill, dashes."""
        found = []
        shade = fill if fill is not None else plain_value(self.glyph.get("fill_color"))
        if shade and shade != "none":
            found.append(f'fill="{shade}" fill-opacity="{alpha_of(self.glyph, "fill_alpha")}"')
        else:
            found.append('fill="none"')
        stroke = line if line is not None else plain_value(self.glyph.get("line_color", "none"))
        width = number_of(self.glyph.get("line_width", 1))
        if stroke and stroke != "none" and alpha_of(self.glyph, "line_alpha") != "0" and width:
            found.append(
                f'stroke="{stroke}" stroke-opacity="{alpha_of(self.glyph, "line_alpha")}" stroke-width="{width:g}"'
            )
            found.append(dash_of(self.glyph))
        return " ".join(part for part in found if part)


def plain_value(value: Any) -> str:
    """A colour or a pattern of dashes as it may stand in an attribute; empty for anything else."""
    return value if isinstance(value, str) and PAINT.fullmatch(value) else ""


def number_of(value: Any) -> float:
    """A number, or 1 where the model names a column instead."""
    return float(value) if isinstance(value, (int, float)) else 1.0


def alpha_of(model: Model, name: str) -> str:
    """How opaque a colour is, as SVG says it."""
    return f"{number_of(model.get(name, 1)):g}"


def dash_of(model: Model) -> str:
    """The dashes of a line as SVG says them."""
    dash = model.get("line_dash", "")
    pattern = DASHES.get(dash, plain_value(dash)) if isinstance(dash, str) else " ".join(f"{part:g}" for part in dash)
    return f'stroke-dasharray="{pattern}"' if pattern else ""


def _mapped(mapper: Model, values: np.ndarray) -> list[str]:
    palette = mapper.get("palette", [])
    low, high = float(mapper.get("low", np.nanmin(values))), float(mapper.get("high", np.nanmax(values)))
    place = np.clip((values - low) / ((high - low) or 1.0) * len(palette), 0, len(palette) - 1)
    return [plain_value(palette[int(p)]) or "none" if np.isfinite(p) else "none" for p in place]


def px(value: float) -> str:
    """A length in pixels as text, to a tenth."""
    return f"{round(float(value), 1):g}"


def _path(x: np.ndarray, y: np.ndarray) -> str:
    """A line through points in the picture, broken where a point is missing."""
    x, y = _reduced(x, y)
    pieces, pen, last = [], "M", ""
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not (math.isfinite(a) and math.isfinite(b)):
            pen = "M"
            continue
        point = f"{px(a)} {px(b)}"
        if pen == "M" or point != last:
            pieces.append(f"{pen}{point}")
        pen, last = "L", point
    return "".join(pieces)


def _reduced(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if len(x) <= MOST_POINTS or np.any(np.diff(x[np.isfinite(x)]) < 0):
        return x, y
    column = np.round(np.where(np.isfinite(x), x, -1.0))
    starts = np.flatnonzero(np.diff(column, prepend=np.nan) != 0)  # of each column of the picture
    own = np.repeat(np.arange(starts.size), np.diff(starts, append=len(x)))
    missing = np.isnan(y)
    broken, empty = np.logical_or.reduceat(missing, starts), np.logical_and.reduceat(missing, starts)
    keep = _first(y == np.fmin.reduceat(y, starts)[own], own) | _first(y == np.fmax.reduceat(y, starts)[own], own)
    keep[starts[broken]] = True
    keep[np.append(starts[1:], len(x))[broken & ~empty] - 1] = True
    return x[keep], y[keep]


def _first(hit: np.ndarray, own: np.ndarray) -> np.ndarray:
    """The first hit of each column, bool, shape (points,); `own` numbers the column of each point."""
    first = np.zeros(hit.size, dtype=bool)
    places = np.flatnonzero(hit)
    first[places[np.unique(own[places], return_index=True)[1]]] = True
    return first


def _line(marks: Marks) -> str:
    return f'<path d="{_path(marks.x("x"), marks.y("y"))}" {marks.look(fill="none")}/>'


def _multi_line(marks: Marks) -> str:
    lines = zip(marks.column("xs"), marks.column("ys"), strict=True)
    d = "".join(_path(marks.frame.x(np.asarray(x)), marks.frame.y(np.asarray(y))) for x, y in lines)
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _segment(marks: Marks) -> str:
    ends = zip(*(_wide(marks, name) for name in ("x0", "y0", "x1", "y1")), strict=True)
    d = "".join(f"M{px(a)} {px(b)}L{px(c)} {px(e)}" for a, b, c, e in ends if np.isfinite([a, b, c, e]).all())
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _wide(marks: Marks, name: str) -> np.ndarray:
    values = marks.x(name) if name in ("x0", "x1", "left", "right") else marks.y(name)
    count = max((len(column) for column in marks.data.values()), default=1)
    return np.full(count, values[0]) if len(values) == 1 and count != 1 else values


def _boxes(marks: Marks, left: np.ndarray, top: np.ndarray, right: np.ndarray, bottom: np.ndarray) -> str:
    shades = marks.colours("fill_color", len(left))
    lines = marks.colours("line_color", len(left))
    by_look: dict[tuple[str, str], list[str]] = {}
    for a, b, c, e, shade, line in zip(left, top, right, bottom, shades, lines, strict=True):
        if np.isfinite([a, b, c, e]).all():
            by_look.setdefault((shade, line), []).append(f"M{px(a)} {px(b)}\nH{px(c)}\nV{px(e)}\nH{px(a)}Z")
    return "".join(f'<path d="{"".join(d)}" {marks.look(fill=k[0], line=k[1])}/>' for k, d in by_look.items())


def _quad(marks: Marks) -> str:
    return _boxes(marks, *(_wide(marks, name) for name in ("left", "top", "right", "bottom")))


def _bars_down(marks: Marks) -> str:
    at, top, bottom = marks.column("x"), marks.y("top"), marks.y("bottom" if marks.glyph.raw("bottom") else "top")
    half = float(marks.column("width")[0]) / 2
    centre = marks.frame.x(at)
    step = abs(float(np.ravel(marks.frame.x(np.array([1.0])) - marks.frame.x(np.array([0.0])))[0])) * half
    base = marks.frame.y(np.zeros(1))[0] if not marks.glyph.raw("bottom") else bottom
    return _boxes(marks, centre - step, top, centre + step, np.broadcast_to(base, top.shape))


def _bars_across(marks: Marks) -> str:
    at, right = marks.column("y"), marks.x("right")
    half = float(marks.column("height")[0]) / 2
    centre = marks.frame.y(at)
    step = abs(float(np.ravel(marks.frame.y(np.array([1.0])) - marks.frame.y(np.array([0.0])))[0])) * half
    base = marks.frame.x(np.zeros(1))[0] if not marks.glyph.raw("left") else marks.x("left")
    return _boxes(marks, np.broadcast_to(base, right.shape), centre - step, right, centre + step)


def _patch(marks: Marks) -> str:
    return f'<path d="{_path(marks.x("x"), marks.y("y"))}Z" {marks.look()}/>' if len(marks.x("x")) else ""


def _area(marks: Marks) -> str:
    x, low, high = marks.x("x"), marks.y("y1"), marks.y("y2")
    d = _path(np.concatenate([x, x[::-1]]), np.concatenate([low, high[::-1]]))
    return f'<path d="{d}Z" {marks.look(line="none")}/>'


def _strips(marks: Marks) -> str:
    left, frame = marks.x("x0"), marks.frame
    return _boxes(marks, left, np.full(left.shape, frame.top), marks.x("x1"), np.full(left.shape, frame.bottom))


def _lines_down(marks: Marks) -> str:
    d = "".join(f"M{px(x)} {px(marks.frame.top)}V{px(marks.frame.bottom)}" for x in marks.x("x") if np.isfinite(x))
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _lines_across(marks: Marks) -> str:
    d = "".join(f"M{px(marks.frame.left)} {px(y)}H{px(marks.frame.right)}" for y in marks.y("y") if np.isfinite(y))
    return f'<path d="{d}" {marks.look(fill="none")}/>'


def _scatter(marks: Marks) -> str:
    x, y = marks.x("x"), marks.y("y")
    shapes, sizes = _every(marks.column("marker"), len(x)), _every(marks.column("size"), len(x))
    shades, lines = marks.colours("fill_color", len(x)), marks.colours("line_color", len(x))
    by_look: dict[tuple[str, str], dict[str, None]] = {}
    for a, b, shape, size, shade, line in zip(x, y, shapes, sizes, shades, lines, strict=True):
        if math.isfinite(a) and math.isfinite(b):
            mark = mark_shape(round(a * 2) / 2, round(b * 2) / 2, str(shape or "circle"), number_of(size) / 2)
            by_look.setdefault((shade, line), {})[mark] = None
    found = []
    for (shade, line), places in by_look.items():
        kept = list(places)[:: max(1, math.ceil(len(places) / MOST_MARKS))]
        found.append(f'<path d="{"".join(kept)}" {marks.look(fill=shade, line=line)}/>')
    return "".join(found)


def _every(values: np.ndarray, count: int) -> Sequence[Any]:
    return [values[0]] * count if len(values) == 1 else list(values)


def mark_shape(x: float, y: float, shape: str, r: float) -> str:
    """The path of one mark of a scatter, in pixels."""
    b, s = px(y), px(r)
    if shape in ("x", "cross"):
        return f"M{px(x - r)} {px(y - r)}L{px(x + r)} {px(y + r)}M{px(x - r)} {px(y + r)}L{px(x + r)} {px(y - r)}"
    if shape == "dash":
        return f"M{px(x - r)} {b}H{px(x + r)}"
    corners = {
        "square": (4, 45), "diamond": (4, 0), "triangle": (3, -90), "inverted_triangle": (3, 90), "hex": (6, 0),
    }.get(shape)  # fmt: skip
    if corners is None:
        return f"M{px(x - r)} {b}a{s} {s} 0 1 0 {px(2 * r)} 0a{s} {s} 0 1 0 {px(-2 * r)} 0"
    angles = np.radians(corners[1] + 360 / corners[0] * np.arange(corners[0]))
    points = [f"{px(x + 1.2 * r * math.cos(t))} {px(y + 1.2 * r * math.sin(t))}" for t in angles]
    return f"M{'L'.join(points)}Z"


def _words(marks: Marks) -> str:
    anchor = {"left": "start", "right": "end"}.get(str(marks.glyph.get("text_align", "left")), "middle")
    baseline = str(marks.glyph.get("text_baseline", "bottom"))
    tone = plain_value(marks.glyph.get("text_color")) or "#444444"
    across, up, texts = marks.x("x"), marks.y("y"), [str(text).split("\n") for text in marks.column("text")]
    share = _room_for(across, up, texts)
    found, look = [], f'text-anchor="{anchor}" fill="{tone}"'
    look += ' class="tight"' if anchor == "middle" and _least_step(across, up) < TIGHT else ""
    look += f' font-size="{px(TEXT * share)}"' if share < 1 else ""
    for x, y, lines in zip(across, up, texts, strict=True):
        if not math.isfinite(x + y):
            continue
        beyond = {"bottom": 13.0 * (len(lines) - 1) + 2, "top": -11.0}.get(baseline, 6.5 * (len(lines) - 1) - 4)
        for row, line in enumerate(lines):
            place = f'x="{px(x)}" y="{px(y + share * (13 * row - beyond))}"'
            found.append(f"<text {place} {look}>{escape(line)}</text>")
    return "".join(found)


def _room_for(across: np.ndarray, up: np.ndarray, texts: Sequence[Sequence[str]]) -> float:
    """How large words side by side and one above the other may be, so that none reaches into the next; 1 at most."""
    letters = max((len(line) for lines in texts for line in lines), default=1)
    wide, high = max(letters, 1) * LETTER_WIDTH, LINE_HEIGHT * max(map(len, texts), default=1)
    return max(min(1.0, _least_step(across, up) / wide, _least_step(up, across) / high), LEAST_TEXT / TEXT)


def _least_step(places: np.ndarray, rows: np.ndarray) -> float:
    """The least step between places of the same row, in pixels; infinite where no row has two."""
    order = np.lexsort((places, np.round(rows)))
    step, same = np.diff(places[order]), np.diff(np.round(rows)[order]) == 0
    return float(step[same & (step > 0.5)].min(initial=math.inf))


GLYPHS: dict[str, Callable[[Marks], str]] = {
    "Line": _line, "MultiLine": _multi_line, "Segment": _segment, "Quad": _quad, "VBar": _bars_down,
    "HBar": _bars_across, "Patch": _patch, "VArea": _area, "VStrip": _strips, "VSpan": _lines_down,
    "HSpan": _lines_across, "Scatter": _scatter, "Text": _words,
}  # fmt: skip
