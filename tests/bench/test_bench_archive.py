"""An archive of many short sessions: 1 and 2 workers, one killed half-way, what a second run does, memory over time.

Sessions are driven by the tests' own plain engine. Wanted: 1,000 sessions, 1.7 times as fast with two workers on two
idle cores, nothing lost with a worker, memory that does not grow. `BENCH_SESSIONS=100` makes a shorter one.
Run with `pytest -m bench -s tests/bench/test_bench_archive.py`.
"""

import datetime
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pandas as pd
import plain_engine
import psutil
import pytest
import tomlkit

from tunelab.workspace.write import write_revision

SESSIONS = int(os.environ.get("BENCH_SESSIONS", "1000"))
EACH = 20  # sessions of one car; each tenth is a steady drive, whose joint fit takes longest
MINUTES, RATE_HZ = 1.5, 10
SESSION = 'date = {date}\nsteps = ["{step}"]\nrevision = "r01"\nfiles = ["log.csv"]\n'
WATCHED_S = 2.0


def write_cars(root, sessions):
    """Cars with sessions of a minute and a half, each with a log in canonical channels."""
    for number in range(-(-sessions // EACH)):
        engine = plain_engine.invent(number)
        car = root / f"car-{number:03d}"
        (car / "revisions").mkdir(parents=True)
        (car / "car.toml").write_text(tomlkit.dumps(engine.car.model_dump(mode="json", exclude_none=True)), "utf-8")
        write_revision(car / "revisions" / "r01.toml", engine.revision, {})
        for k in range(min(EACH, sessions - EACH * number)):
            date = datetime.date(2026, 5, 1) + datetime.timedelta(days=k)
            step = "part-throttle" if k % 10 else "steady"
            folder = car / "sessions" / f"{date}-{step}"
            folder.mkdir(parents=True)
            (folder / "session.toml").write_text(SESSION.format(date=date, step=step), encoding="utf-8")
            seed = EACH * number + k
            log = plain_engine.drive(engine, engine.revision, seed=seed, minutes=MINUTES, rate_hz=RATE_HZ)
            channels = [name for name in log.data_vars if not name.endswith(("_flag", "_fresh", "episode"))]
            table = log[channels].to_dataframe().reset_index().rename(columns={"time": "time (s)"})
            table.round(4).to_csv(folder / "log.csv", index=False)


class Watched:
    """The command run, with the memory of its workers over time; one worker killed at half if wanted."""

    def __init__(self, cars, out, workers, *, kill=False):
        self.out, self.kill, self.killed = out, kill, 0
        self.most_mb = []  # of any worker, every WATCHED_S
        command = [sys.executable, "-m", "tunelab", "archive", str(cars), "--out", str(out), "--workers", str(workers)]
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as started:
            watcher = threading.Thread(target=self._watch, args=(psutil.Process(started.pid), started), daemon=True)
            watcher.start()
            self.said = started.communicate()[0]
        self.wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
        self.processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        self.code = started.returncode

    def _watch(self, process, started):
        while started.poll() is None:
            busy = [child for child in self._children(process) if child[1] > 100e6]
            if busy:
                self.most_mb.append(max(size for _, size in busy) / 1e6)
            if self.kill and not self.killed and busy and self.done() >= SESSIONS / 2:
                self.killed = busy[-1][0]
                os.kill(self.killed, signal.SIGKILL)
            time.sleep(WATCHED_S)

    def done(self):
        """Sessions that have left their part."""
        return sum(1 for _ in self.out.rglob("*.json"))

    @staticmethod
    def _children(process):
        try:
            return [(child.pid, child.memory_info().rss) for child in process.children(recursive=True)]
        except psutil.Error:
            return []

    def growth(self):
        """Largest memory of a worker in the last fifth of the run over that in the second fifth."""
        parts = np.array_split(np.array(self.most_mb), 5)
        return parts[1].max(), parts[-1].max()


def show(name, run):
    early, late = run.growth()
    print(
        f"{name}: {run.wall:.0f} s, {run.processor:.0f} s of the processor, {1000 * run.processor / SESSIONS:.0f} ms a "
        f"session; largest worker {early:.0f} MB early, {late:.0f} MB late"
    )


@pytest.fixture(scope="module")
def cars(tmp_path_factory):
    root = tmp_path_factory.mktemp("archive") / "cars"
    write_cars(root, SESSIONS)
    return root


@pytest.mark.bench
def test_an_archive(cars, capsys):
    outs = [cars.parent / name for name in ("one", "two", "lost")]
    with capsys.disabled():
        print(f"\n{SESSIONS} sessions of {len(list(cars.iterdir()))} cars; load {os.getloadavg()[0]:.1f}")
        two = Watched(cars, outs[1], 2)
        show("two workers", two)
        one = Watched(cars, outs[0], 1)
        show("one worker", one)
        print(
            f"two workers are {one.wall / two.wall:.2f} times as fast on the clock; what each session costs the "
            f"processor goes from {one.processor / SESSIONS:.2f} to {two.processor / SESSIONS:.2f} s"
        )
        lost = Watched(cars, outs[2], 2, kill=True)
        show(f"two workers, one ({lost.killed}) killed half-way", lost)
        again = Watched(cars, outs[1], 2)
        print(f"again: {again.wall:.1f} s, {again.processor:.1f} s of the processor: {again.said.splitlines()[0]}")
    tables = [pd.read_parquet(out / "findings.parquet") for out in outs]
    assert {one.code, two.code, lost.code, again.code} == {0}
    assert lost.killed
    assert len(pd.read_parquet(Path(outs[2]) / "sessions.parquet")) == SESSIONS
    pd.testing.assert_frame_equal(tables[0], tables[1])
    pd.testing.assert_frame_equal(tables[0], tables[2])
    assert "0 analysed" in again.said
