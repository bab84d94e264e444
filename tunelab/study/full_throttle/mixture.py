"""Lambda at full throttle, at the moment of fuelling; apart from what is only sensor delay."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import (
    add_air_flow,
    arrival_time,
    at_rows,
    exhaust_flow,
    fresh_readings,
    has,
    rolling,
    row_step_s,
    rows_in,
)
from tunelab.log.flag import MASKS
from tunelab.log.flag_sample import is_cut
from tunelab.study.delay import DelayFit
from tunelab.study.finding import NORMAL_95, counted, step_of
from tunelab.study.full_throttle.check import Check, Quantity, Series, Stretch, hold_against, missing
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

BELIEVED_DESPITE = MASKS["rail"] | MASKS["cold"] | MASKS["fuel_cut"] | MASKS["transient"]
SETTLED_LAGS = 3.0  # a first-order sensor has taken 95 % of a step after three lags
AFTER_CUT_S = 0.3
FILM_S = 1.0  # after opening, in which the wall film still fills: a tip-in's matter; common practice, no source
BIN_RPM = 250.0
LEAST_IN_BIN = 4
ERROR_OF_A_PULL = 0.010  # wall film, filling of the manifold, enrichment: the same all through a pull
PRIOR_PULLS = 3  # so many pulls' worth is believed of ERROR_OF_A_PULL, until a log has enough of its own
MOST_PULLS = 20  # more than so many further ones are not asked for
TABLE_ACTS = 0.02  # commanded lambda this near to the table of the revision: it is the one that acts
BY_PULL = ["stretch", "sensor", "engine_speed_rpm", "error_pct", "samples"]


@dataclass(frozen=True)
class Mixture:
    """Lambda at full throttle."""

    lean: Check
    against_commanded: Check
    rich: Check
    bins: pd.DataFrame
    """By engine speed: `engine_speed_rpm, lambda, lower, upper, commanded, meant, error_pct, samples, pulls`.

    `meant` is what lambda is to be there (`meant_lambda`), `error_pct` what lambda is off that.
    """
    by_pull: pd.DataFrame  # BY_PULL: what every pull was off by engine speed, for drives to come with this revision
    readings: pd.DataFrame
    """`seen_s, fuelled_s, stretch, engine_speed_rpm, lambda, commanded, meant, judged, because, past_film`."""
    delay_only: pd.DataFrame  # stretch, start_s, end_s, highest_lambda, because
    delay: DelayFit


def check_mixture(
    log: xr.Dataset, car: Car, revision: Revision, stretches: tuple[Stretch, ...], delay: DelayFit, *,
    earlier: tuple[pd.DataFrame, ...] = (),
) -> Mixture | str:  # fmt: skip
    """Hold lambda against the owner's limit and against what was commanded; or say why that cannot be done.

    Against the limit the worst quarter second counts, of every judged reading. What lambda is off against what was
    commanded is an error and no limit of the engine's: it is the mean over the pulls at the worst engine speed, with
    those of `earlier` drives (their `by_pull`, of the same revision). There the first FILM_S after opening do not
    count: while the wall film fills they speak of the fuel for tip-ins.

    Every reading speaks of the charge that was fuelled one transport delay and one lag earlier. Readings of charges
    fuelled before the throttle opened, and those that come before the sensor has had three lags to settle, are shown
    but not judged; nor is what may be gas from after the throttle closed. Both by the whole interval of the delay.
    """
    if not has(log, "lambda_measured"):
        return f"the log has no {in_words('lambda_measured')}"
    try:
        log = add_air_flow(log, car, revision)
        arrives = _arrivals(log, delay)
    except ValueError as problem:
        return str(problem).rstrip(".")
    table = pd.concat([_readings(log, name, arrives, stretches) for name in _sensors(log)], ignore_index=True)
    table = _judged(table, log, car, revision, stretches, delay)
    rpm, commanded = (table[name].to_numpy() for name in ("engine_speed_rpm", "commanded"))
    table = table.assign(meant=meant_lambda(revision, rpm, commanded))
    opened = np.array([stretch.start_s for stretch in stretches])[table["stretch"].to_numpy() - 1]
    table = table.assign(past_film=table["fuelled_s"].to_numpy() >= opened + FILM_S)
    known = _past_film(table)
    by_pull = _by_pull(known)
    lean, against, rich = _checks(log, table, known, car, stretches, (by_pull, *earlier))
    return Mixture(lean, against, rich, _bins(table), by_pull, table, _delay_only(table, car, stretches), delay)


def meant_lambda(revision: Revision, engine_speed_rpm: np.ndarray, commanded: np.ndarray) -> np.ndarray:
    """What lambda is to be where it is commanded, shape (n,); NaN where it is not known what was commanded.

    A revision may command richer than it means (`target_lambda` of `full_load_fuel`), to make up for fuel that does not
    arrive. Where its table acts the target counts, else what is commanded.
    """
    own = revision.full_load_fuel
    if own is None or own.commanded_lambda is None or own.target_lambda is None:
        return commanded
    asked, target = (np.interp(engine_speed_rpm, own.engine_speed_rpm, v) for v in (own.values, own.target_lambda))
    return np.where(np.abs(commanded / asked - 1) <= TABLE_ACTS, target, commanded)


def _sensors(log: xr.Dataset) -> list[str]:
    return [name for name in ("lambda_measured", "lambda_measured_2") if has(log, name)]


def _arrivals(log: xr.Dataset, delay: DelayFit) -> np.ndarray:
    """Time at which the charge of each row shows in the reading: transport delay and one lag. [s]"""
    flow = exhaust_flow(log)
    time = log["time"].values
    return arrival_time(time, flow, delay_s=delay.delay_s, delay_flow_s_kg_h=delay.delay_flow_s_kg_h) + delay.lag_s


def _readings(log: xr.Dataset, name: str, arrives: np.ndarray, stretches: tuple[Stretch, ...]) -> pd.DataFrame:
    """Fresh readings of a sensor during full throttle and just after, each with the moment of its fuelling."""
    time, value = log["time"].values, log[name].values
    bits = log[f"{name}_flag"].values | log["sample_flag"].values
    keep = np.isfinite(value) & ((bits & ~np.int32(BELIEVED_DESPITE)) == 0)
    if f"{name}_fresh" in log:
        keep &= log[f"{name}_fresh"].values != 0
    fuelled = np.interp(time, arrives, time, left=np.nan)
    number = np.zeros(time.size, dtype=int)
    for stretch in stretches:
        number[(time >= stretch.start_s) & (fuelled <= stretch.end_s)] = stretch.number
    keep &= number > 0
    columns = {"seen_s": time[keep], "fuelled_s": fuelled[keep], "stretch": number[keep], "sensor": name}
    rpm, commanded = (
        np.interp(fuelled[keep], time, _bridged(log, x)) for x in ("engine_speed_rpm", "lambda_commanded")
    )
    return pd.DataFrame(columns | {"engine_speed_rpm": rpm, "lambda": value[keep], "commanded": commanded})


def _bridged(log: xr.Dataset, name: str) -> np.ndarray:
    if not has(log, name):
        return np.full(log.sizes["time"], np.nan)
    values, time = at_rows(log, name), log["time"].values
    known = np.isfinite(values)
    return np.interp(time, time[known], values[known]) if known.any() else values


def _judged(
    table: pd.DataFrame, log: xr.Dataset, car: Car, revision: Revision, stretches: tuple[Stretch, ...], delay: DelayFit
) -> pd.DataFrame:
    """Add `judged` and, where it is False, `because`."""
    number = table["stretch"].to_numpy() - 1
    opened, closed = (np.array([getattr(s, name) for s in stretches]) for name in ("start_s", "end_s"))
    latest = _reach_sensor(log, opened, delay, end=1) + SETTLED_LAGS * delay.lag_interval[1]
    earliest = _reach_sensor(log, closed, delay, end=0)
    fuelled, seen = table["fuelled_s"].to_numpy(), table["seen_s"].to_numpy()
    cut = _cut_nearby(log, car, revision, stretches, delay)
    cut = np.interp(fuelled, log["time"].values, cut.astype(float), left=0) > 0
    reasons = np.full(seen.size, "", dtype=object)
    reasons[cut] = "fuel was cut"
    reasons[seen > earliest[number]] = "gas from after the throttle closed may be in it"
    reasons[seen < latest[number]] = "the sensor had not settled after the throttle opened"
    reasons[~(fuelled >= opened[number])] = "fuelled before the throttle opened"
    return table.assign(judged=reasons == "", because=reasons)


def _reach_sensor(log: xr.Dataset, moments_s: np.ndarray, delay: DelayFit, *, end: int) -> np.ndarray:
    """When the gas fuelled at the given moments reaches the sensor, by one end of the delay's interval. [s]"""
    time = log["time"].values
    ends = {"delay_s": delay.delay_interval[end], "delay_flow_s_kg_h": delay.delay_flow_interval[end]}
    return np.interp(moments_s, time, arrival_time(time, exhaust_flow(log), **ends))


