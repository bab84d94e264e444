"""Flags on a log: which samples not to trust, and why. A flag never deletes, fills or edits.

The checks live in `flag_channel`, `flag_stale` and `flag_sample`; this module packs them into CF flag variables and
answers questions about them. Every channel gets `<channel>_flag`; what makes a whole sample unusable is in
`sample_flag`. A set bit means "do not trust".
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag_channel import (
    flag_warming_up,
)
from tunelab.log.flag_sample import flag_cold, flag_fuel_cut, flag_gap, flag_transient
from tunelab.log.flag_stale import (
    LAMBDA_SENSORS,
    MASKS,
    Movement,
    is_repeated,
    reading_faults,
)
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Exclusion, Session

CHANNEL_REASONS = ("missing", "stale", "spike", "out_of_range", "rail", "warming_up", "excluded")
SAMPLE_REASONS = ("excluded", "gap", "cold", "fuel_cut", "transient")
NOT_LOGGED = "not logged in this piece"
WHOLE_SAMPLE = "all"  # what `spans` calls the channel of a whole-sample reason
NOT_BELIEVED = MASKS["stale"] | MASKS["spike"] | MASKS["out_of_range"]


def channels_of(log: xr.Dataset) -> list[str]:
    """Names of the channels in a log, without its flags, freshness marks and episode."""
    others = {*map(str, log.coords), "episode"}
    names = (str(name) for name, variable in log.variables.items() if variable.dims == ("time",))
    return [name for name in names if name not in others and not name.endswith(("_fresh", "_flag"))]


def flag_log(log: xr.Dataset, car: Car, session: Session, *, revision: Revision | None = None) -> xr.Dataset:
    """Return the log with `<channel>_flag` for every channel and `sample_flag`; no value is changed.

    Parameters
    ----------
    log : Dataset
        As `log.load` gives it.
    car, session
        The car's sensors and limits; the session's hand-made exclusions.
    revision : Revision, optional
        What was in the ECU. With it a pulse below the dead time counts as fuel cut, and steady is judged on the airflow
        of the meter's curve.

    Raises
    ------
    ValueError
        An exclusion names a channel that the log does not have, or ends before it starts.
    """
    channel_flags, doubted = _channel_flags(log, car, session.exclude)
    believed = _believed(log, {name: channel_flags[name] for name in doubted})
    sample = np.zeros(log.sizes["time"], dtype=np.int32)
    for reason, flagged in (
        ("gap", flag_gap(log)),
        ("cold", flag_cold(believed, coolant_min_c=car.limits.coolant_min_c)),
        ("fuel_cut", flag_fuel_cut(believed, car, revision=revision)),
        ("transient", flag_transient(believed, car, revision=revision)),
    ):
        sample |= flagged.to_numpy() * np.int32(MASKS[reason])
    for row in session.exclude:
        if not row.channels:
            sample |= flag_excluded(log, row).to_numpy() * np.int32(MASKS["excluded"])
    warming = flag_warming_up(believed, warm_up_s=car.lambda_sensor.warm_up_s).to_numpy()
    for name in set(LAMBDA_SENSORS) & set(channel_flags):
        channel_flags[name] |= warming * np.int32(MASKS["warming_up"])
    return _pack(log, channel_flags, sample, session.exclude)


def flag_excluded(log: xr.Dataset, exclusion: Exclusion) -> xr.DataArray:
    """Flag the samples from `start_s` to `end_s`, both included, of one hand-made exclusion."""
    if exclusion.end_s < exclusion.start_s:
        raise ValueError(
            f"session.toml: the exclusion by {exclusion.author} ends at {exclusion.end_s:g} s, "
            f"before its start at {exclusion.start_s:g} s."
        )
    return (log["time"] >= exclusion.start_s) & (log["time"] <= exclusion.end_s)


def _channel_flags(log: xr.Dataset, car: Car, exclusions: list[Exclusion]) -> tuple[dict[str, np.ndarray], list[str]]:
    """Bits of every channel, shape (time,) each, and the names of those with readings not to be believed.

    `warming_up` is not among the bits: it needs a believed engine speed.
    """
    movement, names = Movement(log), channels_of(log)
    flags = dict(zip(names, np.zeros((len(names), log.sizes["time"]), dtype=np.int32), strict=True))
    repeated = np.flatnonzero(is_repeated(log))
    doubted = []
    for name, bits in flags.items():
        faults = reading_faults(log, name, car, movement)
        for reason, rows in faults.items():
            bits[rows] |= MASKS[reason]
        bits[repeated] |= MASKS["stale"]
        if repeated.size or any(MASKS[reason] & NOT_BELIEVED for reason in faults):
            doubted.append(name)
    for row in exclusions:
        for name in row.channels:
            if name not in flags:
                raise ValueError(f"session.toml: the exclusion by {row.author} names {_unknown(name, flags)}.")
            flags[name] |= flag_excluded(log, row).to_numpy() * np.int32(MASKS["excluded"])
    return flags, doubted


def _believed(log: xr.Dataset, flags: dict[str, np.ndarray]) -> xr.Dataset:
    """Copy of the log in which spikes, stale and implausible readings are NaN; for the checks of whole samples only.

    `flags` holds the bits of the channels that have such readings.
    """
    believed = log.copy()
    for name, bits in flags.items():
        variable = believed.variables[name]
        variable.data = np.where(bits & NOT_BELIEVED, np.nan, variable.to_numpy())
    return believed


def _pack(
    log: xr.Dataset, channel_flags: dict[str, np.ndarray], sample: np.ndarray, exclusions: list[Exclusion]
) -> xr.Dataset:
    """Write the bits into the log as CF flag variables and say so in its history."""
    flags = {f"{name}_flag": ("time", bits, _flag_attrs(name, CHANNEL_REASONS)) for name, bits in channel_flags.items()}
    flags["sample_flag"] = ("time", sample, _flag_attrs("the whole sample", SAMPLE_REASONS))
    flagged = log.assign(flags)
    for name in channel_flags:
        beside = [f"{name}_fresh"] if f"{name}_fresh" in log else []
        flagged.variables[name].attrs["ancillary_variables"] = " ".join([*beside, f"{name}_flag"])
    if exclusions:
        flagged.attrs["exclusions"] = json.dumps([row.model_dump() for row in exclusions])
    share = 100.0 * float(np.mean(sample != 0)) if sample.size else 0.0
    line = f"flagged: {len(channel_flags)} channels; {share:.1f} % of the samples not to be trusted as a whole"
    flagged.attrs["history"] = "\n".join(part for part in (log.attrs.get("history", ""), line) if part)
    return flagged


def _flag_attrs(name: str, reasons: tuple[str, ...]) -> dict:
    return {
        "long_name": f"reasons not to trust {name.replace('_', ' ')}",
        "standard_name": "status_flag",
        "flag_masks": np.array([MASKS[reason] for reason in reasons], dtype=np.int32),
        "flag_meanings": " ".join(reasons),
    }


def trusted(log: xr.Dataset, *channels: str, allow: Iterable[str] = ()) -> xr.DataArray:
    """Say which samples may be used: none of the channels' flags and no flag of the whole sample is set.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    *channels : str
        Channels that the caller is about to use; with none, only the whole-sample flags count.
    allow : iterable of str
        Reasons that do not matter to the caller, such as "transient".

    Returns
    -------
    bool DataArray, shape (time,)

    Raises
    ------
    KeyError
        The log has no such channel; the message names the nearest.
    ValueError
        The log was not flagged, or `allow` holds an unknown reason.
    """
    usable = trusted_rows(log, *channels, allow=allow)
    return xr.DataArray(usable, coords={"time": log["time"]}, dims="time", name="trusted")


def trusted_rows(log: xr.Dataset, *channels: str, allow: Iterable[str] = ()) -> np.ndarray:
    """The same as a bool array, shape (time,), for whoever asks hundreds of times."""
    if isinstance(allow, str):
        allow = (allow,)
    ignored = sum(_mask_of(reason) for reason in set(allow))
    bits = _flags(log, "sample_flag").copy()
    for name in channels:
        if name not in log.variables:
            raise KeyError(_unknown(name, channels_of(log)))
        bits |= _flags(log, f"{name}_flag")
    return (bits & ~np.int32(ignored)) == 0


def _mask_of(reason: str) -> int:
    if reason not in MASKS:
        raise ValueError(f"allow: {_unknown(reason, MASKS)}; reasons are {', '.join(MASKS)}.")
    return MASKS[reason]


def _unknown(name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, list(known), n=1)
    return f"{name!r}, which is not there" + (f"; the nearest known name is {near[0]!r}" if near else "")


def _flags(log: xr.Dataset, name: str) -> np.ndarray:
    if name not in log.variables:
        raise ValueError(f"the log has no {name}: it was not flagged; call flag_log(log, car, session) first.")
    return log.variables[name].to_numpy()


def _flag_variables(log: xr.Dataset) -> list[str]:
    """Names of the flag variables of a log: `sample_flag` first, then one per channel."""
    _flags(log, "sample_flag")
    return ["sample_flag", *(f"{name}_flag" for name in channels_of(log) if f"{name}_flag" in log)]


def spans(log: xr.Dataset) -> pd.DataFrame:
    """List every flagged stretch: start_s, end_s (time of its first and last sample), channel, reason, samples, note.

    Whole-sample reasons have the channel "all". `note` carries author and reason of a hand-made exclusion, and says of
    a missing channel where its file never had it. Sorted by start; a stretch does not run across episodes.
    """
    rows = []
    time = log["time"].to_numpy()
    episode = log["episode"].to_numpy() if "episode" in log else np.zeros(time.size, dtype=int)
    new_episode = np.diff(episode) != 0
    for variable in _flag_variables(log):
        bits = log[variable].to_numpy()
        name = WHOLE_SAMPLE if variable == "sample_flag" else variable.removesuffix("_flag")
        present = int(np.bitwise_or.reduce(bits)) if bits.size else 0
        for reason, mask in MASKS.items():
            if present & mask:
                for first, last in _runs((bits & mask) != 0, new_episode):
                    rows.append((time[first], time[last], name, reason, last - first + 1))
    table = pd.DataFrame(rows, columns=["start_s", "end_s", "channel", "reason", "samples"])
    table["note"] = np.where(_never_logged(log, table), NOT_LOGGED, _notes(log, table))
    return table.sort_values(["start_s", "end_s", "channel", "reason"], ignore_index=True)


def _runs(flag: np.ndarray, new_episode: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of every run of True, broken where a new episode begins."""
    starts = flag.copy()
    starts[1:] &= ~flag[:-1] | new_episode
    ends = flag.copy()
    ends[:-1] &= ~flag[1:] | new_episode
    return list(zip(np.flatnonzero(starts).tolist(), np.flatnonzero(ends).tolist(), strict=True))


