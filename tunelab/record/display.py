"""How a notebook's figures and tables are shown: live in JupyterLab, or handed to the record's own page."""

from __future__ import annotations

import gc
import json
import math
import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard

import pandas as pd

from tunelab.channels import CHANNELS, DISPLAY_UNITS

if TYPE_CHECKING:
    from IPython.display import Markdown

FIGURE = "application/vnd.tunelab.figure+json"
TABLE = "application/vnd.tunelab.table+json"
PAGE_RUN = "TUNELAB_PAGE_RUN"  # environment variable that a record's run sets in its kernels
KEPT_IN = "TUNELAB_KEPT_IN"  # the same, with the folder in which fits are kept
ROWS_SHOWN = 400
MOST_COLUMNS = 9  # of a table that a page has room for; a wider one has its intervals within their values' column
PLACES = {"across": ("x", "x0", "x1", "left", "right"), "up": ("y", "y0", "y1", "y2", "top", "bottom")}
# How a table's column name ends, and the unit that a reader sees instead; longer endings first.
UNIT_ENDINGS = {
    "_km_h": "km/h", "_kg_h": "kg/h", "_g_min": "g/min", "_m_s2": "m/s²", "_m_s": "m/s", "_per_h": "1/h", "_rpm": "rpm",
    "_pct": "%", "_kpa": "kPa", "_deg": "°", "_kw": "kW", "_nm": "N m", "_kg": "kg", "_mg": "mg", "_ms": "ms",
    "_hz": "Hz", "_us": "µs", "_s": "s", "_v": "V", "_c": "°C", "_m": "m", "_n": "N",
}  # fmt: skip
SHOWN_UNITS = DISPLAY_UNITS | {"1/h": "per hour", "1/min": "rpm", "1": "1"}
# Decimals to which the trade reads a quantity; a finer figure would be noise.
MOST_DECIMALS = {
    "rpm": 0, "km/h": 1, "kg/h": 2, "°C": 1, "kPa": 1, "kW": 1, "N m": 0, "%": 2, "°": 1, "V": 2, "s": 2, "ms": 3,
    "Hz": 1, "per hour": 2, "mg": 1,
}  # fmt: skip
MOST = 6  # of any other
# Columns of the unit that their row names.
OF_A_ROW = ("value", "lower", "upper", "limit", "margin", "before", "after", "difference")
_PER_CENT = re.compile(r"(?<=\d)%(?![0-9A-Fa-f]{2})")  # not that of an address
MINUS = "\N{MINUS SIGN}"
_SIGN = re.compile(r"(?<![\w.,-])-(?=\.?\d)(?!\d{4}-\d\d)")
NO_BREAK = "\N{NO-BREAK SPACE}"
_UNITS = {*UNIT_ENDINGS.values(), *DISPLAY_UNITS.values(), "min", "h", "km", "mm", "L", "bar", "K", "Ω"}
_ONE_UNIT = "|".join(re.escape(unit) for unit in sorted(_UNITS, key=len, reverse=True))
_HELD = re.compile(
    rf"(?<=\d) (?=(?:{_ONE_UNIT})(?:/s)?(?![\w/²³⁻]))|(?<=\d) (?=± ?\d)|(?<=\d ±) (?=\d)|(?<=\d N) (?=m\b)"
)


def set_up_display() -> None:
    """Decide by where the notebook runs how its figures and tables are shown.

    In a record's run they become data for the record's page; anywhere else, such as JupyterLab or papermill by hand,
    HoloViews draws them itself.

    Raises
    ------
    RuntimeError
        Called outside a notebook.
    """
    import holoviews as hv

    if os.environ.get(PAGE_RUN) != "1":
        hv.extension("bokeh", inline=True)  # no network in the paddock
        _keep_styles_inside()
        return
    import holoviews.plotting.bokeh  # registers the renderer without loading anything into a page
    from bokeh.settings import settings
    from IPython import get_ipython

    from tunelab.record.evidence import arrays_are_plain, keep_fits_in

    shell = get_ipython()
    if shell is None:
        raise RuntimeError("set_up_display() belongs in a notebook; outside of one use holoviews itself.")
    hv.Store.set_current_backend("bokeh")
    settings.perform_document_validation = False  # only warns in a kernel's own log, which nobody reads
    bundles = shell.display_formatter.mimebundle_formatter
    bundles.for_type(hv.core.Dimensioned, _figure_bundle)
    bundles.for_type("tunelab.chart.explore_live.Picked", lambda picked: _figure_bundle(picked.figure()))
    bundles.for_type(pd.DataFrame, _table_bundle)
    if KEPT_IN in os.environ:
        keep_fits_in(Path(os.environ[KEPT_IN]))
    arrays_are_plain()
    gc.freeze()  # what was imported stays: looking through it for garbage, time and again, took a tenth of a run