def _cut_nearby(
    log: xr.Dataset, car: Car, revision: Revision, stretches: tuple[Stretch, ...], delay: DelayFit
) -> np.ndarray:
    """Rows of full throttle with the fuel cut, and whatever the delay's interval may confuse with them."""
    time = log["time"].values
    flow = np.median(np.concatenate([exhaust_flow(log)[s.rows] for s in stretches]))
    open_s = delay.half_at(float(flow))
    rows = rows_in(2 * (AFTER_CUT_S + open_s), row_step_s(log))
    inside = np.zeros(time.size, dtype=bool)
    for stretch in stretches:
        inside[stretch.rows] = True
    return rolling((inside & is_cut(log, car, revision)).astype(float), rows, "max") > 0


def _past_film(table: pd.DataFrame) -> pd.DataFrame:
    """Judged readings from FILM_S after opening on, in the order fuelled, with what they are `off`. [%]"""
    judged = table[table["judged"]].sort_values(["stretch", "fuelled_s"])
    known = judged[np.isfinite(judged["meant"]) & judged["past_film"]]
    return known.assign(off=100 * (known["lambda"] / known["meant"] - 1))


def _by_pull(known: pd.DataFrame) -> pd.DataFrame:
    """What every pull is off, sensor by sensor and BIN_RPM by BIN_RPM of engine speed."""
    centre = BIN_RPM * np.floor(known["engine_speed_rpm"] / BIN_RPM) + BIN_RPM / 2
    groups = known.assign(engine_speed_rpm=centre).groupby(["stretch", "sensor", "engine_speed_rpm"])["off"]
    return groups.agg(error_pct="mean", samples="size").reset_index()[BY_PULL]


