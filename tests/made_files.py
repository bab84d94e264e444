"""Log files of known content, made up at random: dialect, clock, units, rows and faults, with the truth beside them.

Nothing here is taken from the reader: what a file says is put down line by line while it is written, so that what the
kit makes of it can be held against it. Headings and units are common practice of the trade, no one source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

Scale = Callable[[np.ndarray], np.ndarray]


def _times(factor: float, offset: float = 0.0) -> Scale:
    return lambda values: values * factor + offset


SAME = _times(1.0)


@dataclass(frozen=True)
class Way:
    """One way to write a channel: its unit as a logger writes it, from the channel's unit to it, and decimals."""

    unit: str
    scale: Scale
    decimals: int


@dataclass(frozen=True)
class Kind:
    """One channel: names that a logger gives it, ways to write it, and where it moves in a drive."""

    names: tuple[str, ...]
    ways: tuple[Way, ...]
    low: float
    high: float
    slowness: float  # rows over which it swings


CELSIUS = (Way("°C", SAME, 1), Way("degC", SAME, 0), Way("°F", _times(1.8, 32.0), 1))
PRESSURE = (Way("kPa", SAME, 1), Way("psi", _times(1 / 6.894757), 2), Way("bar", _times(0.01), 3))
KINDS = {
    "engine_speed_rpm": Kind(
        ("RPM", "Engine Speed", "Drehzahl"), (Way("rpm", SAME, 0), Way("1/min", SAME, 1)), 780, 6400, 60
    ),
    "meter_v": Kind(("MAF Voltage", "Air meter"), (Way("V", SAME, 3), Way("mV", _times(1e3), 0)), 1.05, 4.4, 60),
    "air_flow_kg_h": Kind(
        ("Mass Air Flow", "Air flow"), (Way("kg/h", SAME, 1), Way("g/s", _times(1 / 3.6), 2)), 14, 480, 60
    ),
    "throttle_pct": Kind(("TPS", "Throttle Position", "Drosselklappe"), (Way("%", SAME, 1),), 2, 96, 40),
    "manifold_kpa": Kind(
        ("MAP", "Manifold Absolute Pressure", "Saugrohrdruck"), (*PRESSURE, Way("mbar", _times(10), 0)), 31, 99, 40
    ),
    "pulse_width_ms": Kind(
        ("PW", "Injector Pulse Width", "Einspritzzeit"), (Way("ms", SAME, 3), Way("us", _times(1e3), 0)), 1.4, 16, 50
    ),
    "barometer_kpa": Kind(("Baro", "Barometric Pressure"), (*PRESSURE, Way("hPa", _times(10), 0)), 96, 102, 900),
    "lambda_commanded": Kind(("Target lambda", "Lambda Soll"), (Way("lambda", SAME, 3),), 0.82, 1.02, 50),
    "injector_duty_pct": Kind(("Injector Duty Cycle",), (Way("%", SAME, 1),), 4, 78, 60),
    "knock_retard_deg": Kind(("Knock Retard",), (Way("deg", SAME, 1),), 0, 5, 25),
    "lambda_measured": Kind(("Lambda", "O2 sensor 1 lambda"), (Way("lambda", SAME, 3),), 0.84, 1.18, 30),
    "trim_short_pct": Kind(("STFT", "Short Term Fuel Trim"), (Way("%", SAME, 2),), -9, 9, 20),
    "trim_long_pct": Kind(("LTFT", "Long Term Fuel Trim"), (Way("%", SAME, 1),), -4, 6, 300),
    "battery_v": Kind(
        ("Battery", "Battery Voltage", "Batt"), (Way("V", SAME, 2), Way("mV", _times(1e3), 0)), 13, 14, 80
    ),
    "coolant_c": Kind(("Coolant", "ECT", "Engine Coolant Temperature"), CELSIUS, 82, 93, 400),
    "intake_air_c": Kind(("IAT", "Intake Air Temp"), CELSIUS, 21, 38, 400),
    "exhaust_c": Kind(("EGT",), CELSIUS, 420, 840, 200),
    "spark_deg": Kind(("Ignition Timing", "Spark advance"), (Way("deg", SAME, 1),), 6, 36, 30),
    "road_speed_km_h": Kind(
        ("Vehicle Speed", "VSS"), (Way("km/h", SAME, 1), Way("mph", _times(1 / 1.609344), 1)), 0, 128, 150
    ),
    "gps_speed_km_h": Kind(("GPS Speed",), (Way("km/h", SAME, 2), Way("m/s", _times(1 / 3.6), 2)), 0, 126, 150),
    "altitude_m": Kind(("Altitude",), (Way("m", SAME, 1), Way("ft", _times(1 / 0.3048), 0)), 420, 1530, 400),
    "acceleration_m_s2": Kind(
        ("Longitudinal acceleration",), (Way("m/s2", SAME, 2), Way("g", _times(1 / 9.80665), 3)), -4, 4, 40
    ),
    "oil_c": Kind(("Oil temp",), CELSIUS, 74, 108, 500),
    "fuel_pressure_kpa": Kind(("Fuel Pressure", "Kraftstoffdruck"), PRESSURE, 280, 390, 100),
    "oil_pressure_kpa": Kind(("Oil Pressure",), PRESSURE, 150, 460, 100),
}
THOUSANDFOLD = {  # what a logger states, and what it writes all the same
    "engine_speed_rpm": ("rpm", _times(1e-3), 3),
    "meter_v": ("V", _times(1e3), 0),
    "battery_v": ("V", _times(1e3), 0),
    "pulse_width_ms": ("ms", _times(1e3), 0),
    "manifold_kpa": ("kPa", _times(1e-2), 3),
    "barometer_kpa": ("kPa", _times(10), 0),
    "fuel_pressure_kpa": ("kPa", _times(1e-2), 3),
    "air_flow_kg_h": ("kg/h", _times(1e3), 0),
    "throttle_pct": ("%", _times(1e-2), 3),
}
FAULTS = (
    "short row",
    "missing cell",
    "long row",
    "blank line",
    "nul",
    "words",
    "holes",
    "comment",
    "cut quote",
    "cut end",
    "same heading",
    "other order",
    "column added",
    "other units",
    "repeated stamp",
    "rows twice",
    "stray stamp",
    "hole in time",
    "restart",
    "summer time",
    "thousandfold",
    "contrary units",
    "units in one column only",
    "decimals of three",
    "other names",
    "ragged end",
    "cell gone for good",
    "cold",
    "engine off for a while",
    "note at the end",
)
_UNCLEAR = {"thousandfold", "contrary units", "units in one column only", "cell gone for good"}
WORDS = ("ERR", "---", "#N/A", "no data", "OFF")