def _keep_styles_inside() -> None:
    """Put the style sheets of live figures into them: left alone, each figure asks a distant server for four."""
    from panel.viewable import Viewable

    if _inline_styles not in Viewable._preprocessing_hooks:  # where HoloViews hangs its own
        Viewable._preprocessing_hooks.append(_inline_styles)


def _inline_styles(view: Any, root: Any) -> None:
    from bokeh.models.ui import UIElement
    from panel.io.notebook import patch_inline_stylesheets

    for model in root.select({"type": UIElement}):
        patch_inline_stylesheets(model)


def bullets(sentences: Iterable[str]) -> Markdown:
    """Show sentences as a list; a sentence cannot bring HTML of its own, and its line ends become spaces."""
    from IPython.display import Markdown

    plain = (re.sub(r"([\\`*_{}\[\]<>#|~])", r"\\\1", " ".join(sentence.split())) for sentence in sentences)
    return Markdown("\n".join(f"- {sentence}" for sentence in plain))


def _figure_bundle(figure: Any, include: Any = None, exclude: Any = None) -> tuple[dict, dict]:
    item, title = figure_item(figure)
    return {FIGURE: item, "text/plain": f"Figure: {title}"}, {}


def _table_bundle(table: pd.DataFrame, include: Any = None, exclude: Any = None) -> tuple[dict, dict]:
    return {TABLE: table_item(table)}, {}


def figure_item(figure: Any) -> tuple[dict, str]:
    """Draw a HoloViews object once, and return it as data that bokeh's script can embed, with what it shows.

    Returns
    -------
    dict, str
        `item`, JSON text for `Bokeh.embed.embed_item`; `title`, which names each panel and its axes; `caption`.
    """
    import holoviews as hv
    from bokeh.embed import json_item
    from bokeh.models import NoOverlap, Toolbar
    from bokeh.models.annotations import Legend
    from bokeh.models.renderers import GlyphRenderer

    from tunelab.chart.look import BY_HAND

    still = figure.map(lambda live: live[()], hv.DynamicMap)  # a page has no kernel that could answer a zoom
    model = hv.render(still, backend="bokeh")
    for plot in _plots(model):
        for axis in (part for part in (*plot.below, *plot.above) if _has_numbers(part)):
            axis.major_label_policy = NoOverlap(min_distance=4)  # a phone has room for fewer numbers than a desk
        plot.border_fill_color = plot.background_fill_color = None  # painted once, white would stay at two edges
        if plot.title is not None:
            plot.title.text = plot.title.text.removesuffix(BY_HAND)  # a page has no kernel that could mark them
    for part in model.references():
        if isinstance(part, Legend):
            part.visible = False  # the page writes it above the figure, where it wraps and covers nothing
        elif isinstance(part, Toolbar):
            part.logo = None
            part.active_scroll = None  # the wheel scrolls the page until its tool is chosen
        elif isinstance(part, GlyphRenderer):
            _set_minus(part)
    title = typeset(_describe(model))
    # One text, because a notebook file sorts its keys and bokeh needs them in the order it wrote them.
    caption = _take_caption(model)
    return {"item": json.dumps(json_item(model), allow_nan=False), "title": title, "caption": caption}, title


def _has_numbers(part: Any) -> bool:
    """Whether it is an axis of numbers: one of them may be left out, a name may not."""
    known = type(part).__name__ in ("LinearAxis", "LogAxis", "DatetimeAxis")
    return known and not re.search(r"[^\W\d_]", "".join(map(str, part.major_label_overrides.values())))


def _set_minus(drawn: Any) -> None:
    """Numbers written into a figure have a real minus, as those on its axes have."""
    from bokeh.models import Text

    field = getattr(drawn.glyph.text, "field", drawn.glyph.text) if isinstance(drawn.glyph, Text) else ""
    if isinstance(field, str) and field in drawn.data_source.data:
        drawn.data_source.data[field] = [real_minus(str(text)) for text in drawn.data_source.data[field]]


def _describe(model: Any) -> str:
    panels = []
    for plot in _plots(model):
        heading = getattr(plot.title, "text", "") or ""
        axes = " against ".join(label for label in (_axis_label(plot.left), _axis_label(plot.below)) if label)
        told = ": ".join(text for text in (heading, axes) if text)
        panels.append(", ".join(text for text in (told, *_readings(plot)) if text))
    return "; ".join(panels)


