"""What every model of `tunelab.physics` owes: scalar equals array; NaN comes out where it went in, nowhere else."""

from __future__ import annotations

import numpy as np


def assert_keeps_contract(model, *arguments, **options) -> None:
    """Check a model at one point: all positional arguments are numbers that may be arrays."""
    given = [np.asarray(argument, dtype=float) for argument in arguments]
    scalar = np.asarray(model(*arguments, **options), dtype=float)
    assert scalar.shape == ()
    assert np.isfinite(scalar)
    before = [np.full(3, argument) for argument in given]
    rows = np.asarray(model(*before, **options))
    np.testing.assert_allclose(rows, np.full(3, scalar), rtol=1e-14)
    grid = np.asarray(model(*(np.full((2, 3), argument) for argument in given), **options))
    assert grid.shape == (2, 3)
    for argument, column in zip(given, before, strict=True):
        np.testing.assert_array_equal(column, np.full(3, argument), err_msg="an argument was edited in place")
    for position in range(len(given)):
        _assert_nan_passes(model, given, position, options)


def _assert_nan_passes(model, given, position, options) -> None:
    columns = [np.full(3, argument) for argument in given]
    columns[position][1] = np.nan
    got = np.isnan(np.asarray(model(*columns, **options)))
    np.testing.assert_array_equal(got, [False, True, False], err_msg=f"argument {position} of {model.__name__}")