@dataclass
class MadeFile:
    """A file and what it says. Lines count from 1."""

    data: bytes = b""
    truth: dict[int, dict[str, float]] = field(default_factory=dict)  # line -> channel -> value in the channel's unit
    slack: dict[str, float] = field(default_factory=dict)  # channel -> how coarsely it is written, in its unit
    time_s: dict[int, float] = field(default_factory=dict)  # line -> true time
    stretch: dict[int, int] = field(default_factory=dict)  # line -> number of the stretch whose clock hangs together
    time_slack_s: float = 2e-3
    is_clear: bool = True  # a reader who knows the trade needs to ask nothing
    about: list[str] = field(default_factory=list)  # what was drawn, for a failing test's message


@dataclass
class _Style:
    """How one file is written."""

    delimiter: str
    comma: bool  # decimal comma
    group: str  # thousands mark, "" where none
    grouped: frozenset[str]  # channels that carry it
    quote: str  # "none", "all" or "needed"
    units: str  # "heading", "row", "cells", "both" or "none"
    fixed: bool  # decimals are filled up with zeros
    trailing: bool  # a delimiter ends every line
    pad: str


def make_file(rng: np.random.Generator) -> MadeFile:
    """Make one file; every choice comes from `rng`."""
    made = MadeFile()
    style = _draw_style(rng)
    names = [name for name in KINDS if rng.random() < 0.55] or ["engine_speed_rpm", "coolant_c"]
    rng.shuffle(names)
    faults = [str(f) for f in rng.choice(FAULTS, size=int(rng.choice([0, 1, 1, 2, 2])), replace=False)]
    rows = int(rng.integers(50, 160))
    if "decimals of three" in faults:
        style = replace(style, group="", fixed=True)
    step = float(rng.choice([0.02, 0.04, 0.05, 0.1]))
    values = {name: _drive(rng, KINDS[name], rows) for name in names}
    if "cold" in faults:
        shared = rng.uniform(-12, 15)
        ends = {"coolant_c": rng.uniform(20, 90), "oil_c": rng.uniform(15, 70), "intake_air_c": 10.0}
        for name in set(ends) & set(names):
            values[name] = shared + (values[name] - KINDS[name].low) / (KINDS[name].high - KINDS[name].low) * ends[name]
    if {"engine_speed_rpm", "air_flow_kg_h"} <= set(names):  # what three litres breathe at 0.85 of the manifold's air
        pressure = values.get("manifold_kpa", 70.0)
        values["air_flow_kg_h"] = 0.85 * 3e-3 * values["engine_speed_rpm"] / 2 * 60 * 1.19 * pressure / 100
    if "engine off for a while" in faults and "engine_speed_rpm" in names:
        values["engine_speed_rpm"][: int(rng.integers(5, rows - 20))] = 0.0
    headings = {name: str(rng.choice(KINDS[name].names)) for name in names}
    ways = _draw_ways(rng, names, style, faults)
    clock = _Clock(rng, rows, step, faults)
    made.about = [repr(style), f"clock {clock.kind}", *faults]
    made.time_slack_s = clock.slack_s
    _draw_clarity(rng, made, style, ways, faults)
    return _Writer(rng, made, style, names, headings, ways, values, clock, faults).write()


