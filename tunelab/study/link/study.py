"""The link over one or more sessions: rates by state, and whether a change of the wiring helped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
import scipy

from tunelab.log.segment import CRANKING
from tunelab.study.link.account import LinkAccount, Stretch
from tunelab.study.link.rate import (
    Chance,
    Rate,
    RateRatio,
    Settling,
    chance_of,
    minutes_to_settle,
    rate_of,
    rate_ratio,
    stricter,
)
from tunelab.study.statistics import LogRank, SurvivalCurve, compare_survival, survival_curve

UNNAMED = "wiring not named"
Verdict = Literal["helped", "made it worse", "not shown yet"]
NOT_YET = "Not shown yet whether the new wiring helped:"
DRAWS = 2000
BUNCHED = 1.3  # from here it is worth a sentence
LEAST_FREEDOM = 4  # windows that count at least, or one short drive would settle nothing ever
ROUGH_TAIL = 0.025  # at which Student's t and the normal distribution are compared
WINDOW_S = 300.0  # drop-outs that come in bunches do so within minutes; common practice, no source


@dataclass(frozen=True)
class WiringChange:
    """Whether the link drops out less since a change of the wiring."""

    before: str
    after: str
    ratio: RateRatio  # after over before, state by state
    log_rank: LogRank  # of the stretches between drop-outs
    verdict: Verdict
    settling: Settling  # how much more driving would show it
    because: str  # a plain sentence


@dataclass(frozen=True)
class Wiring:
    """All that was driven with one wiring."""

    name: str
    sessions: tuple[str, ...]
    rate: Rate  # over all states
    first: SurvivalCurve  # time to the first drop-out of each session
    every: SurvivalCurve  # time from each connecting to the next drop-out
    p_alike: float  # chance that its sessions differ as much as they do if one rate holds; NaN with fewer than two


@dataclass(frozen=True)
class LinkStudy:
    """What the logs say about the link."""

    accounts: tuple[LinkAccount, ...]  # in the order driven
    here: LinkAccount  # the session that was asked about
    rate: Rate  # of the session that was asked about, over all states
    by_state: pd.DataFrame  # of its wiring; see `rates_by_state`
    per_start: Chance  # drop-outs while cranking, per start of the engine, of its wiring
    wirings: tuple[Wiring, ...]  # in the order in which they were first driven
    change: WiringChange | None  # against the wiring before; None where there is none
    confidence: float
    samples_used: int
    samples_flagged: int


def study_link(
    accounts: Sequence[LinkAccount], *, factor: float, power: float, confidence: float, rng: np.random.Generator
) -> LinkStudy:
    """Put the accounts of sessions together; the last one is the session that is asked about.

    Parameters
    ----------
    accounts : sequence of LinkAccount
        In the order driven, one car's.
    factor : float
        Improvement worth finding, such as 3 for a third of the rate.
    power : float
        Chance with which it should be found.
    confidence : float
        Of all intervals.
    rng : Generator
        For the check whether sessions of one wiring are alike.

    Raises
    ------
    ValueError
        No account.
    """
    if not accounts:
        raise ValueError("study_link: no session was given; at least the one that is asked about is wanted.")
    here = accounts[-1]
    named: dict[str, list[LinkAccount]] = {}
    for account in accounts:
        named.setdefault(account.wiring or UNNAMED, []).append(account)
    wirings = tuple(_wiring(name, own, confidence, rng) for name, own in named.items())
    own = named[here.wiring or UNNAMED]
    by_state = rates_by_state(own, confidence=confidence)
    cranking = int(by_state.set_index("state")["drop_outs"].get(CRANKING, 0))
    before = _wiring_before(named, here)
    change = None if before is None else compare_wirings(before, own, factor=factor, power=power, confidence=confidence)
    return LinkStudy(
        accounts=tuple(accounts),
        here=here,
        rate=rate_of(len(here.drop_outs), here.seconds, confidence=confidence, dispersion=dispersion_of([[here]])),
        by_state=by_state,
        per_start=chance_of(cranking, max(cranking, sum(account.starts for account in own)), confidence=confidence),
        wirings=wirings,
        change=change,
        confidence=confidence,
        samples_used=sum(account.samples_used for account in accounts),
        samples_flagged=sum(account.samples_flagged for account in accounts),
    )


def _wiring_before(named: dict[str, list[LinkAccount]], here: LinkAccount) -> list[LinkAccount] | None:
    """Sessions of the wiring that was driven last before this one was."""
    if not here.wiring:
        return None
    names = [name for name in named if name != UNNAMED]
    position = names.index(here.wiring)
    return named[names[position - 1]] if position else None


def rates_by_state(accounts: Sequence[LinkAccount], *, confidence: float) -> pd.DataFrame:
    """Rate of drop-outs in each state of the engine that was driven.

    Returns
    -------
    DataFrame
        state, seconds, drop_outs, per_h with lower_per_h and upper_per_h (Garwood); times_others with times_lower,
        times_upper and p_value: the rate over that of all other states, the interval widened for as many looks as
        there are states (Bonferroni).
    """
    total = _exposure(accounts)
    driven = total[(total["seconds"] > 0) | (total["drop_outs"] > 0)]
    looks, bunched = max(1, len(driven)), dispersion_of([accounts])
    rows = []
    for row in driven.itertuples():
        rate = rate_of(row.drop_outs, row.seconds, confidence=confidence, dispersion=bunched)
        rest = (int(total["drop_outs"].sum() - row.drop_outs), float(total["seconds"].sum() - row.seconds))
        pair = ([(rest[0], row.drop_outs)], [(rest[1], row.seconds)])
        times = rate_ratio(*pair, confidence=1 - (1 - confidence) / looks, dispersion=bunched)
        ends = (rate.per_h, rate.lower_per_h, rate.upper_per_h, times.ratio, times.lower, times.upper)
        rows.append((row.state, row.seconds, row.drop_outs, *ends, min(1.0, looks * times.p_value)))
    columns = ["state", "seconds", "drop_outs", "per_h", "lower_per_h", "upper_per_h"]
    return pd.DataFrame(rows, columns=[*columns, "times_others", "times_lower", "times_upper", "p_value"])


def dispersion_of(sides: Sequence[Sequence[LinkAccount]]) -> float:
    """Variance of the counts of drop-outs over that of lone ones, at least 1; each side has a rate of its own.

    Counts are those of windows of WINDOW_S of logged time; Pearson's statistic over its degrees of freedom. So few
    windows tell it roughly only: what is beyond 1 is enlarged as Student's t asks beyond the normal distribution.
    """
    misfit, freedom = 0.0, 0
    for accounts in sides:
        counts, seconds = (np.concatenate(part) for part in zip(*map(_windows, accounts), strict=True))
        if counts.sum() > 0 and counts.size > 1:
            expected = counts.sum() * seconds / seconds.sum()
            misfit += float(np.sum((counts - expected) ** 2 / expected))
            freedom += counts.size - 1
    if not misfit > freedom:
        return 1.0
    roughly = scipy.stats.t.isf(ROUGH_TAIL, max(freedom, LEAST_FREEDOM)) / scipy.stats.norm.isf(ROUGH_TAIL)
    return float(1.0 + (misfit / freedom - 1.0) * roughly**2)


def _windows(account: LinkAccount) -> tuple[np.ndarray, np.ndarray]:
    """Drop-outs and logged seconds in windows of about WINDOW_S of a session, shapes (windows,)."""
    length = np.array([stretch.seconds for stretch in account.stretches])
    dropped = np.array([stretch.dropped for stretch in account.stretches], dtype=bool)
    total = float(length.sum())
    count = max(1, round(total / WINDOW_S))
    at = np.cumsum(length)[dropped]
    edges = np.linspace(0.0, total, count + 1)
    counts = np.histogram(at, np.append(edges[:-1], np.inf))[0] if total > 0 else np.zeros(0)
    return counts, np.diff(edges) if total > 0 else np.zeros(0)


def _exposure(accounts: Sequence[LinkAccount]) -> pd.DataFrame:
    table = pd.concat([account.exposure for account in accounts])
    return table.groupby("state", sort=False, as_index=False)[["seconds", "drop_outs"]].sum()


def _wiring(name: str, own: list[LinkAccount], confidence: float, rng: np.random.Generator) -> Wiring:
    stretches = [stretch for account in own for stretch in account.stretches]
    first = [stretch for account in own for stretch in _until_first(account)]
    rate = rate_of(
        sum(len(account.drop_outs) for account in own),
        sum(account.seconds for account in own),
        confidence=confidence,
        dispersion=dispersion_of([own]),
    )
    return Wiring(
        name=name,
        sessions=tuple(account.session for account in own),
        rate=rate,
        first=survival_curve(*lengths(first), label=name, confidence=confidence),
        every=survival_curve(*lengths(stretches), label=name, confidence=confidence),
        p_alike=_p_alike(own, rng),
    )


def _until_first(account: LinkAccount) -> list[Stretch]:
    """The time of a session up to its first drop-out, over breaks that were none; empty without logged time."""
    seconds = 0.0
    for stretch in account.stretches:
        seconds += stretch.seconds
        if stretch.dropped:
            break
    return [replace(account.stretches[0], seconds=seconds, dropped=stretch.dropped)] if account.stretches else []


def lengths(stretches: Sequence[Stretch]) -> tuple[np.ndarray, np.ndarray]:
    """Lengths [s] of stretches and whether a drop-out ended each, shape (stretches,)."""
    return np.array([s.seconds for s in stretches]), np.array([s.dropped for s in stretches], dtype=bool)


def _p_alike(accounts: list[LinkAccount], rng: np.random.Generator) -> float:
    """Chance that the sessions' counts scatter as widely as they do, given their exposures and one common rate."""
    counts = np.array([len(account.drop_outs) for account in accounts])
    seconds = np.array([account.seconds for account in accounts])
    counts, seconds = counts[seconds > 0], seconds[seconds > 0]
    if counts.size < 2 or counts.sum() < 2:
        return float("nan")
    expected = counts.sum() * seconds / seconds.sum()
    draws = rng.multinomial(counts.sum(), seconds / seconds.sum(), size=DRAWS)
    scatter = ((draws - expected) ** 2 / expected).sum(axis=1)
    seen = ((counts - expected) ** 2 / expected).sum()
    return float((1 + np.count_nonzero(scatter >= seen - 1e-9)) / (1 + DRAWS))