def _checks(
    log: xr.Dataset, table: pd.DataFrame, known: pd.DataFrame, car: Car, stretches: tuple[Stretch, ...],
    drives: tuple[pd.DataFrame, ...],
) -> tuple[Check, Check, Check]:  # fmt: skip
    limit, key = car.limits.lambda_max_full_load, "limits.lambda_max_full_load"
    lean = Quantity("full_throttle.lambda", "Leanest lambda at full throttle", "1", limit, key, "higher", lift=True)
    error_limit, key = car.limits.steady_lambda_error_max_pct, "limits.steady_lambda_error_max_pct"
    errors = [
        Quantity(f"full_throttle.{name}", title, "%", error_limit, key, "higher", lift=False, worst_status="watch")
        for name, title in (
            ("lambda_error", "Largest lean error of lambda against commanded"),
            ("rich_error", "Largest rich error of lambda against commanded"),
        )
    ]
    judged = table[table["judged"]].sort_values(["stretch", "fuelled_s"])
    flagged = len(table) - len(judged)
    step = min((step_of(fresh_readings(log, name)[1]) for name in _sensors(log)), default=np.nan)
    first = hold_against(lean, _series(judged, judged["lambda"], flagged, step), stretches)
    if known.empty:
        why = f"the log has no {in_words('lambda_commanded')} to compare with"
        if np.isfinite(judged["meant"]).any():
            why = f"no pull lasts beyond the {FILM_S:g} s after opening in which the wall film fills"
        why += "" if judged.empty else f"; the richest reading at full throttle was {judged['lambda'].min():.3g}"
        return first, missing(errors[0], why, flagged), missing(errors[1], why, flagged)
    step = step * 100 / float(known["commanded"].median())
    lean_error, rich_error = (
        _over_pulls(hold_against(error, _series(known, sign * known["off"], flagged, step), stretches), drives, sign,
                    step)
        for error, sign in zip(errors, (1, -1), strict=True)
    )  # fmt: skip
    return first, lean_error, rich_error


