"""Small cars for an archive, and a notebook that asks little of them, for tests."""

from __future__ import annotations

import csv
from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook
from plain_workspace import CAR, REVISION

from tunelab.record.notebook import read_notebook

SESSION = 'date = {date}\nsteps = ["{step}"]\nrevision = "r01"\nfiles = ["log.csv"]\n'
READ = """
from tunelab import record
from tunelab.study.finding import Finding
import pandas as pd
opened = record.open_session(session)
evidence = record.gather_evidence(opened)
"""
OWN = """
speed = float(evidence.log["engine_speed_rpm"].mean())
limit = opened.car.limits.rev_limit_rpm
"""
BESIDE = """
from tunelab.record.beside import flagged_log
speeds = [float(flagged_log(opened, name)["engine_speed_rpm"].mean()) for name in opened.workspace.sessions]
speed, limit = sum(speeds), opened.car.limits.rev_limit_rpm
"""
WRITE = """
finding = Finding("{name}.speed", "Speed", scale * speed, "rpm", speed, 3 * speed, 0.95, 50, 0, "met", limit, "So.")
table = pd.DataFrame({{"battery_v": [12.0, 14.0], "change_ms": [None, speed]}})
record.write(out, record.Chapter("{name}", (finding,), {{"{table}": table}}))
"""
CELLS = 'scale = 2.0  # made up\nsession = "x"  # folder\nout = ""  # folder\n'


def asking(folder: Path, name: str, *sources: str, step: str = "steady"):
    """A notebook of the kit's form; its table is one that an archive gathers."""
    table = "dead_time_asked" if name != "own" else "noise"
    cells = [new_markdown_cell(f"# Is {name} so?"), new_code_cell(CELLS, metadata={"tags": ["parameters"]})]
    cells += [new_code_cell(source) for source in (READ, *sources, WRITE.format(name=name, table=table))]
    folder.mkdir(exist_ok=True)
    nbformat.write(new_notebook(cells=cells, metadata={"tunelab": {"steps": [step]}}), folder / f"{name}.ipynb")
    return read_notebook(folder / f"{name}.ipynb")


def write_car(root: Path, name: str, **sessions: str) -> Path:
    """A car with sessions `step_number="steady"`, each with a short log whose mean speed is its number."""
    (root / "revisions").mkdir(parents=True)
    (root / "car.toml").write_text(CAR.replace("Hill-climb special", name), encoding="utf-8")
    (root / "revisions" / "r01.toml").write_text(REVISION, encoding="utf-8")
    for key, step in sessions.items():
        write_session(root, f"2026-05-0{key[-1]}-{step}", step, 1000 * int(key[-1]))
    return root


def write_session(root: Path, name: str, step: str, speed: int) -> Path:
    """One session with a log of half a minute."""
    folder = root / "sessions" / name
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(SESSION.format(date=name[:10], step=step), encoding="utf-8")
    write_log(folder / "log.csv", speed)
    return folder


def write_log(path: Path, speed: int) -> None:
    """A log of half a minute at one engine speed."""
    with open(path, "w", encoding="utf-8", newline="") as handle:
        rows = csv.writer(handle)
        rows.writerow(["Time (s)", "Engine speed (rpm)", "MAF (V)", "Lambda", "Coolant (°C)"])
        rows.writerows([f"{k * 0.04:.2f}", speed + k % 2, 2 + 0.001 * (k % 5), 1, 85] for k in range(750))
