"""Fixtures that every room's tests share."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

QUICK = ("log", "physics", "workspace", "study/readiness", "test_channels.py", "test_constants.py", "test_units.py")
"""Rooms and files whose tests draw little at random and start no notebook and no browser: the layer of units."""
SLOW_AMONG_THEM = ("killed", "full_disk", "recorded_shared")  # words of the names of tests that start processes


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark all tests `slow` but those of the layer of units, which `pytest -m "not slow and not bench"` runs alone."""
    here = Path(__file__).parent
    for item in items:
        place = item.path.relative_to(here).as_posix() if item.path.is_relative_to(here) else ""
        is_quick = any(place == name or place.startswith(f"{name}/") for name in QUICK)
        if not is_quick or any(word in item.name for word in SLOW_AMONG_THEM):
            item.add_marker("slow")


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Path of a Chromium; its absence fails in CI and elsewhere shows as a skip with its reason."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if found := shutil.which(name):
            return found
    if os.environ.get("CI"):
        pytest.fail("Chromium is missing: .ci/run installs it with apt-get; without it the pages are not checked.")
    pytest.skip("Chromium is not installed, so the pages were NOT checked; install it (apt-get install chromium).")


@pytest.fixture(autouse=True)
def _no_terminal_width(monkeypatch):
    """A library that sets the terminal's width while one test runs must not fold what a later one reads."""
    monkeypatch.delenv("COLUMNS", raising=False)
