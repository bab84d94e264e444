"""The meter's curve at high flow: pulls extend what the steady study found, with weights of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.log.align import rolling, row_step_s, rows_in
from tunelab.study.finding import Finding, status_within
from tunelab.study.full_throttle.mixture import ERROR_OF_A_PULL, Mixture
from tunelab.study.steady import SteadyFit
from tunelab.study.steady.samples import NothingToFit, refer
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

CONFIDENCE, NORMAL_95 = 0.95, 1.959964
# Standard deviations of log factor. Common practice, no source.
ERROR_OF_PULLS = 0.007  # what all pulls share and more of them do not take away
# What intake pulsation adds where a pull begins, the engine turning slowly at full load. A little higher it is gone.
ERROR_OF_PULSATION, PULSATION_LENGTH = 0.015, 0.15  # the length is of log flow
UNKNOWN_DEAD_TIME_MS = 0.10  # where the steady study could not show it
CURVE_SPREAD, CURVE_LENGTH = 0.06, 0.35  # how much a curve's error changes over how much log flow
BIN = 0.06  # of log flow
LEAST_READINGS = 4
OVERLAP = 0.10  # of log flow below the top of the steady evidence: there pulls and steady driving are compared
AT_RAIL_SHARE = 0.05
AGREE_PCT = 3.0  # what pulls and steady driving may differ by and still agree; common practice, no source
NO_EVIDENCE = "no pull has enough usable lambda readings near or above the top of the steady driving."
COLUMNS = ["reading", "flow_in_force_kg_h", "factor", "factor_lower", "factor_upper", "flow_proposed_kg_h", "basis"]


@dataclass(frozen=True)
class HighFlow:
    """The meter's error beyond the range of the steady drive.

    `points` are the breakpoints of the revision: basis `steady` (left to the steady study and its own factor), `pulls`
    (extended here), `rail` (at the meter's stop: nothing was measured there) or `unchanged`.
    """

    shown: bool
    because: str
    channel: str
    bins: pd.DataFrame  # reading, flow_in_force_kg_h, factor, readings, pulls: what the pulls say by themselves
    curve: pd.DataFrame  # reading, flow_in_force_kg_h, factor, lower, upper: both together
    points: pd.DataFrame  # COLUMNS
    steady_to: float  # highest reading of the steady evidence
    pulls_to: float  # highest reading that pulls reached below the rail
    disagreement_pct: float  # pulls less steady where both measured
    disagreement_interval: tuple[float, float]
    rail: str  # names a meter at its stop; empty otherwise
    capped: tuple[str, ...]
    samples_used: int
    samples_flagged: int
    tolerance_pct: float = float("nan")  # lambda error that the owner takes
    confidence: float = CONFIDENCE
    method: str = (
        "lambda of judged readings and the fuel of their pulses give the air; Gaussian process over log flow, steady "
        "evidence and pulls each with their own error, pulls with one shared by each pull and one by all"
    )

    def findings(self) -> list[Finding]:
        """Whether pulls and the steady drive agree where both measured, and a meter at its rail."""
        counts = (self.samples_used, self.samples_flagged)
        title = "Meter at high flow: pulls against the steady drive"
        if not self.shown or not np.isfinite(self.disagreement_pct):
            because = self.because or "pulls and the steady drive share no reading of the meter."
            return [
                Finding("high_flow.agreement", title, None, "%", None, None, None, *counts, "not_shown", None, because)
            ]
        low, high = self.disagreement_interval
        status = status_within(self.disagreement_pct, low, high, least=-AGREE_PCT, most=AGREE_PCT)
        text = (
            f"pulls reach {self.pulls_to:.4g}, steady driving {self.steady_to:.4g} {channel(self.channel).shown_unit}."
        )
        text = f"{text} {self.rail}" if self.rail else text
        numbers = (self.disagreement_pct, "%", low, high, self.confidence)
        return [Finding("high_flow.agreement", title, *numbers, *counts, status, AGREE_PCT, text)]


def extend_curve(log: xr.Dataset, car: Car, revision: Revision, mixture: Mixture, steady: SteadyFit) -> HighFlow:
    """Extend the steady study's meter error by the pulls of a log.

    Only readings near and beyond the top of the steady evidence count: lower in a pull the engine turns slowly at full
    load, where intake pulsation disturbs the meter and no curve can be read from it.

    Parameters
    ----------
    log : Dataset
        The flagged log with the pulls.
    car, revision
        The meter's rail and the owner's cap on a change; the current curve, the same that `steady` refers to.
    mixture : Mixture
        Of `check_mixture` on the same log: readings with the moment of their fuelling.
    steady : SteadyFit
        The finished steady study.

    Raises
    ------
    ValueError
        The steady study refers to another revision.
    """
    if steady.reference != revision.name:
        raise ValueError(f"the steady study refers to {steady.reference}, the pulls were driven on {revision.name}.")
    try:
        evidence, flagged = _evidence(log, car, revision, mixture, steady)
    except NothingToFit as lacking:
        return no_high_flow(str(lacking), steady.meter.channel)
    rail = _rail(log, car, revision, mixture)
    calm_top = float(_calm(steady)["log_flow"].max())
    evidence, low = evidence[evidence["log_flow"] >= calm_top - OVERLAP], evidence["log_flow"] < calm_top - OVERLAP
    bins, flagged = _binned(evidence), flagged + int(low.sum())
    if bins.empty:
        return no_high_flow(f"{NO_EVIDENCE} {rail}".strip(), steady.meter.channel, rail=rail, flagged=flagged)
    return _together(car, revision, steady, evidence, bins, rail, flagged)


def _evidence(
    log: xr.Dataset, car: Car, revision: Revision, mixture: Mixture, steady: SteadyFit
) -> tuple[pd.DataFrame, int]:
    """Log of true flow over current flow at every judged reading of lambda, with the meter's reading there."""
    samples = refer(log, car, revision, revision)
    rows = rows_in(0.15, row_step_s(log))
    known = samples.fuel_trusted
    ratio, meter, open_ms = (
        rolling(np.where(known, values, np.nan), rows, "mean")
        for values in (samples.log_ratio, samples.reading, samples.open_ms)
    )
    judged = mixture.readings[mixture.readings["judged"]]
    at = judged["fuelled_s"].to_numpy()
    ratio, meter, open_ms = (np.interp(at, samples.time, values) for values in (ratio, meter, open_ms))
    dead = steady.dead_time.level_ms if steady.dead_time.shown else 0.0
    error = np.log(judged["lambda"].to_numpy()) + ratio + np.log1p(-dead / open_ms)
    inside = np.isfinite(error) & (meter < _top(car, revision))
    table = pd.DataFrame(
        {"reading": meter, "error": error, "open_ms": open_ms, "stretch": judged["stretch"].to_numpy()}
    )
    flow = np.interp(meter, revision.meter_curve.reading, revision.meter_curve.flow_kg_h)
    return table.assign(log_flow=np.log(np.maximum(flow, 1e-3)))[inside], int((~inside).sum())


def _top(car: Car, revision: Revision) -> float:
    return min(float(revision.meter_curve.reading[-1]), car.meter.rail_high)


def _rail(log: xr.Dataset, car: Car, revision: Revision, mixture: Mixture) -> str:
    """Name a meter at its stop, or nothing."""
    channel, top = car.meter.channel, _top(car, revision)
    if channel not in log or mixture.readings.empty:
        return ""
    at = np.interp(mixture.readings["fuelled_s"], log["time"].values, log[channel].values)
    if not np.mean(at >= top) > AT_RAIL_SHARE:
        return ""
    return f"The meter was at its stop ({top:g}) in the pulls: flow beyond it was not measured and is not extended."


def _binned(evidence: pd.DataFrame) -> pd.DataFrame:
    """Mean error of each pull over bins of log flow, with its own standard error."""
    keys = [evidence["stretch"], np.round(evidence["log_flow"] / BIN)]
    table = evidence.groupby(keys, sort=True).agg(
        log_flow=("log_flow", "mean"), error=("error", "mean"), spread=("error", "std"), open_ms=("open_ms", "mean"),
        reading=("reading", "mean"), readings=("error", "size"),
    )  # fmt: skip
    table.index.names = ["stretch", "bin"]
    table = table.reset_index()
    table = table[table["readings"] >= LEAST_READINGS]
    usual = float(np.nanmedian(table["spread"])) if len(table) else 0.0
    return table.assign(standard_error=np.maximum(table["spread"], usual) / np.sqrt(table["readings"] / 2))


def _together(
    car: Car, revision: Revision, steady: SteadyFit, evidence: pd.DataFrame, bins: pd.DataFrame, rail: str, flagged: int
) -> HighFlow:
    calm = _calm(steady)
    curve = revision.meter_curve
    grid = np.unique(np.concatenate([np.linspace(bins["reading"].min(), bins["reading"].max(), 60), curve.reading]))
    flow = np.interp(grid, curve.reading, curve.flow_kg_h)
    mean, spread = _process(calm, bins, np.log(np.maximum(flow, 1e-3)), _dead_time_spread(bins, steady))
    low, high = np.exp(mean - NORMAL_95 * spread), np.exp(mean + NORMAL_95 * spread)
    columns = {"reading": grid, "flow_in_force_kg_h": flow, "factor": np.exp(mean), "lower": low, "upper": high}
    table = pd.DataFrame(columns)
    steady_to, pulls_to = float(calm["reading"].max()), float(evidence["reading"].max())
    points, capped = _points(car, revision, steady, table, (steady_to, pulls_to), rail)
    difference, interval = _disagreement(calm, bins, steady)
    return HighFlow(
        True, "", steady.meter.channel, bins, table[table["reading"] <= pulls_to], points, steady_to, pulls_to,
        difference, interval, rail, capped, len(evidence), flagged, car.limits.steady_lambda_error_max_pct,
    )  # fmt: skip


def _calm(steady: SteadyFit) -> pd.DataFrame:
    """The steady curve at places about one length apart: nearer ones would say the same thing twice."""
    meter = steady.meter
    known = np.isfinite(meter.factor) & (meter.seconds > 0) & (meter.flow_in_force_kg_h > 0)
    log_flow = np.log(meter.flow_in_force_kg_h[known])
    count = max(2, round(float(np.ptp(log_flow)) / CURVE_LENGTH) + 1)
    pick = np.unique([int(np.argmin(np.abs(log_flow - at))) for at in np.linspace(log_flow[0], log_flow[-1], count)])
    spread = (np.log(meter.upper[known]) - np.log(meter.lower[known])) / (2 * NORMAL_95)
    columns = {"reading": meter.reading[known], "log_flow": log_flow, "error": np.log(meter.factor[known])}
    return pd.DataFrame(columns | {"standard_error": spread}).iloc[pick].reset_index(drop=True)


def _dead_time_spread(bins: pd.DataFrame, steady: SteadyFit) -> np.ndarray:
    """What the dead time's own uncertainty does to each bin, in log factor."""
    found = steady.dead_time
    spread = (found.upper_ms - found.lower_ms) / (2 * NORMAL_95) if found.shown else UNKNOWN_DEAD_TIME_MS
    return spread / bins["open_ms"].to_numpy()


def _process(
    calm: pd.DataFrame, bins: pd.DataFrame, at: np.ndarray, by_dead_time: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of the log factor at `at`, from both kinds of evidence."""
    place = np.concatenate([calm["log_flow"], bins["log_flow"]])
    value = np.concatenate([calm["error"], bins["error"]])
    noise = np.concatenate([calm["standard_error"], bins["standard_error"]]) ** 2
    pulls = np.concatenate([np.full(len(calm), -1), bins["stretch"]])
    is_pull = pulls >= 0
    covariance = _matern(place, place) + np.diag(noise)
    covariance += ERROR_OF_A_PULL**2 * ((pulls[:, None] == pulls) & is_pull)
    covariance += ERROR_OF_PULLS**2 * (is_pull[:, None] & is_pull)
    slow = np.where(is_pull, np.exp((bins["log_flow"].min() - place) / PULSATION_LENGTH), 0.0)
    covariance += ERROR_OF_PULSATION**2 * slow[:, None] * slow
    shared = np.concatenate([np.zeros(len(calm)), by_dead_time])
    covariance += shared[:, None] * shared
    cross = _matern(at, place)
    centre = float(np.mean(value))
    mean = centre + cross @ np.linalg.solve(covariance, value - centre)
    variance = _level() - np.einsum("ij,ji->i", cross, np.linalg.solve(covariance, cross.T))
    return mean, np.sqrt(np.maximum(variance, 1e-10))


def _level() -> float:
    return CURVE_SPREAD**2 + 1.0  # the level itself is left free


def _matern(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Matérn covariance of order 3/2, with a free level."""
    apart = np.sqrt(3) * np.abs(np.asarray(first)[:, None] - np.asarray(second)) / CURVE_LENGTH
    return CURVE_SPREAD**2 * (1 + apart) * np.exp(-apart) + 1.0


def _points(
    car: Car, revision: Revision, steady: SteadyFit, curve: pd.DataFrame, ends: tuple[float, float], rail: str
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Breakpoints with their basis; the flow proposed is capped by the owner's limit and keeps rising."""
    steady_to, pulls_to = ends
    reading, flow = revision.meter_curve.reading, np.asarray(revision.meter_curve.flow_kg_h)
    factor, lower, upper = (np.interp(reading, curve["reading"], curve[name]) for name in ("factor", "lower", "upper"))
    calm = [np.interp(reading, steady.meter.reading, getattr(steady.meter, n)) for n in ("factor", "lower", "upper")]
    within = reading <= steady_to
    factor, lower, upper = (np.where(within, own, new) for own, new in zip(calm, (factor, lower, upper), strict=True))
    basis = np.where(within & np.isfinite(calm[0]), "steady", np.where(within, "unchanged", "pulls"))
    basis = np.where(reading > pulls_to, "unchanged", basis)
    if rail:
        basis = np.where(reading >= _top(car, revision), "rail", basis)
    most = car.limits.meter_change_max_pct / 100
    allowed = np.clip(factor, 1 - most, 1 + most)
    extended = basis == "pulls"
    proposed = np.where(extended, np.maximum.accumulate(flow * np.where(extended, allowed, 1.0)), flow)
    capped = tuple(
        f"At {r:g} the pulls ask for {100 * (f - 1):+.1f} %; the owner's cap of {100 * most:g} % per revision applies."
        for r, f, e in zip(reading, factor, extended, strict=True)
        if e and abs(f - 1) > most
    )
    hidden = np.isin(basis, ("unchanged", "rail"))
    values = (np.where(hidden, np.nan, x) for x in (factor, lower, upper))
    return pd.DataFrame(dict(zip(COLUMNS, (reading, flow, *values, proposed, basis), strict=True))), capped


def _disagreement(calm: pd.DataFrame, bins: pd.DataFrame, steady: SteadyFit) -> tuple[float, tuple[float, float]]:
    """Pulls less steady where both measured, in percent; NaN where they share nothing."""
    shared = bins[(bins["log_flow"] >= calm["log_flow"].min()) & (bins["log_flow"] <= calm["log_flow"].max())]
    if shared.empty:
        return float("nan"), (float("nan"), float("nan"))
    expected = np.interp(shared["log_flow"], calm["log_flow"], calm["error"])
    pulls = shared.groupby("stretch").apply(lambda part: float((part["error"] - expected_of(part, calm)).mean()))
    mean = float((shared["error"] - expected).mean())
    spread = np.interp(shared["log_flow"], calm["log_flow"], calm["standard_error"]).mean()
    by_dead_time = float(_dead_time_spread(shared, steady).mean())
    error = np.sqrt(ERROR_OF_A_PULL**2 / len(pulls) + ERROR_OF_PULLS**2 + spread**2 + by_dead_time**2)
    low, high = (float(100 * (mean + sign * NORMAL_95 * error)) for sign in (-1, 1))
    return 100 * mean, (low, high)


def expected_of(part: pd.DataFrame, calm: pd.DataFrame) -> np.ndarray:
    """The steady curve's error at the bins of `part`."""
    return np.interp(part["log_flow"], calm["log_flow"], calm["error"])


def no_high_flow(because: str, channel: str, *, rail: str = "", flagged: int = 0) -> HighFlow:
    """Build a result that shows nothing."""
    nan = float("nan")
    points = pd.DataFrame(columns=COLUMNS)
    ends = (nan, nan, nan, (nan, nan))
    return HighFlow(False, because, channel, pd.DataFrame(), pd.DataFrame(), points, *ends, rail, (), 0, flagged)
