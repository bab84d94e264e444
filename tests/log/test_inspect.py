"""What inspection shows of a log, and how the command shows it."""

import argparse
import re
import tomllib

import numpy as np
import pytest
from plain_car import owners_car
from plain_workspace import SESSION_NAME, write_workspace
from written_log import ROWS, map_log, waves, write_log

from tunelab.cli import inspect as command
from tunelab.cli import main
from tunelab.log.inspect import inspect_file, write_starting_map
from tunelab.workspace import ChannelMap, ColumnRule
from tunelab.workspace.session import find_needs


def _columns():
    lam = [f"{x:.3f}" if i % 5 == 0 else "" for i, x in enumerate(waves(0.9, 1.1))]
    rpm = [f"{x:.0f}" for x in waves(800, 6000)]
    rpm[7] = "ERR"
    return {
        "RPM": rpm,
        "MAF [V]": waves(1, 4),
        "PW (ms)": waves(2, 12),
        "Lambda": lam,
        "Battery (V)": waves(13, 14),
        "Coolant (°F)": waves(176, 194),
        "Speed": waves(0, 90),
        "Secret": waves(0, 1),
        "Spare": [""] * ROWS,
    }


@pytest.fixture
def log_file(tmp_path):
    return write_log(tmp_path / "drive.csv", _columns())


@pytest.fixture
def shown(log_file):
    return inspect_file(log_file, None, ChannelMap())


def _run(*arguments):
    parser = argparse.ArgumentParser()
    command.add_inspect(parser.add_subparsers(dest="command"))
    return command.run_inspect(parser.parse_args(["inspect", *map(str, arguments)]))


def test_every_column_is_shown_with_channel_and_how_sure(shown):
    found = {view.column.heading: (view.channel, view.sure) for view in shown.columns}
    assert found == {
        "Time (s)": ("time", "stated"),
        "RPM": ("engine_speed_rpm", "likely"),
        "MAF [V]": ("meter_v", "stated"),
        "PW (ms)": ("pulse_width_ms", "stated"),
        "Lambda": ("lambda_measured", "stated"),
        "Battery (V)": ("battery_v", "stated"),
        "Coolant (°F)": ("coolant_c", "stated"),
        "Speed": ("", "open"),
        "Secret": ("", "none"),
        "Spare": ("", "none"),
    }


def test_rates_ranges_and_dirt_of_columns(shown):
    views = {view.column.heading: view for view in shown.columns}
    assert views["MAF [V]"].rate_hz == pytest.approx(25, rel=1e-3)
    assert views["Lambda"].rate_hz == pytest.approx(5, rel=1e-3)
    assert (views["Coolant (°F)"].low, views["Coolant (°F)"].high) == pytest.approx((80, 90), abs=0.2)
    assert views["RPM"].missing == 1
    assert views["Spare"].why == "the column is empty"


def test_span_rate_and_gaps(tmp_path):
    stamps = [f"{t:.2f}" for t in (*np.arange(0, 4, 0.04), *np.arange(9, 13, 0.04))]
    path = write_log(tmp_path / "gap.csv", {"Time (s)": stamps, "RPM": waves(800, 6000, 200)})
    shown = inspect_file(path, None, ChannelMap())
    assert shown.span_s == pytest.approx(12.96)
    assert shown.rate_hz == pytest.approx(25)
    assert (shown.gaps.count, shown.gaps.longest_s) == (1, pytest.approx(5.04))


def test_what_the_steps_miss(shown):
    needs = {need.step: need for need in shown.needs}
    assert needs["steady"].missing == ()
    assert ("lambda_commanded",) in needs["steady"].would_help
    assert needs["part-throttle"].missing == (("throttle_pct",),)
    assert needs["coast-down"].missing == (("road_speed_km_h", "gps_speed_km_h"),)
    asked = {name for need in find_needs([]) if need.step == "road" for group in need.would_help for name in group}
    assert {"lambda_measured", "trim_short_pct", "trim_long_pct", "pulse_width_ms", "coolant_c"} <= asked
    assert needs["link"].missing == ()


def test_open_column_and_what_made_an_afr_are_things_to_settle(shown, tmp_path):
    assert any("'Speed'" in text and "mph" in text for text in shown.to_settle)
    path = write_log(tmp_path / "afr.csv", {"AFR": waves(12, 15), "RPM": waves(800, 900)})
    without = inspect_file(path, None, ChannelMap())
    assert any("afr_stoich" in text for text in without.to_settle)
    beside = write_log(tmp_path / "both.csv", {"AFR": waves(12, 15), "Lambda": waves(12, 15) / 14.7})
    assert not any("afr_stoich" in text for text in inspect_file(beside, owners_car(), ChannelMap()).to_settle)