def _never_logged(log: xr.Dataset, table: pd.DataFrame) -> np.ndarray:
    """Which stretches miss a channel that has no reading in their whole episode, bool, shape (stretches,)."""
    rows = np.searchsorted(log["time"].to_numpy(), table["start_s"].to_numpy(dtype=float))
    never = np.zeros(len(table), dtype=bool)
    for name in table["channel"][table["reason"] == "missing"].unique():
        missing = np.flatnonzero((table["channel"] == name) & (table["reason"] == "missing"))
        never[missing] = ~was_logged(log, name)[rows[missing]]
    return never


def _notes(log: xr.Dataset, table: pd.DataFrame) -> list[str]:
    """Author and reason of the exclusions that touch each stretch, empty for the other reasons."""
    exclusions = json.loads(log.attrs.get("exclusions", "[]"))
    notes = []
    for row in table.itertuples():
        own = [
            f"{item['author']}: {item['reason']}"
            for item in exclusions
            if row.reason == "excluded"
            and (row.channel in item["channels"] or (row.channel == WHOLE_SAMPLE and not item["channels"]))
            and item["start_s"] <= row.end_s
            and item["end_s"] >= row.start_s
        ]
        notes.append("; ".join(own))
    return notes


def reasons_at(log: xr.Dataset, time_s: float) -> pd.DataFrame:
    """Say why the sample nearest to `time_s` is not trusted: one row per channel and reason, none if all is well.

    Columns are time_s (of that sample), channel ("all" for the whole sample), value, reason.
    """
    if not log.sizes["time"]:
        raise ValueError("the log holds no samples.")
    position = int(np.argmin(np.abs(log["time"].to_numpy() - time_s)))
    rows = []
    for variable in _flag_variables(log):
        bits = int(log[variable].to_numpy()[position])
        name = variable.removesuffix("_flag")
        value = float("nan") if variable == "sample_flag" else float(log[name].to_numpy()[position])
        shown = WHOLE_SAMPLE if variable == "sample_flag" else name
        rows += [(float(log["time"][position]), shown, value, reason) for reason, mask in MASKS.items() if bits & mask]
    return pd.DataFrame(rows, columns=["time_s", "channel", "value", "reason"])


