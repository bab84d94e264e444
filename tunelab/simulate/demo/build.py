"""Write the demo workspace to disk; the same bytes every time.

The demo workspace's own page.

The demo's revisions, as the owner entered them.

r01 is the car's first guess: it takes little air for less and much air for more, by -15 to +4 %, with a kink near 2.8
V. r02 and r03 are what the kit proposed from the sweeps of the revision before, typed in: to make them again after
the simulator has changed, record the sweep and enter `proposal.toml`.
"""

from __future__ import annotations

import hashlib
import tomllib
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from tunelab.simulate.demo.cars import TRUTH, second_files, write_second
from tunelab.simulate.demo.outings import LogFile, log_files
from tunelab.simulate.drive import drive
from tunelab.simulate.logger import disturb, drop_outs, log_bytes, log_text, sample
from tunelab.simulate.schedule import Schedule
from tunelab.simulate.truth import Conditions
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

README = """# Demo workspace

A two-seat hill-climb special with a 3.0 L straight-six, a hot-film meter in an enlarged housing, new injectors and a
used ECU wired in by its owner, three weeks before an event. Everything here is invented: the numbers come
from `tunelab.simulate`, and so do the faults in the logs. r02 is what the kit proposed from the sweep of r01, r03 what
it proposed from the sweep of r02, typed in. It is made, byte for byte, by

    python -m tunelab.simulate.demo data_demo

| session | steps | revision | its logs |
| --- | --- | --- | --- |
| 2026-05-02-link | link, road | r01 | commas; drop-outs, clock from 0 after each, spikes, frozen coolant |
| 2026-05-03-steady | steady | r01 | text before the table, milliseconds, gaps, spikes, frozen lambda |
| 2026-05-06-part-throttle | part-throttle, road | r01 | semicolons, decimal commas, °F, psi, AFR, error words |
| 2026-05-09-steady | steady | r02 | tabs, a row of units, UTF-16, time of day past midnight, trims as factors |
| 2026-05-12-coast-down | coast-down | r02 | pipes, date and time in one column, position |
| 2026-05-14-full-throttle | full-throttle | r02 | commas, spikes, cut-off row |
| 2026-05-17-steady | steady, road, link | r03 | two files of two loggers |
| 2026-05-18-full-throttle | full-throttle | r03 | commas, position |
| 2026-05-20-launch-marit | launch | r03 | pipes |
| 2026-05-20-launch-pia | launch | r03 | pipes, another driver |

`table_car/` is a workspace of its own: a light single-seater without an air meter, whose ECU takes the air
from a table over engine speed and manifold pressure. Its r02 is what the kit proposed from the sweep of r01, typed in.
"""


FOLDER = Path(__file__).parent / "owner" / "revisions"


def revisions() -> dict[str, Revision]:
    """All three revisions by name. Their files hold what an owner would have entered, not the truth behind them."""
    paths = sorted(FOLDER.glob("*.toml"))
    return {path.stem: Revision(**tomllib.loads(path.read_text(encoding="utf-8"))) for path in paths}


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