def compare_wirings(
    before: Sequence[LinkAccount], after: Sequence[LinkAccount], *, factor: float, power: float, confidence: float
) -> WiringChange:
    """Say whether the link drops out less with the wiring of `after`, like with like by the engine's state."""
    old, new = _exposure(before), _exposure(after)
    both = old.merge(new, on="state", suffixes=("_old", "_new"))
    bunched = dispersion_of([before, after])
    ratio = rate_ratio(
        list(zip(both["drop_outs_old"], both["drop_outs_new"], strict=True)),
        list(zip(both["seconds_old"], both["seconds_new"], strict=True)),
        confidence=confidence,
        dispersion=bunched,
    )
    settling = minutes_to_settle(
        (ratio.events_first, ratio.seconds_first),
        (ratio.events_second, ratio.seconds_second),
        factor=factor,
        power=power,
        confidence=stricter(confidence, bunched),
    )
    verdict: Verdict = "helped" if ratio.upper < 1 else "made it worse" if ratio.lower > 1 else "not shown yet"
    rank = compare_survival(*[lengths([s for a in own for s in a.stretches]) for own in (before, after)])
    names = (before[0].wiring or UNNAMED, after[0].wiring or UNNAMED)
    return WiringChange(*names, ratio, rank, verdict, settling, _in_words(verdict, ratio, settling) + _bunches(bunched))