def _draw_style(rng: np.random.Generator) -> _Style:
    delimiter = str(rng.choice([",", ";", "\t", "|"], p=[0.4, 0.35, 0.15, 0.1]))
    comma = bool(rng.random() < (0.08 if delimiter == "," else 0.5))
    quote = "all" if comma and delimiter == "," else str(rng.choice(["none", "all", "needed"], p=[0.7, 0.15, 0.15]))
    marks = [".", " ", "'"] if comma else [",", " ", "'"]
    group = str(rng.choice(marks)) if rng.random() < 0.2 else ""
    group = "" if group == delimiter and quote == "none" else group
    grouped = frozenset(KINDS) if rng.random() < 0.6 else frozenset({str(rng.choice(list(KINDS)))})
    units = str(rng.choice(["heading", "row", "cells", "both", "none"], p=[0.4, 0.25, 0.1, 0.1, 0.15]))
    return _Style(
        delimiter, comma, group, grouped, quote, units, bool(rng.random() < 0.7), bool(rng.random() < 0.15),
        str(rng.choice(["", " "], p=[0.9, 0.1])),
    )  # fmt: skip


def _drive(rng: np.random.Generator, kind: Kind, rows: int) -> np.ndarray:
    swing = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(rows) / kind.slowness + rng.uniform(0, 6))
    shape = np.clip(0.9 * swing + 0.1 * rng.random(rows), 0, 1)
    low, high = np.sort(rng.uniform(kind.low, kind.high, 2))
    spread = kind.high - kind.low
    low, high = min(low, kind.low + 0.3 * spread), max(high, kind.high - 0.3 * spread)
    return low + (high - low) * shape


def _draw_ways(rng: np.random.Generator, names: Sequence[str], style: _Style, faults: list[str]) -> dict[str, Way]:
    fahrenheit = rng.random() < 0.25
    mixed = rng.random() < 0.1
    ways = {}
    for name in names:
        options = KINDS[name].ways
        if options is CELSIUS and not mixed:
            options = [way for way in options if (way.unit == "°F") == fahrenheit]
        ways[name] = options[int(rng.integers(len(options)))]
    if "decimals of three" in faults:
        ways = {name: replace(way, decimals=3 if rng.random() < 0.7 else 0) for name, way in ways.items()}
    liars = [name for name in names if name in THOUSANDFOLD]
    if "thousandfold" in faults and liars and style.units != "none":
        name = str(rng.choice(liars))
        ways[name] = Way(*THOUSANDFOLD[name])
    elif "thousandfold" in faults:
        faults.remove("thousandfold")
    return ways


