"""The steady study of a car without an air meter: how far each cell of its table is off, and the dead time with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from tunelab.log.flag import trusted
from tunelab.log.load import add_table_air, inlet_of
from tunelab.physics.load import absolute_load
from tunelab.study.filling.model import NAMES, Holds, Solved, extra_of, holds_of, solve_cells
from tunelab.study.filling.result import (
    NAN,
    Draws,
    FillingFit,
    Visited,
    blocks_of,
    cells_of,
    dead_time_of,
    hidden_of,
    predict_error,
    shift_draws,
)
from tunelab.study.steady.blocks import Delay, calm_blocks
from tunelab.study.steady.findings import LEVEL_LIMIT_PCT
from tunelab.study.steady.fit import stated_delay
from tunelab.study.steady.levels import bank_difference, lean_at_load
from tunelab.study.steady.model import DEAD_TIME_SD_MS
from tunelab.study.steady.posterior import LEAST_VOLTS, SHOWN_WITHIN_MS, SLOPE_WITHIN_MS_V, UNKNOWN_DEAD_TIME_MS
from tunelab.study.steady.result import DeadTimeError, LambdaError, Levels, LevelShift, OverallConstant
from tunelab.study.steady.samples import NothingToFit, Samples, log_air_fuelled, refer
from tunelab.study.steady.unshown import too_little
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision, charge_of, load_channel, surface_of, table_air_kg_h

METHOD = (
    "Joint fit of the table's cells, by the ECU's own interpolation, with dead time, charge temperature, drift and an "
    "error of each hold: smooth and narrow error with sizes by marginal likelihood, heavy-tailed noise"
)


FREE = {"broad": 0.5, "speed_scale": 0.25, "load_scale": 0.2, "narrow": 0.02}  # a table that may bend as it likes


SIZES_UNKNOWN = 1.2  # by which every cell's spread grows, as the sizes are estimates themselves: by the bench


LEAST_FALL_HOLDS = 16  # of a session, to be cut into halves


DRAWS = 400


# Of the share of a smooth surface's bend between the cells that shows: whatever the drive says of it over all, one
# place bends otherwise than the next. Common practice, no source.
SCALLOP_SD = 0.5


METERS = ("meter_v", "meter_hz", "meter_counts")


def fit_filling(
    logs: Sequence[xr.Dataset], car: Car, revisions: Mapping[str, Revision], reference: str, *,
    delay: Delay | None = None, rng: np.random.Generator | None = None,
) -> FillingFit:  # fmt: skip
    """Fit the error of every cell of the table to the steady driving of one or several sessions.

    Parameters
    ----------
    logs : sequence of Dataset
        Flagged logs; each names its session and its revision in its attributes.
    car : Car
        A car whose ECU takes the air from a table.
    revisions : mapping of str to Revision
        All revisions that the logs were driven with, and the reference.
    reference : str
        Name of the revision that the errors are given against.
    delay : Delay, optional
        Transport delay and lag of lambda; without it, what the car states.
    rng : Generator, optional
        For the draws behind the intervals; without it a fixed one.

    Returns
    -------
    FillingFit
        One that shows nothing, with the reason in `because`, where a channel is missing, the car is described wrongly
        for what its log holds, or steady driving is too little.

    Raises
    ------
    ValueError
        No logs, or one that was not flagged.
    KeyError
        A revision that is not among `revisions`.
    """
    base, sessions = revisions[reference], tuple(str(log.attrs.get("session", "")) for log in logs)
    if not logs:
        raise ValueError("no logs were given: the study needs at least one.")
    try:
        _require_a_table(car, base, logs)
        own = [revisions[str(log.attrs.get("revision") or reference)] for log in logs]
        referred = [_refer(log, car, driven, base) for log, driven in zip(logs, own, strict=True)]
    except NothingToFit as problem:
        return _nothing(car, base, str(problem), sessions)
    samples = [one for one, _ in referred]
    blocks = _pool(referred, car, delay or stated_delay(car), base)
    if because := too_little(blocks):
        return _nothing(car, base, because, sessions, samples, blocks)
    with threadpool_limits(limits=1):
        return _fit(blocks, samples, car, base, np.random.default_rng(1) if rng is None else rng)


def _require_a_table(car: Car, base: Revision, logs: Sequence[xr.Dataset]) -> None:
    """Raise NothingToFit where car, revision and log do not go together."""
    if car.load_from == "blended":
        raise NothingToFit(
            "The ECU mixes air meter and table, and no log shows by how much of each, so the two cannot "
            "be separated. Set the ECU to one of the two for a drive, and say so as load_from in car.toml."
        )
    if not load_channel(car) or base.volumetric_efficiency is None:
        raise NothingToFit(f'{base.name} holds no table of volumetric efficiency (load_from = "{car.load_from}").')
    for log in logs:
        meter = next((name for name in METERS if name in log), None)
        if meter:
            raise NothingToFit(
                f"The log of {log.attrs.get('session', 'the session')} holds {meter}, the reading of an air meter, and "
                f'car.toml says load_from = "{car.load_from}". If the ECU goes by the meter, say load_from = '
                '"air_meter" (or "blended") there and add [meter]; if nothing is fitted there, leave the column out '
                "in channels.toml."
            )


def _refer(log: xr.Dataset, car: Car, own: Revision, base: Revision) -> tuple[Samples, pd.DataFrame]:
    """Samples referred to the base revision's table, and the charge temperature's pull by time."""
    try:
        inlet, told = inlet_of(log, car)
    except ValueError as problem:
        raise NothingToFit(str(problem)) from problem
    if "pulse_width_ms" not in log:
        raise NothingToFit("pulse_width_ms is not in the log: without the pulse width no fuel is known. Log it.")
    driven = add_table_air(log.drop_vars(["air_flow_kg_h", "air_flow_kg_h_flag"], errors="ignore"), car, own)
    samples = refer(driven, car, own, base)
    now = table_air_kg_h(car, base, inlet)
    change = np.log(now) - samples.log_air
    name = load_channel(car)
    good = trusted(log, name, "engine_speed_rpm", allow=("transient", "missing")).to_numpy()
    samples = replace(
        samples, reading=np.asarray(inlet.load, dtype=float), log_air=np.log(now),
        log_ratio=samples.log_ratio - change, fuel_trusted=samples.fuel_trusted & good & np.isfinite(now),
        notes=(*samples.notes, *told),
    )  # fmt: skip
    charge_k = convert(charge_of(car, inlet, np.nan_to_num(now)), "degC", "K")
    pull = (np.asarray(inlet.coolant_c) - np.asarray(inlet.intake_air_c)) / charge_k
    return samples, pd.DataFrame({"time": samples.time, "pull": -np.nan_to_num(pull)})


def _pool(referred: Sequence[tuple[Samples, pd.DataFrame]], car: Car, delay: Delay, base: Revision) -> pd.DataFrame:
    """Steady blocks of all logs, holds numbered through, with the charge temperature's pull."""
    tables, holds = [], 0
    for samples, charge in referred:
        table = calm_blocks(samples, delay)
        table["hold"] += holds
        commanded = table["lambda_commanded"].where(table["lambda_commanded"] > 0)
        table["driven"] = table["log_lambda"] - np.log(commanded) if samples.revision == base.name else NAN
        table["charge_pull"] = np.interp(table["start_s"] + table["seconds"] / 2, charge["time"], charge["pull"])
        holds += table["hold"].nunique()
        tables.append(table)
    pooled = pd.concat(tables, ignore_index=True)
    share = absolute_load(
        np.exp(pooled["log_air"]), np.exp(pooled["log_speed"]), displacement_l=car.engine.displacement_l
    )
    commanded = pooled["lambda_commanded"].where(pooled["lambda_commanded"] > 0.3, 1.0)
    per_ms = log_air_fuelled(np.ones(len(pooled)), np.exp(pooled["log_speed"]), car, base) + pooled["log_pressure"]
    meant = pooled["log_air"] - np.log(commanded) - per_ms
    return pooled.assign(load=convert(share, "percent", "1"), log_meant=meant)


