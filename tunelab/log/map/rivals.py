"""Columns that claim one channel: found to be one reading written twice, or left to the owner to choose."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tunelab.log.flag_channel import resolution
from tunelab.log.map.candidates import Match
from tunelab.log.map.convert import Converted
from tunelab.log.map.recognise import LEFT_OUT, find_rivals, same_values
from tunelab.log.map.text import rule_lines, toml_text
from tunelab.units import convert

_ALIKE = 0.98  # of the rows, for two columns to hold one reading
_PRESENT = 0.9  # of the rows in which either has a reading, in which both must have one
_HALF_STEP = 0.55  # of a column's resolution: rounding moves a reading by half of it
_ATMOSPHERE_KPA = (55.0, 108.0)
_LEAST_SPREAD = 8.0  # tolerances: with a narrower spread any factor would fit
_SMOOTHED = re.compile(r"(?i)(?<![a-z])(avg|average|filtered|filt|smoothed|mean)(?![a-z])")


def settle_rivals(
    matches: Sequence[Match], converted: Mapping[str, Converted]
) -> tuple[list[Match], dict[str, Match], dict[str, str]]:
    """Give each channel one column.

    Columns with the same readings do not rival each other, nor do those that differ by the rounding of what is
    written. A lambda goes before an AFR that is a fixed number of times as much, an absolute pressure before one above
    atmosphere that runs beside it, and a reading before its own average.

    Returns
    -------
    tuple
        The matches, those left out without a form and with the reason; the one column of each channel; what only the
        owner can settle, by channel: none of its columns is taken.
    """
    problems: dict[str, str] = {}
    better: dict[str, Match] = {}
    left_out: dict[str, str] = {}
    for channel, claimed in find_rivals(list(matches)).items():
        known = [match for match in claimed if match.column.key in converted]
        values = {match.column.key: converted[match.column.key].values for match in known}
        if not known or all(same_values(values[known[0].column.key], other) for other in values.values()):
            continue
        best = min(known, key=lambda match: _order(match, values[match.column.key]))
        whys = {m.column.key: _why_out(m, best, values) for m in known if m is not best}
        if all(whys.values()):
            better[channel] = best
            left_out |= {key: why for key, why in whys.items() if why}
        else:
            problems[channel] = _describe(channel, claimed)
            names = " and ".join(repr(match.column.heading) for match in claimed)
            left_out |= {m.column.key: f"{LEFT_OUT}: {names} both claim {channel} and differ" for m in claimed}
    matches = [_without(match, left_out) for match in matches]
    chosen: dict[str, Match] = {}
    for match in matches:
        if match.form is not None and match.column.key in converted:
            chosen.setdefault(match.form.channel, match)
    return matches, chosen | better, problems


def _without(match: Match, left_out: Mapping[str, str]) -> Match:
    why = left_out.get(match.column.key)
    return replace(match, forms=(), sure="none", why=why) if why else match


def _order(match: Match, values: np.ndarray) -> tuple[bool, bool, float, float]:
    """What speaks for a column, the best first: no assumption needed, no average, most readings, finest steps."""
    assumes = match.settled.kind in ("AFR", "gauge", "vacuum")
    return assumes, _is_smoothed(match), -round(float(np.isfinite(values).mean()), 2), resolution(values)


def _is_smoothed(match: Match) -> bool:
    return _SMOOTHED.search(match.column.heading) is not None


def _why_out(match: Match, best: Match, values: Mapping[str, np.ndarray]) -> str:
    """Say why a column is no rival of the best one; empty where it is one."""
    one, other = values[best.column.key], values[match.column.key]
    name = repr(best.column.heading)
    if _is_smoothed(match) and not _is_smoothed(best):
        return f"{name} is the reading itself, this its average"
    if match.settled.kind == "AFR" and best.settled.kind != "AFR" and _is_multiple(one, other, best.settled.channel):
        return f"{name} is the same as lambda, which needs no stoichiometric ratio"
    if _agree(one, other):
        return f"{best.settled.channel} has the same readings, but for rounding, in {name}"
    if match.settled.kind in ("gauge", "vacuum") and best.settled.kind not in ("gauge", "vacuum"):
        shift = np.nanmedian(other - one)
        return f"{name} is the same as an absolute pressure" if _agree(one, other - shift) else ""
    return ""


def _is_multiple(one: np.ndarray, other: np.ndarray, channel: str) -> bool:
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = float(np.nanmedian(other / one))
    varies = np.nanpercentile(one, 98) - np.nanpercentile(one, 2) > _LEAST_SPREAD * _tolerance(one, other)
    return (varies or channel == "lambda_commanded") and _agree(one, other / factor)


def _agree(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two columns hold the same readings but for the rounding of both."""
    either, both = np.isfinite(one) | np.isfinite(other), np.isfinite(one) & np.isfinite(other)
    if not both.any() or both.sum() < _PRESENT * either.sum():
        return False
    return float(np.mean(np.abs(one - other)[both] <= _tolerance(one, other))) >= _ALIKE


def _tolerance(one: np.ndarray, other: np.ndarray) -> float:
    return _HALF_STEP * (resolution(one) + resolution(other)) + 1e-9


def leave_out_gauge(matches: Sequence[Match], numbers: Mapping[str, np.ndarray]) -> list[Match]:
    """Leave out a manifold pressure above atmosphere where no atmosphere is known and an absolute one runs beside it.

    Parameters
    ----------
    matches : sequence
        All of the file's.
    numbers : mapping
        Key of a column -> its numbers as logged, shape (rows,).
    """
    manifold = [m for m in matches if m.form and m.form.channel == "manifold_kpa" and m.column.key in numbers]
    manifold = [match for match in manifold if match.rule is None]
    absolute = [match for match in manifold if match.settled.kind == "plain"]
    if len(absolute) != 1 or len(manifold) < 2:
        return list(matches)
    witness = _in_kpa(absolute[0], numbers)
    return [_without_gauge(match, numbers, absolute[0], witness) for match in matches]


def _without_gauge(match: Match, numbers: Mapping[str, np.ndarray], best: Match, witness: np.ndarray) -> Match:
    form = match.form
    if not form or form.channel != "manifold_kpa" or form.kind not in ("gauge", "vacuum") or match.rule:
        return match
    other = _in_kpa(match, numbers)
    other = -other if form.kind == "vacuum" else other
    shift = float(np.nanmedian(witness - other))
    if not _ATMOSPHERE_KPA[0] <= shift <= _ATMOSPHERE_KPA[1] or not _agree(witness, other + shift):
        return match
    why = f"{best.column.heading!r} is the same as an absolute pressure"
    return replace(match, forms=(), sure="none", why=why)


def _in_kpa(match: Match, numbers: Mapping[str, np.ndarray]) -> np.ndarray:
    return convert(numbers[match.column.key], match.settled.unit, "kPa")


def _describe(channel: str, claimed: Sequence[Match]) -> str:
    names = " and ".join(repr(match.column.heading) for match in claimed)
    if len({match.column.heading for match in claimed}) == 1:
        return (
            f"  {channel}: {len(claimed)} columns are all named {claimed[0].column.heading!r} and differ; give each "
            "its own name in the logger, or the file's names in channels.toml: [[file]] with name and headings."
        )
    return f"  {channel}: {names} both claim it and differ. Name the one to take:\n" + rule_lines(
        claimed[0].column.heading, channel=toml_text(channel)
    )
