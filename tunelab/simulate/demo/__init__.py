"""The demo workspace: an invented hill-climb special, its revisions and its sessions, all from the simulator.

r01 is the car's first guess: it takes little air for less and much air for more, by -15 to +4 %, with a kink near 2.8
V. r02 and r03 are what the kit proposed from the sweeps of the revision before, typed in: to make them again after
the simulator has changed, record the sweep and enter `proposal.toml`.
"""

from __future__ import annotations

import datetime
import hashlib
import tomllib
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tunelab.simulate import drive
from tunelab.simulate import schedule as plans
from tunelab.simulate.demo.cars import (
    BOUND_LOOM,
    CHATTY,
    FOREIGN,
    LOOSE_LOOM,
    MARIT,
    PIA,
    PIPED,
    PLAIN,
    TABBED,
    TRUTH,
    second_files,
    write_second,
)
from tunelab.simulate.logger import (
    NO_FAULTS,
    Dialect,
    Faults,
    Link,
    Sampling,
    disturb,
    drop_outs,
    log_bytes,
    log_text,
    sample,
)
from tunelab.simulate.schedule import Driver, Schedule, Task, idle, steady_sweep
from tunelab.simulate.truth import Conditions, Truth
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

__all__ = ["write_demo"]

Tasks = Callable[[Truth, np.random.Generator], tuple[Task, ...]]


@dataclass(frozen=True)
class Logger:
    """A box with its way of sampling and of writing."""

    dialect: Dialect
    sampling: Sampling


@dataclass(frozen=True)
class LogFile:
    """One raw log of a session. A name that ends with .gz is kept packed."""

    session: str
    name: str
    begins: datetime.datetime
    driver: Driver
    tasks: Tasks
    logger: Logger
    faults: Faults = NO_FAULTS
    link: Link | None = None  # draws the drop-outs in place of those in `faults`
    is_cut_off: bool = False
    is_cold: bool = False


_WARMTH_HZ = {"coolant_c": 1.0, "intake_air_c": 1.0}
_PLACE_HZ = {"latitude_deg": 5.0, "longitude_deg": 5.0, "altitude_m": 5.0}

_PLAIN = Logger(PLAIN, Sampling(rate_hz=20.0, jitter=0.04, poll_s=0.0, slow_hz=_WARMTH_HZ | _PLACE_HZ))
_CHATTY = Logger(
    CHATTY,
    Sampling(
        rate_hz=25.0,
        jitter=0.06,
        poll_s=0.0012,
        slow_hz=_WARMTH_HZ | {"battery_v": 6.0, "fuel_pressure_kpa": 4.0, "trim_long_pct": 5.0},
    ),
)
_BORROWED = Logger(
    FOREIGN,
    Sampling(
        rate_hz=15.0,
        jitter=0.08,
        poll_s=0.0015,
        slow_hz={"coolant_c": 0.5, "oil_c": 0.5, "intake_air_c": 0.5, "oil_pressure_kpa": 2.0},
    ),
)
_TABBED = Logger(
    TABBED, Sampling(rate_hz=25.0, jitter=0.02, poll_s=0.0004, slow_hz={"coolant_c": 2.0, "intake_air_c": 2.0})
)
_PIPED = Logger(
    PIPED,
    Sampling(rate_hz=20.0, jitter=0.03, poll_s=0.0, slow_hz=_PLACE_HZ | {"gps_speed_km_h": 5.0, "coolant_c": 1.0}),
)

_FIRST = Faults(
    gaps=(),
    restarts_at_zero=True,
    spikes_per_min={"engine_speed_rpm": 0.6, "lambda_measured": 0.4},
    frozen=(("coolant_c", 400.0, 45.0),),
    words={},
)
_SWEPT = Faults(
    gaps=((201.4, 6.3), (468.9, 11.0)),
    restarts_at_zero=False,
    spikes_per_min={"meter_v": 0.5, "lambda_measured": 0.6},
    frozen=(("lambda_measured", 352.0, 7.0),),
    words={},
)
_LENT = Faults(
    gaps=(),
    restarts_at_zero=False,
    spikes_per_min={"road_speed_km_h": 0.5},
    frozen=(),
    words={"oil_pressure_kpa": ("ERR", 0.01), "lambda_measured": ("---", 0.002)},
)
_NIGHT = Faults(
    gaps=((388.0, 3.1),),
    restarts_at_zero=False,
    spikes_per_min={"lambda_measured": 0.3},
    frozen=(),
    words={"intake_air_c": ("no data", 0.004)},
)
_PULLED = Faults(gaps=(), restarts_at_zero=True, spikes_per_min={"engine_speed_rpm": 0.4}, frozen=(), words={})


