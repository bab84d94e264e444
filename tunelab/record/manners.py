"""What road manners and launches say in the summary."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import add_air_flow, fresh_readings, refer_back
from tunelab.log.load import load_flagged
from tunelab.record.chapter import Chapter, Section, Verdict
from tunelab.record.display import real_minus
from tunelab.record.opened import OpenedSession
from tunelab.record.shown import begin_large, small
from tunelab.record.to_enter import entry_rows, entry_table, join, parts_revision, standing_of_parts, tables_csv
from tunelab.study.consistency import check_consistency, stops
from tunelab.study.explore_events import overlay
from tunelab.study.finding import Finding
from tunelab.study.fuel_cut_log import FuelCutStudy
from tunelab.study.heat import HeatStudy
from tunelab.study.idle import ALWAYS, OVERLAP_CAUTION, Hunting, IdleStudy, Spectrum, spectrum
from tunelab.study.idle.events import idle_blocks, load_cost
from tunelab.study.idle_tables import propose_idle
from tunelab.study.launch import CUT_CAUTION, HEAT_CAUTION, LaunchStudy, effects_table
from tunelab.study.launch.result import QUANTITIES
from tunelab.study.road import RoadDrive
from tunelab.study.statistics import DriverContrast
from tunelab.study.table_proposal import TableProposal, nothing_proposed
from tunelab.study.tip_in_fuel import propose_cut, propose_tip_in_fuel
from tunelab.study.transient import TransientStudy, proposal_sentence
from tunelab.study.trims import ONLY_ONCE, WRONG_AT_IDLE, TrimStudy, change_sentence, compare_trims, study_trims


@dataclass(frozen=True)
class Manners:
    """All road studies of one session."""

    drive: RoadDrive
    idle: IdleStudy
    cut: FuelCutStudy
    trims: TrimStudy
    transient: TransientStudy
    heat: HeatStudy
    tables: tuple[TableProposal, ...] = ()  # what to enter for idle, tip-ins and fuel cut
    load: Finding | None = None  # what electrical loads cost the idle


def road_tables(
    log: xr.Dataset, opened: OpenedSession, idle: IdleStudy, cut: FuelCutStudy, transient: TransientStudy
) -> tuple[TableProposal, ...]:
    """What a road drive asks to be entered: idle, tip-ins, fuel cut; each with the reason where nothing is.

    Nothing is proposed from a log that a consistency check stops.
    """
    car, revision = opened.car, opened.revision
    found = (*propose_idle(log, car, revision, idle, cut), propose_tip_in_fuel(transient, car, revision),
             propose_cut(cut, car, revision))  # fmt: skip
    stopped = stops(check_consistency([log], car, opened.workspace.revisions, revision.name))
    if not stopped:
        return found
    why = f"withheld. {stopped[0].title}: {stopped[0].because}"
    seen = [[finding for finding in one.found if "predicted" not in finding.id] for one in found]
    return tuple(nothing_proposed(one.key, one.title, revision, why, own) for one, own in zip(found, seen, strict=True))


def idle_load(log: xr.Dataset, opened: OpenedSession) -> Finding:
    """What electrical loads cost the idle in opening of its actuator."""
    return load_cost(idle_blocks(log, opened.car, opened.revision))


def tables_table(proposals: Sequence[TableProposal]) -> pd.DataFrame:
    """Every breakpoint that was looked at, as a person enters it, or why there is none; for the notebook."""
    shown = [pd.concat([entry_rows(one)[1]], keys=[one.title], names=["table"]) for one in proposals if len(one.table)]
    if not shown:
        rows = {"table": [one.title for one in proposals], "because": [one.because for one in proposals]}
        return pd.DataFrame(rows)
    return pd.concat(shown).reset_index("table").fillna({"evidence": 0})


@dataclass(frozen=True)
class OtherLogs:
    """Flagged logs of other sessions of the workspace, and those that could not be read."""

    logs: tuple[tuple[str, xr.Dataset], ...]  # session name and log, in the order driven
    inputs: tuple[dict, ...]
    left_out: pd.DataFrame  # session, because


def other_logs(opened: OpenedSession, *, step: str, names: Sequence[str]) -> OtherLogs:
    """Read other sessions of the workspace to compare with.

    Parameters
    ----------
    opened : OpenedSession
    step : str
        Only sessions of this step, when no names are given.
    names : sequence of str
        Sessions to read; empty: every other one of the step.

    Raises
    ------
    KeyError
        A name that the workspace does not have.
    """
    sessions = opened.workspace.sessions
    for name in names:
        if name not in sessions:
            raise KeyError(f"{name!r} is not a session of this workspace; there are: {', '.join(sorted(sessions))}.")
    chosen = list(names) or [name for name, s in sorted(sessions.items()) if step in s.session.steps]
    logs, inputs, left_out = [], [], []
    for name in chosen:
        if name == opened.name:
            continue
        try:
            log = load_flagged(opened.workspace, name)
        except (ValueError, OSError) as error:
            left_out.append((name, str(error)))
            continue
        logs.append((name, log))
        inputs += _inputs(name, log)
    return OtherLogs(tuple(logs), tuple(inputs), pd.DataFrame(left_out, columns=["session", "because"]))


def _inputs(name: str, log: xr.Dataset) -> list[dict]:
    keys = ("sha256", "rows_in", "rows_kept", "rows_set_aside")
    files = json.loads(log.attrs["files"])
    return [{"path": f"{name}/{file['path']}"} | {key: file[key] for key in keys} for file in files]


def earlier_trims(opened: OpenedSession, others: OtherLogs) -> list[TrimStudy]:
    """Trims of the sessions driven before this one, in the order driven."""
    sessions = opened.workspace.sessions
    day = opened.folder.session.date
    before = [(n, log) for n, log in others.logs if (sessions[n].session.date, n) < (day, opened.name)]
    before.sort(key=lambda pair: (sessions[pair[0]].session.date, pair[0]))
    return [
        study_trims(log, opened.car, opened.workspace.revisions[sessions[name].session.revision])
        for name, log in before
    ]


def trim_changes(trims: TrimStudy, earlier: Sequence[TrimStudy]) -> tuple[str, pd.DataFrame]:
    """Say what became of the long-term trims since the last session that shows any, with the cells."""
    shown = [study for study in earlier if study.shown]
    if not trims.shown or not shown:
        why = trims.because or "no earlier session of this workspace shows trims in closed loop."
        return f"Whether trims changed by themselves between sessions is not shown: {why}", compare_trims(
            trims, trims
        ).iloc[:0]
    return change_sentence(shown[-1], trims), compare_trims(shown[-1], trims)


def manners_chapter(
    opened: OpenedSession, manners: Manners, *, earlier: Sequence[TrimStudy] = (), others: OtherLogs | None = None
) -> Chapter:
    """Put the road studies into a chapter of the record."""
    car, drive = opened.car, manners.drive
    findings = [
        *manners.idle.findings(car), *manners.cut.findings(car), *manners.trims.findings(car),
        *manners.transient.findings(car), *manners.heat.findings(car),
    ]  # fmt: skip
    findings += [finding for one in manners.tables for finding in one.findings()]
    findings += [manners.load] if manners.load is not None else []
    sentence, _ = trim_changes(manners.trims, earlier)
    proposal = parts_revision(opened, manners.tables)
    told = _changed(manners)
    standing = standing_of_parts(opened, proposal) if proposal is not None or told else ""
    tables = {
        "road_segments": drive.segments,
        "idle": manners.idle.stretches,
        "fuel_cuts": manners.cut.cuts,
        "returns_to_idle": manners.cut.returns,
        "excursions": manners.transient.excursions,
    }
    tables |= {"trims": manners.trims.cells} if manners.trims.shown else {}
    tables |= {"acceleration_fuel": manners.transient.fuel} if len(manners.transient.fuel) else {}
    tables |= tables_csv(manners.tables)
    return Chapter(
        notebook="road_manners",
        findings=tuple(findings),
        tables=tables,
        driven=Section((_driven(drive),)),
        change=Section(
            (*((standing,) if standing else ()), *_changes(manners, sentence)),
            tuple(table for one in manners.tables for table in entry_table(one)),
            short=f"{standing} {told}" if standing and told else told,
        ),
        proposal=proposal,
        cannot_show=_not_driven(drive),
        cautions=Section((OVERLAP_CAUTION if car.engine.long_overlap_cam else ALWAYS,)),
        inputs=others.inputs if others else (),
    )


def _driven(drive: RoadDrive) -> str:
    counts = drive.segments["kind"].value_counts(sort=False)
    return "Parts of the drive: " + ", ".join(f"{count} × {kind}" for kind, count in counts.items()) + "."


def _not_driven(drive: RoadDrive) -> Section:
    """Parts of a drive that the log does not hold, each with the reason."""
    sentences = tuple(f"{begin_large(kind)}: {why}." for kind, why in drive.missing.items())
    return Section(sentences, short=f"These parts of a drive: {', '.join(drive.missing)}." if sentences else "")


def _changes(manners: Manners, trims: str) -> tuple[str, ...]:
    fuel = manners.transient.fuel
    told = [proposal_sentence(row) for _, row in fuel.iterrows()]
    if not told:
        film = manners.transient.film
        why = manners.transient.because or (film.because if film else "no film was fitted")
        told = [f"Acceleration fuelling: nothing is proposed; {why.rstrip('.')}."]
    silent = [one for one in manners.tables if one.is_unstated and not one.because.startswith("withheld")]
    silent = silent if len(silent) > 1 else []
    entered = [_unstated(silent)] if silent else []
    entered += [sentence for one in manners.tables if one not in silent for sentence in one.sentences()]
    return (*entered, *told, trims, *((ONLY_ONCE, WRONG_AT_IDLE) if manners.trims.shown else ()))


def _unstated(silent: Sequence[TableProposal]) -> str:
    """One sentence on all tables that the revision does not state: nothing can be proposed in their breakpoints."""
    titles = join([small(one.title) for one in silent])
    keys = ", ".join(f"[{one.key}]" for one in silent)
    return f"Nothing to enter for {titles}: {silent[0].base.name} states none of {keys}."


def _changed(manners: Manners) -> str | None:
    """What is to be entered, in short; None where nothing is, which others may say."""
    entered = [one.title for one in manners.tables if one.changes]
    head = [f"Enter {join(entered)} from proposal.toml."] if entered else []
    if any(one.key == "acceleration_fuel" for one in manners.tables if one.changes):
        return head[0]
    asked = [row for _, row in manners.transient.fuel.iterrows() if not _holds_zero(row)]
    regions = [
        f"{row['region']} {abs(row['missing_mg']):.0f} mg {'more' if row['missing_mg'] > 0 else 'less'}"
        for row in asked
    ]
    head += [f"Acceleration fuelling: {'; '.join(regions)}; go half of the way."] if asked else []
    return " ".join(head) or None


def _holds_zero(row: pd.Series) -> bool:
    """Whether the fuel missing may be none, or is not known."""
    return not (row["missing_lower_mg"] > 0 or row["missing_upper_mg"] < 0)


def launch_overlay(logs: Sequence[tuple[str, xr.Dataset]], study: LaunchStudy) -> pd.DataFrame:
    """Rows of every launch around its release, with `driver`; `logs` are session name and log, this session first."""
    channels = ("engine_speed_rpm", "road_speed_km_h", "gps_speed_km_h", "throttle_pct", "lambda_measured")
    parts, count = [], 0
    for name, log in logs:
        own = [launch for launch in study.launches if launch.session == name]
        if own:
            rows = overlay(log, [launch.release_s for launch in own], channels, span=(-2.0, 6.0))
            parts.append(rows.assign(event=rows["event"] + count, driver=own[0].driver))
            count += len(own)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["event", "driver", *channels])


def launch_verdict(study: LaunchStudy) -> str:
    """Whether drivers differ, then how close together this session's launches lie; empty where neither is known."""
    times = [launch.time_to_distance_s for launch in study.own if np.isfinite(launch.time_to_distance_s)]
    where = f"to {study.distance_m:g} m"
    told = []
    pairs = [c for c in study.contrasts if c.quantity == QUANTITIES[0][1]]
    if pairs:
        told.append(_who_is_slower(max(pairs, key=lambda c: abs(c.difference)), study, where))
    if len(times) > 1:
        told.append(f"The {len(times)} launches of this session lie within {max(times) - min(times):.2f} s {where}.")
    return " ".join(told)


