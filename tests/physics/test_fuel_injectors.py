import numpy as np
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, matching

from tunelab.physics import fuel
from tunelab.units import convert

VOLTS = [8.0, 10.0, 12.0, 14.0, 16.0]
DEAD_TIMES = [2.2, 1.5, 1.05, 0.8, 0.62]


# Common practice, no source: the square-root law of an orifice. Pressures in whatever unit, only their ratio counts.
@pytest.mark.parametrize("entry", matching("i_sqrt"))
def test_flow_at_pressure_matches_rule_of_the_trade(entry):
    given = entry["inputs"]
    assert_agrees(fuel.flow_at_pressure(given["flow"], given["p_rated"], given["p"]), entry)


def test_flow_at_pressure_stops_without_a_difference():
    np.testing.assert_array_equal(fuel.flow_at_pressure(250.0, 300.0, [0.0, 300.0]), [0.0, 250.0])


@pytest.mark.parametrize("entry", [e for e in matching("i_duty_") if "rpm" in e.values[0]["inputs"]])
def test_injector_duty_matches_definition(entry):
    given = entry["inputs"]
    injections = 2 if entry["id"] == "i_duty_batch" else 1
    assert_agrees(fuel.injector_duty(given["pw_ms"], given["rpm"], injections_per_cycle=injections), entry)


def test_injector_duty_of_a_stopped_engine_is_zero_and_may_pass_100():
    np.testing.assert_allclose(fuel.injector_duty([3.0, 25.0], [0.0, 6000.0], injections_per_cycle=1), [0, 125])


@pytest.mark.parametrize("entry", matching("i_size_"))
def test_required_flow_matches_worked_example(entry):
    given = entry["inputs"]
    fuel_kg_h = convert(given["hp"] * given["bsfc_lb_hp_h"], "lb/h", "kg/h")
    flow_g_min = fuel.required_flow(fuel_kg_h, injectors=given["n"], duty_max_pct=100 * given["duty"])
    assert_agrees(convert(flow_g_min, "g/min", "lb/h"), entry)


@pytest.mark.parametrize("entry", matching("i_slope"))
def test_slope_matches_arithmetic(entry):
    given = entry["inputs"]
    assert_agrees(fuel.slope_mg_ms(given["flow_cc_min"] * given["rho_g_cc"]), entry)


# SAE J1832 (from memory): the offset is where the line of delivery against pulse width meets zero.
@pytest.mark.parametrize("entry", matching("i_offset"))
def test_delivered_mass_has_its_offset_at_the_dead_time(entry):
    given = entry["inputs"]
    flow_g_min = convert(given["slope_mg_ms"], "mg/ms", "g/min")
    mass_mg = fuel.delivered_mass(given["pw_ms"], given["offset_ms"], flow_g_min)
    slope, constant = np.polyfit(given["pw_ms"], mass_mg, 1)
    assert_agrees(-constant / slope, entry)
    np.testing.assert_allclose(slope, given["slope_mg_ms"], rtol=1e-12)


def test_delivered_mass_is_zero_within_the_dead_time():
    np.testing.assert_array_equal(fuel.delivered_mass([0.0, 0.5, 1.0], 1.0, 250.0), 0.0)


def test_pulse_width_for_turns_delivered_mass_round():
    pulse_ms = np.array([1.2, 2.5, 9.0, 17.0])
    fuel_mg = fuel.delivered_mass(pulse_ms, [1.1, 0.9, 0.8, 0.7], 260.0)
    np.testing.assert_allclose(fuel.pulse_width_for(fuel_mg, [1.1, 0.9, 0.8, 0.7], 260.0), pulse_ms, rtol=1e-12)


def test_pulse_width_for_no_fuel_is_no_pulse():
    np.testing.assert_array_equal(fuel.pulse_width_for([0.0, np.nan], 0.9, 260.0), [0.0, np.nan])
    assert fuel.pulse_width_for(0.0, 0.0, 260.0) == 0.0


# numpy's interp, which holds the ends; figures of the table by hand.
def test_dead_time_at_is_linear_inside_and_held_outside():
    got = fuel.dead_time_at([6.0, 8.0, 9.0, 13.0, 16.0, 18.0], VOLTS, DEAD_TIMES)
    np.testing.assert_allclose(got, [2.2, 2.2, 1.85, 0.925, 0.62, 0.62], rtol=1e-12)


def test_dead_time_at_takes_a_table_of_one_entry():
    np.testing.assert_array_equal(fuel.dead_time_at([9.0, 14.0, np.nan], [12.0], [1.0]), [1.0, 1.0, np.nan])


# Half a volt apart, as ECUs have them near 12 V; the middle by hand.
def test_dead_time_at_takes_breakpoints_close_together():
    np.testing.assert_allclose(fuel.dead_time_at(12.25, [12.0, 12.5], [1.05, 0.95]), 1.0, rtol=1e-12)