def _sweep(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return steady_sweep(truth, longest_s=900.0).tasks


def _pulls(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return (idle(10.0), *plans.full_throttle_pulls(3, 2000.0, 6420.0, repeats=3, grade=0.006))


def _part(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return (idle(10.0), *plans.part_throttle_pulls(3, (14.0, 20.0, 28.0, 38.0, 50.0), 1800.0, 4600.0))


def _cold_road(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.road_drive(is_cold=True)


def _warm_road(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.road_drive(is_cold=False)


def _coast(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.coast_downs(4, 112.0, 35.0, repeats=2, grade=0.006)


def _starts_marit(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.launches(MARIT, rng, repeats=6, until_km_h=105.0)


def _starts_pia(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.launches(PIA, rng, repeats=6, until_km_h=105.0)


def _at(day: int, clock: str) -> datetime.datetime:
    return datetime.datetime.fromisoformat(f"2026-05-{day:02d}T{clock}")


def _early() -> tuple[LogFile, ...]:
    """The week with the first revision and the loose loom."""
    first = LogFile("2026-05-02-link", "road-first.csv.gz", _at(2, "09:12:05"), MARIT, _cold_road, _PLAIN, _FIRST)
    lent = "2026-05-06-part-throttle"
    home = LogFile(lent, "road-home.csv.gz", _at(6, "17:31:02"), PIA, _warm_road, _BORROWED, _LENT)
    return (
        replace(first, link=LOOSE_LOOM, is_cold=True),
        LogFile("2026-05-03-steady", "sweep-1.csv.gz", _at(3, "18:40:11"), MARIT, _sweep, _CHATTY, _SWEPT),
        LogFile(lent, "pulls-part.csv.gz", _at(6, "17:05:40"), PIA, _part, _BORROWED, _LENT),
        replace(home, is_cut_off=True),
    )


def _middle() -> tuple[LogFile, ...]:
    """The second revision, on the new loom."""
    full = LogFile("2026-05-14-full-throttle", "pulls-full.csv", _at(14, "19:02:30"), MARIT, _pulls, _PLAIN, _PULLED)
    return (
        LogFile("2026-05-09-steady", "sweep-night.txt.gz", _at(9, "23:54:20"), MARIT, _sweep, _TABBED, _NIGHT),
        LogFile("2026-05-12-coast-down", "coast.csv.gz", _at(12, "06:20:00"), MARIT, _coast, _PIPED),
        replace(full, link=BOUND_LOOM, is_cut_off=True),
    )


def _late() -> tuple[LogFile, ...]:
    """The third revision, and launches before the event."""
    third = LogFile("2026-05-17-steady", "sweep-3.csv.gz", _at(17, "17:30:00"), MARIT, _sweep, _CHATTY)
    home = LogFile("2026-05-17-steady", "road-3.csv.gz", _at(17, "17:52:00"), MARIT, _warm_road, _PLAIN)
    again = "2026-05-18-full-throttle"
    pulls = LogFile(again, "pulls-again.csv.gz", _at(18, "19:10:00"), MARIT, _pulls, _PLAIN)
    return (
        replace(third, link=BOUND_LOOM),
        replace(home, link=BOUND_LOOM),
        replace(pulls, link=BOUND_LOOM),
        LogFile("2026-05-20-launch-marit", "starts-marit.csv", _at(20, "18:10:00"), MARIT, _starts_marit, _PIPED),
        LogFile("2026-05-20-launch-pia", "starts-pia.csv", _at(20, "18:25:00"), PIA, _starts_pia, _PIPED),
    )


def log_files() -> tuple[LogFile, ...]:
    """Every raw log of the demo, in the order driven."""
    return (*_early(), *_middle(), *_late())


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