def _draw_clarity(
    rng: np.random.Generator, made: MadeFile, style: _Style, ways: dict[str, Way], faults: list[str]
) -> None:
    made.is_clear = style.units != "none" and not _UNCLEAR & set(faults)
    if "cold" in faults and style.units == "none":
        made.is_clear = False
    for name, way in ways.items():
        probe = way.scale(np.array([0.0, 1.0]))
        made.slack[name] = 0.51 * 10.0**-way.decimals / abs(probe[1] - probe[0])


_CLOCKS = {
    "s": 0.22, "s late": 0.08, "ms": 0.14, "us": 0.04, "min": 0.03, "of day": 0.12, "iso": 0.07, "local": 0.07,
    "date and time": 0.06, "unix": 0.04, "coarse": 0.03, "tenths": 0.03, "half day": 0.04, "days": 0.03,
}  # fmt: skip


class _Clock:
    """A clock column, or two: what is written in each row, and the true time."""

    def __init__(self, rng: np.random.Generator, rows: int, step: float, faults: list[str]):
        self.kind = str(rng.choice([*_CLOCKS], p=[*_CLOCKS.values()]))
        if "summer time" in faults and self.kind not in ("iso", "local", "of day", "date and time"):
            self.kind = "local"
        if self.kind in ("coarse", "tenths") and {"repeated stamp", "stray stamp"} & set(faults):
            self.kind = "s"
        jitter = rng.uniform(0, 0.15, rows) * step if rng.random() < 0.5 else np.zeros(rows)
        if self.kind == "coarse":
            step, jitter = 0.1, np.zeros(rows)
        self.true = np.round(np.arange(rows) * step + jitter, 3)
        self.stretch = np.zeros(rows, dtype=int)
        self.slack_s = {"coarse": 1.1, "tenths": 0.11, "min": 0.002 + 60 * 0.51e-5, "days": 0.05}.get(self.kind, 2e-3)
        if "hole in time" in faults:
            self.true[int(rng.integers(10, rows - 10)) :] += np.round(rng.uniform(3, 40), 3)
        start = float(rng.integers(1000, 70000))
        starts = {"s": 0.0, "ms": 0.0, "us": 0.0, "min": 0.0, "s late": float(rng.integers(1, 900))}
        self.shown = self.true + starts.get(self.kind, start)
        if "restart" in faults and self.kind in ("s", "ms", "us", "s late"):
            at = int(rng.integers(15, rows - 15))
            self.shown[at:] -= self.shown[at] - self.shown[0]
            self.stretch[at:] = 1
        if "summer time" in faults:
            at = int(rng.integers(15, rows - 15))
            forward = rng.random() < 0.5
            hour = 3600.0 * (2 if forward else 3)
            self.shown = np.round(self.true - self.true[at] + hour, 3)
            self.shown[at:] += 3600.0 if forward else -3600.0

    def headings(self) -> list[tuple[str, str]]:
        """Heading and unit of each clock column."""
        return {
            "s": [("Time", "s")], "s late": [("Time", "s")], "ms": [("Time", "ms")], "of day": [("Time", "")],
            "iso": [("Timestamp", "")], "local": [("Date Time", "")], "date and time": [("Date", ""), ("Time", "")],
            "unix": [("Timestamp", "s")], "coarse": [("Time", "")], "us": [("Time", "us")], "min": [("Time", "min")],
            "tenths": [("Time", "")], "half day": [("Time", "")], "days": [("Time", "day")],
        }[self.kind]  # fmt: skip

    def cells(self, row: int, shown: float, number: Callable[[float, int], str]) -> list[str]:
        """Give the clock's cells of one row; `number` writes a number with decimals."""
        if self.kind in ("s", "s late"):
            return [number(shown, 3)]
        if self.kind == "ms":
            return [number(round(shown * 1e3), 0)]
        if self.kind == "us":
            return [number(round(shown * 1e6), 0)]
        if self.kind == "min":
            return [number(shown / 60, 5)]
        if self.kind == "days":
            return [number(46110 + shown / 86400, 8)]
        if self.kind == "unix":
            return [number(1_780_000_000 + shown, 3)]
        whole = int(shown + 1e-9)
        text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        if self.kind == "coarse":
            return [text]
        if self.kind == "tenths":
            return [f"{text}.{int((shown - whole) * 10 + 1e-6) % 10}"]
        if self.kind == "half day":
            hour = whole // 3600
            text = f"{hour % 12 or 12}:{text[3:]}.{min(round((shown - whole) * 1e3), 999):03d}"
            return [f"{text} {'PM' if hour % 24 >= 12 else 'AM'}"]
        text += f".{min(round((shown - whole) * 1e3), 999):03d}"
        return {
            "of day": [text], "iso": [f"2026-03-29T{text}"], "local": [f"29.03.2026 {text}"],
            "date and time": ["29.03.2026", text],
        }[self.kind]  # fmt: skip