def test_dead_time_at_does_not_edit_its_table():
    volts, dead_times = np.array(VOLTS), np.array(DEAD_TIMES)
    fuel.dead_time_at(12.5, volts, dead_times)
    np.testing.assert_array_equal(volts, VOLTS)
    np.testing.assert_array_equal(dead_times, DEAD_TIMES)


@pytest.mark.parametrize(
    ("model", "arguments", "options"),
    [
        (fuel.flow_at_pressure, (250.0, 300.0, 350.0), {}),
        (lambda volts: fuel.dead_time_at(volts, VOLTS, DEAD_TIMES), (13.1,), {}),
        (fuel.delivered_mass, (3.0, 0.9, 250.0), {}),
        (fuel.pulse_width_for, (8.0, 0.9, 250.0), {}),
        (fuel.injector_duty, (3.0, 2500.0), {"injections_per_cycle": 1}),
        (fuel.required_flow, (70.0,), {"injectors": 6, "duty_max_pct": 85.0}),
        (fuel.slope_mg_ms, (250.0,), {}),
    ],
)
def test_models_keep_the_contract(model, arguments, options):
    assert_keeps_contract(model, *arguments, **options)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fuel.flow_at_pressure(0, 300, 300), "flow_g_min"),
        (lambda: fuel.flow_at_pressure(250, 0, 300), "rated_kpa"),
        (lambda: fuel.flow_at_pressure(250, 300, [300, -5]), "difference_kpa: 1 of 2 .*first: -5 at position 1"),
        (lambda: fuel.dead_time_at(12, [8, 8, 10], [1, 1, 1]), "table_battery_v: .*not above the one before"),
        (lambda: fuel.dead_time_at(12, [8, 10, 12], [1, 1]), "3 and 2 entries"),
        (lambda: fuel.dead_time_at(12, [8, 10], [1, -1]), "table_dead_time_ms"),
        (lambda: fuel.dead_time_at(12, [], []), "a list of breakpoints is wanted"),
        (lambda: fuel.dead_time_at(12, [8, np.nan], [1, 1]), "table_battery_v: .*not finite"),
        (lambda: fuel.dead_time_at(12, [8, 10], [1, np.nan]), "table_dead_time_ms: .*not finite"),
        (lambda: fuel.delivered_mass(-1, 1, 250), "pulse_width_ms"),
        (lambda: fuel.delivered_mass(1, -1, 250), "dead_time_ms"),
        (lambda: fuel.delivered_mass(1, 1, 0), "flow_g_min"),
        (lambda: fuel.pulse_width_for(-1, 1, 250), "fuel_mg"),
        (lambda: fuel.pulse_width_for(1, -1, 250), "dead_time_ms"),
        (lambda: fuel.pulse_width_for(1, 1, -250), "flow_g_min"),
        (lambda: fuel.injector_duty(-1, 1000, injections_per_cycle=1), "pulse_width_ms"),
        (lambda: fuel.injector_duty(1, -1000, injections_per_cycle=1), "engine_speed_rpm"),
        (lambda: fuel.injector_duty(1, 1000, injections_per_cycle=0), "injections_per_cycle.*sequential"),
        (lambda: fuel.injector_duty(1, 1000, injections_per_cycle=9), "injections_per_cycle"),
        (lambda: fuel.required_flow(-1, injectors=6, duty_max_pct=85), "fuel_flow_kg_h"),
        (lambda: fuel.required_flow(70, injectors=0, duty_max_pct=85), "injectors"),
        (lambda: fuel.required_flow(70, injectors=49, duty_max_pct=85), "injectors"),
        (lambda: fuel.required_flow(70, injectors=6, duty_max_pct=0.85), "duty_max_pct: .*per cent"),
        (lambda: fuel.required_flow(70, injectors=6, duty_max_pct=100.5), "duty_max_pct: .*per cent"),
        (lambda: fuel.slope_mg_ms(0), "flow_g_min"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()


# One injector held open all the time has to flow what the engine takes (definition).
def test_required_flow_of_one_injector_held_open_is_the_whole_flow():
    np.testing.assert_allclose(fuel.required_flow(6.0, injectors=1, duty_max_pct=100.0), 100.0, rtol=1e-12)


# Proportion by hand: 48 injectors open 1 % of the time flow what one held open 48 % of it flows.
def test_required_flow_takes_the_ends_of_its_ranges():
    many = fuel.required_flow(6.0, injectors=48, duty_max_pct=1.0)
    np.testing.assert_allclose(many, fuel.required_flow(6.0, injectors=1, duty_max_pct=48.0), rtol=1e-12)
    eight = fuel.injector_duty(1.0, 1000.0, injections_per_cycle=8)
    np.testing.assert_allclose(eight, 8 * fuel.injector_duty(1.0, 1000.0, injections_per_cycle=1), rtol=1e-12)
