"""Film and idle over invented cars: errors and coverage printed, nothing timed. `pytest -m bench -s`."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import plain_film
import pytest
from driven_log import TIP_INS, known_delay

from tunelab.log.flag import flag_log
from tunelab.simulate import Schedule, drive, random_car
from tunelab.simulate.demo.cars import MARIT, TRUTH
from tunelab.simulate.engine import film_at
from tunelab.simulate.schedule import DAY, road_drive
from tunelab.study.delay import estimate_delay
from tunelab.study.transient import Film, study_transients
from tunelab.workspace.session import Session

SESSION = Session(date=datetime.date(2026, 5, 6), steps=["road"], revision="r01")


def simulated(seed: int) -> tuple[float, float, Film]:
    rng = np.random.default_rng([seed, 7])
    car, truth, revision = random_car(rng)
    log = drive(truth, revision, Schedule("tip-ins", MARIT, DAY, TIP_INS, 200.0), rng=rng).log(25.0)
    log = flag_log(log, car, SESSION, revision=revision)
    share, tau = film_at(truth.film, float(log["coolant_c"].mean()))
    return share, tau, study_transients(log, car, revision, known_delay(truth)).films[0]


def road(seed: int) -> tuple[float, float, Film]:
    """Six minutes of everyday road; delay and lag as the kit itself finds them in the same log."""
    rng = np.random.default_rng([seed, 8])
    car, truth, revision = random_car(rng)
    tasks = road_drive(is_cold=False)[:-8]  # without the heat-soaked restart
    log = drive(truth, revision, Schedule("road", MARIT, DAY, tasks, 420.0), rng=rng).log(25.0)
    log = flag_log(log, car, SESSION, revision=revision)
    share, tau = film_at(truth.film, float(log["coolant_c"].mean()))
    study = study_transients(log, car, revision, estimate_delay(log, car, revision))
    return share, tau, study.films[0]


def plain(seed: int) -> tuple[float, float, Film]:
    car = plain_film.invent(seed)
    log = plain_film.drive(car, seed=seed, steps=12, rate_hz=25.0)
    log = flag_log(log, plain_film.CAR, plain_film.SESSION, revision=plain_film.REVISION)
    sensor = replace(TRUTH.sensor, delay_s=car.delay_s, lag_s=car.lag_s, delay_flow_s_kg_h=car.delay_flow_s_kg_h)
    delay = known_delay(replace(TRUTH, sensor=sensor))
    return car.share, car.tau_s, study_transients(log, plain_film.CAR, plain_film.REVISION, delay).films[0]


@pytest.mark.bench
@pytest.mark.parametrize("engine", [simulated, road, plain])
def test_film_over_many_cars(engine):
    rows = [engine(seed) for seed in range(24)]
    told = [(share, tau, film) for share, tau, film in rows if film.told_apart]
    off = np.array([film.share.value - share for share, _, film in told])
    late = np.array([film.tau_s.value / tau - 1.0 for _, tau, film in told])
    inside = np.array([[f.share.lower <= x <= f.share.upper, f.tau_s.lower <= t <= f.tau_s.upper] for x, t, f in told])
    print(
        f"{engine.__name__}: told apart {len(told)} of {len(rows)}; X off by median {np.median(np.abs(off)):.3f}, "
        f"within 0.05 in {np.mean(np.abs(off) < 0.05):.0%}; tau off by median {np.median(np.abs(late)):.0%}, "
        f"within 20 % in {np.mean(np.abs(late) < 0.2):.0%}; covered {inside.mean(axis=0).round(2)}"
    )
    assert len(told) >= 20
    assert np.mean(np.abs(off) < 0.05) >= 0.9
    assert np.mean(np.abs(late) < 0.2) >= 0.9
    assert np.mean(inside) > 0.9
