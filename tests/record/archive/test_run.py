"""An archive of several cars: all of it, again only what changed, whatever fails."""

import os
import signal
import threading
import time

import duckdb
import pandas as pd
import pytest
from archive_cars import BESIDE, OWN, asking, write_car, write_log, write_session
from distributed import Client, LocalCluster

from tunelab.cli import main
from tunelab.record import archive as cluster
from tunelab.record.archive import ArchiveError, Wanted, client_of, local_client, run_archive


@pytest.fixture(scope="module")
def scheduler():
    with LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as here, Client(here):
        yield here.scheduler_address


@pytest.fixture
def cars(tmp_path):
    write_car(tmp_path / "cars" / "red", "Red", s1="steady", s2="steady")
    write_car(tmp_path / "cars" / "far" / "blue", "Blue", s3="steady", s4="road")
    return tmp_path / "cars"


@pytest.fixture
def wanted(tmp_path):
    folder = tmp_path / "notebooks"
    return Wanted((asking(folder, "own", OWN, "draw(speed)"), asking(folder, "beside", BESIDE, step="road")))


@pytest.fixture
def archive(cars, wanted, scheduler):
    def archive(what=wanted):
        out = cars / "archive"
        return run_archive(cars, out, what, client_of(scheduler, folders=[cars]))

    return archive


def findings(done):
    return pd.read_parquet(done.out / "findings.parquet")


def test_every_session_of_every_car_is_in_one_data_set(archive):
    done = archive()
    assert (done.cars, done.sessions, done.run, done.failures) == (2, 4, 4, {})
    found = findings(done).set_index(["folder", "session"])
    assert found["car"].to_list() == ["Blue", "Blue", "Red", "Red"]
    # mean of n and n+1 by turns, times the notebook's scale; the road drive adds up both sessions of its car
    assert found["value"].to_list() == [2 * 3000.5, 2 * 7001.0, 2 * 1000.5, 2 * 2000.5]
    assert set(found["status"]) == {"met"}
    assert found["limit"].to_list() == [7000.0] * 4
    assert str(found["date"].iloc[0]) == "2026-05-03"


def test_pandas_xarray_and_duckdb_can_ask_it(archive):
    done = archive()
    asked = "select car, max(upper) from read_parquet(?) where status = 'met' group by car order by car"
    rows = duckdb.execute(asked, [str(done.out / "findings.parquet")]).fetchall()
    assert rows == [("Blue", pytest.approx(3 * 7001.0)), ("Red", pytest.approx(3 * 2000.5))]
    data = findings(done).set_index("session")["value"].to_xarray()
    assert float(data.sel(session="2026-05-01-steady")) == 2 * 1000.5
    table = pd.read_parquet(done.out / "tables" / "noise.parquet")
    assert table.groupby("car")["change_ms"].max().to_dict() == {"Blue": 3000.5, "Red": 2000.5}
    assert pd.read_parquet(done.out / "sessions.parquet")["samples"].to_list() == [750] * 4


def test_a_second_run_does_nothing_and_gives_the_same(archive):
    before = findings(archive())
    done = archive()
    assert (done.run, done.sessions) == (0, 4)
    pd.testing.assert_frame_equal(findings(done), before)


def test_without_a_change_no_cluster_is_wanted(archive, cars, wanted):
    archive()
    assert run_archive(cars, cars / "archive", wanted, client_of("tcp://127.0.0.1:1", folders=[])).run == 0


def test_a_changed_limit_runs_that_car_only(archive, cars):
    archive()
    path = cars / "red" / "car.toml"
    path.write_text(path.read_text().replace("rev_limit_rpm = 7000", "rev_limit_rpm = 6900"))
    done = archive()
    assert done.run == 2
    assert findings(done).groupby("car")["limit"].unique().str[0].to_dict() == {"Blue": 7000.0, "Red": 6900.0}