def _fit(
    blocks: pd.DataFrame, samples: Sequence[Samples], car: Car, base: Revision, rng: np.random.Generator
) -> FillingFit:
    table, surface = base.air_table, surface_of(base.air_table)
    reference_v = float(blocks["battery_v"].mean())
    holds = holds_of(blocks, surface, table.values, reference_v)
    first = solve_cells(holds, _dead_sd((False, True)))
    shown = _shown(holds, first)
    dead_sd = _dead_sd(shown)
    solved = first if shown == (False, True) else solve_cells(holds, dead_sd)
    levels = _levels(holds, solved, dead_sd)
    solved = _widened(solved, levels)
    draws = _draws(solved, shown, reference_v, rng)
    visited = _visited(blocks, holds, solved)
    unknown_ms = 0.0 if shown[0] else UNKNOWN_DEAD_TIME_MS
    entered = draws.cell + shift_draws(visited, draws, base)
    cells = cells_of(solved, table.load_key, surface, hidden_of(solved, unknown_ms), entered)
    before = predict_error(visited, draws, car, base)
    whole = np.where(cells["basis"] == "unchanged", 0.0, entered[0])
    return FillingFit(
        reference=base.name,
        sessions=tuple(dict.fromkeys(one.session for one in samples)),
        confidence=0.95,
        method=METHOD,
        load_channel=table.load_key,
        cells=cells,
        key=table.key,
        dead_time=dead_time_of(solved, shown, base, reference_v),
        constant=_constant(solved),
        before=before,
        predicted=predict_error(visited, draws, car, base, change=whole),
        banks=bank_difference(blocks, car),
        levels=levels,
        lean_at_load=lean_at_load(blocks),
        blocks=blocks_of(blocks, table.load_key, holds, solved),
        notes=tuple(dict.fromkeys(note for one in samples for note in one.notes)),
        samples_used=int(blocks["samples"].sum()),
        samples_flagged=sum(one.flagged for one in samples),
        visited=visited,
        draws=draws,
        covariance=solved.covariance[: solved.cell.size, : solved.cell.size],
        prior=solved.sizes,
    )


