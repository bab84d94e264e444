"""Mixture against temperature: the error while warming up and when hot, and what the meter could do to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import at_rows, has
from tunelab.log.flag import trusted
from tunelab.study.ecu_law import metered_air_kg_h
from tunelab.study.finding import (
    NAN,
    Estimate,
    Finding,
    Question,
    blocks,
    echo_of,
    estimate_table,
    judge,
    mean_estimate,
    nothing,
    shows_its_table,
)
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

BLOCK_S = 4.0
LEAST_BLOCKS = 12
COOLANT_STEP_C, INTAKE_STEP_C = 10.0, 5.0
LEAST_SPAN_C = 8.0  # a temperature that moved by less says nothing
INSEPARABLE = 0.9  # correlation of the two temperatures
NO_METER = (
    "this car has no air meter: what follows a temperature here is the charge temperature that its ECU goes by "
    "([charge] in car.toml), or the injectors"
)
# What a hot-film meter's own temperature error comes to at most; common practice, no source.
METER_PCT_PER_C = 0.05


@shows_its_table
@dataclass(frozen=True)
class HeatStudy:
    """Lambda error with trims at zero (lean positive, in per cent) against coolant and intake temperature."""

    shown: bool
    because: str
    by_coolant: (
        pd.DataFrame
    )  # coolant_from_c, coolant_to_c, error_pct, lower_pct, upper_pct, trim_pct, lambda_pct, seconds
    by_intake: pd.DataFrame  # likewise, warm engine only
    blocks: pd.DataFrame  # start_s, coolant_c, intake_air_c, air_flow_kg_h, error_pct
    per_coolant_c: Estimate  # % per °C, intake temperature and airflow held
    per_intake_c: Estimate  # % per °C, coolant and airflow held
    explained: dict[str, float]  # share of the error's variance: "intake alone", "coolant alone", "either", "neither"
    meter_could: Estimate  # share of the error's spread over intake temperature that the meter's temperature could make
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per value: value, lower, upper, unit."""
        parts = {
            "error per °C of coolant": self.per_coolant_c,
            "error per °C of intake air": self.per_intake_c,
            "share the meter's temperature could explain": self.meter_could,
        }
        return estimate_table(parts, "samples")

    def findings(self, car: Car) -> list[Finding]:
        """Say how the mixture goes with temperature."""
        coolant = Question("heat.per_coolant", "Lambda error per °C of coolant")
        intake = Question("heat.per_intake", "Lambda error per °C of intake air")
        meter = Question("heat.meter", "Share of the error that the meter's temperature could explain, at most")
        return [
            judge(coolant, self.per_coolant_c, self.because or self.per_coolant_c.method + "."),
            judge(intake, self.per_intake_c, self.because or self.per_intake_c.method + "."),
            judge(meter, self.meter_could, self.because or f"{self.meter_could.method}.{self._shares()}"),
        ]

    def _shares(self) -> str:
        """What of the error's variance goes with which temperature, as a sentence; empty where neither moved."""
        if not self.explained or self.explained["neither"] >= 1.0:
            return ""
        parts = ", ".join(f"{100.0 * share:.0f} % goes with {name}" for name, share in self.explained.items())
        return f" Of the variance that airflow leaves, {parts}."


def study_heat(log: xr.Dataset, car: Car, revision: Revision) -> HeatStudy:
    """Study one flagged log; steady rows only, cold ones included. The lambda error has the trims taken out of it."""
    needed = [name for name in ("lambda_measured", "coolant_c") if not has(log, name)]
    if needed:
        return _nothing(log, f"the log has no {in_words(*needed)}.")
    rows = _rows(log, car, revision)
    table = _block_means(rows)
    if len(table) < LEAST_BLOCKS:
        return _nothing(log, f"{len(table)} steady stretches of {BLOCK_S:g} s are too few ({LEAST_BLOCKS} are wanted).")
    warm = table[~(table["coolant_c"] < car.limits.coolant_min_c)]
    coolant, intake, explained = _regress(table)
    return HeatStudy(
        shown=True,
        because="",
        by_coolant=_binned(table, "coolant_c", COOLANT_STEP_C),
        by_intake=_binned(warm, "intake_air_c", INTAKE_STEP_C),
        blocks=table,
        per_coolant_c=coolant,
        per_intake_c=intake,
        explained=explained,
        meter_could=_meter_could(intake, table) if car.has_meter else nothing("1", NO_METER),
        samples_used=len(rows),
        samples_flagged=log.sizes["time"] - len(rows),
    )