def _over_pulls(moment: Check, drives: tuple[pd.DataFrame, ...], sign: int, step: float) -> Check:
    """Turn the worst quarter second into the worst engine speed's mean over the pulls of all drives.

    The interval reaches as far as that of any engine speed. A reading that never moved stays as it is, and so does one
    whose engine speed is not known.
    """
    if not moment.moved or drives[0].empty:
        return moment
    places = _places(drives, sign)
    worst, half = places.loc[places["error"].idxmax()], np.hypot(places["half"], step / 2)
    upper = float((places["error"] + half).max())
    of = f"the mean of {counted(worst['over'].pulls, 'pulls')}"
    of += f", with those of {counted(len(drives) - 1, 'drives')} before it on this revision," if drives[1:] else ""
    text = (
        f"{of} is worst at {worst['from_rpm']:.0f} to {worst['to_rpm']:.0f} rpm{_pulls_wanted(moment, places, step)}. "
        f"Single quarter seconds: {moment.because}"
    )
    found = replace(
        moment, value=float(worst["error"]), lower=float(worst["error"] - half[places["error"].idxmax()]), upper=upper,
        samples_used=int(sum(drive["samples"].sum() for drive in drives)), because=text,
    )  # fmt: skip
    return replace(found, breaches=()) if found.status == "met" else found


def _places(drives: tuple[pd.DataFrame, ...], sign: int) -> pd.DataFrame:
    """Engine speeds of each sensor: from_rpm, to_rpm, error and half [%] and `over`; `error` counts upward by `sign`.

    `half` reaches as far as the worst drive's own mean, `apart`: drives that differ do not make up for each other.

    Neighbouring bins are one place until at least half of the pulls, and LEAST_IN_BIN readings, speak of it.
    """
    table = pd.concat([drive.assign(drive=number) for number, drive in enumerate(drives)], ignore_index=True)
    table = table.assign(pull=table.groupby(["drive", "stretch"]).ngroup())
    rows = []
    for _, own in table.groupby("sensor"):
        for part in _joined_bins(own):
            weights = part["error_pct"] * part["samples"]
            means = weights.groupby(part["pull"]).sum() / part["samples"].groupby(part["pull"]).sum()
            over = mean_of_pulls(sign * means.to_numpy() / 100)
            days = means.groupby(part.groupby("pull")["drive"].first()).mean()
            apart = float((sign * days).max()) - 100 * over.mean
            ends = part["engine_speed_rpm"].min() - BIN_RPM / 2, part["engine_speed_rpm"].max() + BIN_RPM / 2
            rows.append((*ends, 100 * over.mean, max(100 * NORMAL_95 * over.error, apart), apart, over))
    return pd.DataFrame(rows, columns=["from_rpm", "to_rpm", "error", "half", "apart", "over"])


def _joined_bins(own: pd.DataFrame) -> list[pd.DataFrame]:
    """Bins of one sensor, joined upward until each holds half of the pulls; what is left joins the last one."""
    found: list[pd.DataFrame] = []
    open_ = own[:0]
    for _, part in own.groupby("engine_speed_rpm"):
        open_ = pd.concat([open_, part]) if len(open_) else part
        if 2 * open_["pull"].nunique() >= own["pull"].nunique() and open_["samples"].sum() >= LEAST_IN_BIN:
            found, open_ = [*found, open_], own[:0]
    if len(open_):
        found = [*found[:-1], pd.concat([*found[-1:], open_])]
    return found


@dataclass(frozen=True)
class OverPulls:
    """What pulls have in common at one place, in parts of lambda such as 0.01."""

    mean: float
    spread: float  # of single pulls
    pulls: int

    @property
    def wider(self) -> float:
        """Student's interval over the normal one, for a spread known from so many pulls."""
        return float(scipy.special.stdtrit(self.pulls - 1 + PRIOR_PULLS, 0.975)) / NORMAL_95

    @property
    def error(self) -> float:
        """Standard error of the mean, so wide that NORMAL_95 of it on either side hold 95 %."""
        return self.wider * self.spread / np.sqrt(self.pulls)


