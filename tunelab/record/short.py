"""The answer in a minute: one line for each part of the summary, at the top of the page."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from tunelab.record.shown import begin_large

MOST_NAMED = 4
LABEL_WIDTH = 13  # of a part's name in a terminal
PARTS = (("change", "Change"), ("cannot_show", "Cannot show"), ("drive_next", "Drive next"))
NOTHING_AT_STOP = "What stands at stop, before anything else."
NOTHING = {"change": "Nothing.", "cannot_show": "See each question's page.", "drive_next": "Nothing is named."}


def short_answer(
    driven: str,
    findings: Mapping[str, Sequence[Mapping[str, Any]]],
    chapters: Sequence[Mapping[str, Any]],
    *,
    held: str,
    first: str,
) -> list[dict[str, Any]]:
    """Put the summary into one short entry for each of its parts.

    Parameters
    ----------
    driven : str
        How much was logged.
    findings : mapping
        What `shown_findings` sorted.
    chapters : sequence of mapping
        What the notebooks handed over.
    held : str
        Whether what was predicted of the revision held; empty where nothing was.
    first : str
        What has to be settled before the next drive; empty where nothing is at stop.

    Returns
    -------
    list of dict
        `part` (where on the page it stands in full), `label`, and `lines`, each with `text` and a status or no `word`.
    """
    own = [chapter["driven"]["short"] for chapter in chapters if chapter["driven"]["short"]]
    shows = [*_states(findings), *_lines([held] if held else [])]
    entries = [("driven", "Driven", _lines([driven, *own])), ("shows", "Log shows", shows)]
    for part, label in PARTS:
        texts = [text for chapter in chapters for text in [_short_of(chapter[part], part)] if text]
        if part == "cannot_show" and findings["absent"]:
            texts.insert(0, _named([title for item in findings["absent"] for title in item["titles"].split("; ")]))
        if part == "change" and first:  # "nothing" is said of one question only, and never of the whole car
            texts = [re.sub(r"^Nothing has to\b", "Of meter and injectors nothing has to", text) for text in texts]
        lines = _lines(texts or [NOTHING_AT_STOP if part == "change" and first else NOTHING[part]])
        if part == "drive_next" and first:
            lines.insert(0, {"word": "stop", "text": first.removeprefix("At stop: ")})
        entries.append((part, label, lines))
    return [{"part": part, "label": label, "lines": lines} for part, label, lines in entries]


def short_lines(short: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """The short answer in lines for a terminal: each part's name once, a status before what it belongs to."""
    for entry in short:
        for number, line in enumerate(entry["lines"]):
            label = "" if number else entry["label"]
            word = f"{line['word'].replace('_', ' ')}: " if line["word"] else ""
            yield f"{label:{LABEL_WIDTH}}{word}{line['text']}"


def _short_of(section: Mapping[str, Any], part: str) -> str:
    """What a section says of itself, else its first sentence; of what cannot be shown the reason stands below."""
    first = next(iter(section["sentences"]), "")
    end = r"(?<=\.)\s|:\s" if part == "cannot_show" else r"(?<=\.)\s"
    return section["short"] or re.split(end, first, maxsplit=1)[0]


def _lines(texts: Sequence[str]) -> list[dict[str, str]]:
    ended = [text if text.endswith((".", "?", "!")) else f"{text}." for text in dict.fromkeys(texts)]
    return [{"word": "", "text": begin_large(text)} for text in ended]


def _states(findings: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[dict[str, str]]:
    """Each stop with its reason, then one line for each status: by name and value, what is met by number."""
    stops = [f for f in findings["attention"] if f["word"] == "stop"]
    lines = [{"word": "stop", "text": f"{f['title']}: {f['value_text']}. {f['because']}"} for f in stops]
    watch = [f for f in findings["attention"] if f["word"] == "watch"]
    if watch:
        lines.append({"word": "watch", "text": _named([f"{f['title']}: {f['value_text']}" for f in watch])})
    if findings["measured"]:
        named = _named([f"{f['title']}: {f['value_text']}" for f in findings["measured"]])
        lines.append({"word": "measured", "text": named})
    if findings["met"]:
        lines.append({"word": "met", "text": f"{len(findings['met'])} within their limits"})
    return lines or [{"word": "not_shown", "text": "Nothing that was asked."}]


def _named(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMED
    return "; ".join(names[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