def _readings(plot: Any) -> list[str]:
    """What a panel shows in numbers: how far its marks and lines reach, and where its reference lines stand."""
    from bokeh.models.annotations import Span
    from bokeh.models.renderers import GlyphRenderer

    ends: dict[str, list[float]] = {"across": [], "up": []}
    parts = plot.references()
    for drawn in (part for part in parts if isinstance(part, GlyphRenderer)):
        for way, names in PLACES.items():
            ends[way] += [value for name in names for value in _ends_of(drawn, name)]
    told = [f"{min(v):.4g} to {max(v):.4g} {way}" for way, v in ends.items() if v]
    places = [line.location for line in parts if isinstance(line, Span)]
    lines = sorted({float(place) for place in places if _is_place(place)})
    return [*told, *([f"lines at {', '.join(f'{at:.4g}' for at in lines[:4])}"] if lines else [])]


def _ends_of(drawn: Any, name: str) -> list[float]:
    """Least and greatest finite value of one coordinate of a glyph; none where it has no such coordinate."""
    import numpy as np

    spec = getattr(drawn.glyph, name, None)
    field = getattr(spec, "field", spec)
    column = drawn.data_source.data.get(field) if isinstance(field, str) else None
    if column is None or not len(column) or isinstance(column[0], (str, tuple, list, np.ndarray)):
        return []
    values = np.asarray(column, dtype=float)
    known = values[np.isfinite(values)]
    return [float(known.min()), float(known.max())] if known.size else []


