"""A page of what a comparison can tell apart from noise, to read and to send on."""

from __future__ import annotations

from tunelab.record.comparing import VERDICTS, Comparison, Side, shown_changes
from tunelab.record.display import table_item
from tunelab.record.page import fill
from tunelab.study.cautions import cautions_for


def comparison_page(found: Comparison) -> str:
    """Write a comparison as one HTML page that asks for nothing from any network.

    Parameters
    ----------
    found : Comparison
        Before against after; what is more than noise comes first, and what could not be compared is said as well.
    """
    table = found.table()
    order = {word: place for place, word in enumerate(VERDICTS)}
    table = table.sort_values("verdict", key=lambda words: words.map(order), kind="stable")
    shown = table.drop(columns=["because", "told apart"])
    values = {
        "title": f"{found.after.name} against {found.before.name}",
        "sides": [("Before", _words(found.before)), ("After", _words(found.after))],
        "changes": shown_changes(found),
        "head": found.sentences()[0],
        "sentences": found.sentences()[1:],
        "differences": table_item(shown),
        "cautions": cautions_for(found.car),
    }
    return fill("comparison.html", [], values)


def _words(side: Side) -> str:
    return f"{side.name}: sessions {', '.join(side.sessions)}; revision {', '.join(side.revisions)}"
