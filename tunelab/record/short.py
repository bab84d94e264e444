"""The answer in a minute: what was driven, limits, verdicts, what to change, why to believe it, what comes next."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from tunelab.record.shown import CROSS_CHECKS, STEP_WORDS, begin_large, called, list_names, small, verdicts

LABEL_WIDTH = 11  # of a part's name in a terminal
LONGEST_DRIVEN = 130  # letters: a longer account of what was driven waits for its own section
# The question that a chapter belongs to, by the step that asks it; what answers none comes after those that were asked.
STEP_OF = {
    "steady": "steady", "part_throttle": "part-throttle", "full_throttle": "full-throttle", "power": "full-throttle",
    "coast_down": "coast-down", "launch": "launch", "link": "link", "road_manners": "road",
}  # fmt: skip
NOTHING = {"change": "Nothing.", "drive_next": "Nothing is named."}
NOTHING_AT_STOP = "What is at stop, before anything else."


def short_answer(
    driven: str,
    findings: Mapping[str, Sequence[Mapping[str, Any]]],
    chapters: Sequence[Mapping[str, Any]],
    *,
    steps: Sequence[str] = (),
    nearest: str = "",
    held: str,
    first: str,
    since: str = "",
) -> list[dict[str, Any]]:
    """Put the summary into one short entry for each of its parts.

    Parameters
    ----------
    driven : str
        How much was logged, and with which revision.
    findings : mapping
        What `shown_findings` sorted.
    chapters : sequence of mapping
        What the notebooks handed over.
    steps : sequence of str
        Steps that the session drove, its own question first.
    nearest : str
        The limit that was used most, in words; empty where none could be held.
    held : str
        Whether what was predicted of the revision held; empty where nothing was.
    first : str
        What has to be settled before the next drive; empty where nothing is at stop.
    since : str
        Which revisions came after the one that was driven, in words; empty for none.

    Returns
    -------
    list of dict
        `part` (where on the page it stands in full), `label`, and `lines`, each with `text` and a status or no `word`.
    """
    asked = sorted(chapters, key=lambda chapter: _rank(chapter, steps))
    own = [text for chapter in asked for text in [_driven(chapter)] if text]
    entries = [
        ("driven", "Driven", _lines([" ".join(line["text"] for line in _lines([driven, *own]))])),
        ("limits", "Limits", _limits(findings, nearest)),
        ("shows", "Result", verdicts(findings, steps)),
        ("change", "Change", _change(asked, first)),
        ("evidence", "Evidence", _evidence(findings, held)),
        ("drive_next", "Next", _next(asked, first, since)),
    ]
    return [{"part": part, "label": label, "lines": lines} for part, label, lines in entries if lines]


def short_lines(short: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """The short answer in lines for a terminal: each part's name once, a status before what it belongs to."""
    for entry in short:
        for number, line in enumerate(entry["lines"]):
            label = "" if number else entry["label"]
            word = f"{line['word'].replace('_', ' ')}: " if line["word"] else ""
            yield f"{label:{LABEL_WIDTH}}{word}{line['text']}"


def _rank(chapter: Mapping[str, Any], steps: Sequence[str]) -> int:
    """Limits first, then the chapters of the steps in the order in which the session names them, then the rest."""
    if chapter["notebook"] == "limits":
        return -1
    step = STEP_OF.get(chapter["notebook"], "")
    return list(steps).index(step) if step in steps else len(steps)


def _driven(chapter: Mapping[str, Any]) -> str:
    """What a chapter says was driven, where it is short and answers a step's question."""
    section = chapter["driven"]
    if section["short"] or chapter["notebook"] not in STEP_OF:
        return section["short"] or ""
    text = next(iter(section["sentences"]), "")
    return text if len(text) <= LONGEST_DRIVEN else ""