def _in_words(verdict: Verdict, ratio: RateRatio, settling: Settling) -> str:
    seen = (
        f"{ratio.events_first} drop-outs in {ratio.seconds_first / 60:.0f} min before, {ratio.events_second} in "
        f"{ratio.seconds_second / 60:.0f} min since"
    )
    if verdict != "not shown yet":
        word = "It helped" if verdict == "helped" else "It made it worse"
        return (
            f"{word}: {seen}. The rate is {_times(ratio.lower)} to {_times(ratio.upper)} times what it was "
            f"({100 * ratio.confidence:.0f} % interval); by chance alone such a difference comes "
            f"{_often(ratio.p_value)}."
        )
    if np.isfinite(settling.minutes):
        more = (
            f"If it cut the rate to 1/{settling.factor:g}, about {settling.minutes:.0f} more minutes of driving like "
            f"this would show it with a chance of {100 * settling.power:.0f} %, {settling.because}."
        )
    else:
        more = f"{settling.because[:1].upper()}{settling.because[1:]}."
        if np.isfinite(settling.minutes_each):
            more += (
                f" Driven anew, about {settling.minutes_each:.0f} min with either wiring would show a rate cut to "
                f"1/{settling.factor:g} with a chance of {100 * settling.power:.0f} %."
            )
    return f"{NOT_YET} {seen}. {more}"


def _bunches(dispersion: float) -> str:
    if dispersion < BUNCHED:
        return ""
    return f" Drop-outs come in bunches (counts vary {dispersion:.1f} times as much as lone ones would): allowed for."


def _times(value: float) -> str:
    return "any number of" if not np.isfinite(value) else f"{value:.2g}"


def _often(p_value: float) -> str:
    return "in fewer than 1 of 1000 cases" if p_value < 0.001 else f"in {100 * p_value:.2g} of 100 cases"
