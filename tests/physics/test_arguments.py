import numpy as np
import pytest

from tunelab.physics import require_between, require_not_negative, require_positive


def test_checks_return_numbers_and_let_nan_pass():
    for got in (
        require_positive([1, np.nan], "x", "hint"),
        require_not_negative([1, np.nan], "x", "hint"),
        require_between([1, np.nan], "x", 1, 1, hint="hint"),
    ):
        np.testing.assert_array_equal(got, [1.0, np.nan])
        assert got.dtype == np.float64
    assert require_not_negative(0, "x", "hint") == 0.0


# A message for a person: which argument, how many samples, the first one, what is wanted.
def test_a_refusal_names_argument_count_first_and_cause():
    values = np.full(6000, 101325.0)
    values[17 : 17 + 412] = -31200
    wanted = (
        r"^pressure_pa: 412 of 6000 samples are at or below zero \(first: -31200 at position 17\); "
        r"a gauge reading needs barometric pressure added\.$"
    )
    with pytest.raises(ValueError, match=wanted):
        require_positive(values, "pressure_pa", "a gauge reading needs barometric pressure added")


def test_limits_are_inclusive_and_infinity_is_outside():
    with pytest.raises(ValueError, match=r"x: 2 of 4 samples are outside 0 to 100 .*first: inf at position 2"):
        require_between([0, 100, np.inf, -1], "x", 0, 100, hint="per cent")
    with pytest.raises(ValueError, match="first: 0 at position 0"):
        require_positive(0, "x", "hint")