def test_file_without_clock_is_shown_all_the_same(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("RPM,Lambda\n" + "".join(f"{800 + i},1.0{i}\n" for i in range(9)))
    shown = inspect_file(path, None, ChannelMap())
    assert shown.clock is None
    assert "rate_hz" in shown.clock_problem
    assert [view.channel for view in shown.columns] == ["engine_speed_rpm", "lambda_measured"]


def test_inspection_and_mapping_agree(log_file, shown):
    from tunelab.workspace import ColumnRule

    log = map_log(log_file, ColumnRule(name="Speed", ignore=True))
    settled = {view.channel for view in shown.columns if view.sure in ("stated", "likely")} - {"time"}
    assert settled == {name for name in log if not name.endswith("_fresh")} - {"episode"}


def test_starting_map_is_toml_that_asks_for_what_is_open(shown):
    text = write_starting_map([shown])
    rules = {rule["name"]: rule for rule in tomllib.loads(text)["column"]}
    assert rules["Speed"] == {"name": "Speed", "channel": "road_speed_km_h", "unit": "fill in"}
    assert rules["RPM"] == {"name": "RPM", "channel": "engine_speed_rpm", "unit": "rpm"}
    assert "Secret" not in rules
    assert '# name = "Secret"' in text
    for rule in rules.values():
        if rule["unit"] != "fill in":
            ChannelMap.model_validate({"column": [rule]})


def test_starting_map_asks_for_codes_of_unknown_meaning(tmp_path):
    path = write_log(tmp_path / "loop.csv", {"Loop": np.tile([0.0, 1.0], ROWS // 2), "RPM": waves(800, 900)})
    shown = inspect_file(path, None, ChannelMap())
    assert any('words = { "0" = "fill in", "1" = "fill in" }' in text for text in shown.to_settle)
    rules = {rule["name"]: rule for rule in tomllib.loads(write_starting_map([shown]))["column"]}
    assert rules["Loop"]["words"] == {"0": "fill in", "1": "fill in"}


def test_a_name_that_is_nearly_a_channels_is_hinted_at_and_an_unread_code_is_named(tmp_path, capsys):
    columns = {"Engin speed": waves(800, 900), "Fuel state": np.tile([0.0, 1.0, 3.0, 1.0], ROWS // 4)}
    path = write_log(tmp_path / "log.csv", columns)
    rules = ChannelMap(column=[ColumnRule(name="Fuel state", channel="fuel_mode", words={"0": 1, "1": 2})])
    shown = inspect_file(path, None, rules)
    views = {view.column.key: view for view in shown.columns}
    assert "perhaps engine_speed_rpm" in views["Engin speed"].why
    assert views["Fuel state"].unread == {"3": ROWS // 4}
    assert f"without a meaning, and not read: '3' {ROWS // 4}" in "\n".join(command.show(shown))


def test_command_fills_a_map_that_holds_comments_alone(log_file, tmp_path):
    target = tmp_path / "channels.toml"
    target.write_text("# written by tunelab new\n", encoding="utf-8")
    assert _run(log_file, "--write", target) == 0
    assert target.read_text(encoding="utf-8").startswith("# written by tunelab new\n")
    assert tomllib.loads(target.read_text(encoding="utf-8"))["column"]


def test_command_shows_and_writes_and_adds_only_what_has_no_answer(log_file, tmp_path, capsys):
    target = tmp_path / "channels.toml"
    assert _run(log_file, "--write", target) == 0
    out = capsys.readouterr().out
    for text in (
        "comma between fields",
        "engine_speed_rpm",
        "'ERR' 1",
        "To settle in channels.toml",
        "missing throttle_pct",
    ):
        assert text in out
    before = target.read_text()
    assert _run(log_file, "--write", target) == 0
    assert target.read_text() == before
    assert "nothing was added" in capsys.readouterr().out
    target.write_text("[[column]\n")
    assert _run(log_file, "--write", target) == 2
    assert "left as it is" in capsys.readouterr().err
    assert target.read_text() == "[[column]\n"


def test_what_was_answered_once_holds_for_the_next_log_and_the_next_car(tmp_path, capsys):
    """A heading that no list knows is asked for once, with what it may be; the same logger is then read as told."""
    columns = {"RPM": waves(800, 3000), "Kx7": waves(0.8, 1.2), "Q9 (V)": waves(12.5, 14.2)}
    first, target = write_log(tmp_path / "one.csv", columns), tmp_path / "channels.toml"
    assert _run(first, "--write", target) == 0
    told = capsys.readouterr().out
    assert "no channel has this name; by its numbers it may be" in told
    assert "battery_v" in next(line for line in told.splitlines() if line.lstrip().startswith("Q9"))
    target.write_text('[[column]]\nname = "Kx7"\nchannel = "lambda_measured"\nunit = "lambda"\n')
    assert _run(first, "--write", target) == 0
    capsys.readouterr()
    second = write_log(tmp_path / "other car.csv", columns | {"Zz": waves(1, 2)})
    new = tmp_path / "new.toml"
    assert _run(second, "--answers", target, "--write", new) == 0
    told = capsys.readouterr().out
    assert re.search(r"\d answers? of .*channels.toml used", told)
    assert "lambda_measured" in told
    rules = {rule["name"]: rule for rule in tomllib.loads(new.read_text())["column"]}
    assert rules["Kx7"] == {"name": "Kx7", "channel": "lambda_measured", "unit": "lambda"}


def test_answers_count_before_the_car_is_filled_in(tmp_path, capsys):
    """A column was asked for again at every log until car.toml was complete."""
    assert main(["new", str(tmp_path / "my-car")]) == 0
    answer = '\n[[column]]\nname = "Kx7"\nchannel = "lambda_measured"\nunit = "lambda"\n'
    with (tmp_path / "my-car" / "channels.toml").open("a", encoding="utf-8") as file:
        file.write(answer)
    log = write_log(tmp_path / "my-car" / "one.csv", {"RPM": waves(800, 3000), "Kx7": waves(0.8, 1.2)})
    capsys.readouterr()
    assert _run(log) == 0
    shown = capsys.readouterr()
    assert "read without the car" in shown.err
    assert "lambda_measured" in next(line for line in shown.out.splitlines() if line.lstrip().startswith("Kx7"))


def test_command_goes_on_after_a_file_that_cannot_be_read(log_file, tmp_path, capsys):
    (tmp_path / "empty.csv").write_bytes(b"")
    assert _run(tmp_path / "empty.csv", log_file) == 1
    captured = capsys.readouterr()
    assert "empty.csv" in captured.err
    assert "engine_speed_rpm" in captured.out


def test_command_uses_the_workspace_that_a_file_lies_in(tmp_path, capsys):
    root = write_workspace(tmp_path)
    path = write_log(root / "sessions" / SESSION_NAME / "log1.csv", {"AFR": waves(12, 15), "Speed": waves(0, 90)})
    (root / "channels.toml").write_text('[[column]]\nname = "Speed"\nunit = "mph"\n')
    assert _run(path) == 0
    out = capsys.readouterr().out
    assert "where it was set to pump fuel" in out
    assert "mph to km h-1" in out


def test_escape_sequences_in_names_do_not_reach_the_terminal(tmp_path, capsys):
    heading = "Evil \x1b]0;owned\x07\x1b[31m \u202e name"
    clear = "\x1b[2J"
    rows = "".join(f"{i / 10},{800 + i},{i if i % 5 else clear}\n" for i in range(20))
    path = tmp_path / "log\x1b[1m.csv"
    path.write_text(f"Time (s),RPM,{heading}\n{rows}", encoding="utf-8")
    _run(path)
    captured = capsys.readouterr()
    assert not any(character in captured.out + captured.err for character in "\x1b\x07\u202e")
    assert "Evil" in captured.out


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("RPM", "RPM     "),
        ("Engine speed", "Engine …"),
        ("温度センサー", "温度セ… "),
        ("e\u0301tat", "e\u0301tat    "),
        ("a\x1b[0m", "a?[0m   "),
    ],
)
def test_names_are_cut_and_padded_to_their_width_on_screen(text, shown):
    assert command.fit(text, 8) == shown


def test_answers_with_a_name_that_is_no_channel_are_refused_with_the_nearest(tmp_path, capsys):
    """It ended in a traceback."""
    answers = tmp_path / "answers.toml"
    answers.write_text('[[column]]\nname = "RPM"\nchannel = "engine_sped_rpm"\n', encoding="utf-8")
    assert _run(write_log(tmp_path / "one.csv", {"Time (s)": waves(0, 9)}), "--answers", answers) == 2
    told = capsys.readouterr().err
    assert "answers.toml, line 3" in told
    assert "perhaps engine_speed_rpm" in told
