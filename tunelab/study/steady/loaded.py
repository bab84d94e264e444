"""How lean the engine ran at load, as it was measured: no model, and nothing set aside for its cause.

A lean mixture at load burns pistons and valves whether the meter, the injectors or the fuel pump make it. The joint fit
may explain it away; this does not.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy

from tunelab.study.steady.result import LeanAtLoad

# From here on a hold is at load: share of a filled cylinder (SAE J1979 absolute load), or manifold over barometric
# pressure. Common practice, no source.
LOADED = 0.55
LOADED_PRESSURE_RATIO = 0.7
LEAST_BLOCKS = 2  # steady blocks of about a second: one may be a gust of the wall film
LEAST_HOLDS = 5  # at load; fewer do not say that nothing at load is leaner
HOLD_SD_PCT = 0.4  # by which lambda differs from hold to hold, beside its noise; common practice, no source
NAN = float("nan")


def lean_at_load(blocks: pd.DataFrame | None) -> LeanAtLoad:
    """Find the leanest hold at load.

    Parameters
    ----------
    blocks : DataFrame or None
        The study's steady blocks, before any fit; `y` is NaN where the meter cannot be believed.

    Returns
    -------
    LeanAtLoad
        NaN values, and the reason, where no hold at load lasted; NaN ends where fewer than LEAST_HOLDS did.

    Notes
    -----
    Each hold counts twice: lambda over commanded as it was driven, and as it would be with the trims at zero (from the
    pulse width, by the revision that all is referred to). The leaner counts. The upper end is the highest of all holds
    at load, so that nothing at load is leaner than it says.
    """
    if blocks is None or blocks.empty:
        return _nothing("There is no steady driving.")
    loaded = blocks[(blocks["load"] >= LOADED) | (blocks["pressure_ratio"] >= LOADED_PRESSURE_RATIO)]
    count = loaded.groupby("hold")["y"].transform("size")
    loaded = loaded[count >= LEAST_BLOCKS]
    if loaded.empty:
        return _nothing(
            f"No hold at a load of {100 * LOADED:.0f} % or a manifold pressure of {100 * LOADED_PRESSURE_RATIO:.0f} % "
            f"of the barometer's lasted {LEAST_BLOCKS} steady seconds."
        )
    driven, free = _by_hold(loaded, loaded["driven"]), _by_hold(loaded, loaded["y"])
    if driven.empty and free.empty:
        return _nothing("Commanded lambda is not logged.")
    holds = pd.concat([driven.assign(as_driven=True), free.assign(as_driven=False)], ignore_index=True)
    worst = holds.loc[holds["mean"].idxmax()]
    own, many = loaded[loaded["hold"] == worst["hold"]], loaded["hold"].nunique() >= LEAST_HOLDS
    return LeanAtLoad(
        lean_pct=float(worst["mean"]),
        lower_pct=float(worst["mean"] - worst["reach"]) if many else NAN,
        upper_pct=float((holds["mean"] + holds["reach"]).max()) if many else NAN,
        as_driven=bool(worst["as_driven"]),
        engine_speed_rpm=float(np.exp(own["log_speed"].mean())),
        load=float(own["load"].mean()),
        session=str(own["session"].iloc[0]),
        start_s=float(own["start_s"].iloc[0]),
        holds=int(loaded["hold"].nunique()),
        seconds=float(loaded["seconds"].sum()),
        samples=int(loaded["samples"].sum()),
        because="",
    )


def _by_hold(loaded: pd.DataFrame, log_error: pd.Series) -> pd.DataFrame:
    """Mean error of each hold [%], positive lean, and half of its 95 % interval; the noise is that of all holds."""
    groups = (100 * np.expm1(log_error.dropna())).groupby(loaded["hold"])
    mean, count = groups.mean(), groups.size()
    free = float((count - 1).sum())
    within = np.sqrt(float((groups.var(ddof=1) * (count - 1)).sum()) / free) if free else NAN
    reach = scipy.special.stdtrit(max(free, 1.0), 0.975) * np.sqrt(within**2 / count + HOLD_SD_PCT**2)
    return pd.DataFrame({"hold": mean.index, "mean": mean.to_numpy(), "reach": reach.to_numpy()})


def _nothing(because: str) -> LeanAtLoad:
    return LeanAtLoad(*[NAN] * 3, False, NAN, NAN, "", NAN, 0, 0.0, 0, because)
