"""Fixtures that every room's tests share."""

from __future__ import annotations

import os
import shutil

import pytest


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
