"""Answers first: what heads a question's page, and the answer in a minute at the top of the summary.

All of it is computed from what the notebook handed over, so a page cannot say another thing than results.json does.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tunelab.record.shown import (
    CROSS_CHECKS,
    STEP_WORDS,
    begin_large,
    called,
    limit_text,
    list_names,
    reading,
    settle_first,
    shown_findings,
    small,
    stops_beside,
    stops_to_settle,
    value_text,
    verdicts,
)
from tunelab.study.finding import counted
from tunelab.study.readiness.gate import LOWER_IS_WORSE

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


def answer_of(chapter: Mapping[str, Any], leads: Sequence[str], beside: Sequence[Mapping[str, Any]] = ()) -> Answer:
    """Write the head of a page.

    Parameters
    ----------
    chapter : mapping
        What the notebook handed over, as `read_chapters` gives it.
    leads : sequence of str
        Ids of the findings that answer the question, the most telling first. Empty: a question about limits, which
        the finding nearest to its limit answers.
    beside : sequence of mapping
        Findings of the record's other questions that passed one of these limits: they head the page, since a limit is
        not kept that another way of looking sees passed.
    """
    beside = _worded(beside)
    ordered = _ordered(_worded(chapter["findings"]), leads)
    rows = (*beside, *ordered[:ROWS])
    verdict = chapter["verdict"]
    said = _with_value(verdict["sentence"], ordered, leads) or _sentence(ordered, leads, chapter["notebook"])
    stops = [finding["title"] for finding in stops_to_settle([*beside, *ordered])]
    first = settle_first(stops)
    asked = [*chapter["change"]["sentences"], *chapter["drive_next"]["sentences"]]
    return Answer(
        word="stop" if beside else _word(ordered, leads, verdict["word"]),
        sentence=begin_large(_beside(beside, said, chapter["notebook"])),
        rows=rows,
        others=tuple(ordered[ROWS:]),
        to_do=tuple(begin_large(s) for s in dict.fromkeys([first, *asked]) if s),
        tables=(*chapter["change"]["tables"], *chapter["drive_next"]["tables"]),
        cautions=tuple(dict.fromkeys(chapter["cautions"]["sentences"])),
    )


def _beside(beside: Sequence[Mapping[str, Any]], sentence: str, question: str) -> str:
    """What another question saw passed, before what the page's own question says."""
    if not beside:
        return sentence
    told = " ".join(f"{_told(finding)}." for finding in beside)
    if question == "drive_plan":
        return f"Settle first, before any drive: {list_names([called(finding) for finding in beside])}. {sentence}"
    return f"{told} Over the whole log, as it was driven: {small(sentence)}"


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
        below = finding["id"] in LOWER_IS_WORSE
        is_past = finding["value"] < finding["limit"] if below else abs(finding["value"]) > finding["limit"]
        return "past it, without an interval" if is_past else "without an interval, so not called met"
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


def _sentence(ordered: Sequence[Mapping[str, Any]], leads: Sequence[str], question: str) -> str:
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
        return _in_doubt(watched, len(held), asked=question == "limits")
    if not held:
        return f"{_told(shown[0])}."
    kept = (
        "The one limit that could be judged was kept" if len(held) == 1 else f"All {len(held)} limits judged were kept"
    )
    return f"{kept}. Nearest to its limit: {_told(held[0])}."


def _in_doubt(watched: Sequence[Mapping[str, Any]], judged: int, *, asked: bool) -> str:
    """Whether limits were passed where none was for certain that cannot wait: perhaps, or one that can wait.

    `asked`: that is the page's own question, so the sentence begins with the answer to it.
    """
    sides = [_side(finding) for finding in watched]
    past = [finding for finding, side in zip(watched, sides, strict=True) if not side]
    first = past[0] if past else watched[0]
    if past:
        text = f"{'Yes, one that can wait' if asked else 'Past a limit that can wait'}: {_told(first)}."
    else:
        read = f"{small(first['title'])} read {value_text(first)}, limit {limit_text(first)}"
        ends = first["reading"].partition("(")[2].partition(")")[0]
        doubt = f"its interval is {ends}" if ends else "it has no interval"
        text = f"{'Perhaps' if asked else 'In doubt'}: {read}; {doubt}."
    more = len(watched) - 1
    also = f" {_count(watched[1:], 'other needs', 'others need')} watching." if more else ""
    kept = judged - len(watched)
    rest = "" if not kept else " The other limit was kept." if kept == 1 else f" The other {kept} limits were kept."
    return f"{text}{also}{rest}"


def _leading(ordered: Sequence[Mapping[str, Any]], leads: Sequence[str]) -> str:
    """The value that leads; where another of those asked about has to be watched, that one after it."""
    shown = [finding for finding in ordered if finding["value"] is not None]
    told = [f"{_told(finding)}." for finding in shown[:1]]
    if told and shown[0]["word"] not in ("stop", "watch"):
        watched = [finding for finding in shown[1:] if finding["id"] in leads and finding["word"] == "watch"]
        told += [f"To watch: {_told(max(watched, key=_pressing))}."] if watched else []
    return " ".join(told)


def _pressing(finding: Mapping[str, Any]) -> float:
    """How much of its limit a finding used; 0 without a limit."""
    value, limit = finding["value"], finding["limit"]
    if not value or not limit:
        return 0.0
    return limit / value if finding["id"] in LOWER_IS_WORSE else abs(value / limit)


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


LABEL_WIDTH = 11  # of a part's name in a terminal
LONGEST_DRIVEN = 130  # letters: a longer account of what was driven waits for its own section
# The question that a chapter belongs to, by the step that asks it; what answers none comes after those that were asked.
STEP_OF = {
    "steady": "steady", "part_throttle": "part-throttle", "full_throttle": "full-throttle", "power": "full-throttle",
    "coast_down": "coast-down", "launch": "launch", "link": "link", "road_manners": "road",
}  # fmt: skip
NOTHING = {"change": "Nothing.", "drive_next": "No further drive is asked for."}
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
    lines += [{"word": "stop", "text": f"{f['title']}: {f['value_limit']}."} for f in stops_beside(findings["all"])]
    if own and not lines:
        text = f"None passed, of {len(held)} checked{f'; nearest: {nearest}' if nearest else ''}."
        lines.append({"word": "met", "text": text} if held else {"word": "not_shown", "text": "None could be checked."})
    elif held:
        where = "" if loud else " over the whole log, as it was driven"
        what = counted(len(held), "others") if loud else str(len(held))
        lines.append({"word": "met", "text": f"{what} checked{where}, none passed."})
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
            f"{counted(made, 'checks')} of the log against itself, car.toml and the revision found nothing wrong"
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