def _dead_sd(shown: tuple[bool, bool]) -> np.ndarray:
    """Prior spread of the dead-time error's coefficients; zero for what is not shown. What it is off changes with the
    voltage even where its level cannot be separated from the table."""
    return np.array(DEAD_TIME_SD_MS) * np.array([shown[0], shown[1], shown[1]])


def _shown(holds: Holds, solved: Solved) -> tuple[bool, bool]:
    """Whether level and change with voltage of the dead-time error is shown beside a table that may bend freely."""
    sizes = solved.sizes.copy()
    names = list(FREE)
    sizes[: len(names)] = np.log(list(FREE.values()))
    free = solve_cells(holds, 4 * _dead_sd((True, True)), sizes=sizes)
    spread = np.sqrt(np.diag(free.covariance)[-3:])
    low, high = np.quantile(holds.blocks["battery_v"], [0.01, 0.99])
    level = bool(spread[0] <= SHOWN_WITHIN_MS)
    return level, bool(high - low >= LEAST_VOLTS and spread[1] <= SLOPE_WITHIN_MS_V)


def _levels(holds: Holds, solved: Solved, dead_sd: np.ndarray) -> Levels:
    """Second half of each session against its first, and each session against the mean of all."""
    blocks, told, parts = holds.blocks, [], []
    for name, own in blocks.groupby("session", sort=False):
        here, many = (blocks["session"] == name).to_numpy(), own["hold"].nunique() >= LEAST_FALL_HOLDS
        middle = own["start_s"].median()
        for half in (False, True) if many else (None,):
            inside = here if half is None else here & ((blocks["start_s"] >= middle) == half).to_numpy()
            parts.append(holds.share @ inside)
            told.append(str(name))
    columns, names = np.column_stack(parts), np.array(told)
    if columns.shape[1] < 2:
        return Levels((), (), None, 0.0, 0.0)
    quiet = replace(solved, sizes=np.append(solved.sizes[:-2], np.log([1e-5, 1e-5])))  # drift and session stand aside
    level, covariance = extra_of(holds, quiet, dead_sd, columns)
    own = {name: np.flatnonzero(names == name) for name in dict.fromkeys(names)}

    def shift(session: str, contrast: np.ndarray) -> LevelShift:
        value, spread = float(contrast @ level), float(np.sqrt(contrast @ covariance @ contrast))
        return LevelShift(session, *(float(100 * np.expm1(value + k * spread)) for k in (0.0, -1.96, 1.96)))

    unit = np.eye(len(names))
    means = {name: unit[at].mean(axis=0) for name, at in own.items()}
    halves = [shift(name, unit[at[1]] - unit[at[0]]) for name, at in own.items() if len(at) == 2]
    over_all = np.mean(list(means.values()), axis=0)
    several = len(own) > 1
    pairs = [shift(f"{a} less {b}", means[a] - means[b]) for a in means for b in means if a != b]
    values = [float(mean @ level) for mean in means.values()]
    return Levels(
        tuple(halves),
        tuple(shift(name, mean - over_all) for name, mean in means.items()) if several else (),
        max(pairs, key=lambda pair: pair.shift_pct, default=None),
        max((abs(half.shift_pct) for half in halves), default=0.0),
        100 * float(np.ptp(values)),
    )


def _widened(solved: Solved, levels: Levels) -> Solved:
    """Let the interval of every cell reach both levels, where lambda moved from half to half or session to session."""
    halves = max((abs(half.shift_pct) for half in levels.halves), default=0.0)
    doubt = max(halves if halves > LEVEL_LIMIT_PCT else halves / 2, levels.between_pct) / 2 / 100
    covariance, count = solved.covariance.copy(), solved.cell.size
    covariance[:count, :count] = SIZES_UNKNOWN**2 * covariance[:count, :count] + doubt**2
    covariance[:count, count:] *= SIZES_UNKNOWN
    covariance[count:, :count] *= SIZES_UNKNOWN
    return replace(solved, covariance=covariance)