def _is_place(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and math.isfinite(value)


def _plots(model: Any) -> list:
    """Plots of a drawn figure from top to bottom."""
    from bokeh.models import Plot

    if isinstance(model, Plot):
        return [model]
    return [child[0] for child in getattr(model, "children", [])] or list(model.select({"type": Plot}))


def _take_caption(model: Any) -> str:
    """Take the first plot's title out of the drawing: as text of the page it can wrap on a phone."""
    first = next(iter(_plots(model)), None)
    if first is None or first.title is None:
        return ""
    caption, first.title.text = first.title.text, ""
    return caption


def _axis_label(axes: list) -> str:
    label = next((axis.axis_label for axis in axes if getattr(axis, "axis_label", None)), "")
    return " ".join(label.split())


def table_item(table: pd.DataFrame) -> dict:
    """Turn a table into plain data: heads, rows of text, and which columns hold numbers.

    Numbers of a column are rounded to four significant digits of the largest, all with as many decimals; a missing one
    is a dash. `table.attrs["decimals"]` names columns that keep a fixed number of decimals, such as what is to be
    typed in. Shown numbers have a real minus; the files beside the page have the sign that programs read.
    """
    frame = table.reset_index() if table.index.name or table.index.nlevels > 1 else table
    frame = _with_intervals(frame) if frame.shape[1] > MOST_COLUMNS else frame
    shown = frame.head(ROWS_SHOWN)
    shown = _in_words(shown, table.attrs.get("typed", ()))
    numeric = [_is_number(dtype) for dtype in frame.dtypes]
    fixed = table.attrs.get("decimals", {})
    shared = [_shared_decimals(shown[name], str(name)) if is_number else None
              for name, is_number in zip(frame.columns, numeric, strict=True)]  # fmt: skip
    rows = []
    for row in shown.itertuples(index=False, name=None):
        own = _decimals_of_row(frame.columns, row)  # where each row is a quantity of its own
        places = [own if own is not None and name in OF_A_ROW else place
                  for name, place in zip(frame.columns, shared, strict=True)]  # fmt: skip
        rows.append([
            _fixed(value, fixed.get(name, place if isinstance(value, float) else None))
            for name, value, place in zip(frame.columns, row, places, strict=True)
        ])  # fmt: skip
    return {
        "head": [_heading(str(name)) for name in frame.columns],
        "rows": rows,
        "numeric": numeric,
        "left_out": len(frame) - len(shown),
        "compact": bool(table.attrs.get("compact")),  # many short cells, to fit a phone's width
        "typed": [k for k, name in enumerate(frame.columns) if name in table.attrs.get("typed", ())],  # as it is typed
    }


def _in_words(shown: pd.DataFrame, typed: Iterable[str]) -> pd.DataFrame:
    """Units, channels and reasons of flags as they are said, but for a column that shows what is to be typed."""
    label = "label" if "unit" in shown else "axis_label"
    words = {
        "unit": lambda unit: DISPLAY_UNITS.get(unit, unit),
        "channel": lambda name: getattr(CHANNELS.get(name), label, name),
        "reason": lambda reason: reason if " " in str(reason) else str(reason).replace("_", " "),
    }
    return shown.assign(**{name: shown[name].map(say) for name, say in words.items() if name in {*shown} - {*typed}})


def _with_intervals(frame: pd.DataFrame) -> pd.DataFrame:
    """A table with `x`, `x_lower` and `x_upper` in one column, `3.1 (2.0 to 4.2)`, where it is wider than a page."""
    for name in [str(column) for column in frame.columns]:
        ending = next((e for e in UNIT_ENDINGS if name.endswith(e) and name != e), "")
        ends = [f"{name.removesuffix(ending)}_{side}{ending}" for side in ("lower", "upper")]
        if not set(ends) <= set(frame.columns):
            continue
        own = frame[[name, *ends]].astype(float)
        places = _decimals_together(own.to_numpy(), UNIT_ENDINGS.get(ending, "")) or 0
        cells = [[_fixed(value, places) for value in row] for row in own.itertuples(index=False, name=None)]
        frame = frame.assign(**{name: [f"{a} ({b} to {c})" if b != "–" else a for a, b, c in cells]})
        frame = frame.drop(columns=ends)
    return frame


def _heading(name: str) -> str:
    """Words of a column name, its unit in brackets: "start_s" becomes "start [s]"."""
    ending = next((ending for ending in UNIT_ENDINGS if name.endswith(ending) and name != ending), "")
    words = name.removesuffix(ending).replace("in_force", "now").replace("_", " ")
    return f"{words} [{UNIT_ENDINGS[ending]}]" if ending else words


def _shared_decimals(column: pd.Series, name: str) -> int | None:
    """Decimals that all numbers of a column have; None where they are of several quantities, as far as that shows."""
    if not pd.api.types.is_float_dtype(column.dtype):
        return None
    unit = re.search(r"\[(.+)\]$", _heading(name))
    places = _decimals_together(column, unit[1] if unit else "")
    least = column.abs().where(column.abs() > 0).min()
    return None if places is None or (not unit and least < 10.0 ** (1 - places)) else places


def _decimals_of_row(names: Iterable[Any], row: Sequence[Any]) -> int | None:
    """Decimals that all numbers of a row have, which are of the unit that it names."""
    values = [v for name, v in zip(names, row, strict=True) if name in OF_A_ROW and isinstance(v, float)]
    units = [str(value) for name, value in zip(names, row, strict=True) if name == "unit"]
    return _decimals_together(values, units[0]) if units and values else None


def _decimals_together(values: Any, unit: str) -> int | None:
    """Decimals that leave the largest of some numbers four digits, none finer than its quantity; None without any."""
    import numpy as np

    known = np.abs(np.asarray(values, dtype=float))
    known = known[np.isfinite(known)]
    if not known.size:
        return None
    digits = max(0, 3 - math.floor(math.log10(known.max()))) if known.max() else 0
    return decimals(known, min(digits, most_decimals(unit, float(known.max()))))


def decimals(values: Any, most: int) -> int:
    """Decimals that the finest of some numbers needs, `most` at most."""
    import numpy as np

    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return next((p for p in range(most) if np.allclose(known, np.round(known, p), rtol=0, atol=1e-9)), most)


def most_decimals(unit: str, largest: float = 0.0) -> int:
    """Decimals to which a quantity is read at most; where it is small, such as noise, two digits of the largest."""
    most = MOST_DECIMALS.get(SHOWN_UNITS.get(unit, unit), MOST)
    small = 1 - math.floor(math.log10(abs(largest))) if largest else 0
    return min(max(most, small), MOST)


def real_minus(text: str) -> str:
    """Give negative numbers of a text the sign that is set for them; hyphens within words, names and days stay."""
    return _SIGN.sub(MINUS, text)


def typeset(text: str) -> str:
    """Set a text of a page: a real minus before numbers, a space before per cent, each number kept with its unit."""
    return _HELD.sub(NO_BREAK, _PER_CENT.sub(" %", real_minus(text)))


def _is_number(dtype: Any) -> bool:
    return pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype)


def _fixed(value: Any, places: int | None) -> str:
    """A cell with a fixed number of decimals; None: as its kind asks."""
    if places is None or isinstance(value, str) or value is None or value != value:
        return _cell(value)
    return real_minus(f"{round(float(value), places) + 0.0:.{places}f}")


def _cell(value: Any) -> str:
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and value != value):
        return "–"
    if isinstance(value, (bool, str)):
        return {True: "yes", False: "no", "not_shown": "not shown"}.get(value, str(value))
    if hasattr(value, "item"):
        return _cell(value.item())
    return real_minus(show_number(value) if isinstance(value, float) else str(value))


def show_duration(seconds: float) -> str:
    """Write a duration as it is spoken: `3 min 59 s`."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def show_number(value: float) -> str:
    """Write a number with four significant digits, without an exponent where it can be read without one."""
    value += 0.0  # no minus before a zero
    if value != 0 and not 1e-4 <= abs(value) < 1e7:
        return f"{value:.3e}"
    digits = 4 if abs(value) < 1000 else 6
    return f"{float(f'{value:.{digits}g}'):g}" if abs(value) < 1e6 else f"{value:.0f}"
