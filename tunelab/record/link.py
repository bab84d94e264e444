"""What the link study says in the summary: when it breaks, what to look at, what would settle it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.record.beside import flagged_log
from tunelab.record.chapter import Chapter, Section, Verdict, as_data
from tunelab.record.evidence import Evidence, raw_inputs
from tunelab.record.opened import OpenedSession
from tunelab.record.shown import small
from tunelab.study.finding import counted
from tunelab.study.link import (
    CAUTIONS,
    Clue,
    LinkAccount,
    LinkStudy,
    NoiseTable,
    OrderNoise,
    Supply,
    account_link,
    link_findings,
    wiring_checks,
)
from tunelab.study.link.account import DropOut, Stretch, find_breaks
from tunelab.study.link.study import NOT_YET
from tunelab.workspace import SessionFolder

SHORTEST_S = 0.5  # of a drop-out, where nobody has asked for the link; the notebook's own parameter stands as high
BUNCHED = (
    "Drop-outs bunch: one loose pin gives several in a row. The intervals take each as if it came by itself, and "
    "if you check after every drive and stop at a good answer, chance will fool you more often than stated."
)
AGAIN = (
    "Mend the wiring in the order of the checks, write the new state into session.toml (wiring), and drive the same "
    "road again for as long: the two are then compared."
)


@dataclass(frozen=True)
class Accounts:
    """The links of all sessions up to one, and which could not be read."""

    accounts: tuple[LinkAccount, ...]  # in the order driven, the session that is asked about last
    left_out: pd.DataFrame  # session, because
    inputs: tuple[dict, ...] = ()  # raw files of the earlier sessions


def gather_accounts(opened: OpenedSession, evidence: Evidence, *, shortest_s: float) -> Accounts:
    """Draw up the account of this session's link and of the earlier sessions whose wiring is named.

    Parameters
    ----------
    opened, evidence
        The session that is asked about, and its flagged log.
    shortest_s : float
        What is shorter is a stutter, not a drop-out. [s]
    """
    accounts, left_out, inputs = [], [], []
    for folder in _earlier(opened):
        try:
            log = flagged_log(opened, folder.name)
            accounts.append(account_link(log, opened.car, folder.session, shortest_s=shortest_s))
            inputs += [item | {"path": f"{folder.name}/{item['path']}"} for item in raw_inputs(log)]
        except (ValueError, OSError) as error:
            left_out.append((folder.name, " ".join(str(error).split())))
    session = opened.folder.session
    accounts.append(account_link(evidence.log, opened.car, session, shortest_s=shortest_s))
    return Accounts(tuple(accounts), pd.DataFrame(left_out, columns=["session", "because"]), tuple(inputs))


def _earlier(opened: OpenedSession) -> list[SessionFolder]:
    """Sessions with a log and a named wiring that came before, in the order driven."""
    here = (opened.folder.session.date, opened.name)
    folders = sorted(opened.workspace.sessions.values(), key=lambda folder: (folder.session.date, folder.name))
    if not opened.folder.session.wiring.strip():
        return []
    return [f for f in folders if (f.session.date, f.name) < here and f.session.wiring.strip() and f.files]


def link_chapter(
    opened: OpenedSession,
    study: LinkStudy,
    signals: tuple[NoiseTable, Sequence[OrderNoise], Supply | None],
    *,
    gathered: Accounts,
    clues: Sequence[Clue],
    tolerable_per_h: float,
) -> Chapter:
    """Put the link study's result into a chapter of the record.

    Parameters
    ----------
    opened : OpenedSession
        The session.
    study : LinkStudy
        Drop-outs, rates, wirings.
    signals : tuple
        Noise by channel and state, noise in step with the engine, supply voltage (None where not logged).
    gathered : Accounts
        Where the study comes from.
    clues : sequence of Clue
        What the evidence points to.
    tolerable_per_h : float
        Drop-outs per hour that a drive can live with. [1/h]
    """
    noise, orders, supply = signals
    checks = wiring_checks(clues)
    broken = bool(study.here.drop_outs) or bool(clues)
    sheet = (("Wiring checks, in this order", _sheet(checks)),)
    return Chapter(
        notebook="link",
        verdict=Verdict(link_verdict(study)),
        findings=tuple(link_findings(study, orders, opened.car, tolerable_per_h=tolerable_per_h, supply=supply)),
        tables=_tables(study, noise, orders, checks, supply) | {"link_left_out": gathered.left_out},
        driven=Section((_driven(study),), (("Drop-outs", drop_out_table(study.here)),) if study.here.drop_outs else ()),
        change=Section((_look(clues),), sheet, _look_short(clues, checks)) if broken else Section(),
        cannot_show=Section(tuple(_cannot_show(study, orders, gathered))),
        drive_next=Section(_next(study)),
        cautions=Section(CAUTIONS if broken else ()),
        inputs=gathered.inputs,
    )


def unasked_link(opened: OpenedSession, evidence: Evidence, asked: Sequence[str]) -> list[dict]:
    """Say in the summary that the link dropped out in a log that nobody asked about it.

    The steps of session.toml choose the questions, so this names the way to ask; the link is not studied here.

    Parameters
    ----------
    asked : sequence of str
        Names of the notebooks that ran.

    Returns
    -------
    list of dict
        One chapter as plain data, or none: the link was asked about, or did not drop out.
    """
    if "link" in asked:
        return []
    breaks = find_breaks(evidence.log, opened.folder.session, shortest_s=SHORTEST_S)
    count = sum(item.is_drop_out for item in breaks)
    if not count:
        return []
    times = "once" if count == 1 else f"{count} times"
    sentence = (
        f'Why the link drops out: it did {times} in this log. Add "link" to the steps of session.toml and record '
        "again; the drive then also counts for its wiring."
    )
    return [as_data(Chapter("link", cannot_show=Section((sentence,))))]


def _driven(study: LinkStudy) -> str:
    here = study.here
    times = "once" if len(here.drop_outs) == 1 else f"{len(here.drop_outs)} times"
    text = f"The link was up for {here.seconds / 60:.1f} min and dropped out {times}"
    if here.stutters:
        text += f", besides {here.stutters} moments too short to count"
    return f"{text}." if not here.wiring else f"{text}, with the wiring '{here.wiring}'."


def _look(clues: Sequence[Clue]) -> str:
    if not clues:
        return "Nothing in the log points to one cause; the checks below start with what is most often at fault."
    return f"The log shows: {'; '.join(clue.sentence for clue in clues)}. Look at the wiring in the order below."


def _look_short(clues: Sequence[Clue], checks: pd.DataFrame) -> str:
    """Which checks of the wiring come first, and why."""
    first = ", ".join(small(str(name)) for name in checks["check"].head(3))
    if not clues:
        return f"Wiring: no single cause shows; check in this order: {first}."
    return f"Wiring: check first {first} ({clues[0].sentence})."


def _sheet(checks: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame({
        "no.": checks["number"].astype(str),
        "look at": checks["check"],
        "how": checks["how"],
        "what points to it": checks["evidence"].where(checks["evidence"] != "", "–"),
        "basis": checks["basis"],
    })  # fmt: skip


def _cannot_show(study: LinkStudy, orders: Sequence[OrderNoise], gathered: Accounts) -> list[str]:
    sentences = []
    unknown = sum("not known" in item.because for item in study.here.not_counted)
    if unknown:
        sentences.append(
            f"{_new_files(unknown)}; it cannot show whether a drop-out caused that, so none is counted. "
            'Say new_file = "drop-out" or "by hand" in session.toml.'
        )
    if study.here.ends_running:
        sentences.append(
            "Whether the log was stopped or broke off at its end: the engine was running. If it broke off, add a "
            "[[drop_out]] with that time to session.toml."
        )
    own = next(w for w in study.wirings if study.here.session in w.sessions)
    if own.p_alike < 1 - study.confidence:
        sentences.append(
            f"One rate for '{own.name}': its sessions differ more than chance allows, so something else than the "
            "wiring's name matters too, and the intervals are too narrow."
        )
    reasons = dict.fromkeys(item.because for item in orders if not item.was_tested)
    sentences += [f"Noise in step with the engine on every channel: {reason}." for reason in list(reasons)[:3]]
    sentences += [f"{row.session} is left out: {row.because}" for row in gathered.left_out.itertuples()]
    return [*sentences, BUNCHED]


def _new_files(count: int) -> str:
    return "The log starts a second file" if count == 1 else f"The log starts {count} more files"


def _next(study: LinkStudy) -> tuple[str, ...]:
    if study.change is None:
        return (AGAIN,) if study.here.drop_outs else ()
    if study.change.verdict != "not shown yet":
        return ()
    return (study.change.because,)


def change_sentences(study: LinkStudy) -> tuple[str, ...]:
    """Whether the change of the wiring helped, and what the times between drop-outs say to it."""
    change = study.change
    if change is None:
        return ("No other wiring was driven before, or it has no name in session.toml.",)
    rank = change.log_rank
    pure = f"{100 * rank.p_value:.2g} times in 100" if rank.p_value >= 0.001 else "less than once in 1000"
    text = (
        f"The times between drop-outs, whatever the engine did meanwhile, would by chance alone differ so much {pure} "
        f"({rank.method})."
    )
    if change.verdict == "not shown yet" and rank.p_value < 1 - change.ratio.confidence:
        text += " That hints at a difference; at like speeds and loads the rates do not show one yet."
    return (change.because, text)


def link_verdict(study: LinkStudy) -> str:
    """How often the link broke in this drive, then whether the change of the wiring helped; empty without one."""
    rate = study.rate
    if study.change is None or not rate.seconds:
        return ""
    ends = f"{rate.lower_per_h:.1f} to {rate.upper_per_h:.1f}"
    told = (
        f"{counted(rate.events, 'drop-outs')} in {rate.seconds / 60:.0f} min of this drive, {rate.per_h:.1f} per hour"
    )
    first = study.change.because.partition(". ")[0].removeprefix(f"{NOT_YET} ").rstrip(".")
    helped = (
        first if study.change.verdict != "not shown yet" else f"Whether the new wiring helped is not shown: {first}"
    )
    return f"{told} ({ends}). {helped}."


def drives_of(study: LinkStudy) -> str:
    """Which drives the rates by state are taken over, as a figure's title says it."""
    own = next((wiring for wiring in study.wirings if study.here.session in wiring.sessions), None)
    if own is None or not own.name:
        return ""
    count = len(own.sessions)
    return f"{'this drive' if count == 1 else f'all {count} drives'} with {own.name.partition(':')[0]}"