def _who_is_slower(pair: DriverContrast, study: LaunchStudy, where: str) -> str:
    clear = [c.quantity for c in study.contrasts if c.lower > 0.0 or c.upper < 0.0]
    if pair.quantity in clear:
        slow, fast = (pair.first, pair.second) if pair.difference > 0 else (pair.second, pair.first)
        low, high = sorted((abs(pair.lower), abs(pair.upper)))
        text = f"{slow} is {abs(pair.difference):.2f} s slower {where} than {fast} ({low:.2f} to {high:.2f})"
    else:
        ends = f"{pair.difference:+.2f} s ({pair.lower:+.2f} to {pair.upper:+.2f})"
        text = f"{pair.first} and {pair.second} are not shown to differ {where}: {real_minus(ends)}"
    others = list(dict.fromkeys(name for name in clear if name != pair.quantity))
    also = f"they differ in {join(others)} too" if others else "no other difference is shown"
    return f"{text}; {also}."


def effects_shown(study: LaunchStudy) -> pd.DataFrame:
    """Scatter of repeats and between drivers for a reader, with the chance of such a difference by luck alone."""
    names = {
        "within": "spread of repeats", "within_lower": "repeats, lower", "within_upper": "repeats, upper",
        "between": "spread between drivers", "between_lower": "drivers, lower", "between_upper": "drivers, upper",
        "p": "chance if drivers were alike [%]",
    }  # fmt: skip
    table = effects_table(study.effects)
    if table.empty:
        return table
    shown = table.assign(p=100 * table["p"])
    return shown[list(names)].rename(columns=names)