@pytest.mark.parametrize(
    ("change", "run"),
    [
        (lambda cars: write_log(cars / "red/sessions/2026-05-01-steady/log.csv", 900), 1),
        (
            lambda cars: write_log(cars / "far/blue/sessions/2026-05-03-steady/log.csv", 900),
            2,
        ),  # the road drive reads it
        (lambda cars: write_log(cars / "far/blue/sessions/2026-05-04-road/log.csv", 900), 1),
        (
            lambda cars: write_session(cars / "far/blue", "2026-05-09-steady", "steady", 900),
            2,
        ),  # new, and the road drive
        (lambda cars: write_session(cars / "red", "2026-05-09-steady", "steady", 900), 1),
        (lambda cars: os.utime(cars / "red/sessions/2026-05-01-steady/log.csv"), 0),
        (lambda cars: (cars / "red/revisions/r02.toml").write_text(revision(cars).replace('"r01"', '"r02"')), 0),
        (lambda cars: (cars / "red/revisions/r01.toml").write_text(revision(cars) + "# looked at\n"), 2),
    ],
)
def test_only_what_a_change_touches_runs_again(archive, cars, change, run):
    archive()
    change(cars)
    done = archive()
    assert (done.run, done.failures) == (run, {})


def revision(cars):
    return (cars / "red/revisions/r01.toml").read_text()


def test_a_parameter_or_the_calculation_runs_again_a_figure_does_not(archive, wanted, tmp_path):
    archive()
    assert archive(Wanted(wanted.notebooks, {"own": {"scale": 3.0}})).run == 3
    folder = tmp_path / "notebooks"
    redrawn = asking(folder, "own", OWN, "draw(speed, colour)")
    assert archive(Wanted((redrawn, wanted.notebooks[1]), {"own": {"scale": 3.0}})).run == 0
    changed = asking(folder, "own", OWN, "speed = speed + 1")
    assert archive(Wanted((changed, wanted.notebooks[1]), {"own": {"scale": 3.0}})).run == 3


def test_a_session_that_no_analysis_serves_is_counted_apart_and_not_run(archive, cars, wanted, capsys):
    (cars / "red/sessions/2026-05-01-steady/log.csv").write_bytes(b"\x00\x01 no log")  # read, it would fail
    done = archive(Wanted(wanted.notebooks[1:]))  # the one for road drives
    assert (done.sessions, done.run, done.not_served, done.failures) == (1, 1, 3, {})
    found = findings(done).set_index("session")
    assert found["id"].value_counts().to_dict() == {"session.run": 3, "beside.speed": 1}
    assert found.loc["2026-05-01-steady", "because"] == (
        "Its steps (steady) are none that the analyses asked for serve (beside)."
    )
    sessions = pd.read_parquet(done.out / "sessions.parquet").set_index("session")
    assert sorted(sessions.index) == ["2026-05-01-steady", "2026-05-02-steady", "2026-05-03-steady", "2026-05-04-road"]
    assert sessions["samples"].isna().sum() == 3
    assert main(["archive", str(cars), "--notebook", "launch"]) == 0
    told = capsys.readouterr().out
    assert "sessions: 0, 0 analysed now, 0 as before" in told
    assert "no step that these analyses serve, left alone: 4" in told


def test_what_fails_is_named_and_stops_nothing_else(archive, cars, wanted, tmp_path):
    (cars / "red/sessions/2026-05-01-steady/log.csv").write_bytes(b"\x00\x01 no log")
    (cars / "far/blue/sessions/2026-05-04-road/session.toml").write_text("date = soon\n")
    write_car(cars / "wrong", "Wrong", s5="steady")
    (cars / "wrong" / "car.toml").write_text("name = 3\n")
    done = archive()
    assert set(done.failures) == {"wrong", "red: 2026-05-01-steady", "far/blue: 2026-05-04-road"}
    assert "log.csv" in done.failures["red: 2026-05-01-steady"]
    assert "session.toml, line 1" in done.failures["far/blue: 2026-05-04-road"]
    found = findings(done).set_index("session")
    assert found.loc["2026-05-02-steady", "status"] == "met"
    assert found.loc["2026-05-01-steady", ["status", "id"]].to_list() == ["not_shown", "session.run"]
    again = archive()
    assert (again.run, again.failures) == (0, done.failures)


def test_a_notebook_that_fails_leaves_the_others_of_its_session(archive, wanted, tmp_path):
    broken = asking(tmp_path / "notebooks", "broken", "speed = 1 / 0")
    done = archive(Wanted((*wanted.notebooks, broken)))
    found = findings(done).set_index(["session", "id"]).loc["2026-05-01-steady"]
    assert found.loc["own.speed", "status"] == "met"
    assert found.loc["broken.run", "because"].endswith("before it had an answer: ZeroDivisionError: division by zero")


