import numpy as np
import pytest
import scipy.interpolate
from model_contract import assert_keeps_contract
from published import entries

from tunelab.physics import meter

VOLTS = [0.9, 1.4, 2.0, 2.8, 3.6, 4.4, 4.9]
FLOWS = [0.0, 8.0, 31.0, 105.0, 262.0, 560.0, 850.0]


# scipy 1.17: interp1d, linear, with the end values outside.
def test_transfer_curve_flow_matches_reference_library():
    wanted = scipy.interpolate.interp1d(VOLTS, FLOWS, bounds_error=False, fill_value=(FLOWS[0], FLOWS[-1]))
    reading = np.linspace(0.0, 5.2, 531)
    np.testing.assert_allclose(meter.transfer_curve_flow(reading, VOLTS, FLOWS), wanted(reading), rtol=1e-12)


def test_transfer_curve_flow_passes_its_breakpoints_and_holds_its_ends():
    np.testing.assert_array_equal(meter.transfer_curve_flow(VOLTS, VOLTS, FLOWS), FLOWS)
    np.testing.assert_array_equal(meter.transfer_curve_flow([0.0, 5.4, np.nan], VOLTS, FLOWS), [0.0, 850.0, np.nan])


def test_transfer_curve_reading_turns_the_curve_round():
    reading = np.linspace(0.9, 4.9, 173)
    flow = meter.transfer_curve_flow(reading, VOLTS, FLOWS)
    np.testing.assert_allclose(meter.transfer_curve_reading(flow, VOLTS, FLOWS), reading, rtol=1e-12)


def test_transfer_curve_reading_is_not_shown_outside_the_curve():
    got = meter.transfer_curve_reading([-1.0, 0.0, 850.0, 851.0, np.nan], VOLTS, FLOWS)
    np.testing.assert_array_equal(got, [np.nan, 0.9, 4.9, np.nan, np.nan])


# King's law by its own property: E² against Uⁿ is a straight line of intercept A and slope B, for an exponent within
# the range of the literature (from memory).
def test_hot_film_voltage_follows_kings_law():
    exponent = entries()["a_king_exponent"]["expected"]
    flow = np.linspace(0.0, 900.0, 200)
    voltage = meter.hot_film_voltage(flow, 1.1, 0.95, exponent)
    slope, intercept = np.polyfit(flow**exponent, voltage**2, 1)
    np.testing.assert_allclose([slope, intercept], [0.95, 1.21], rtol=1e-9)
    assert voltage[0] == 1.1


def test_hot_film_flow_turns_the_voltage_round():
    flow = np.array([0.0, 3.0, 40.0, 700.0])
    np.testing.assert_allclose(
        meter.hot_film_flow(meter.hot_film_voltage(flow, 1.1, 0.95, 0.45), 1.1, 0.95, 0.45), flow
    )


def test_hot_film_flow_is_zero_below_the_still_air_voltage():
    np.testing.assert_array_equal(meter.hot_film_flow([0.4, 1.1, np.nan], 1.1, 0.95, 0.45), [0.0, 0.0, np.nan])


@pytest.mark.parametrize(
    ("model", "arguments"),
    [
        (lambda reading: meter.transfer_curve_flow(reading, VOLTS, FLOWS), (2.2,)),
        (lambda flow: meter.transfer_curve_reading(flow, VOLTS, FLOWS), (122.0,)),
        (meter.hot_film_voltage, (120.0, 1.1, 0.95, 0.45)),
        (meter.hot_film_flow, (2.9, 1.1, 0.95, 0.45)),
    ],
)
def test_models_keep_the_contract(model, arguments):
    assert_keeps_contract(model, *arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: meter.transfer_curve_flow(1, [1, 1], [0, 1]), "curve_reading: 1 of .*first: 1 at position 1"),
        (lambda: meter.transfer_curve_flow(1, [1, 2], [0, 1, 2]), "2 and 3 entries"),
        (lambda: meter.transfer_curve_flow(1, [1, 2], [0, -1]), "curve_flow_kg_h"),
        (lambda: meter.transfer_curve_flow(1, [1, 2], [0, np.nan]), "curve_flow_kg_h: .*not finite"),
        (lambda: meter.transfer_curve_flow(1, [[1, 2]], [[0, 1]]), "a list of breakpoints"),
        (lambda: meter.transfer_curve_reading(1, [1, 2, 3], [0, 5, 5]), "curve_flow_kg_h: .*not above the one before"),
        (lambda: meter.hot_film_voltage(-1, 1, 1, 0.5), "flow_kg_h"),
        (lambda: meter.hot_film_voltage(1, -1, 1, 0.5), "still_v"),
        (lambda: meter.hot_film_voltage(1, 1, 0, 0.5), "gain"),
        (lambda: meter.hot_film_voltage(1, 1, 1, 0), "exponent"),
        (lambda: meter.hot_film_flow(-1, 1, 1, 0.5), "voltage_v"),
        (lambda: meter.hot_film_flow(1, -1, 1, 0.5), "still_v"),
        (lambda: meter.hot_film_flow(1, 1, 0, 0.5), "gain"),
        (lambda: meter.hot_film_flow(1, 1, 1, 0), "exponent"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()