def launch_chapter(opened: OpenedSession, study: LaunchStudy, others: OtherLogs) -> Chapter:
    """Put the launches into a chapter of the record."""
    table = study.table()
    sentences = [c.sentence for c in study.contrasts]
    own = list(study.own)
    driven = f"{len(own)} launch{'es' if len(own) != 1 else ''}." if own else study.because
    spark = any(launch.spark_retard_share > 0.1 for launch in own)
    cut = any(launch.fuel_cut_share > 0.05 for launch in own)
    cautions = [HEAT_CAUTION] * spark + [CUT_CAUTION] * cut
    missing = [] if study.contrasts else ["How drivers differ: two drivers with two launches each are wanted."]
    if own and not any(np.isfinite(launch.slip_peak_pct) for launch in own):
        missing.append(f"Wheel slip. {own[0].slip_source}.")
    tables = {"launches": table} if len(table) else {}
    tables |= {"driver_effects": effects_table(study.effects).reset_index()} if study.effects else {}
    return Chapter(
        notebook="launch",
        verdict=Verdict(launch_verdict(study)),
        findings=tuple(study.findings(opened.car)),
        tables=tables,
        driven=Section((driven,)),
        change=Section(tuple(sentences), short=None),  # a difference between drivers asks for no change
        cannot_show=Section(tuple(missing)),
        cautions=Section(tuple(cautions)),
        inputs=others.inputs,
    )