def _limits(findings: Mapping[str, Sequence[Mapping[str, Any]]], nearest: str) -> list[dict[str, str]]:
    """Each limit that was passed with what happened; else how many were checked, and which came nearest."""
    own = [finding for finding in findings["all"] if finding["id"].startswith("limits.")]
    loud = [finding for finding in own if finding["word"] in ("stop", "watch")]
    lines = [_with_reason(finding) for finding in loud]
    held = [finding for finding in own if finding["word"] == "met"]
    if own and not loud:
        text = f"None passed, of {len(held)} checked{f'; nearest: {nearest}' if nearest else ''}."
        lines.append({"word": "met", "text": text} if held else {"word": "not_shown", "text": "None could be checked."})
    elif held:
        lines.append({"word": "met", "text": f"{_count(len(held), 'other')} checked, none passed."})
    return lines


def _with_reason(finding: Mapping[str, Any]) -> dict[str, str]:
    reason = f" {finding['because'].partition(';')[0].rstrip('.')}." if finding["word"] == "stop" else ""
    return {"word": finding["word"], "text": f"{finding['title']}: {finding['value_limit']}.{reason}"}


def _change(asked: Sequence[Mapping[str, Any]], first: str) -> list[dict[str, str]]:
    texts = [text for chapter in asked for text in [_short_of(chapter["change"])] if text]
    if first:  # "nothing" is said of one question only, and never of the whole car
        texts = [re.sub(r"^Nothing has to\b", "Of meter and injectors nothing has to", text) for text in texts]
    return _lines(texts or [NOTHING_AT_STOP if first else NOTHING["change"]])


def _evidence(findings: Mapping[str, Sequence[Mapping[str, Any]]], held: str) -> list[dict[str, str]]:
    """Whether an earlier prediction held, how many checks of the log found nothing wrong, and what is not shown."""
    made = sum(check["word"] != "not_shown" for check in findings["checks"])
    texts = [held] if held else []
    if made:
        texts.append(
            f"{_count(made, 'check')} of the log against itself, car.toml and the revision found nothing wrong"
        )
    elif findings["checks"]:
        texts.append("No check of the log against itself could be made")
    crossed = [f for f in findings["met"] if f["id"] in CROSS_CHECKS]
    if crossed:
        texts.append(f"Within limits: {list_names([called(f) for f in crossed])}")
    absent = [small(title) for item in findings["absent"] for title in item["titles"].split("; ")]
    if absent:
        texts.append(f"Not shown: {list_names(absent, 2)}")
    return _lines(texts)


def _next(asked: Sequence[Mapping[str, Any]], first: str, since: str) -> list[dict[str, str]]:
    texts = [text for chapter in asked for text in [_short_of(chapter["drive_next"])] if text]
    lines = _lines(texts or [NOTHING["drive_next"]])
    if not first:
        return lines
    named = first.removeprefix("At stop: ").partition(". ")[0]
    text = f"Before any drive, settle: {named}."
    if since:
        text = f"{text} {since} came since; run tunelab ready to see whether that settled it."
    return [{"word": "stop", "text": text}, *lines]


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _short_of(section: Mapping[str, Any]) -> str:
    """What a section says of itself, else its first sentence; None where it wants no place in the short answer."""
    if section["short"] is None:
        return ""
    first = next(iter(section["sentences"]), "")
    return section["short"] or re.split(r"(?<=\.)\s", first, maxsplit=1)[0]


def _lines(texts: Sequence[str]) -> list[dict[str, str]]:
    ended = [text if text.endswith((".", "?", "!")) else f"{text}." for text in dict.fromkeys(texts)]
    return [{"word": "", "text": begin_large(text)} for text in ended]


def steps_words(steps: Sequence[str]) -> str:
    """The steps that were driven, in words: `Steady driving, road and link`."""
    names = [STEP_WORDS.get(step, step) for step in steps]
    names = [names[0], *(name[:1].lower() + name[1:] for name in names[1:])] if names else ["Nothing named"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
