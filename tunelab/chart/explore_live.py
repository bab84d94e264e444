"""What keeps an exploring figure alive: samples thinned to the screen, one selection that all figures share, and
pickers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import holoviews as hv
import numpy as np
import xarray as xr
from holoviews.streams import BoundsXY, Stream

from tunelab.chart.look import CELL_INK, NEW, draw_absent, reduce_trace
from tunelab.log.flag import channels_of
from tunelab.study.explore_cells import Box, samples_inside

BLOCKS = (16, 256)  # samples whose least and greatest value are kept at each level of thinning
MOST_SAMPLES = 40_000  # that a window is drawn from


@dataclass(frozen=True)
class ThinTrace:
    """One channel at several levels: every sample, then the least and the greatest of each block of samples."""

    times: tuple[np.ndarray, ...]  # per level, shape (n,), rising [s]
    values: tuple[np.ndarray, ...]

    def window(self, start_s: float, end_s: float, *, columns: int) -> tuple[np.ndarray, np.ndarray]:
        """Cut out a stretch and thin it to pixel columns.

        Returns
        -------
        time, values : arrays, shape (m,)
            At most about twice `columns` and its breaks; one sample beyond either end, so that lines run to the edge.
        """
        level = next(
            (level for level in range(len(self.times)) if self._size(level, start_s, end_s) <= MOST_SAMPLES), -1
        )
        own = self._rows(level, start_s, end_s)
        return reduce_trace(self.times[level][own], self.values[level][own], columns)

    def _size(self, level: int, start_s: float, end_s: float) -> int:
        own = self._rows(level, start_s, end_s)
        return own.stop - own.start

    def _rows(self, level: int, start_s: float, end_s: float) -> slice:
        time = self.times[level]
        first = max(0, int(np.searchsorted(time, start_s)) - 1)
        return slice(first, min(time.size, int(np.searchsorted(time, end_s, side="right")) + 1))


def thin_trace(time: np.ndarray, values: np.ndarray) -> ThinTrace:
    """Prepare a channel for quick windows of any width.

    Parameters
    ----------
    time, values : arrays, shape (n,)
        Rising time [s]; NaN where there is no reading. A block without a reading keeps one NaN, so the line breaks.
    """
    times, levels = [time], [values]
    for block in BLOCKS:
        if time.size > 4 * block:
            kept = _extremes(values, block)
            times.append(time[kept])
            levels.append(values[kept])
    return ThinTrace(tuple(times), tuple(levels))


def _extremes(values: np.ndarray, block: int) -> np.ndarray:
    """Positions of the least and the greatest value of each block, each once, rising."""
    whole = values.size // block * block
    rows = values[:whole].reshape(-1, block)
    low = np.where(np.isnan(rows), np.inf, rows).argmin(axis=1)
    high = np.where(np.isnan(rows), -np.inf, rows).argmax(axis=1)
    begin = np.arange(rows.shape[0]) * block
    return np.unique(np.concatenate([begin + low, begin + high, np.arange(whole, values.size)]))


def thin_points(x: np.ndarray, y: np.ndarray, window: tuple[float, float, float, float], *, pixels: int) -> np.ndarray:
    """Positions of samples to draw as points: the latest in each of `pixels` × `pixels` cells of a window.

    Parameters
    ----------
    x, y : arrays, shape (n,)
        NaN is never drawn.
    window : tuple of float
        Left, bottom, right, top; what lies outside is not drawn.
    pixels : int
        Cells across and up. Every cell with a sample keeps one, so no outlier is lost.

    Returns
    -------
    int array, shape (m,), rising
    """
    left, bottom, right, top = window
    inside = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
    if not inside.size:
        return inside
    column = ((x[inside] - left) * ((pixels - 1) / max(right - left, 1e-12))).astype(np.int32)
    row = ((y[inside] - bottom) * ((pixels - 1) / max(top - bottom, 1e-12))).astype(np.int32)
    latest = np.full(pixels * pixels, -1, dtype=np.int64)
    latest[row * pixels + column] = inside  # of samples in one cell the last one written stays
    return np.sort(latest[latest >= 0])


MARKED = 260  # cells across and up of which each keeps one marked point
Changed = Stream.define("Changed", number=0)
RING = {"size": 7, "fill_alpha": 0.0, "line_color": CELL_INK}  # a mark among points that have tones of their own


def unfading(alpha: float) -> dict[str, float]:
    """Options of a glyph that keeps its look under a box: the marks say what was taken, alike in all figures."""
    return {"alpha": alpha, "selection_fill_alpha": alpha, "nonselection_fill_alpha": alpha}


class Selection:
    """Samples of a log that the latest box took, whichever of the log's figures it was drawn in.

    Parameters
    ----------
    log : Dataset
        The whole log; figures may show a stretch of it.

    Attributes
    ----------
    inside : bool array, shape (time,)
        All False until a box is drawn.
    """

    def __init__(self, log: xr.Dataset) -> None:
        self.time = log["time"].to_numpy()
        self.inside = np.zeros(self.time.size, dtype=bool)
        self.changed = Changed()

    def of(self, part: xr.Dataset) -> np.ndarray:
        """Which samples of a stretch of the log are selected; bool, shape (time of the stretch,)."""
        return self.inside[self._rows(part)]

    def take(self, part: xr.Dataset, inside: np.ndarray) -> None:
        """Select samples of a stretch, and nothing else; every figure that marks them is drawn anew."""
        self.inside = np.zeros(self.time.size, dtype=bool)
        self.inside[self._rows(part)] = inside
        self.changed.event(number=self.changed.number + 1)

    def _rows(self, part: xr.Dataset) -> slice:
        first = int(np.searchsorted(self.time, part["time"].to_numpy()[0])) if part.sizes["time"] else 0
        return slice(first, first + part.sizes["time"])

    def answer(self, part: xr.Dataset, layer: hv.DynamicMap, find: Callable[[Box], np.ndarray]) -> hv.DynamicMap:
        """Let a box over the figure of a layer select the samples that `find` says; returns the layer."""
        BoundsXY(source=layer).add_subscriber(lambda bounds: self.take(part, find(bounds)) if bounds else None)
        return layer

    def points(
        self, part: xr.Dataset, across: np.ndarray, up: np.ndarray, names: tuple[str, str], *, ring: bool = False
    ) -> hv.DynamicMap:
        """Mark the selected samples in a figure of two readings, and take a box that is drawn there.

        Parameters
        ----------
        part : Dataset
            The stretch of the log that the figure shows.
        across, up : arrays, shape (time,)
            Where its samples lie; NaN is in no box.
        names : tuple of str
            Names of the figure's axes, as its other layers have them.
        ring : bool
            Marks are rings around the points instead of dots.
        """

        def draw(number: int) -> hv.Points:
            chosen = np.where(self.of(part) & np.isfinite(up), across, np.nan)
            rows = np.empty(0, dtype=int)
            if np.isfinite(chosen).any():
                rows = thin_points(chosen, up, _window(chosen, up), pixels=MARKED)
            return hv.Points((across[rows], up[rows]), list(names))

        layer = hv.DynamicMap(draw, streams=[self.changed])
        look = unfading(0.0) | RING if ring else unfading(1.0) | {"size": 3}
        lasting = {"selection_line_alpha": 1.0, "nonselection_line_alpha": 1.0, "line_alpha": 1.0}
        layer = layer.opts(color=NEW, tools=["box_select"], **look, **lasting)
        return self.answer(part, layer, lambda box: samples_inside(across, up, box))

    def counts(self, part: xr.Dataset, name: str, edges: np.ndarray) -> hv.DynamicMap:
        """Count the selected readings of a channel in the bins of its distribution; a box there takes its values."""
        values = part[name].to_numpy()

        def draw(number: int) -> hv.Histogram:
            chosen = values[self.of(part) & np.isfinite(values)]
            return hv.Histogram((edges, np.histogram(chosen, edges)[0]), kdims=name)

        layer = hv.DynamicMap(draw, streams=[self.changed])
        layer = layer.opts(color=NEW, line_alpha=0, tools=["box_select"], **unfading(1.0))
        return self.answer(part, layer, lambda box: (values >= box[0]) & (values <= box[2]))


def _window(across: np.ndarray, up: np.ndarray) -> Box:
    """Smallest box around all points whose place across is known."""
    known = np.isfinite(across)
    return (across[known].min(), up[known].min(), across[known].max(), up[known].max())


class Picked:
    """A figure with pickers above it where a kernel runs; a saved page shows the default choice. See `pick`."""

    def __init__(self, log: xr.Dataset, draw: Callable[..., hv.Dimensioned], choice: dict[str, Any]) -> None:
        self.log, self.draw, self.choice = log, draw, choice

    def figure(self, stretch_s: tuple[float, float] | None = None, **other: Any) -> hv.Dimensioned:
        """Figure of a choice, the default one where nothing is said; a choice that cannot be drawn says why."""
        part = self.log if stretch_s is None else self.log.sel(time=slice(*stretch_s))
        if stretch_s is None and not other:
            return self.draw(part, **self.choice)
        try:
            return self.draw(part, **(self.choice | other))
        except (KeyError, ValueError) as problem:
            return draw_absent("This choice", str(problem.args[0]))

    def pickers(self) -> dict[str, Any]:
        """Widgets by the name of what they choose: one channel, several, or the stretch of time in seconds."""
        import panel

        names = channels_of(self.log)
        made: dict[str, Any] = {}
        for name, value in self.choice.items():
            one = isinstance(value, str)
            kind = panel.widgets.Select if one else panel.widgets.MultiSelect
            made[name] = kind(name=name, value=value, options=names, **({} if one else {"size": 8}))
        ends = self.log["time"].to_numpy()[[0, -1]]
        first, last = float(np.floor(ends[0] * 10) / 10), float(np.ceil(ends[1] * 10) / 10)  # no sample is cut off
        if last > first:
            value = (first, last)
            made["stretch_s"] = panel.widgets.RangeSlider(
                name="stretch [s]", start=first, end=last, value=value, step=0.1
            )
        return made

    def live(self) -> Any:
        """Pickers in a row above the figure, which is drawn anew for each choice."""
        import panel

        pickers = self.pickers()
        pane = panel.pane.HoloViews(self.figure(), sizing_mode="stretch_width")

        def redraw(event: Any) -> None:
            pane.object = self.figure(**{name: picker.value for name, picker in pickers.items()})

        for picker in pickers.values():
            picker.param.watch(redraw, "value_throttled" if isinstance(picker, panel.widgets.RangeSlider) else "value")
        return panel.Column(panel.FlexBox(*pickers.values()), pane, sizing_mode="stretch_width")

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> Any:
        return self.live()._repr_mimebundle_(include, exclude)


def pick(log: xr.Dataset, draw: Callable[..., hv.Dimensioned], **choice: str | list[str]) -> Picked:
    """Show a figure with pickers for what it is drawn from.

    Parameters
    ----------
    log : Dataset
        The whole log. Its channels are offered by name, as the parameters of a notebook take them.
    draw : callable
        `draw(part, **choice)` gives the figure of a stretch of the log.
    **choice : str or list of str
        Default of each picker: one channel, or several.
    """
    return Picked(log, draw, choice)
