"""How long the steady study of an hour takes, against the bare linear algebra of its size.

Bare: for as many blocks, coefficients and holds as the study has, by numpy and scipy alone and as often as the study
asks for them: the weighted normal equations, the sum over holds, the Cholesky factor, its solution and its inverse.
Wanted: 1 h at 50 Hz in at most 3 s. Run with `pytest -m bench -s tests/bench/test_bench_solve.py`.
"""

import time

import numpy as np
import plain_engine
import pytest
from scipy.linalg import cho_solve, cholesky, solve_triangular
from threadpoolctl import threadpool_limits

from tunelab.study.steady import fit_steady, joint
from tunelab.study.steady import joint as solution

ROUNDS = 5


@pytest.fixture(scope="module")
def hour():
    engine = plain_engine.invent(3)
    return engine, plain_engine.drive(engine, engine.revision, seed=3, minutes=60, rate_hz=50)


def spent(action):
    """Wall seconds and processor seconds of one call."""
    wall, processor = time.perf_counter(), time.process_time()
    action()
    return time.perf_counter() - wall, time.process_time() - processor


def counted(monkeypatch, module, name, asked):
    """Count how often the study asks for one piece of algebra, and note the sizes that it asks it for."""
    own = getattr(module, name)

    def watched(*arguments):
        result = own(*arguments)
        asked.setdefault(name, []).append((arguments, result))
        return result

    monkeypatch.setattr(module, name, watched)


def bare_of(asked):
    """The same sizes as often, on numbers that mean nothing."""
    rng = np.random.default_rng(1)
    columns = asked["moments_of"][0][0][0]
    size = (*columns.matrix.shape, asked["moments_of"][0][1].by_hold.shape[1])
    blocks, coefficients, holds = size
    matrix, weight = rng.normal(size=(blocks, coefficients)), rng.uniform(0.5, 1.0, blocks)
    by_hold, gain = rng.normal(size=(coefficients, holds)), rng.uniform(0, 1e-3, holds)

    def normal_equations():
        return (matrix.T * weight) @ matrix, matrix.T @ (weight * matrix[:, 0])

    square, cross = normal_equations()

    def posterior():
        shared = (by_hold * gain) @ by_hold.T
        lower = cholesky(square + shared + np.eye(coefficients), lower=True)
        return cho_solve((lower, True), cross), solve_triangular(lower, np.eye(coefficients), lower=True, trans="T")

    def run():
        with threadpool_limits(limits=1):
            for _ in asked["moments_of"]:
                normal_equations()
            for _ in asked["_state"]:
                posterior()

    return run, size


@pytest.mark.bench
def test_the_steady_study_of_an_hour_against_its_bare_algebra(hour, monkeypatch, capsys):
    engine, log = hour

    def study():
        return fit_steady([log], engine.car, {"r01": engine.revision}, "r01")

    asked = {}
    with monkeypatch.context() as watched:
        counted(watched, joint, "moments_of", asked)
        counted(watched, solution, "_state", asked)
        assert study().because == ""
    bare, (blocks, coefficients, holds) = bare_of(asked)
    rounds = [(*spent(study), *spent(bare)) for _ in range(ROUNDS)]  # by turns: what else runs hits both alike
    wall, processor, bare_wall, bare_processor = np.min(rounds, axis=0)
    with capsys.disabled():
        print(
            f"\n{log.sizes['time']} rows, {blocks} blocks, {coefficients} coefficients, {holds} holds; "
            f"{len(asked['moments_of'])} normal equations, {len(asked['_state'])} posteriors; least of {ROUNDS}\n"
            f"study {wall:.2f} s ({processor:.2f} of the processor), bare algebra {bare_wall:.2f} s "
            f"({bare_processor:.2f}): {processor / bare_processor:.2f} x; aim 3 s"
        )
