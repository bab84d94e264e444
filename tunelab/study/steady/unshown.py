"""The steady study's result where the logs hold too little for any fit: nothing shown, and what would show it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from tunelab.study.steady.levels import lean_at_load
from tunelab.study.steady.result import (
    DeadTimeError,
    LambdaError,
    MeterError,
    OverallConstant,
    PulsationMap,
    SteadyFit,
)
from tunelab.study.steady.samples import Samples
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

LEAST_BLOCKS, LEAST_HOLDS = 24, 6
LEAST_SPAN = 0.02  # of log air flow over all steady blocks: below it the meter stood still
NAN = float("nan")
WAY_OUT = (
    "What drive would show it: hold each engine speed and throttle still for at least 6 s, at six airflows or more, "
    "with lambda, meter, pulse width and engine speed logged and trusted; the list of flags says what was set aside."
)
BLOCK_COLUMNS = ("session", "hold", "start_s", "seconds", "samples", "reading", "load", "battery_v", "pulse_width_ms")
FITTED_COLUMNS = ("fitted_pct", "residual_pct", "weight", "pulsation_pct")


def too_little(blocks: pd.DataFrame) -> str:
    """Say what steady driving is missing for a fit; empty where there is enough."""
    seconds, holds = float(blocks["seconds"].sum()), blocks["hold"].nunique()
    if len(blocks) >= LEAST_BLOCKS and holds >= LEAST_HOLDS:
        moved = float(np.ptp(blocks["log_air"])) > LEAST_SPAN
        return "" if moved else f"The meter gave one reading through all {holds} steady holds. Drive several airflows."
    many = f"{holds} hold{'s' if holds != 1 else ''}"
    found = f"only {len(blocks)} steady blocks ({seconds:.0f} s) in {many}" if len(blocks) else "no steady driving"
    return f"The log holds {found}; {LEAST_BLOCKS} blocks of about a second in {LEAST_HOLDS} holds are the least."


def nothing_shown(
    car: Car,
    revision: Revision,
    because: str,
    *,
    samples: Sequence[Samples] = (),
    blocks: pd.DataFrame | None = None,
    sessions: Sequence[str] = (),
) -> SteadyFit:
    """Give a result that shows nothing: every value NaN, every breakpoint and dead time unchanged, one reason.

    Parameters
    ----------
    car, revision
        The car, and the revision that the logs were compared with.
    because : str
        What is missing.
    samples, blocks, sessions
        What was found all the same, for the accounts.
    """
    return SteadyFit(
        reference=revision.name,
        sessions=tuple(dict.fromkeys(sessions)),
        confidence=0.95,
        method="No fit was made.",
        meter=_meter(car, revision, because),
        dead_time=_dead_time(revision, because),
        constant=OverallConstant(NAN, NAN, NAN, because),
        pulsation=_pulsation(because),
        before=LambdaError.not_shown(),
        predicted=LambdaError.not_shown(),
        banks=None,
        split_half=None,
        blocks=_blocks(blocks),
        notes=(WAY_OUT, *dict.fromkeys(note for own in samples for note in own.notes)),
        samples_used=0,
        samples_flagged=sum(own.flagged for own in samples),
        points=None,
        posterior=None,
        because=because,
        lean_at_load=lean_at_load(None if blocks is None else blocks.assign(y=NAN)),
    )


def _meter(car: Car, revision: Revision, because: str) -> MeterError:
    curve = revision.meter_curve
    reading, flow = np.asarray(curve.reading, dtype=float), np.asarray(curve.flow_kg_h, dtype=float)
    empty = np.full(reading.size, NAN)
    points = pd.DataFrame(
        {
            "reading": reading,
            "flow_in_force_kg_h": flow,
            "factor": NAN,
            "factor_lower": NAN,
            "factor_upper": NAN,
            "seconds": 0.0,
            "basis": "unchanged",
            "follow": 0.0,
        }
    )
    return MeterError(
        car.meter.channel, reading, flow, empty, empty, empty, np.zeros(reading.size), points, because=because
    )


def _dead_time(revision: Revision, because: str) -> DeadTimeError:
    table = revision.dead_time
    rows = pd.DataFrame(
        {
            "battery_v": np.asarray(table.battery_v, dtype=float),
            "dead_time_in_force_ms": np.asarray(table.dead_time_ms, dtype=float),
            "change_ms": NAN,
            "change_lower_ms": NAN,
            "change_upper_ms": NAN,
            "basis": "unchanged",
        }
    )
    slope = "The level is not shown, so its change with voltage is not either."
    return DeadTimeError.not_shown(because, slope, rows)


def _pulsation(because: str) -> PulsationMap:
    one, cell = np.array([NAN]), np.array([[NAN]])
    return PulsationMap(one, one, cell, cell, cell, np.zeros((1, 1)), shown=False, because=because)


def _blocks(blocks: pd.DataFrame | None) -> pd.DataFrame:
    """The steady blocks that there are, with what was measured; what a fit would add is NaN."""
    if blocks is None or blocks.empty:
        measured = ("engine_speed_rpm", "air_flow_kg_h", "lambda_measured", "lambda_commanded", "error_pct")
        columns = [*BLOCK_COLUMNS, *measured, *FITTED_COLUMNS]
        return pd.DataFrame({name: np.zeros(0) for name in columns} | {"disturbed": np.zeros(0, dtype=bool)})
    return measured_blocks(blocks).assign(**dict.fromkeys(FITTED_COLUMNS, NAN), disturbed=False)


def measured_blocks(blocks: pd.DataFrame) -> pd.DataFrame:
    """Steady blocks with what was measured in each, before any fit."""
    return blocks[list(BLOCK_COLUMNS)].assign(
        engine_speed_rpm=np.exp(blocks["log_speed"]),
        air_flow_kg_h=np.exp(blocks["log_air"]),
        lambda_measured=np.exp(blocks["log_lambda"]),
        lambda_commanded=blocks["lambda_commanded"],
        error_pct=100 * np.expm1(blocks["y"]),
    )