class _Writer:
    """Writes one file, line by line, and puts down what each line says."""

    def __init__(self, rng, made, style, names, headings, ways, values, clock, faults):
        self.rng, self.made, self.style, self.names = rng, made, style, list(names)
        self.headings, self.ways, self.values, self.clock, self.faults = headings, dict(ways), values, clock, faults
        self.lines: list[str] = []
        rows = len(clock.true)
        self.at = {fault: int(rng.integers(12, rows - 12)) for fault in faults}
        self.block = int(rng.integers(1, 12))  # rows written twice, or without a cell
        self.chance = rng.random(rows)  # of a fault in a row, the same when the row is written again
        self.word = str(rng.choice(WORDS))
        self.victim = str(rng.choice(self.names))

    def write(self) -> MadeFile:
        """Write all lines."""
        rng, made = self.rng, self.made
        for _ in range(int(rng.choice([0, 0, 1, 3]))):
            self.lines.append(str(rng.choice(["Logger 12", "", "# wet, two laps", "Driver: Pia"])))
        extra = None
        if "column added" in self.faults and len(self.names) > 2:
            extra = self.names.pop(int(rng.integers(len(self.names))))
        self._heading()
        for row in range(len(self.clock.true)):
            self._faults_before(row, extra)
            self._row(row)
            if self.at.get("rows twice", -1) == row:
                for again in range(max(row - self.block + 1, 0), row + 1):
                    self._row(again, is_again=True)
        end = str(rng.choice(["\n", "\r\n"]))
        text = end.join(self.lines) + end
        if "cut end" in self.faults:
            text = text[: -len(end) - 3]
            self._forget(len(self.lines))
        made.data = text.encode(str(rng.choice(["utf-8", "utf-8-sig", "cp1252", "utf-16"], p=[0.6, 0.15, 0.2, 0.05])))
        return made

    def _faults_before(self, row: int, extra: str | None) -> None:
        at = {fault for fault, place in self.at.items() if place == row}
        if "comment" in at:
            self.lines.append("# marker 3")
        if "blank line" in at:
            self.lines.append("")
        if "same heading" in at:
            self._heading()
        if "other order" in at:
            self.rng.shuffle(self.names)
            self._heading()
        if "other names" in at:
            for name in self.names:
                self.headings[name] = str(self.rng.choice(KINDS[name].names))
            self._heading()
        if "column added" in at and extra is not None:
            self.names.insert(int(self.rng.integers(len(self.names) + 1)), extra)
            self._heading()
        if "other units" in at and self.style.units in ("heading", "row", "both"):
            for name in self.names:
                options = KINDS[name].ways
                self.ways[name] = options[int(self.rng.integers(len(options)))]
                probe = self.ways[name].scale(np.array([0.0, 1.0]))
                slack = 0.51 * 10.0 ** -self.ways[name].decimals / abs(probe[1] - probe[0])
                self.made.slack[name] = max(self.made.slack[name], slack)
            self._heading()

    def _heading(self) -> None:
        style, clock = self.style, self.clock.headings()
        pairs = [*clock, *((self.headings[name], self._unit(name)) for name in self.names)]
        bracketed = style.units in ("heading", "both")
        names = [f"{name} [{unit}]" if bracketed and unit else name for name, unit in pairs]
        if style.units == "cells":
            names = [name for name, _ in pairs]
            names[: len(clock)] = [f"{name} ({unit})" if unit else name for name, unit in clock]
        if style.units == "none" and clock[0][1] and self.clock.kind != "unix":
            names[0] = f"{clock[0][0]} ({clock[0][1]})"
        self.lines.append(self._join(names))
        if style.units in ("row", "both"):
            units = [unit or "-" for _, unit in pairs]
            if "contrary units" in self.faults and style.units == "both":
                units = self._contrary(units, len(clock))
            self.lines.append(self._join(units))

    def _unit(self, name: str) -> str:
        if "units in one column only" in self.faults and name != self.victim:
            return ""
        return self.ways[name].unit

    def _contrary(self, units: list[str], first: int) -> list[str]:
        swapped = {"°C": "°F", "degC": "°F", "°F": "°C", "kPa": "psi", "psi": "kPa", "km/h": "mph", "mph": "km/h"}
        return [swapped.get(unit, unit) if place >= first else unit for place, unit in enumerate(units)]

    def _join(self, cells: Sequence[str]) -> str:
        style = self.style
        written = []
        for cell in cells:
            needs = style.quote == "all" or (style.quote == "needed" and style.delimiter in cell)
            written.append(f'"{cell}"' if needs else f"{style.pad}{cell}{style.pad}")
        return style.delimiter.join(written) + (style.delimiter if style.trailing else "")

    def _number(self, value: float, decimals: int, name: str = "") -> str:
        style = self.style
        text = f"{abs(value):.{decimals}f}"
        whole, _, part = text.partition(".")
        if not style.fixed:
            part = part.rstrip("0")
        if style.group and name in style.grouped and len(whole) > 3:
            head = len(whole) % 3 or 3
            whole = style.group.join([whole[:head], *(whole[i : i + 3] for i in range(head, len(whole), 3))])
        sign = "-" if value < 0 and float(text) else ""
        return sign + whole + ((("," if style.comma else ".") + part) if part else "")

    def _row(self, row: int, *, is_again: bool = False) -> None:
        at = {fault for fault, place in self.at.items() if place == row}
        shown = self.clock.shown[row]
        if "repeated stamp" in at:
            shown = self.clock.shown[row - 1]
        if "stray stamp" in at:
            shown = self.clock.shown[row - 1] - 4 * 0.05
        cells = self.clock.cells(row, shown, lambda value, decimals: self._number(value, decimals, "time"))
        first, said = len(cells), {}
        for name in self.names:
            way = self.ways[name]
            text = self._number(float(way.scale(self.values[name][row : row + 1])[0]), way.decimals, name)
            said[name] = float(self.values[name][row])
            if self.style.units == "cells" and self._unit(name) not in ("", "lambda"):
                text += " " + self._unit(name)
            cells.append(text)
        hit = first + self.names.index(self.victim) if self.victim in self.names else first
        name = self.names[hit - first]
        if "words" in self.faults and self.chance[row] < 0.03:
            cells[hit], said[name] = self.word, np.nan
        if "holes" in self.faults and self.chance[row] > 0.95:
            cells[hit], said[name] = "", np.nan
        is_whole = True
        first_gone = self.at.get("missing cell", row + 1)
        is_gone = first_gone <= row < first_gone + self.block or row >= self.at.get("cell gone for good", row + 1)
        if is_gone and hit < len(cells) - 1:  # without its last cell a row reads as it should
            del cells[hit]
            is_whole = False
        if "short row" in at:
            cells, is_whole = cells[: max(len(cells) // 2, 1)], False
        if "long row" in at:
            cells, is_whole = [*cells, "7"], False
        text = self._join(cells)
        if "ragged end" in self.faults and self.rng.random() < 0.3:
            text = text.rstrip(self.style.delimiter) if self.style.trailing else text + self.style.delimiter
        if "note at the end" in at:
            text, is_whole = text + self.style.delimiter + "marker", False
        if "nul" in at:
            text, is_whole = text[:3] + "\0" + text[3:], False
        if "cut quote" in at:
            text, is_whole = (text.replace('"', "", 1) if '"' in text else '"' + text), False
        self.lines.append(text)
        line = len(self.lines)
        is_timed = not {"repeated stamp", "stray stamp"} & at
        if is_whole:
            self.made.truth[line] = said
        if is_whole and is_timed and not is_again:
            self.made.time_s[line] = float(self.clock.true[row])
            self.made.stretch[line] = int(self.clock.stretch[row])

    def _forget(self, line: int) -> None:
        for told in (self.made.truth, self.made.time_s, self.made.stretch):
            told.pop(line, None)