def drop_out_table(account: LinkAccount) -> pd.DataFrame:
    """Drop-outs for a reader: when, how long, what it looked like, what the engine did, supply voltage before."""
    rows = [
        {
            "at [s]": round(drop.start_s, 1),
            "lasted [s]": "not known" if not np.isfinite(drop.lasted_s) else f"{drop.lasted_s:.1f}",
            "seen as": drop.kind,
            "engine before": drop.state,
            "engine after": drop.state_after or "–",
            "battery before [V]": drop.battery_before_v,
            "note": drop.note or "–",
        }
        for drop in account.drop_outs
    ]
    columns = ["at [s]", "lasted [s]", "seen as", "engine before", "engine after", "battery before [V]", "note"]
    return pd.DataFrame(rows, columns=columns)


def wiring_table(study: LinkStudy) -> pd.DataFrame:
    """What was driven with each wiring: sessions, minutes, drop-outs, rate with interval, median time to one."""
    rows = [
        {
            "wiring": wiring.name,
            "sessions": len(wiring.sessions),
            "minutes": round(wiring.rate.seconds / 60, 1),
            "drop_outs": wiring.rate.events,
            "per_h": wiring.rate.per_h,
            "lower_per_h": wiring.rate.lower_per_h,
            "upper_per_h": wiring.rate.upper_per_h,
            "median_to_first_s": wiring.first.median_s,
            "median_to_next_s": wiring.every.median_s,
            "chance_sessions_alike": wiring.p_alike,
        }
        for wiring in study.wirings
    ]
    return pd.DataFrame(rows)


