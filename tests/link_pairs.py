"""Accounts of a link made by hand, with drop-outs at known hazards, alone or in bunches."""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
from plain_car import owners_car

from tunelab.log.segment import IDLE, state_names
from tunelab.study.link.account import DropOut, LinkAccount, Stretch

NAMES = state_names(owners_car())


def made_account(name, wiring, by_state, *, starts=0, day=1):
    """An account from {state: (seconds, drop-outs)}; its stretches share the time evenly."""
    rows = [(state, *by_state.get(state, (0.0, 0))) for state in NAMES]
    exposure = pd.DataFrame(rows, columns=["state", "seconds", "drop_outs"])
    count, seconds = int(exposure["drop_outs"].sum()), float(exposure["seconds"].sum())
    nan = float("nan")
    drops = [
        DropOut(name, wiring, float(k), float(k) + 1, nan, "rows missing", state, state, nan, "")
        for state in NAMES
        for k in range(by_state.get(state, (0, 0))[1])
    ]
    pieces = [Stretch(name, wiring, 0.0, seconds / (count + 1), k < count) for k in range(count + 1)]
    date = datetime.date(2026, 5, day)
    return LinkAccount(
        name, date, wiring, tuple(drops), (), exposure, starts, tuple(pieces), 0, 0, 1000, 10, ends_running=False
    )


def bunched(rng, wiring, *, minutes=60.0, visits_per_h=8.0, each=4.0):
    """A drive whose drop-outs come in bunches within a minute, at one mean rate throughout."""
    begins = rng.uniform(0, minutes * 60, rng.poisson(visits_per_h * minutes / 60))
    times = np.concatenate([np.zeros(0), *(t + rng.exponential(20.0, rng.poisson(each)) for t in begins)])
    times = np.sort(times[times < minutes * 60])
    account = made_account(wiring, wiring, {IDLE: (minutes * 60, times.size)})
    length = np.diff(np.concatenate([[0.0], times, [minutes * 60]]))
    pieces = tuple(Stretch(wiring, wiring, 0.0, float(s), k < times.size) for k, s in enumerate(length))
    return replace(account, stretches=pieces)