def _draws(solved: Solved, shown: tuple[bool, bool], reference_v: float, rng: np.random.Generator) -> Draws:
    cell, dead = solved.draws(rng, DRAWS)
    unknown = np.zeros(DRAWS) if shown[0] else np.append(0.0, rng.normal(0, UNKNOWN_DEAD_TIME_MS, DRAWS - 1))
    share = np.append(solved.scallop, solved.scallop + rng.normal(0, SCALLOP_SD, DRAWS - 1))
    return Draws(cell, dead, unknown, share, solved.rough, reference_v)


def _visited(blocks: pd.DataFrame, holds: Holds, solved: Solved) -> Visited:
    own = np.exp(2 * solved.sizes[NAMES.index("hold")]) * holds.unrest
    odd = (holds.target - solved.fitted) * own / (own + holds.noise)
    hold = blocks["hold"].to_numpy()
    return Visited(
        engine_speed_rpm=np.exp(blocks["log_speed"].to_numpy()),
        load=blocks["reading"].to_numpy(),
        absolute_load=blocks["load"].to_numpy(),
        battery_v=blocks["battery_v"].to_numpy(),
        log_open=blocks["log_open"].to_numpy(),
        log_meant=blocks["log_meant"].to_numpy(),
        hold=hold,
        seconds=blocks["seconds"].to_numpy(),
        unexplained=odd[hold],
    )


def _constant(solved: Solved) -> OverallConstant:
    mean, sd = solved.constant
    factor, lower, upper = (float(np.exp(mean + k * sd)) for k in (0.0, -1.96, 1.96))
    return OverallConstant(
        factor,
        lower,
        upper,
        "No log can separate injector flow, the size of the whole table, the lambda sensor's gain and the fuel's "
        "stoichiometric ratio: they act as one factor, which is inside the cells' own.",
    )


def _nothing(
    car: Car, base: Revision, because: str, sessions: Sequence[str], samples: Sequence[Samples] = (),
    blocks: pd.DataFrame | None = None,
) -> FillingFit:  # fmt: skip
    """A result that shows nothing: every cell and dead time unchanged, one reason."""
    table = base.volumetric_efficiency
    load_key = table.load_key if table else load_channel(car) or "manifold_kpa"
    speed, load = surface_of(table).cells.T if table else (np.zeros(0), np.zeros(0))
    cells = pd.DataFrame({
        "engine_speed_rpm": speed, load_key: load, "in_force": table.values.ravel() if table else np.zeros(0),
        "factor": NAN, "factor_lower": NAN, "factor_upper": NAN, "seconds": 0.0, "holds": 0, "basis": "unchanged",
    })  # fmt: skip
    battery = np.asarray(base.dead_time.battery_v, dtype=float)
    rows = pd.DataFrame({
        "battery_v": battery, "dead_time_in_force_ms": np.asarray(base.dead_time.dead_time_ms, dtype=float),
        "change_ms": NAN, "change_lower_ms": NAN, "change_upper_ms": NAN, "basis": "unchanged",
    })  # fmt: skip
    empty = LambdaError.not_shown()
    columns = ["session", "hold", "start_s", "seconds", "samples", "engine_speed_rpm", load_key, "absolute_load",
               "battery_v", "pulse_width_ms", "air_flow_kg_h", "lambda_measured", "lambda_commanded", "error_pct",
               "fitted_pct", "residual_pct", "weight"]  # fmt: skip
    driven = None if blocks is None or blocks.empty else blocks
    bare = pd.DataFrame({c: np.zeros(0) for c in columns})
    return FillingFit(
        reference=base.name, sessions=tuple(dict.fromkeys(sessions)), confidence=0.95, method="No fit was made.",
        load_channel=load_key, cells=cells, key=table.key if table else "efficiency_pct",
        dead_time=DeadTimeError.not_shown(because, because, rows),
        constant=OverallConstant(NAN, NAN, NAN, because), before=empty, predicted=empty, banks=None, levels=None,
        lean_at_load=lean_at_load(None if driven is None else driven.assign(y=NAN)),
        blocks=bare if driven is None else blocks_of(driven, load_key, None, None),
        notes=tuple(dict.fromkeys(note for one in samples for note in one.notes)), samples_used=0,
        samples_flagged=sum(one.flagged for one in samples), because=because,
    )  # fmt: skip
