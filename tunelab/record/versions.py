"""Versions of what a result depends on."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

PACKAGES = (
    "tunelab",
    "numpy",
    "scipy",
    "pandas",
    "xarray",
    "polars",
    "pint",
    "pydantic",
    "holoviews",
    "bokeh",
    "papermill",
)


def versions() -> dict[str, str]:
    """Versions of Python and of the packages that a result depends on."""
    return {"python": platform.python_version()} | {name: _version(name) for name in PACKAGES}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