def in_step_table(orders: Sequence[OrderNoise]) -> pd.DataFrame:
    """Noise in step with the engine: channel, source, amplitude with interval, chance, or why it was not tested."""
    columns = ["channel", "source", "order", "amplitude", "lower", "upper", "p_value", "windows", "because"]
    return pd.DataFrame([{name: getattr(item, name) for name in columns} for item in orders], columns=columns)


def _tables(
    study: LinkStudy, noise: NoiseTable, orders: Sequence[OrderNoise], checks: pd.DataFrame, supply: Supply | None
) -> dict[str, pd.DataFrame]:
    drops = pd.DataFrame(
        [vars(drop) for account in study.accounts for drop in account.drop_outs],
        columns=[field.name for field in dataclasses.fields(DropOut)],
    )
    stretches = pd.DataFrame(
        [vars(stretch) for account in study.accounts for stretch in account.stretches],
        columns=[field.name for field in dataclasses.fields(Stretch)],
    )
    tables = {"link_drop_outs": drops, "link_rates": study.by_state, "link_stretches": stretches}
    tables |= {"link_wirings": wiring_table(study), "noise": noise.table, "noise_in_step": in_step_table(orders)}
    return tables | {"wiring_checks": checks} | ({} if supply is None else {"supply_voltage": supply.table})
