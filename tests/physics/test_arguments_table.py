import numpy as np
import pytest
import scipy.interpolate

from tunelab.physics import require_rising, require_table, table_value

BREAKPOINTS = np.array([1.0, 2.0, 4.0])
VALUES = np.array([10.0, 0.0, 8.0])


# scipy 1.17: interp1d, linear, with the end values outside.
def test_table_value_matches_reference_library():
    wanted = scipy.interpolate.interp1d(BREAKPOINTS, VALUES, bounds_error=False, fill_value=(10.0, 8.0))
    reading = np.linspace(-1, 6, 301).reshape(7, 43)
    np.testing.assert_allclose(table_value(reading, BREAKPOINTS, VALUES), wanted(reading), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_table_value_keeps_nan_whatever_the_size(size):
    got = table_value([np.nan, 1.0], BREAKPOINTS[:size], VALUES[:size])
    np.testing.assert_array_equal(got, [np.nan, 10.0])


def test_tables_say_what_is_wrong():
    with pytest.raises(ValueError, match=r"x: 2 of 4 samples are not above the one before .*first: 1 at position 1"):
        require_rising([1.0, 1.0, 3.0, 2.0], "x")
    with pytest.raises(ValueError, match=r"x: a list of breakpoints is wanted, got shape \(\)"):
        require_rising(1.0, "x")
    with pytest.raises(ValueError, match="y: 3 and 2 entries"):
        require_table(BREAKPOINTS, [1.0, 2.0], "y", "a flow is wanted")
    with pytest.raises(ValueError, match=r"y: 1 of 3 samples are below zero .*a flow is wanted"):
        require_table(BREAKPOINTS, [1.0, 2.0, -1.0], "y", "a flow is wanted")