def sample_seconds(log: xr.Dataset) -> np.ndarray:
    """Time that each sample stands for [s], shape (time,): to the next one, but at most twice the usual step."""
    time = log["time"].to_numpy()
    if time.size < 2:
        return np.zeros(time.size)
    step = np.diff(time, append=time[-1] + np.median(np.diff(time)))
    return np.minimum(step, 2.0 * np.median(step))


def sample_reasons(log: xr.Dataset, *channels: str) -> dict[str, np.ndarray]:
    """For each reason, which samples it hits in any of the channels or as a whole, shape (time,) each.

    With no channels named, a channel is not missing from an episode whose file never had it.
    """
    bits = _flags(log, "sample_flag").copy()
    for name in channels or channels_of(log):
        own = _flags(log, f"{name}_flag")
        bits |= own if channels else np.where(was_logged(log, name), own, own & ~MASKS["missing"])
    return {reason: (bits & mask) != 0 for reason, mask in MASKS.items()}


def was_logged(log: xr.Dataset, name: str) -> np.ndarray:
    """True in the episodes in which the channel has a reading at all, shape (time,)."""
    episode = log["episode"].to_numpy() if "episode" in log else np.zeros(log.sizes["time"], dtype=int)
    return (np.bincount(episode, weights=np.isfinite(log[name].to_numpy())) > 0)[episode]


def summary(log: xr.Dataset, *channels: str) -> pd.DataFrame:
    """Count what is flagged: reason, samples, seconds, share of the samples; last rows "any" and "none".

    With no channels named all count, and a sample counts once for a reason however many channels it hits. Reasons
    overlap, so they add up to more than "any".
    """
    hits = sample_reasons(log, *channels)
    any_reason = np.logical_or.reduce(list(hits.values()))
    seconds, total = sample_seconds(log), max(1, log.sizes["time"])
    table = [*hits.items(), ("any", any_reason), ("none", ~any_reason)]
    rows = [(reason, int(hit.sum()), float(seconds[hit].sum()), float(hit.sum() / total)) for reason, hit in table]
    return pd.DataFrame(rows, columns=["reason", "samples", "seconds", "share"])
