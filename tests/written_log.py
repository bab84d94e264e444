"""Writes small logs of plausible numbers, in whatever headings and units a test asks for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr
from plain_car import owners_car

from tunelab.log.map import map_raw
from tunelab.log.read import read_raw
from tunelab.workspace import ChannelMap, ColumnRule

ROWS = 400


def waves(low: float, high: float, rows: int = ROWS, seed: int = 0) -> np.ndarray:
    """Numbers that go up and down between two ends, a little noisy, shape (rows,)."""
    rng = np.random.default_rng(seed)
    swing = 0.5 - 0.5 * np.cos(np.arange(rows) / 23.0 + seed)
    return low + (high - low) * np.clip(swing + rng.normal(0, 0.004, rows), 0, 1)


def write_log(path: Path, columns: dict[str, object], *, step_s: float = 0.04) -> Path:
    """Write a comma-separated log; a `Time (s)` column is put first unless the columns bring a clock of their own."""
    rows = len(next(iter(columns.values())))
    if not any(name.casefold().startswith(("time", "date", "utc")) for name in columns):
        columns = {"Time (s)": [f"{row * step_s:.3f}" for row in range(rows)]} | columns
    lines = [",".join(columns)]
    for cells in zip(*columns.values(), strict=True):
        lines.append(",".join(cell if isinstance(cell, str) else f"{cell:.5g}" for cell in cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def map_log(path: Path, *rules: ColumnRule, weather=None, **tables) -> xr.Dataset:
    """Read and map a file with the plain car and the given rules of channels.toml."""
    rules_map = ChannelMap(column=list(rules))
    return map_raw(read_raw(path, rules_map), owners_car(**tables), rules_map, weather=weather)
