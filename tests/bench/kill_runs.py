"""Kills `tunelab record`, `share` and `open` at random moments and looks at what is left: python kill_runs.py 200

Run by hand on Linux. Each run is a fresh process that has most imports behind it, so that the moments fall into the
work itself. It is killed with SIGKILL: the whole process group, its first process alone, or only a kernel. After every
kill: raw logs as they were (SHA-256), every record that can be seen whole (each file as its crate says), the zip absent
or whole, the workspace of `open` absent or usable. Every tenth run is let be: it must succeed and leave nothing behind.
The next run always finds what the last kill left.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook
from plain_workspace import SESSION_NAME, write_workspace
from rocrate.rocrate import ROCrate

from tunelab import cli
from tunelab.record import notebook as notebook_module
from tunelab.record import session as session_module  # noqa: F401 - imported before the fork
from tunelab.record.place import UNFINISHED
from tunelab.record.share import join
from tunelab.workspace import open_workspace

LET_BE = 10  # every so many runs one is not killed
WAYS = ("group", "first process", "kernel")
ROWS = 400
PARAMETERS = 'session = "x"  # folder\nout = ""\n'
WORK = """
import json, os, pathlib
folder = pathlib.Path(os.environ["TUNELAB_RECORD_OUT"])
(folder / "tables").mkdir(exist_ok=True)
(folder / "tables" / "numbers.csv").write_text("number\\n" + "\\n".join(map(str, range(20000))) + "\\n")
"""


def main() -> None:
    """Kill and count."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kills", type=int)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    rng = random.Random(arguments.seed)
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        Trial(Path(folder), rng).run(arguments.kills)


