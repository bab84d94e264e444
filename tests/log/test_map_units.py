"""A unit is taken from numbers only where every other one is clearly impossible; else the candidates are named."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest
from written_log import ROWS, map_log, waves, write_log

from tunelab.log.inspect import inspect_file
from tunelab.log.map import MapError
from tunelab.log.map.quantity import Form, Spread, guess_forms, is_possible
from tunelab.workspace import ChannelMap, ColumnRule


@pytest.fixture
def mapped(tmp_path):
    """Write columns and map them."""

    def _mapped(columns, *rules, **tables):
        return map_log(write_log(tmp_path / "log.csv", columns), *rules, **tables)

    return _mapped


def noisy(level, spread, seed=5):
    return level + spread * np.random.default_rng(seed).normal(size=ROWS)


# What the numbers of a column may be; ranges are common practice, no source.
OPEN = [
    ("maf", (21, 23), "kg h-1", "g s-1", "lb min-1"),  # idle of three litres, or a drive of another engine
    ("Air flow", (2, 60), "kg h-1", "g s-1", "lb min-1"),
    ("MAF", (0.9, 4.2), "meter_v in V", "g s-1"),
    ("TPS", (0.55, 4.4), "percent", "own voltage"),
    ("TPS", (0.0, 0.3), "percent", "in 1."),
    ("MAP", (26, 31), "kPa", "inHg"),
    ("MAP", (0.6, 2.9), "bar", "own voltage"),
    ("Coolant", (60, 99), "degree_Celsius", "degree_Fahrenheit"),
    ("IAT", (22, 31), "degree_Celsius", "degree_Fahrenheit"),
    ("EGT", (420, 610), "degree_Celsius", "degree_Fahrenheit"),
    ("Commanded Equivalence Ratio", (0.86, 1.0), "in lambda", "in phi", 'unit = "lambda"  # or "phi"'),
    ("O2 sensor", (0.75, 0.92), "lambda_measured in lambda", "own voltage"),
    ("STFT", (-0.06, 0.08), "percent", "share of one", "scale = 100"),
    ("STFT", (1.01, 1.4), "percent", "factor"),
    ("LTFT", (0.97, 1.06), "percent", "factor"),
    ("Accel X", (-0.4, 0.6), "m s-2", "g0"),
    ("GPS speed", (0, 60), "km h-1", "mph", "m s-1", "knot"),
]


@pytest.mark.parametrize(("heading", "ends", "words"), [(h, e, w) for h, e, *w in OPEN])
def test_numbers_that_fit_several_units_are_asked_for(mapped, heading, ends, words):
    with pytest.raises(MapError) as caught:
        mapped({heading: waves(*ends)})
    message = str(caught.value)
    assert all(word in message for word in words), message
    assert "unit = " in message


@pytest.mark.parametrize(
    ("heading", "numbers", "channel", "factor"),
    [
        ("Air flow", waves(20, 690), "air_flow_kg_h", 1.0),
        ("TPS", waves(0.03, 0.8), "throttle_pct", 100.0),
        ("TPS", waves(0, 2.0), "throttle_pct", 1.0),
        ("Duty", waves(2, 70), "injector_duty_pct", 1.0),
        ("MAP", waves(28, 99), "manifold_kpa", 1.0),
        ("Coolant", noisy(88, 1.5), "coolant_c", 1.0),
        ("Short trim", waves(0.93, 1.08), "trim_short_pct", None),
        ("Fuel pressure", waves(42, 44), "fuel_pressure_kpa", 6.894757),
        ("MAF V", waves(1, 4), "meter_v", 1.0),
    ],
)
def test_numbers_that_fit_one_unit_only_are_taken(mapped, heading, numbers, channel, factor):
    log = mapped({heading: numbers})
    expected = (numbers - 1) * 100 if factor is None else numbers * factor
    np.testing.assert_allclose(log[channel], expected, rtol=2e-4, atol=0.01)


def test_the_way_out_that_an_error_names_works(mapped):
    with pytest.raises(MapError, match=r'unit = "percent"'):
        mapped({"TPS": waves(0.55, 4.4)})
    assert float(mapped({"TPS": waves(0.55, 4.4)}, ColumnRule(name="TPS", unit="percent"))["throttle_pct"].max()) < 5
    share = mapped({"STFT": waves(-0.06, 0.08)}, ColumnRule(name="STFT", unit="percent", scale=100))
    assert float(share["trim_short_pct"].max()) == pytest.approx(8, abs=0.2)


def test_temperatures_follow_one_that_is_certain(mapped):
    log = mapped({"Coolant": noisy(188, 2), "IAT": waves(60, 74)})
    np.testing.assert_allclose(log["intake_air_c"], (waves(60, 74) - 32) / 1.8, atol=0.01)
    assert "Coolant" in _why(log, "IAT")
    with pytest.raises(MapError, match="IAT"):
        mapped({"Coolant (°C)": noisy(88, 1), "Oil temp (°F)": noisy(200, 2), "IAT": waves(60, 74)})


@pytest.mark.parametrize(("heading", "ends"), [("IAT", (22, 29)), ("EGT", (640, 860))])
def test_fahrenheit_that_is_common_as_celsius_too_is_asked_for(mapped, heading, ends):
    with pytest.raises(MapError, match=heading):
        mapped({"Coolant (°F)": noisy(188, 2), heading: waves(*ends)})


@pytest.mark.parametrize("heading", ["Coolant (°F)", "Coolant [degF]", "Oil temp (°F)"])
def test_fahrenheit_that_reads_like_a_warm_engines_celsius_is_asked_for(mapped, heading):
    """Read as stated, the engine would be stone cold throughout, and every one of its samples flagged for it."""
    with pytest.raises(MapError) as told:
        mapped({heading: noisy(88, 1)})
    assert "as a warm engine does in degrees Celsius" in str(told.value)
    assert 'unit = "degree_Fahrenheit"  # or "degree_Celsius"' in str(told.value)
    warm = mapped({heading: noisy(188, 2)})
    assert float(warm[{"C": "coolant_c", "O": "oil_c"}[heading[0]]].mean()) == pytest.approx(86.7, abs=0.5)
    from_cold = mapped({heading: waves(50, 110)})
    assert float(from_cold[{"C": "coolant_c", "O": "oil_c"}[heading[0]]].max()) == pytest.approx(43.3, abs=0.5)


def _why(log, column):
    return next(note["why"] for note in json.loads(log.attrs["columns"]) if note["column"] == column)


def breathing(efficiency, *, speed, manifold_kpa):
    """Air flow [kg/h] of three litres that breathe `efficiency` of the manifold's density; 25 °C, dry air."""
    return efficiency * manifold_kpa / (0.287055 * 298.15) * 3.0e-3 * speed / 2 * 60