def mean_of_pulls(means: np.ndarray) -> OverPulls:
    """Join the pulls' own means, shape (pulls,).

    Where pulls are few the spread that a pull is known to have (ERROR_OF_A_PULL) stands in, worth PRIOR_PULLS pulls.
    """
    squares = np.sum((means - means.mean()) ** 2) + PRIOR_PULLS * ERROR_OF_A_PULL**2
    return OverPulls(float(means.mean()), float(np.sqrt(squares / (means.size - 1 + PRIOR_PULLS))), means.size)


def _pulls_wanted(moment: Check, places: pd.DataFrame, step: float) -> str:
    """Say how many more pulls like these bring the interval inside the limit; empty where it is, or none would."""
    limit = moment.quantity.limit
    if limit is None or not (places["error"] < limit).all():
        return ""
    for more in range(MOST_PULLS + 1):
        then = [replace(over, pulls=over.pulls + more) for over in places["over"]]
        half = np.maximum([100 * NORMAL_95 * over.error for over in then], places["apart"])
        if (places["error"] + np.hypot(half, step / 2) <= limit).all():
            return f"; {counted(more, 'pulls')} more like these would show it inside the limit" if more else ""
    return ""


def _series(table: pd.DataFrame, values: pd.Series, flagged: int, step: float) -> Series:
    time, seen = table["fuelled_s"].to_numpy(), table["seen_s"].to_numpy()
    rpm, number = table["engine_speed_rpm"].to_numpy(), table["stretch"].to_numpy()
    return Series(time, seen, values.to_numpy(), rpm, number, flagged, step)


def _bins(table: pd.DataFrame) -> pd.DataFrame:
    """Mean of judged lambda by engine speed; interval from the pulls' own means where three or more reached."""
    judged = table[table["judged"]]
    centre = BIN_RPM * np.floor(judged["engine_speed_rpm"] / BIN_RPM) + BIN_RPM / 2
    rows = []
    for rpm, part in judged.groupby(centre):
        if len(part) < LEAST_IN_BIN:
            continue
        mean, half = _mean_in_bin(part)
        commanded, meant = part["commanded"].mean(), part["meant"].mean()
        error = 100 * (mean / meant - 1)
        ends = (mean, mean - half, mean + half)
        rows.append((rpm, *ends, commanded, meant, error, len(part), part["stretch"].nunique()))
    names = ["engine_speed_rpm", "lambda", "lower", "upper", "commanded", "meant", "error_pct", "samples", "pulls"]
    return pd.DataFrame(rows, columns=names)


def _mean_in_bin(part: pd.DataFrame) -> tuple[float, float]:
    """Mean and half-width of its 95 % interval; NaN half-width where a single pull gives fewer than eight readings."""
    means = part.groupby("stretch")["lambda"].mean().to_numpy()
    if means.size >= 3:
        return float(means.mean()), float(
            scipy.special.stdtrit(means.size - 1, 0.975) * means.std(ddof=1) / np.sqrt(means.size)
        )
    values = part["lambda"].to_numpy()
    if values.size < 8:
        return float(values.mean()), float("nan")
    apart = values.reshape(-1)[: values.size // 4 * 4].reshape(4, -1).mean(axis=1)
    return float(values.mean()), float(scipy.special.stdtrit(3, 0.975) * apart.std(ddof=1) / 2)


def _delay_only(table: pd.DataFrame, car: Car, stretches: tuple[Stretch, ...]) -> pd.DataFrame:
    """Stretches that read leaner than the limit and are nothing but delay or lag of the sensor."""
    rows = []
    lean = table[~table["judged"] & (table["lambda"] > car.limits.lambda_max_full_load)]
    lean = lean[lean["because"].str.contains("opened")]
    for number, part in lean.groupby("stretch"):
        text = (
            f"until {part['seen_s'].max():.2f} s the sensor still showed gas fuelled before the throttle opened, or "
            "had not settled: this says nothing about full throttle."
        )
        name = stretches[int(number) - 1].name
        rows.append((name, part["seen_s"].min(), part["seen_s"].max(), part["lambda"].max(), text))
    return pd.DataFrame(rows, columns=["stretch", "start_s", "end_s", "highest_lambda", "because"])