def test_nothing_is_written_into_a_cars_own_folder(archive, cars):
    before = {path: path.stat().st_mtime_ns for path in cars.rglob("*")}
    archive()
    after = {p: p.stat().st_mtime_ns for p in cars.rglob("*") if not p.is_relative_to(cars / "archive") and p != cars}
    assert after == {path: stamp for path, stamp in before.items() if path in after}
    assert set(after) == set(before)


WAIT = """
import os, time
here = opened.folder.path
def wait():
    with open(here / "tries.txt", "a") as handle:
        handle.write(f"{os.getpid()}\\n")
    while opened.name.startswith("2026-05-02") and not (here / "go.txt").exists():
        time.sleep(0.05)
    return 0.0
speed, limit = 1000.0 + wait(), 0.0
"""


@pytest.mark.skipif(os.name == "nt", reason="the signal that kills a process outright is not there")
def test_a_lost_worker_costs_only_what_it_was_at(tmp_path):
    root = write_car(tmp_path / "red", "Red", s1="steady", s2="steady", s3="steady")
    sessions = {number: root / f"sessions/2026-05-0{number}-steady" for number in (1, 2, 3)}

    def lose_the_second():
        tries = sessions[2] / "tries.txt"
        while not tries.exists() or not tries.read_text().endswith("\n"):
            time.sleep(0.05)
        os.kill(int(tries.read_text()), signal.SIGKILL)
        (sessions[2] / "go.txt").touch()

    killer = threading.Thread(target=lose_the_second, daemon=True)
    killer.start()
    wanted = Wanted((asking(tmp_path / "notebooks", "own", WAIT),))
    done = run_archive(tmp_path, tmp_path / "archive", wanted, local_client(1))
    killer.join(timeout=5)
    tries = {n: len((s / "tries.txt").read_text().splitlines()) for n, s in sessions.items()}
    assert tries == {1: 1, 2: 2, 3: 1}
    assert done.failures == {}
    assert findings(done)["status"].to_list() == ["met"] * 3


@pytest.mark.bench
def test_a_session_that_takes_every_worker_with_it_is_given_up_alone(tmp_path):
    root = write_car(tmp_path / "red", "Red", s1="steady", s2="steady", s3="steady", s4="steady")
    fatal = 'import os\nspeed = os.kill(os.getpid(), 9) if opened.name.startswith("2026-05-02") else 1.0'
    wanted = Wanted((asking(tmp_path / "notebooks", "own", OWN, fatal),))
    done = run_archive(tmp_path, root.parent / "archive", wanted, local_client(1))
    assert list(done.failures) == ["red: 2026-05-02-steady"]
    assert "workers were lost over it" in done.failures["red: 2026-05-02-steady"]
    assert findings(done)["status"].to_list() == ["met", "not_shown", "met", "met"]


def test_without_dask_it_says_what_to_install(cars, capsys, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    assert main(["archive", str(cars), "--notebook", "steady"]) == 2
    assert "pip install 'tunelab[archive]'" in capsys.readouterr().err


def test_a_scheduler_that_does_not_answer_and_one_that_sees_another_folder(cars, scheduler, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 0.3)
    with (
        pytest.raises(ArchiveError, match=r"No scheduler answers at tcp://127\.0\.0\.1:1"),
        client_of("tcp://127.0.0.1:1", folders=[]),
    ):
        pass
    answers = iter([{"its tunelab": "a"}, {"its tunelab": "b"}])
    monkeypatch.setattr(cluster, "seen_from_here", lambda folders: next(answers))
    with pytest.raises(ArchiveError, match="differs in its tunelab"), client_of(scheduler, folders=[cars]):
        pass


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["{empty}"], "no car.toml in it or below"),
        (["{empty}/nowhere"], "is no folder"),
        (["{empty}", "--workers", "0"], "wanted a whole number, 1 or more"),
        (["{empty}", "--workers", "2", "--scheduler", "tcp://x"], "not allowed with"),
        (["{empty}", "--notebook", "stedy"], "the nearest known one is steady"),
        (["{empty}", "--notebook", "history"], "reads a whole workspace"),
    ],
)
def test_a_wrong_call_is_told_what_is_wrong(tmp_path, capsys, arguments, message):
    assert main(["archive", *(text.format(empty=tmp_path) for text in arguments)]) == 2
    assert message in capsys.readouterr().err
