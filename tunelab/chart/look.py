"""How the kit's figures look: a palette of its own that holds on light and dark paper and for colour-blind eyes.

Every tone has a contrast of at least 3 to 1 against both (WCAG 2.2, success criterion 1.4.11), and what a colour
tells, a mark, a dash or a word tells as well.
"""

from __future__ import annotations

from typing import Any

from tunelab.channels import channel

MAIN = "#2b7fa3"  # what was measured or fitted
NEW = "#c0632a"  # what is proposed
OLD = "#858b94"  # what is in force
THIRD = "#8571bd"
QUIET = "#878d96"  # flagged: visible, never loud
SHADE = "#b08a3e"  # stretches marked on a trace

SEQUENCE = ("#f1e7cf", "#dfdcc0", "#c4d3bd", "#a4c7bd", "#83b8bd", "#64a8bc")  # little to much, dark text on all
AROUND_ZERO = ("#5f97c4", "#93b8d4", "#c6d6e0", "#ece8df", "#e8cdb4", "#dcab83", "#cb8653")  # below, none, above
CELL_INK = "#1c1f24"

READING_WIDTH = 1200  # pixel columns that a trace is reduced to


def panel(title: str, height: int, **labels: str) -> dict[str, Any]:
    """Options that every panel shares: as wide as the page, hover, title and the axis labels `xlabel`, `ylabel`."""
    return {
        "title": title,
        "responsive": True,
        "height": height,
        "tools": ["hover"],
        "fontsize": {"title": "11pt", "labels": "10pt", "xticks": "9pt", "yticks": "9pt", "legend": "9pt"},
        "show_grid": True,
        "toolbar": "above",
        "padding": (0.03, 0.08),
        **labels,
    }


def axis(name: str) -> str:
    """Label of a channel's axis, with its unit."""
    return channel(name).axis_label
