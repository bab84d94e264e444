"""What is made of a log once: in memory at a desk, in a folder for later runs, and nowhere without a desk."""

import gc
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from tunelab.log.once import as_kept, at_one_desk, content_of, kept_once, made_once, read_kept, shared_while_used
from tunelab.study.finding import Finding

MADE = []


def log_of(value=1.0, **attrs):
    attrs = {"session": "first", "revision": "r01"} | attrs
    return xr.Dataset({"battery_v": ("time", [value, 2.0], {"units": "V"})}, {"time": [0.0, 0.1]}, attrs)


@made_once
def doubled(log, factor):
    MADE.append(factor)
    return log["battery_v"].to_numpy() * factor


@kept_once
def judged(log, settings):
    MADE.append(settings)
    return [Finding("a.b", "A title", np.float64(0.1), "1", None, float("inf"), 0.95, 3, 0, "watch", None, "so it is")]


@pytest.fixture(autouse=True)
def nothing_made():
    MADE.clear()


def write(path, content):
    path.write_bytes(content)


def test_without_a_desk_everything_is_made_anew():
    log = log_of()
    assert doubled(log, 2.0) is not doubled(log, 2.0)
    assert MADE == [2.0, 2.0]


def test_at_a_desk_the_same_log_and_settings_give_the_same_result():
    log, other = log_of(), log_of()
    with at_one_desk(None, "", write):
        first = doubled(log, 2.0)
        assert doubled(log, 2.0) is first
        assert doubled(other, 2.0) is not first
        doubled(log, 3.0)
        with pytest.raises(ValueError, match="read-only"):
            first[0] = 5.0
    assert MADE == [2.0, 2.0, 3.0]


def test_what_was_made_goes_with_its_log():
    with at_one_desk(None, "", write):
        for _ in range(3):  # a new log may get the identity of one that is gone
            assert doubled(log_of(), 2.0).tolist() == [2.0, 4.0]
            gc.collect()
    assert MADE == [2.0] * 3


def test_a_log_is_loaded_once_while_somebody_holds_it():
    loaded = []

    @shared_while_used
    def load(workspace, session):
        loaded.append(session)
        return log_of()

    workspace = object()
    with at_one_desk(None, "", write):
        held = load(workspace, "first")
        assert load(workspace, "first") is held
        del held
        gc.collect()
        load(workspace, "first")
    assert loaded == ["first", "first"]


@pytest.mark.parametrize(
    ("change", "made"),
    [("nothing", 1), ("reading", 2), ("note", 2), ("setting", 2), ("code", 2), ("broken", 2), ("gone", 2)],
)
def test_a_fit_is_kept_for_the_next_run_and_made_anew_after_a_change(tmp_path, change, made):
    with at_one_desk(tmp_path / "kept", "code 1", write):
        first = judged(log_of(), {"r01": 1.5})
    path = tmp_path / "kept" / "first.judged.npz"
    if change == "broken":
        path.write_bytes(path.read_bytes()[:-40])
    if change == "gone":
        path.unlink()
    log = log_of(1.001 if change == "reading" else 1.0, **({"history": "flagged"} if change == "note" else {}))
    with at_one_desk(tmp_path / "kept", "code 2" if change == "code" else "code 1", write):
        again = judged(log, {"r01": 1.6 if change == "setting" else 1.5})
    assert again == first
    assert type(again[0].value) is np.float64
    assert len(MADE) == made


def test_a_disk_that_takes_no_file_is_no_reason_to_stop(tmp_path):
    def refuse(path, content):
        raise OSError(28, "No space left on device", str(path))

    with at_one_desk(tmp_path, "", refuse):
        assert judged(log_of(), {})[0].id == "a.b"
    assert list(tmp_path.iterdir()) == []


def test_the_order_of_channels_makes_no_other_log():
    log = log_of().assign(coolant_c=("time", [80.0, 81.0]))
    assert content_of(log) == content_of(log[["coolant_c", "battery_v"]])
    assert content_of(log) != content_of(log.rename(coolant_c="intake_air_c"))


def test_tables_logs_and_arrays_come_back_as_they_were(tmp_path):
    table = pd.DataFrame({"file": ["a", "b"], "row": [1, 2], "share": [0.1, np.nan]})
    path = tmp_path / "kept.npz"
    path.write_bytes(as_kept("key", {"log": log_of(), "table": table, "all": (None, True, np.int32(3), "λ")}))
    (found,) = read_kept(path, "key")
    pd.testing.assert_frame_equal(found["table"], table)
    xr.testing.assert_identical(found["log"], log_of())
    assert found["all"] == (None, True, 3, "λ")
    assert read_kept(path, "another") is None


def test_a_file_makes_nothing_but_results_of_the_kit(tmp_path):
    with pytest.raises(TypeError, match="cannot be kept"):
        as_kept("key", Path("x"))
    path, made = tmp_path / "kept.npz", tmp_path / "made"
    for module, name, given in (
        ("tunelab.study.steady.blocks", "Delay", {"constant_s": 0.1, "flow_s_kg_h": 1.0, "lag_s": 0.2}),
        ("os", "mkdir", {"path": str(made)}),
        ("tunelab.workspace.disk", "copy_folder", {"source": str(tmp_path), "target": str(made)}),
    ):
        form = {"key": "key", "value": {"is": "made", "by": [module, name], "of": given}}
        np.savez(path, form=np.frombuffer(json.dumps(form).encode(), np.uint8))
        assert (read_kept(path, "key") is None) == (name != "Delay")
    assert not made.exists()


@pytest.mark.parametrize("session", ["../../elsewhere", "/elsewhere", "a/b", "..", "C:\\elsewhere", "a\x00b"])
def test_the_session_that_a_log_names_leads_out_of_no_folder(tmp_path, session):
    """A stored log may come from somebody else, and its attributes with it."""
    folder, written = tmp_path / "a" / "b" / "kept", []
    with at_one_desk(folder, "", lambda path, content: written.append(path)):
        judged(log_of(session=session), {"limit": 2.0})
    assert written == []