SPEED, PRESSURE = waves(850, 6200), waves(31, 99, seed=3)
FLOW = breathing(0.85, speed=SPEED, manifold_kpa=PRESSURE)


@pytest.mark.parametrize(("unit", "per_kg_h"), [("kg h-1", 1.0), ("g s-1", 1 / 3.6), ("lb min-1", 1 / 27.2155422)])
@pytest.mark.parametrize("scale", [0.75, 1.25])  # meters that are off
def test_the_engines_size_settles_an_air_flow(mapped, unit, per_kg_h, scale):
    log = mapped({"RPM": SPEED, "MAP (kPa)": PRESSURE, "Air flow": FLOW * per_kg_h * scale})
    np.testing.assert_allclose(log["air_flow_kg_h"], FLOW * scale, rtol=1e-3)
    assert unit in _why(log, "Air flow")
    assert "breathing of the engine against its manifold" in _why(log, "Air flow")


def test_without_a_manifold_pressure_idle_alone_settles_no_air_flow(mapped):
    idle = {"RPM": noisy(860, 10), "maf": noisy(22, 0.5)}
    with pytest.raises(MapError, match="against its atmosphere"):
        mapped(idle)
    log = mapped({"RPM": SPEED, "Air flow": FLOW})
    np.testing.assert_allclose(log["air_flow_kg_h"], FLOW, rtol=1e-3)


