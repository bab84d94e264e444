"""What a column without a known name may be: by its unit, its range and how it moves."""

from dataclasses import replace
from pathlib import Path

import pytest

from tunelab.log.map.candidates import MOST, find_candidates
from tunelab.log.map.heading import Heading
from tunelab.log.map.recognise import match_columns
from tunelab.log.read import read_raw
from tunelab.workspace.channel_map import ChannelMap

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "sessions"
# Too many channels look alike there, or it stood still: a mixed column says no more without its name.
HARD = {"trim_long_pct", "idle_target_rpm", "longitude_deg", "idle_actuator_pct", "lambda_measured", "lambda_commanded"}


def blind(path):
    """Channels of a file's columns by name, and what they may be with the name taken away and the unit left."""
    raw = read_raw(path, ChannelMap())
    matches = match_columns(raw, ChannelMap(), None)
    for match in matches:
        if match.form is None:
            continue
        taken = {other.form.channel for other in matches if other.form and other is not match}
        nameless = replace(match, forms=(), sure="none", heading=Heading("x", match.heading.unit, (), False))
        found = find_candidates(raw.frame[match.column.key], nameless, taken)
        yield match.form.channel, [form.channel for form in found]


@pytest.mark.parametrize("name", ["2026-05-17-steady/road-3.csv.gz", "2026-05-06-part-throttle/road-home.csv.gz"])
def test_a_column_is_found_by_unit_range_and_movement(name):
    found = dict(blind(DEMO / name))
    assert len(found) > 15
    assert all(len(names) <= MOST for names in found.values())
    assert [channel for channel, names in found.items() if channel not in HARD and channel not in names] == []


def test_a_temperature_is_no_switch_and_a_switch_no_temperature():
    found = dict(blind(DEMO / "2026-05-06-part-throttle/road-home.csv.gz"))
    assert set(found["clutch_pressed"]) <= {"clutch_pressed", "brake_pressed", "launch_active", "fuel_mode", "gear"}
    assert "clutch_pressed" not in found["coolant_c"]
