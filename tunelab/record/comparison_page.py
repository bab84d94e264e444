"""A page of what a comparison can tell apart from noise, to read and to send on."""

from __future__ import annotations

from tunelab.record.comparing import Comparison, Side, shown_changes
from tunelab.record.display import table_item
from tunelab.record.page import fill
from tunelab.study.cautions import cautions_for


def comparison_page(found: Comparison) -> str:
    """Write a comparison as one HTML page that asks for nothing from any network.

    Parameters
    ----------
    found : Comparison
        Before against after; what can be told apart stands first, and what could not be compared is said as well.
    """
    table = found.table().sort_values("told apart", ascending=False, kind="stable")
    shown = table.drop(columns="because").rename(columns={"told apart": "more than noise"})
    values = {
        "title": f"{found.after.name} against {found.before.name}",
        "sides": [("Before", _words(found.before)), ("After", _words(found.after))],
        "changes": shown_changes(found),
        "sentences": found.sentences(),
        "differences": table_item(shown),
        "cautions": cautions_for(found.car),
    }
    return fill("comparison.html", [], values)


def _words(side: Side) -> str:
    return f"{side.name}: sessions {', '.join(side.sessions)}; revision {', '.join(side.revisions)}"