def test_an_air_flow_that_the_engine_cannot_breathe_is_asked_for(mapped):
    columns = {"RPM": SPEED, "MAP (kPa)": PRESSURE, "Air flow": FLOW * 2.2}
    with pytest.raises(MapError, match=r"Air flow.*breathing"):
        mapped(columns)
    assert "air_flow_kg_h" in mapped(columns, ColumnRule(name="Air flow", unit="kg/h"))


def test_inspection_without_a_car_leaves_the_air_flow_open(tmp_path):
    path = write_log(tmp_path / "log.csv", {"RPM": SPEED, "maf": noisy(22, 0.5)})
    shown = inspect_file(path, None, ChannelMap())
    assert {view.column.heading: view.sure for view in shown.columns}["maf"] == "open"


def test_a_narrow_band_sensors_voltage_is_no_lambda(mapped):
    log = mapped({"O2 sensor": waves(0.08, 0.9), "RPM": waves(800, 3000)})
    assert "lambda_measured" not in log
    assert "own voltage" in _why(log, "O2 sensor")


def test_a_unit_that_fits_the_whole_column_and_not_the_rows_below_one_heading_is_asked_for(tmp_path):
    """A logger wrote the throttle as a share under "%" and, started anew, in percent: 0.43 stood for 43 %."""
    heading = "Time (s),Throttle Position (%),RPM"
    first = [f"{k / 10:.1f},{0.3 + 0.006 * k:.3f},{2000 + k}" for k in range(60)]
    second = [f"{10 + k / 10:.1f},{30 + 0.6 * k:.1f},{2000 + k}" for k in range(60)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([heading, *first, heading.replace("RPM", "Engine speed"), *second, ""]))
    with pytest.raises(MapError, match=r"no throttle_pct is 0\.\d+ to 0\.\d+ % in lines 2 to 61"):
        map_log(path)
    path.write_text("\n".join([heading, *second[:60], heading.replace("RPM", "Engine speed"), *second, ""]))
    assert map_log(path)["throttle_pct"].max() == pytest.approx(65.4)


# What trims may be, at the ends of each form; ranges are common practice, no source.
@pytest.mark.parametrize(("channel", "spread", "kinds"), [
    ("trim_short_pct", (95, 100, 108), {"of hundred"}), ("trim_short_pct", (52, 61, 120), {"of hundred"}),
    ("trim_short_pct", (52, 59, 120), set()), ("trim_short_pct", (49, 100, 120), set()),
    ("trim_short_pct", (-8, 0, 9), {"plain"}), ("trim_long_pct", (-20, 44, 60), {"plain"}),
    ("trim_long_pct", (-20, 46, 60), set()), ("trim_long_pct", (-61, 0, 9), set()),
    ("trim_short_pct", (0.93, 1.0, 1.08), {"factor"}), ("trim_long_pct", (0.93, 1.0, 1.08), {"factor", "plain"}),
    ("trim_short_pct", (-0.05, 0.0, 0.6), {"plain", "share"}), ("trim_short_pct", (-0.05, 0.0, 0.61), {"plain"}),
])  # fmt: skip
def test_a_trim_is_every_form_that_its_numbers_allow(channel, spread, kinds):
    numbers = pl.Series(np.repeat(np.array(spread, dtype=float), [5, 90, 5]))
    found = guess_forms(channel, "", Spread(numbers))
    assert {form.kind for form in found.fits} == kinds


def test_an_opening_below_one_that_moves_is_a_share_and_not_percent():
    for top, possible in ((0.10, True), (0.14, True), (0.20, False), (1.05, False), (1.10, True)):
        numbers = pl.Series(np.repeat([0.0, top / 2, top], [5, 90, 5]))
        assert is_possible(Form("throttle_pct", "percent"), Spread(numbers)) is possible, top