def worst_idle(log: xr.Dataset, idle: IdleStudy) -> tuple[Spectrum | None, Hunting | None]:
    """Spectrum of the stretch of idle with the largest swing, or of the one that would show the smallest."""
    worst = idle.worst_hunting
    if worst is None:
        return None, None
    time, speed = fresh_readings(log, "engine_speed_rpm")
    own = (time >= worst.start_s) & (time <= worst.start_s + worst.seconds)
    return spectrum(time[own], speed[own]), worst


def tip_in_overlay(log: xr.Dataset, opened: OpenedSession, study: TransientStudy) -> pd.DataFrame:
    """Rows around every tip-in that stands alone, with lambda referred back to the moment of fuelling."""
    channels = ("throttle_pct", "lambda_at_fuelling", "enrichment_pct")
    delay = study.delay
    if not study.shown or delay is None:
        return overlay(log, [], channels, span=(-1.0, 2.5))
    referred = refer_back(
        add_air_flow(log, opened.car, opened.revision),
        delay_s=delay.delay_s,
        delay_flow_s_kg_h=delay.delay_flow_s_kg_h,
        lag_s=delay.lag_s,
    )
    return overlay(referred, study.of_kind("tip-in")["at_s"], channels, span=(-1.0, 2.5))


def fold_in_table(trims: TrimStudy) -> pd.DataFrame:
    """The breakpoints at which folding trims into the curve would change it, for a reader."""
    names = [
        "reading",
        "current [kg/h]",
        "factor",
        "factor, lower",
        "factor, upper",
        "folded in [kg/h]",
        "evidence [s]",
    ]
    if trims.fold_in.empty:
        return pd.DataFrame(columns=names)
    measured = trims.fold_in[trims.fold_in["basis"] == "measured"].drop(columns="basis")
    return measured.set_axis(names, axis=1)


def launch_table(study: LaunchStudy) -> pd.DataFrame:
    """One row per launch, what a reader wants to compare."""
    columns = {
        "session": "session", "number": "launch", "driver": "driver", "release_s": "released [s]",
        "held_rpm": "held [rpm]", "held_spread_rpm": "spread [rpm]", "held_drift_rpm_s": "drift [rpm/s]",
        "engaged": "hold engaged", "let_go_s": "hold let go after moving [s]", "bog_rpm": "bog [rpm]",
        "recovery_s": "recovery [s]", "slip_peak_pct": "largest slip over 0.2 s [%]", "time_to_distance_s": "time [s]",
        "time_lower_s": "lower", "time_upper_s": "upper", "fuel_cut_share": "fuel cut in hold [%]",
        "spark_retard_share": "spark retarded in hold [%]",
    }  # fmt: skip
    table = study.table()[list(columns)]
    shares = ["fuel_cut_share", "spark_retard_share"]
    table = table.assign(**{name: (100 * table[name].astype(float)).round() for name in shares}).rename(columns=columns)
    words = {True: "yes", False: "no", None: "not shown"}
    return table.assign(**{"hold engaged": [words[value] for value in table["hold engaged"]]})
