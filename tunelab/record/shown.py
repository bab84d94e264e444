"""Findings as the summary shows them: what matters first, in words, with as many digits as they carry."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from tunelab.record.display import SHOWN_UNITS, decimals, most_decimals, real_minus, show_number
from tunelab.study.finding import has_interval, status_word

STATUS_ORDER = {"stop": 0, "watch": 1, "not_shown": 2, "met": 3}
URGENCY = ("stop", "watch", "not_shown", "met", "measured")
MOST_NAMED = 3
STEPS = 50  # of the last digit shown that an interval spans at least
STEP_WORDS = {
    "steady": "Steady driving", "part-throttle": "Part throttle", "full-throttle": "Full throttle",
    "road": "Road manners", "coast-down": "Coast-down", "launch": "Launch", "link": "Link to the logger",
}  # fmt: skip
# What answers each step's question, the weightiest first, with the name by which a sentence calls it. A finding that no
# one can act on, such as intake pulsation, decides no verdict; it stands with the others below.
ANSWERS = {
    "steady": {
        "steady.lambda_error": "lambda error", "steady.lean_at_load": "leanest at load",
        "steady.dead_time": "dead time off by", "steady.halves": "drift within the drive",
        "steady.sessions": "difference between sessions",
    },
    "part-throttle": {
        "part_throttle.lean": "leanest over commanded", "part_throttle.knock_retard": "knock retard",
        "part_throttle.lambda_error": "mean lambda error",
        "part_throttle.meter_agreement": "pulls off the steady drive",
    },
    "full-throttle": {
        "full_throttle.lambda": "leanest lambda", "full_throttle.knock_retard": "knock retard",
        "full_throttle.lambda_error": "lean of commanded by up to",
        "full_throttle.rich_error": "rich of commanded by up to",
        "full_throttle.fuel_pressure_drop": "fuel-pressure drop", "full_throttle.oil_pressure": "oil pressure",
        "full_throttle.injector_duty": "injector duty", "full_throttle.meter_headroom": "air-meter headroom",
        "full_throttle.coolant": "coolant", "full_throttle.intake_air": "intake air",
        "full_throttle.battery": "battery", "full_throttle.fuel_mode": "time in the wrong fuelling mode",
        "high_flow.agreement": "pulls off the steady drive", "power.wheel_peak": "wheel power",
    },
    "road": {
        "idle.hunting": "idle hunting", "idle.speed_error": "idle speed off target",
        "idle.lambda_error": "idle lambda off commanded", "transient.lean": "lean at tip-in",
        "transient.rich": "rich at tip-in", "trims.total": "largest fuel trim",
        "return.undershoot": "undershoot on return to idle", "return.settling": "time to settle at idle",
        "idle.actuator_margin": "idle actuator's margin", "fuel_cut.stumble": "lean after a fuel cut",
        "idle.base_error": "idle's base value off", "acceleration.error": "fuel at tip-ins off",
    },
    "coast-down": {
        "coast_down.force_100": "road load at 100 km/h", "coast_down.drag_area": "drag area",
        "coast_down.rolling": "rolling coefficient",
    },
    "launch": {
        "launch.time": "time to the distance", "launch.bog": "bog after the release",
        "launch.held_speed": "held speed off its setting", "launch.hold_time": "longest hold",
        "launch.zero_speed": "hold lets go after", "launch.drivers": "difference between drivers",
    },
    "link": {
        "link.drop_outs": "drop-outs", "link.wiring_change": "rate after the rewiring over before",
        "link.supply": "lowest supply voltage", "link.starts": "drop-outs per engine start",
        "link.noise_in_step": "channels with noise in step with the engine",
    },
}  # fmt: skip
NAMES = {name: words for answers in ANSWERS.values() for name, words in answers.items()}
# Findings with a title too long for a sentence, of which no step's question asks.
CALLED = NAMES | {
    "full_load_fuel.error": "mean lambda off its full-throttle target by up to",
    "full_load_fuel.predicted": "mean lambda off that target predicted with the proposal",
    "steady.proposal_predicted": "lambda error predicted with the proposal",
    "trims.learning": "a long-term trim moved within the session by up to",
}
# What tells most of how a car comes along, the weightiest first; a number of the same kind of drive throughout.
MAIN = (
    "steady.lambda_error", "full_throttle.lambda", "limits.lean_under_load", "limits.knock_retard", "link.drop_outs",
    "power.wheel_peak", "full_throttle.lambda_error", "part_throttle.lean", "steady.dead_time", "trims.total",
    "transient.lean", "idle.hunting", "idle.speed_error", "launch.time", "launch.bog",
)  # fmt: skip
# Findings of other questions that stand for the same limit as one of the watch over the whole log, which averages more
# and leaves the trims at work.
SAME_LIMIT = {
    "steady.lean_at_load": "limits.lean_under_load", "part_throttle.lean": "limits.lean_under_load",
    "part_throttle.knock_retard": "limits.knock_retard", "full_throttle.knock_retard": "limits.knock_retard",
    "full_throttle.lambda": "limits.lambda_full_load", "spark.retard": "limits.knock_retard",
}  # fmt: skip
CROSS_CHECKS = ("high_flow.agreement", "part_throttle.meter_agreement")  # two kinds of driving that ought to agree


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
        `attention` (stop, then watch), `measured`, `met`, `checks` (of the log against itself, nothing found),
        `absent` (not shown, one entry for each reason: `titles`, `because`) and `all`. Within a status what answers a
        question comes before the rest, and what is further beyond its limit before what is less far.
    """
    ordered = sorted(findings, key=lambda finding: (STATUS_ORDER[finding["status"]], *_weight(finding)))
    worded = [_worded(finding) for finding in ordered]
    loud = [finding for finding in worded if not _is_quiet(finding)]
    return {
        "attention": [f for f in loud if f["word"] in ("stop", "watch")],
        "measured": [f for f in loud if f["word"] == "measured"],
        "met": [f for f in loud if f["word"] == "met"],
        "absent": _absent([f for f in loud if f["word"] == "not_shown"], drive_next),
        "checks": [f for f in worded if _is_quiet(f)],
        "all": worded,
    }


