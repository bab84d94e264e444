"""What stands first on a question's page: its answer in one sentence, the values it rests on, and what to do.

All of it is computed from what the notebook handed over, so a page cannot say another thing than results.json does.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tunelab.record.shown import begin_large, limit_text, reading, settle_first, shown_findings

ROWS = 5  # findings that stand above the fold
OWN_NUMBER = ("consistency.",)  # findings about the log itself: they lead only where they say stop


@dataclass(frozen=True)
class Answer:
    """The head of a question's page."""

    word: str  # status as a page says it; empty where the question has none
    sentence: str
    rows: tuple[Mapping[str, Any], ...]  # findings that lead, each with `word`, `title`, `reading`, `bound`, `because`
    others: tuple[Mapping[str, Any], ...]  # the rest, the same way
    to_do: tuple[str, ...]
    tables: tuple[Mapping[str, Any], ...]  # what to enter or to drive, each with `caption`
    cautions: tuple[str, ...]


def answer_of(chapter: Mapping[str, Any], leads: Sequence[str]) -> Answer:
    """Write the head of a page.

    Parameters
    ----------
    chapter : mapping
        What the notebook handed over, as `read_chapters` gives it.
    leads : sequence of str
        Ids of the findings that answer the question, the most telling first. Empty: a question about limits, which
        the finding nearest to its limit answers.
    """
    ordered = _ordered(_worded(chapter["findings"]), leads)
    rows = tuple(ordered[:ROWS])
    verdict = chapter["verdict"]
    stops = [finding["title"] for finding in ordered if finding["word"] == "stop"]
    first = settle_first(stops)
    asked = [*chapter["change"]["sentences"], *chapter["drive_next"]["sentences"]]
    return Answer(
        word=_word(ordered, leads, verdict["word"]),
        sentence=begin_large(_with_value(verdict["sentence"], ordered, leads) or _sentence(ordered, leads)),
        rows=rows,
        others=tuple(ordered[ROWS:]),
        to_do=tuple(begin_large(s) for s in dict.fromkeys([first, *asked]) if s),
        tables=(*chapter["change"]["tables"], *chapter["drive_next"]["tables"]),
        cautions=tuple(dict.fromkeys(chapter["cautions"]["sentences"])),
    )


def _worded(findings: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Findings with their status, value and limit in words, in the order in which they came."""
    sorted_out = shown_findings(findings, ())
    known = {f["id"]: f for name in ("attention", "measured", "met", "checks") for f in sorted_out[name]}
    return [_with_bound(known.get(f["id"]) or dict(f) | {"word": "not_shown"}) for f in findings]


def _with_bound(finding: Mapping[str, Any]) -> dict[str, Any]:
    plain = reading({**finding, "limit": None, "confidence": None})
    return {**finding, "reading": plain, "bound": _bound(finding), "because": begin_large(finding["because"])}


def _bound(finding: Mapping[str, Any]) -> str:
    """The limit in words, and which side of it the value lies."""
    if finding["limit"] is None:
        return ""
    limit = f"limit {limit_text(finding)}"
    if finding["value"] is None:
        return limit
    return ", ".join(part for part in (limit, _side(finding)) if part)


def _side(finding: Mapping[str, Any]) -> str:
    """Where the value lies against its limit, as far as status and interval tell."""
    lower, upper = finding["lower"], finding["upper"]
    if finding["status"] == "met":
        return "kept"
    if finding["status"] == "stop":
        return "passed"
    if lower is None or upper is None:
        return "without an interval, so not called met"
    crossed = min(lower, finding["value"]) <= finding["limit"] <= max(upper, finding["value"])
    return "inside the interval" if crossed else ""


def _ordered(findings: list[dict[str, Any]], leads: Sequence[str]) -> list[dict[str, Any]]:
    """What stops first, then what answers the question, then by urgency and nearness to the limit."""

    def weight(finding: Mapping[str, Any]) -> tuple[int, int, int, float]:
        lead = leads.index(finding["id"]) if finding["id"] in leads else len(leads)
        about_log = finding["id"].startswith(OWN_NUMBER)
        if finding["word"] == "stop":
            return (0, int(about_log), lead, 0.0)
        urgency = {"watch": 0, "met": 1, "measured": 2}.get(finding["word"], 3)
        led = 0 if lead < len(leads) else 1
        room = _room(finding)
        return (1 + led, lead if not led else urgency + 4 * about_log, 0, room if urgency else -room)

    return sorted(findings, key=weight)


def _room(finding: Mapping[str, Any]) -> float:
    """Distance to the limit as a share of it; where there is none, such that the finding comes last."""
    value, limit = finding["value"], finding["limit"]
    if value is None or not limit:
        return -1.0 if finding["word"] == "watch" else 1e9
    return abs(value - limit) / abs(limit)


def _word(ordered: Sequence[Mapping[str, Any]], leads: Sequence[str], said: str) -> str:
    if any(finding["word"] == "stop" for finding in ordered):
        return "stop"
    if said or not ordered:
        return said
    asked = [finding for finding in ordered if finding["id"] in leads] or ordered
    words = [finding["word"] for finding in asked if not finding["id"].startswith(OWN_NUMBER)]
    return next((word for word in ("watch", "met", "measured") if word in words), "not_shown")


def _sentence(ordered: Sequence[Mapping[str, Any]], leads: Sequence[str]) -> str:
    """The answer where the notebook words none: the finding that leads, or how many limits were kept."""
    if not ordered:
        return ""
    shown = [f for f in ordered if f["value"] is not None]
    if not shown:
        return f"Not shown: {ordered[0]['because']}"
    if leads:
        return _leading(ordered, leads)
    held = [f for f in shown if f["limit"] is not None and not f["id"].startswith(OWN_NUMBER)]
    stops, watched = ([f for f in held if f["word"] == word] for word in ("stop", "watch"))
    if stops:
        return f"{_count(stops, 'limit was', 'limits were')} passed. {_told(stops[0])}."
    if watched:
        return f"{_count(watched, 'value needs', 'values need')} watching, of {len(held)} judged. {_told(watched[0])}."
    if not held:
        return f"{_told(shown[0])}."
    kept = (
        "The one limit that could be judged was kept" if len(held) == 1 else f"All {len(held)} limits judged were kept"
    )
    return f"{kept}. Nearest to its limit: {_told(held[0])}."


def _leading(ordered: Sequence[Mapping[str, Any]], leads: Sequence[str]) -> str:
    """The value that leads; where another of those asked about has to be watched, that one after it."""
    shown = [finding for finding in ordered if finding["value"] is not None]
    told = [f"{_told(finding)}." for finding in shown[:1]]
    if told and shown[0]["word"] not in ("stop", "watch"):
        watched = [finding for finding in shown[1:] if finding["id"] in leads and finding["word"] == "watch"]
        told += [f"To watch: {_told(finding)}." for finding in watched[:1]]
    return " ".join(told)


def _with_value(sentence: str, ordered: Sequence[Mapping[str, Any]], leads: Sequence[str]) -> str:
    """What the notebook says itself; where that names no number, the leading value after it."""
    if not sentence or re.search(r"\d", sentence):
        return sentence
    return " ".join(part for part in (sentence, _leading(ordered, leads)) if part)


def _told(finding: Mapping[str, Any]) -> str:
    bound = f"; {finding['bound']}" if finding["bound"] else ""
    return f"{finding['title']}: {finding['reading']}{bound}"


def _count(findings: Sequence[Any], one: str, many: str) -> str:
    return f"{len(findings)} {one if len(findings) == 1 else many}"