def _nothing(log: xr.Dataset, why: str) -> HeatStudy:
    empty = [nothing(unit, why, flagged=log.sizes["time"]) for unit in ("% per °C", "% per °C", "1")]
    none = pd.DataFrame()
    return HeatStudy(False, why, none, none, none, empty[0], empty[1], {}, empty[2], 0, log.sizes["time"])


def _rows(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    count = log.sizes["time"]

    def channel(name: str, stand_in: float) -> np.ndarray:
        return at_rows(log, name) if has(log, name) else np.full(count, stand_in)

    lambda_pct = 100.0 * np.log(at_rows(log, "lambda_measured") / channel("lambda_commanded", 1.0))
    trim = channel("trim_short_pct", 0.0) + channel("trim_long_pct", 0.0)
    table = pd.DataFrame(
        {
            "time": log["time"].values,
            "coolant_c": channel("coolant_c", NAN),
            "intake_air_c": channel("intake_air_c", NAN),
            "air_flow_kg_h": metered_air_kg_h(log, car, revision),
            "lambda_pct": lambda_pct,
            "trim_pct": trim,
            "error_pct": lambda_pct + 100.0 * np.log1p(np.clip(trim, -80.0, None) / 100.0),
        }
    )
    slow = table[["coolant_c", "intake_air_c"]].interpolate(limit_direction="both")
    table[["coolant_c", "intake_air_c"]] = slow
    good = trusted(log, "lambda_measured", allow=("cold",)).values & np.isfinite(table["error_pct"].to_numpy())
    return table[good].reset_index(drop=True)


def _block_means(rows: pd.DataFrame) -> pd.DataFrame:
    parts = blocks(rows["time"].to_numpy(), BLOCK_S) if len(rows) > 2 else []
    means = [rows.iloc[part].mean() for part in parts]
    table = pd.DataFrame(means) if means else rows.iloc[:0]
    return table.rename(columns={"time": "start_s"}).reset_index(drop=True)


def _binned(table: pd.DataFrame, by: str, width: float) -> pd.DataFrame:
    stem = by.removesuffix("_c")
    rows = []
    known = table[np.isfinite(table[by])]
    bins = list(known.groupby(np.floor(known[by] / width) * width))
    echo = echo_of([part["error_pct"].to_numpy() for _, part in bins])
    for low, part in bins:
        mean = mean_estimate(part["error_pct"], "%", used=len(part), flagged=0, what="blocks", echo=echo)
        values = (mean.value, mean.lower, mean.upper, part["trim_pct"].mean(), part["lambda_pct"].mean())
        rows.append((low, low + width, *values, len(part) * BLOCK_S))
    names = [
        f"{stem}_from_c",
        f"{stem}_to_c",
        "error_pct",
        "lower_pct",
        "upper_pct",
        "trim_pct",
        "lambda_pct",
        "seconds",
    ]
    return pd.DataFrame(rows, columns=names)


def _regress(table: pd.DataFrame) -> tuple[Estimate, Estimate, dict[str, float]]:
    """Slopes over both temperatures with airflow held, and who explains what of the variance."""
    error = table["error_pct"].to_numpy()
    air = np.log(np.maximum(table["air_flow_kg_h"].to_numpy(), 1.0))
    base = np.column_stack([np.ones(error.size), air - air.mean(), (air - air.mean()) ** 2])
    base = base if np.isfinite(base).all() else base[:, :1]
    temperatures = {name: table[name].to_numpy() for name in ("coolant_c", "intake_air_c")}
    moved = {n: v for n, v in temperatures.items() if np.isfinite(v).all() and np.ptp(v) >= LEAST_SPAN_C}
    slopes = {name: _slope(error, base, moved, name) for name in temperatures}
    return slopes["coolant_c"], slopes["intake_air_c"], _shares(error, base, moved)


def _slope(error: np.ndarray, base: np.ndarray, moved: dict[str, np.ndarray], name: str) -> Estimate:
    label = name.removesuffix("_c").replace("_", " ")
    if name not in moved:
        return nothing("% per °C", f"{label} temperature is not logged or moved by less than {LEAST_SPAN_C:g} °C")
    if len(moved) == 2:
        together = float(np.corrcoef(list(moved.values()))[0, 1])
        if abs(together) > INSEPARABLE:
            why = (
                f"coolant and intake air moved together (correlation {together:.2f}): their effects cannot be separated"
            )
            return nothing("% per °C", why)
    columns = np.column_stack([base, *moved.values()])
    position = base.shape[1] + list(moved).index(name)
    inverse = np.linalg.pinv(columns.T @ columns)
    best = inverse @ columns.T @ error
    left = error - columns @ best
    echo = echo_of([left])
    freedom = max(left.size - columns.shape[1], 1)
    widen = np.sqrt((1.0 + echo) / (1.0 - echo))  # neighbouring blocks lean on one another
    error_of = float(np.sqrt(np.sum(left**2) / freedom * inverse[position, position])) * widen
    reach = float(scipy.special.stdtrit(freedom, 0.975)) * error_of
    value = float(best[position])
    text = f"straight line over {left.size} steady blocks, airflow and the other temperature held constant"
    return Estimate(value, value - reach, value + reach, "% per °C", left.size, 0, text)


def _shares(error: np.ndarray, base: np.ndarray, moved: dict[str, np.ndarray]) -> dict[str, float]:
    """Shares of the variance that airflow leaves: each temperature alone, either of them, neither."""
    total = _left(error, base)
    both = total - _left(error, np.column_stack([base, *moved.values()]))
    alone = {}
    for name in ("intake_air_c", "coolant_c"):
        others = [v for other, v in moved.items() if other != name]
        without = total - _left(error, np.column_stack([base, *others]))
        alone[name] = max(both - without, 0.0) / total if total > 0 and name in moved else 0.0
    share = both / total if total > 0 else 0.0
    either = max(share - sum(alone.values()), 0.0)
    return {
        "intake alone": alone["intake_air_c"],
        "coolant alone": alone["coolant_c"],
        "either": either,
        "neither": max(1.0 - share, 0.0),
    }


def _left(error: np.ndarray, columns: np.ndarray) -> float:
    return float(np.sum((error - columns @ np.linalg.lstsq(columns, error, rcond=None)[0]) ** 2))


def _meter_could(intake: Estimate, table: pd.DataFrame) -> Estimate:
    """Most of the slope over intake temperature that a hot film's own temperature error could make."""
    if not intake.shown:
        return nothing("1", intake.method)
    ends = sorted(min(METER_PCT_PER_C / max(abs(v), 1e-9), 1.0) for v in (intake.lower, intake.upper))
    if intake.lower <= 0.0 <= intake.upper:
        ends[1] = 1.0
    value = min(METER_PCT_PER_C / max(abs(intake.value), 1e-9), 1.0)
    span = float(np.ptp(table["intake_air_c"]))
    text = (
        f"intake air moved by {span:.0f} °C; a hot film's own error is taken as {METER_PCT_PER_C:g} % per °C at "
        f"most, that is {METER_PCT_PER_C * span:.1f} % of lambda here (common practice, no source)"
    )
    return Estimate(value, min(ends[0], value), max(ends[1], value), "1", intake.samples_used, 0, text)
