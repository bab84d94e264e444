"""What a small still picture is made of: axes, lines, bands, points, cells, rules and gauges."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Picture:
    """A still picture, with its title and the same result in words for who cannot see it."""

    title: str  # says what came out, not what is drawn
    description: str
    svg: str
    note: str = ""  # what a reader has to know beside it

    def __html__(self) -> str:
        """Stand in a page as what it is: all texts in it are escaped."""
        return self.svg


@dataclass(frozen=True)
class Axis:
    """A range in its unit; `label` names both, such as "airflow [kg/h]"."""

    label: str
    low: float
    high: float
    is_log: bool = False
    places: tuple[tuple[float, str], ...] = ()  # named places, such as days, instead of round values

    @classmethod
    def over(cls, label: str, *values: ArrayLike, room: float = 0.06, is_log: bool = False) -> Axis:
        """Reach over all finite values with some room; values that must be in view, such as a limit, go in as well."""
        flat = np.concatenate([np.asarray(item, dtype=float).ravel() for item in values])
        flat = flat[np.isfinite(flat) & ((flat > 0) | (not is_log))]
        low, high = (float(flat.min()), float(flat.max())) if flat.size else (0.0, 1.0)
        if is_log:
            factor = (high / low) ** room if high > low else 1.5
            return cls(label, low / factor, high * factor, True)
        wide = (high - low) or max(abs(high), 1.0)
        return cls(label, low - room * wide, high + room * wide)

    def place(self, value: float, size: float) -> float:
        """Place a value on a length that begins at the low end; NaN stays NaN."""
        value, low, high = (
            (math.log(v) if v > 0 else math.nan) if self.is_log else v for v in (value, self.low, self.high)
        )
        return size * (value - low) / (high - low)

    def ticks(self, wanted: int) -> list[float]:
        """About so many round values within the range."""
        if self.is_log:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            found = [m * 10.0**d for d in decades for m in (1, 2, 5) if self.low <= m * 10.0**d <= self.high]
            return found[:: max(1, math.ceil(len(found) / (wanted + 1)))]
        rough = (self.high - self.low) / max(wanted, 1)
        decade = 10.0 ** math.floor(math.log10(rough))
        step = next(m * decade for m in (1, 2, 2.5, 5, 10) if m * decade >= rough * 0.999)
        first = math.ceil(self.low / step - 1e-9)
        return [round(k * step, 12) + 0.0 for k in range(first, math.floor(self.high / step + 1e-9) + 1)]

    def words(self, ticks: Sequence[float]) -> list[str]:
        """Write ticks with as many decimals each; on a logarithmic axis each with its own."""
        return [f"{tick:g}" if self.is_log else show(tick, ticks) for tick in ticks]


@dataclass(frozen=True)
class Line:
    """A line through points; NaN breaks it."""

    x: ArrayLike
    y: ArrayLike
    tone: str = "main"
    name: str = ""  # for the key; empty: not in it
    dashed: bool = False


@dataclass(frozen=True)
class Band:
    """An interval along a line."""

    x: ArrayLike
    lower: ArrayLike
    upper: ArrayLike
    tone: str = "main"
    name: str = ""


@dataclass(frozen=True)
class Points:
    """Points, with the ends of their intervals where they are given; distinguished by shape as well as by tone."""

    x: ArrayLike
    y: ArrayLike
    tone: str = "main"
    name: str = ""
    lower: ArrayLike | None = None
    upper: ArrayLike | None = None
    shape: str = "dot"  # dot, ring or diamond


@dataclass(frozen=True)
class Span:
    """A stretch of the axis across, shaded."""

    start: float
    end: float
    tone: str = "shade"
    name: str = ""


@dataclass(frozen=True)
class Rule:
    """A reference line with its words; one that lies outside the range is named at the edge that it lies beyond."""

    value: float
    words: str
    tone: str = "limit"
    upright: bool = False
    begins: bool = False  # words at the beginning of the line, where its end has no room


@dataclass(frozen=True)
class Cells:
    """Cells of a map about zero: hue and sign tell the side, shade how far. Shapes (n,); NaN cells are left out."""

    left: ArrayLike
    right: ArrayLike
    bottom: ArrayLike
    top: ArrayLike
    value: ArrayLike
    full: float  # distance from zero at which the shade is deepest
    hints: Sequence[str] = ()  # one text for each cell, shown by a browser where the pointer rests


@dataclass(frozen=True)
class Gauge:
    """How much of a limit was used. [% of it]"""

    name: str
    used: float
    upper: float  # end of the interval toward the limit; NaN without one
    text: str  # value and limit in words
    tone: str = "main"


Named = Line | Band | Points | Span  # what stands in the key by its name

Mark = Named | Rule | Cells


def show(value: float, others: Iterable[float] = ()) -> str:
    """Write a number as plainly as its neighbours allow, all with as many decimals, and with a real minus."""
    steps = np.diff(np.unique([*others, value]))
    step = float(steps.min()) if steps.size else (abs(value) or 1.0)
    places = min(max(0, *(_places(v, step) for v in [*others, value])), 6)
    return f"{value + 0.0:.{places}f}".replace("-", "−")


def _places(value: float, step: float) -> int:
    """Decimals that a value needs to be distinguished from the next one."""
    finest = max(0, 2 - math.floor(math.log10(step))) if step > 0 else 0
    return next((p for p in range(finest) if abs(round(value, p) - value) < step / 100), finest)
