"""Findings as the summary shows them: what matters first, in words, with as many digits as they carry."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from tunelab.record.display import show_number
from tunelab.study.finding import status_word

STATUS_ORDER = {"stop": 0, "watch": 1, "not_shown": 2, "met": 3}


def shown_findings(findings: Sequence[Mapping[str, Any]], drive_next: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    """Sort findings by what a reader has to do about them.

    Parameters
    ----------
    findings : sequence of mapping
        Findings as results.json holds them.
    drive_next : sequence of str
        Sentences that the summary gives under what to drive next.

    Returns
    -------
    dict
        `attention` (stop, then watch), `measured`, `met`, `checks` (of the log against itself, nothing found) and
        `absent` (not shown, one entry for each reason: `titles`, `because`).
    """
    ordered = sorted(findings, key=lambda finding: STATUS_ORDER[finding["status"]])
    worded = [_worded(finding) for finding in ordered]
    loud = [finding for finding in worded if not _is_quiet(finding)]
    return {
        "attention": [f for f in loud if f["word"] in ("stop", "watch")],
        "measured": [f for f in loud if f["word"] == "measured"],
        "met": [f for f in loud if f["word"] == "met"],
        "absent": _absent([f for f in loud if f["word"] == "not_shown"], drive_next),
        "checks": [f for f in worded if _is_quiet(f)],
    }


def settle_first(titles: Sequence[str]) -> str:
    """Say that what stands at stop comes before any drive; empty where nothing does."""
    if not titles:
        return ""
    return f"At stop: {'; '.join(titles)}. Change what the record names, or find the cause, before you drive this."


def begin_large(sentence: str) -> str:
    """Begin a sentence with a capital, unless it begins with a name that has none."""
    first = sentence.split(" ", 1)[0]
    return sentence[:1].upper() + sentence[1:] if first.isalpha() else sentence


def _worded(finding: Mapping[str, Any]) -> dict[str, Any]:
    used, flagged = finding["samples_used"], finding["samples_flagged"]
    counted = f"{used} samples, {flagged} flagged and left out" if used or flagged else "reckoned, not measured"
    counted = "" if finding["value"] is None and not used else counted
    word = status_word(finding["status"], finding["limit"])
    words = {"word": word, "reading": reading(finding), "value_text": value_text(finding), "counted": counted}
    return {**finding, **words, "because": begin_large(finding["because"])}


def _is_quiet(finding: Mapping[str, Any]) -> bool:
    return finding["id"].startswith("consistency.") and finding["status"] in ("met", "not_shown")


def _absent(findings: Sequence[Mapping[str, Any]], drive_next: Sequence[str]) -> list[dict[str, str]]:
    """Put findings that are not shown for the same reason together; what stands under the next drive is named only."""
    titles: dict[str, list[str]] = {}
    for finding in findings:
        because = finding["because"]
        below = any(because.rstrip(".").lower() in sentence.lower() for sentence in drive_next)
        titles.setdefault("See what to drive next." if below else because, []).append(finding["title"])
    return [{"titles": "; ".join(names), "because": because} for because, names in titles.items()]


def is_told(sentence: str, absent: Sequence[Mapping[str, str]]) -> bool:
    """Whether a sentence only repeats why a finding is not shown."""
    reasons = [item["because"].rstrip(".").lower() for item in absent]
    return any(len(reason) > 12 and reason in sentence.lower() for reason in reasons)


def reading(finding: Mapping[str, Any]) -> str:
    """Value, interval and limit of a finding in words."""
    if finding["value"] is None:
        return "not shown"
    text, unit = value_text(finding), _unit(finding)
    if finding["lower"] is not None and finding["upper"] is not None:
        share = f", {100 * finding['confidence']:.0f} % interval" if finding["confidence"] else ""
        ends = [_digits(finding[end], finding) for end in ("lower", "upper")]
        text += f" ({ends[0]} to {ends[1]}{share})"
    if finding["limit"] is not None:
        text += f"; held against {_limit(finding['limit'])}{unit}"
    return text


def value_text(finding: Mapping[str, Any]) -> str:
    """The value alone, with its unit."""
    if finding["value"] is None:
        return "not shown"
    return f"{_digits(finding['value'], finding)}{_unit(finding)}"


def _unit(finding: Mapping[str, Any]) -> str:
    return "" if finding["unit"] in ("1", "") else f" {finding['unit']}"


def _digits(value: float, finding: Mapping[str, Any]) -> str:
    """Three significant digits, and none that the interval makes meaningless; never an exponent."""
    lower, upper = finding["lower"], finding["upper"]
    width = upper - lower if lower is not None and upper is not None else 0.0
    if value == 0:
        return "0"
    place = math.floor(math.log10(abs(value))) - 2
    if width > 0:
        place = max(place, math.floor(math.log10(width / 100)))
    rounded = round(value, -place)
    return f"{rounded:.{max(-place, 0)}f}".rstrip("0").rstrip(".") if place < 0 else f"{rounded + 0.0:.0f}"


def _limit(value: float) -> str:
    return show_number(float(f"{value:.3g}") if abs(value) < 1000 else value)
