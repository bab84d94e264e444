"""Causes named for excursions of many cars against the simulator's own parts of lambda. `pytest -m bench -s`."""

from __future__ import annotations

import datetime
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from driven_log import TIP_INS, known_delay
from true_excursion import excursion_causes

from tunelab.log.flag import flag_log
from tunelab.simulate import Schedule, Truth, drive, random_car
from tunelab.simulate.demo.cars import MARIT
from tunelab.simulate.schedule import DAY, road_drive
from tunelab.study.delay import estimate_delay
from tunelab.study.transient import NOT_EXPLAINED, study_transients
from tunelab.workspace.session import Session

SESSION = Session(date=datetime.date(2026, 5, 6), steps=["road"], revision="r01")
HARDLY_ANY = {"share": 0.03, "share_cold": 0.0}


def as_drawn(truth: Truth) -> Truth:
    return truth


def film_alone(truth: Truth) -> Truth:
    return replace(truth, ecu=replace(truth.ecu, enrichment_gain=0.0))


def much_enrichment(truth: Truth) -> Truth:
    return replace(truth, ecu=replace(truth.ecu, enrichment_gain=0.3), film=replace(truth.film, **HARDLY_ANY))


def judged(seed: int, of, *, road: bool):
    """Named and true cause of each excursion of one invented car's tip-ins, or of its road drive."""
    rng = np.random.default_rng([seed, 8 if road else 7])
    car, truth, revision = random_car(rng)
    truth, tasks = of(truth), road_drive(is_cold=False)[:-8] if road else TIP_INS
    run = drive(truth, revision, Schedule("drive", MARIT, DAY, tasks, 420.0 if road else 200.0), rng=rng)
    log = flag_log(run.log(25.0), car, SESSION, revision=revision)
    study = study_transients(log, car, revision, estimate_delay(log, car, revision) if road else known_delay(truth))
    yield from excursion_causes(run, truth, revision, study)


@pytest.mark.bench
@pytest.mark.parametrize(
    ("of", "road"), [(as_drawn, False), (film_alone, False), (much_enrichment, False), (as_drawn, True)]
)
def test_causes_over_many_cars(of, road):
    rows = [row for seed in range(24) for row in judged(seed, of, road=road)]
    for which, own in (("all", rows), ("clear", [row for row in rows if row[1].is_clear])):
        said = Counter("open" if n == NOT_EXPLAINED else "right" if t.name in n else "wrong" for n, t in own)
        share = said["right"] / (said["right"] + said["wrong"])
        print(f"{of.__name__}, {'road' if road else 'tip-ins'}, {which}: {dict(said)}; named right in {share:.1%}")
    assert share > 0.95
    assert said["open"] < 0.1 * len(own)