class Trial:
    """A workspace that is recorded, shared and opened, and a count of what was killed when."""

    def __init__(self, folder: Path, rng: random.Random) -> None:
        self.folder, self.rng = folder, rng
        self.root = write_workspace(folder / "car")
        self.record = self.root / "records" / SESSION_NAME
        self.notebooks = folder / "notebooks"
        self.zip, self.theirs = folder / "out" / "shared.zip", folder / "theirs"
        self.raw = self._write_raw()
        self.counts: Counter = Counter()
        self.seconds: dict[str, float] = {}

    def _write_raw(self) -> dict[Path, str]:
        self.notebooks.mkdir()
        self.zip.parent.mkdir()
        cells = [new_markdown_cell("# Does it run?"), new_code_cell(PARAMETERS, metadata={"tags": ["parameters"]})]
        node = new_notebook(cells=[*cells, new_code_cell(WORK)], metadata={"tunelab": {"steps": ["steady"]}})
        nbformat.write(node, self.notebooks / "tiny.ipynb")
        path = self.root / "sessions" / SESSION_NAME / "log1.csv"
        lines = [
            f"{k * 0.04:.2f},{1500 + k % 7},{2 + 0.001 * (k % 5):.3f},{1 + 0.001 * (k % 3):.3f},85" for k in range(ROWS)
        ]
        path.write_text("\n".join(["Time (s),Engine speed (rpm),MAF (V),Lambda,Coolant (°C)", *lines]) + "\n", "utf-8")
        return {path: sha256(path)}

    def commands(self) -> dict[str, list[str]]:
        """The three commands, each with what it takes."""
        session = self.root / "sessions" / SESSION_NAME
        return {
            "record": ["record", str(session)],
            "share": ["share", str(self.record), "--out", str(self.zip)],
            "open": ["open", str(self.folder / "given.zip"), str(self.theirs)],
        }

    def run(self, kills: int) -> None:
        """Measure once, then kill so many times, and print where."""
        for name in self.commands():
            self.seconds[name] = self.let_be(name)
            if name == "share":
                shutil.copyfile(self.zip, self.folder / "given.zip")
        done, number = 0, 0
        while done < kills:
            name = ("record", "share", "open")[number % 3]
            number += 1
            self.make_room(name)
            if number % LET_BE == 0:
                self.let_be(name)
                self.counts[f"{name}, let be"] += 1
                continue
            way = WAYS[self.rng.choice((0, 0, 1, 1, 2))] if name != "share" else WAYS[self.rng.randrange(2)]
            outcome = self.kill(name, way)
            self.look()
            self.counts[f"{name}, {way}: {outcome}"] += 1
            done += outcome.startswith("killed")
        for name in self.commands():
            self.make_room(name)
            self.let_be(name)
        print(f"{done} kills;", ", ".join(f"{name} takes {s:.1f} s" for name, s in self.seconds.items()))
        for line, count in sorted(self.counts.items()):
            print(f"{count:5d}  {line}")

    def make_room(self, name: str) -> None:
        """Take away what a command would refuse to overwrite; keep a workspace half of the times."""
        if name == "share":
            self.zip.unlink(missing_ok=True)
        if name == "open" and self.rng.random() < 0.6:
            shutil.rmtree(self.theirs, ignore_errors=True)
        for place in (self.record.parent, self.theirs / "records"):
            for path in place.glob(f"{SESSION_NAME}.[0-9]*") if place.is_dir() else ():
                shutil.rmtree(path)

    def start(self, name: str) -> int:
        """Run a command in a process group of its own; returns its first process."""
        child = os.fork()
        if child:
            return child
        code = 70
        try:
            os.setsid()
            with open(self.folder / "said.txt", "w") as said:
                os.dup2(said.fileno(), 1)
                os.dup2(said.fileno(), 2)
            for module in (notebook_module, join):
                module.notebooks_folder = lambda: self.notebooks
            os.chdir(self.folder)
            code = cli.main(self.commands()[name])
            sys.stdout.flush()
        finally:
            os._exit(code)

    def let_be(self, name: str) -> float:
        """Let a command run to its end: it succeeds, and nothing is left over."""
        began = time.monotonic()
        _, status = os.waitpid(self.start(name), 0)
        spent = time.monotonic() - began
        said = (self.folder / "said.txt").read_text()
        require(os.waitstatus_to_exitcode(status) == 0, f"{name} did not succeed: {said}")
        self.look()
        places = {"record": self.record.parent, "share": self.zip.parent, "open": self.folder}
        left = [path for path in places[name].iterdir() if path.name.startswith(".")]
        require(not left, f"{name} left {left}")
        return spent

    def kill(self, name: str, way: str) -> str:
        """Kill a command at a random moment; says what came of it."""
        child = self.start(name)
        time.sleep(self.rng.uniform(0.0, 1.1 * self.seconds[name]))
        moment = self.moment(name)
        if way == "kernel":
            kernels = children(child)
            for kernel in kernels:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(kernel, signal.SIGKILL)
            _, status = os.waitpid(child, 0)
            code = os.waitstatus_to_exitcode(status)
            said = (self.folder / "said.txt").read_text()
            require(code in (0, 1), f"{name} with a killed kernel ended with {code}: {said}")
            return f"killed, exit {code}" if kernels else "no kernel at that moment"
        running = os.waitpid(child, os.WNOHANG)[0] == 0
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL) if way == "group" else os.kill(child, signal.SIGKILL)
        if not running:
            return "had ended"
        _, status = os.waitpid(child, 0)
        return f"killed {moment}" if os.WIFSIGNALED(status) else "had ended"

    def moment(self, name: str) -> str:
        """Say how far a run has come, by what it has written beside its place."""
        beside = {"record": self.record.parent, "share": self.zip.parent}.get(name)
        besides = [beside] if beside else [self.folder, self.theirs / "records"]
        folders = [f for b in besides if b.is_dir() for f in b.iterdir() if f.name.startswith(UNFINISHED)]
        return "while it wrote" if folders else "before or after it wrote"

    def look(self) -> None:
        """Hold everything that can be seen against what was promised."""
        for path, digest in self.raw.items():
            require(sha256(path) == digest, f"{path} has changed")
        for root in (self.root, self.theirs):
            if root.exists():
                open_workspace(root)
                places = (root / "records").iterdir() if (root / "records").is_dir() else ()
                for place in places:
                    if place.is_dir() and not place.name.startswith("."):
                        require_whole(place)
        require((self.record / "results.json").is_file(), "the record in place has gone")
        if self.zip.exists():
            with zipfile.ZipFile(self.zip) as archive:
                require(archive.testzip() is None, "the zip is not whole")


def require_whole(place: Path) -> None:
    """Hold every file of a record against its crate."""
    for entity in ROCrate(place).data_entities:
        path = place / entity.id
        require(path.is_file() and sha256(path) == entity["sha256"], f"{path} is not what the crate says")


def require(holds: bool, otherwise: str) -> None:
    """Stop where a promise is broken."""
    if not holds:
        raise RuntimeError(otherwise)


def sha256(path: Path) -> str:
    """Hash a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def children(process: int) -> list[int]:
    """Processes that a process has started."""
    listed = subprocess.run(["ps", "-o", "pid=", "--ppid", str(process)], capture_output=True, text=True, check=False)
    return [int(pid) for pid in listed.stdout.split()]


if __name__ == "__main__":
    main()