def stops_for(notebook: str, findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Stops of a record's other questions that a page has to begin with: on the same limit, or before any drive."""
    if notebook == "drive_plan":
        return stops_to_settle(findings)
    return stops_beside(findings) if notebook == "limits" else []


def stops_beside(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Stops of other questions at a limit that the watch over the whole log did not see passed."""
    status = {finding["id"]: finding["status"] for finding in findings}
    return [f for f in findings if f["status"] == "stop" and status.get(SAME_LIMIT.get(f["id"], ""), "stop") != "stop"]


def stops_to_settle(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Stops without those of other questions at a limit that the watch over the whole log saw passed too."""
    known = {finding["id"] for finding in findings if finding["status"] == "stop"}
    return [f for f in findings if f["id"] in known and SAME_LIMIT.get(f["id"], "") not in known]


def _weight(finding: Mapping[str, Any]) -> tuple[bool, float]:
    """Whether no step asks for a finding, and how near it is to its limit, the furthest beyond first."""
    asked = finding["id"].startswith(("limits.", "consistency.")) or finding["id"] in NAMES
    value, limit = finding["value"], finding["limit"]
    if finding["status"] not in ("stop", "watch") or not value or not limit:
        return not asked, 0.0
    return not asked, -abs(value / limit)


def verdicts(findings: Mapping[str, Sequence[Mapping[str, Any]]], steps: Sequence[str]) -> list[dict[str, str]]:
    """One verdict for each step that was driven, the most urgent first, then what no step asked for.

    Parameters
    ----------
    findings : mapping
        What `shown_findings` sorted.
    steps : sequence of str
        Steps of the session, its own question first; of two as urgent the earlier comes first.

    Returns
    -------
    list of dict
        `word` (a status) and `text`.
    """
    names = [MOST_NAMED, *[MOST_NAMED - 1] * len(steps)]  # the session's own question comes first, and says most
    told = [_verdict(findings["all"], step, most) for step, most in zip(steps, names, strict=False)]
    lines = [line for line in told if line]
    lines.sort(key=lambda line: URGENCY.index(line["word"]))
    answered = {name for step in steps for name in ANSWERS.get(step, ())}
    rest = [f for f in findings["attention"] if f["id"] not in answered and not f["id"].startswith("limits.")]
    stops = [f for f in stops_to_settle(findings["all"]) if f in rest]
    found = [{"word": "stop", "text": f"{f['title']}: {f['value_limit']}. {f['because']}"} for f in stops]
    more = [f for f in rest if f["word"] == "watch" and (f["limit"] is not None or not lines)]
    found += lines
    if more:
        text = list_names([called(f) for f in more], MOST_NAMED - 1 if lines else MOST_NAMED)
        found.append({"word": "watch", "text": f"{'Besides: ' if lines else ''}{text}."})
    return found or [_of_no_step(findings)]


def _of_no_step(findings: Mapping[str, Sequence[Mapping[str, Any]]]) -> dict[str, str]:
    """What a record says that drove no step of which anything was found."""
    for word in ("met", "measured"):
        if findings[word]:
            return {"word": word, "text": begin_large(f"{list_names([called(f) for f in findings[word]])}.")}
    return {"word": "not_shown", "text": "Nothing that was asked."}


def _verdict(findings: Sequence[Mapping[str, Any]], step: str, most: int) -> dict[str, str] | None:
    """Verdict on one step: what is most urgent of its answers, by name, then what is met; None without any."""
    by_id = {finding["id"]: finding for finding in findings}
    own = [by_id[name] for name in ANSWERS.get(step, ()) if name in by_id]
    if not own:
        return None
    shown = [finding for finding in own if finding["word"] != "not_shown"]
    name = STEP_WORDS.get(step, step)
    if not shown:
        return {"word": "not_shown", "text": f"{name}: {own[0]['because']}"}
    word = min((finding["word"] for finding in shown), key=URGENCY.index)
    urgent = sorted((f for f in shown if f["word"] == word), key=_is_inside)
    good = [f for f in shown if f["word"] == "met" and f not in urgent]
    parts = [list_names([called(f) for f in urgent], most)]
    parts += [f"within limits: {list_names([called(f) for f in good], most - 1)}"] if good else []
    if word == "stop":  # what to do about it stands beside it, before what is fine
        parts.insert(1, re.split(r"(?<=[.]) ", urgent[0]["because"])[-1].rstrip("."))
    return {"word": word, "text": f"{name}: {'. '.join(begin_large(p) if k else p for k, p in enumerate(parts))}."}


def _is_inside(finding: Mapping[str, Any]) -> bool:
    """Whether the value itself is below its limit: then only its interval, or the lack of one, asks for attention."""
    value, limit = finding["value"], finding["limit"]
    return bool(value is not None and limit and abs(value / limit) < 1)


def called(finding: Mapping[str, Any]) -> str:
    """A finding within a sentence: its name, value and limit."""
    return f"{CALLED.get(finding['id']) or small(finding['title'])} {_value_limit(finding)}"


def small(title: str) -> str:
    """Begin a title with a small letter, as within a sentence; an abbreviation stays."""
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]


def list_names(names: Sequence[str], most: int = MOST_NAMED) -> str:
    """Some names, and how many more there are."""
    more = len(names) - most
    return "; ".join(names[:most]) + (f"; and {more} more" if more > 0 else "")


def settle_first(titles: Sequence[str]) -> str:
    """Say that what stands at stop comes before any drive; empty where nothing does."""
    if not titles:
        return ""
    named = "; ".join(map(small, titles))
    return f"At stop: {named}. Change what the record names, or find the cause, before you drive this."


def begin_large(sentence: str) -> str:
    """Begin a sentence with a capital, unless it begins with a name that has none."""
    first = sentence.split(" ", 1)[0].rstrip(":,;.")
    return sentence[:1].upper() + sentence[1:] if first.isalpha() else sentence


def _worded(finding: Mapping[str, Any]) -> dict[str, Any]:
    used, flagged = finding["samples_used"], finding["samples_flagged"]
    counted = f"{_counted(used)}, {flagged} flagged and left out" if used or flagged else "calculated, not measured"
    counted = "" if finding["value"] is None and not used else counted
    known = has_interval(finding["id"], finding["value"], finding["lower"])
    word = status_word(finding["status"], finding["limit"], has_interval=known)
    words = {"word": word, "reading": reading(finding), "value_text": value_text(finding), "counted": counted,
             "value_limit": _value_limit(finding)}  # fmt: skip
    return {**finding, **words, "because": begin_large(finding["because"])}


def _counted(samples: int) -> str:
    return "1 sample" if samples == 1 else f"{samples} samples"


def _value_limit(finding: Mapping[str, Any]) -> str:
    """Value and limit, which are what a margin is seen from, each with its unit: `−0.108 ms (limit 1 ms)`."""
    text = value_text(finding)
    known = finding["value"] is not None and finding["limit"] is not None
    return f"{text} (limit {limit_text(finding)})" if known else text


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
    text = value_text(finding)
    if finding["lower"] is not None and finding["upper"] is not None:
        share = f", {100 * finding['confidence']:.0f} % interval" if finding["confidence"] else ""
        ends = [_digits(finding[end], finding) for end in ("lower", "upper")]
        text += f" ({ends[0]} to {ends[1]}{share})"
    if finding["limit"] is not None:
        text += f"; limit {limit_text(finding)}"
    return text


def value_text(finding: Mapping[str, Any]) -> str:
    """The value alone, with its unit."""
    if finding["value"] is None:
        return "not shown"
    return f"{_digits(finding['value'], finding)}{_unit(finding)}"


def _unit(finding: Mapping[str, Any]) -> str:
    unit = SHOWN_UNITS.get(finding["unit"], finding["unit"])
    if finding["value"] == 1 and unit.isalpha() and len(unit) > 3:
        unit = unit.removesuffix("s")  # 1 channel, 2 channels
    return "" if unit in ("1", "") else unit if unit == "°" else f" {unit}"


def _digits(value: float, finding: Mapping[str, Any]) -> str:
    """A number of a finding with as many decimals as its value and the ends of its interval all have."""
    return real_minus(f"{round(value, places := _decimals(finding)) + 0.0:.{places}f}")


def _decimals(finding: Mapping[str, Any]) -> int:
    """Decimals of value and interval: three significant digits, none that the interval makes meaningless.

    A quantity has no more than the trade reads of it, but as many as keep what lies beside the limit apart from it.
    Without an interval it has those that it needs: what was counted, or logged as a whole number, is whole.
    """
    value, ends = finding["value"], [end for end in (finding["lower"], finding["upper"]) if end is not None]
    beside = [value, *ends] if finding["limit"] is not None else []
    largest = abs(value) or max(map(abs, ends), default=0.0)
    place = math.floor(math.log10(largest)) - 2 if largest else 0
    width = ends[1] - ends[0] if len(ends) == 2 else 0.0
    if width > 0:
        place = max(place, math.floor(math.log10(width / STEPS)))
    places, most = max(-place, 0), most_decimals(finding["unit"], max(map(abs, (value, *ends))))
    while places < most and any(round(v - finding["limit"], places) == 0 != v - finding["limit"] for v in beside):
        places += 1
    return min(places, most) if ends else decimals([round(value, places)], min(places, most))


def limit_text(finding: Mapping[str, Any]) -> str:
    """The limit with its unit, as its owner writes it."""
    return f"{_limit(finding['limit'])}{_unit(finding)}"


def _limit(value: float) -> str:
    return real_minus(show_number(float(f"{value:.3g}") if abs(value) < 1000 else value))
