"""Write the demo workspace to disk; the same bytes every time."""

from __future__ import annotations

import hashlib
import tomllib
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from tunelab.simulate.demo.outings import LogFile, log_files
from tunelab.simulate.demo.readme import README
from tunelab.simulate.demo.revisions import FOLDER, revisions
from tunelab.simulate.demo.second import second_files, write_second
from tunelab.simulate.demo.special import TRUTH
from tunelab.simulate.dialect import log_bytes, log_text
from tunelab.simulate.drive import drive
from tunelab.simulate.logger import disturb, drop_outs, sample
from tunelab.simulate.schedule import Schedule
from tunelab.simulate.truth import Conditions
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

_OWNER = Path(__file__).parent / "owner"  # what the owner wrote by hand
_DISPLAY_AFR = 14.7  # what the borrowed logger's AFR display uses
_LONGEST_S = 900.0
SUMS = "SHA256SUMS"


def session_of(file: LogFile) -> Session:
    """What the owner wrote about the session of a log."""
    return Session(**tomllib.loads((_OWNER / "sessions" / f"{file.session}.toml").read_text(encoding="utf-8")))


def conditions_of(file: LogFile) -> Conditions:
    """The day of a log and the state in which the car starts."""
    weather = session_of(file).weather
    if weather is None:
        raise ValueError(f"{file.session}: its session.toml has no [weather]; the simulator needs one.")
    return Conditions(
        air_c=weather.air_c,
        pressure_kpa=weather.pressure_kpa,
        humidity_pct=weather.humidity_pct,
        wind_m_s=weather.wind_m_s or 0.0,
        coolant_c=weather.air_c if file.is_cold else 86.0,
        oil_c=weather.air_c if file.is_cold else 88.0,
        is_running=not file.is_cold,
        latitude_deg=44.52,
        longitude_deg=-30.41,
        altitude_m=146.0,
    )


def log_file_bytes(file: LogFile, revision: Revision) -> bytes:
    """Drive and record one raw log. Its random draws hang on its session's and its own name alone."""
    rng = np.random.default_rng(zlib.crc32(f"{file.session}/{file.name}".encode()))
    schedule = Schedule(file.session, file.driver, conditions_of(file), file.tasks(TRUTH, rng), _LONGEST_S)
    driven = drive(TRUTH, revision, schedule, rng=rng)
    gaps = drop_outs(driven, file.link, rng) if file.link else file.faults.gaps
    dialect = file.logger.dialect
    clean = sample(driven, tuple(column.channel for column in dialect.columns), file.logger.sampling, rng)
    text = log_text(disturb(clean, replace(file.faults, gaps=gaps), rng), dialect, file.begins, _DISPLAY_AFR)
    return log_bytes(text, dialect, is_cut_off=file.is_cut_off, is_packed=file.name.endswith(".gz"))


def _write_owner(out: Path) -> None:
    """Everything that a person wrote: car, channels, sessions, revisions, the page."""
    (out / "revisions").mkdir(parents=True, exist_ok=True)
    (out / "README.md").write_text(README, encoding="utf-8", newline="\n")
    for name in ("car.toml", "channels.toml"):
        (out / name).write_bytes((_OWNER / name).read_bytes())
    for path in sorted(FOLDER.glob("*.toml")):
        (out / "revisions" / path.name).write_bytes(path.read_bytes())
    for path in sorted((_OWNER / "sessions").glob("*.toml")):
        folder = out / "sessions" / path.stem
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "session.toml").write_bytes(path.read_bytes())


def _write_sums(out: Path, files: list[Path]) -> None:
    """One line per file as `sha256sum --check` reads it, so that a changed file is found without driving again."""
    lines = [f"{hashlib.sha256((out / file).read_bytes()).hexdigest()}  {file.as_posix()}\n" for file in files]
    (out / SUMS).write_text("".join(lines), encoding="utf-8", newline="\n")


def demo_files() -> list[Path]:
    """Every file that the demo workspace has, relative to it, the list of sums left out."""
    fixed = [Path(name) for name in ("README.md", "car.toml", "channels.toml")]
    fixed += [Path("revisions") / f"{name}.toml" for name in revisions()]
    sessions = {file.session for file in log_files()}
    fixed += [Path("sessions") / name / "session.toml" for name in sessions]
    return sorted([*fixed, *second_files(), *(Path("sessions") / file.session / file.name for file in log_files())])


def write_demo(out: Path) -> None:
    """Write the whole workspace into a folder, which is made if need be; files of the same names are replaced."""
    _write_owner(out)
    known = revisions()
    for file in log_files():
        data = log_file_bytes(file, known[session_of(file).revision])
        (out / "sessions" / file.session / file.name).write_bytes(data)
    write_second(out)
    _write_sums(out, demo_files())
