"""Words in columns of switches, gears and fuelling modes, as numbers."""

from __future__ import annotations

import re

import numpy as np
import polars as pl

from tunelab.channels import name_key
from tunelab.log.map.quantity import SWITCHES
from tunelab.log.read.cells import count_words

WORDED = (*SWITCHES, "gear", "fuel_mode")  # channels in whose columns words stand among numbers

_ON = (
    "on yes true 1 active pressed closed engaged ein ja an aktiv oui actif si activo enabled enable depressed high set"
)
_OFF = (
    "off no false 0 inactive released open disengaged aus nein inaktiv non inactif inactivo disabled disable none low"
)

_FUEL_MODES = {
    1: "ol open openloop openlooprich openlooplean oldrive oldriveref olfault openloopdrive openloopfault offen "
    "steuerung bouclouverte boucleouverte lazoabierto warmup warmingup afterstart cranking start startup openloopcold",
    2: "cl closed closedloop closedlooptrim clfault closedloopfault geschlossen regelung boucleferm bouclefermee "
    "lazocerrado lambdacontrol feedback closedloopactive idlecl clidle clcruise cruise",
    3: "cut fuelcut dfco decelcut overrun overruncut deceleration decelfuelcut schubabschaltung coupure "
    "coupureinjection corte corteinyeccion fuelcutoff cutoff fco dfc overrunfuelcut deceleration",
    4: "wot fullload full pe powerenrich powerenrichment power vollast volllast pleinecharge plenacarga fullthrottle "
    "olwot openloopwot openlooppower",
}

_CODE = re.compile(r"(\d+)\s*[=:-]?\s*([^\d\s,;/|=:][^\d,;/|=:]*)")

# Fuel system status of SAE J1979, service 01, PID 03: one bit each (from memory).
_J1979 = {0: 0, 1: 1, 2: 2, 4: 1, 8: 1, 16: 2}


def words_to_numbers(text: pl.Series, channel: str) -> tuple[np.ndarray, dict[str, int]]:
    """Read words as numbers.

    Parameters
    ----------
    text : polars String series
        Cells; null is empty.
    channel : str
        Canonical channel name.

    Returns
    -------
    array, shape (rows,)
        NaN where a cell is empty or its word is not known.
    dict
        Unknown words and how often each stands.
    """
    table = _table(channel)
    unique = text.drop_nulls().unique().to_list()
    known = {word: _number(word, table) for word in unique}
    values = text.replace_strict(known, default=None, return_dtype=pl.Float64).fill_null(float("nan")).to_numpy().copy()
    unknown = [word for word, number in known.items() if np.isnan(number)]
    counts = count_words(text.filter(text.is_in(unknown))) if unknown else {}
    return values, counts


def _table(channel: str) -> dict[str, float]:
    if channel in SWITCHES:
        return dict.fromkeys(_ON.split(), 1.0) | dict.fromkeys(_OFF.split(), 0.0)
    if channel == "fuel_mode":
        return {word: float(mode) for mode, words in _FUEL_MODES.items() for word in words.split()} | {"unknown": 0.0}
    if channel == "gear":
        return dict.fromkeys(("n", "neutral", "p", "leerlauf", "neutre"), 0.0) | {"r": -1.0, "reverse": -1.0}
    return {}


def _number(word: str, table: dict[str, float]) -> float:
    key = name_key(word)
    if key in table:
        return table[key]
    digits = key.removeprefix("gear").removesuffix("st").removesuffix("nd").removesuffix("rd").removesuffix("th")
    try:
        return float(word)
    except ValueError:
        return float(digits) if digits.isdigit() and len(digits) == 1 else float("nan")


CODES_ASKED = 20  # of a column: one with more is no column of modes


class FuelCodeError(ValueError):
    """Fuelling-mode numbers whose meaning stays open; `codes` holds them."""

    def __init__(self, codes: list[float]):
        self.codes = codes
        more = f" and {len(codes) - CODES_ASKED} more" if len(codes) > CODES_ASKED else ""
        asked = ", ".join(f"{code:g}" for code in codes[:CODES_ASKED])
        super().__init__(f"nothing says what the codes {asked}{more} mean")


def stated_codes(text: str) -> dict[float, float]:
    """Read what a file says of its fuelling-mode numbers, such as "0 open, 1 closed, 2 fuel cut"; by number.

    Empty where the text is no such list of two or more, or one of its words is not known.
    """
    pairs = _CODE.findall(text)
    table = _table("fuel_mode")
    found = {float(number): table.get(name_key(word), float("nan")) for number, word in pairs}
    return found if len(found) > 1 and not any(np.isnan(mode) for mode in found.values()) else {}


def fuel_codes(values: np.ndarray, heading: str) -> tuple[np.ndarray, str]:
    """Turn fuelling-mode numbers into `channels.FUEL_MODES`.

    Raises
    ------
    FuelCodeError
        The codes belong to no known set, or to more than one.
    """
    codes, key = set(np.unique(values[np.isfinite(values)]).tolist()), name_key(heading)
    if codes <= {0.0, 1.0, 2.0, 3.0, 4.0} and heading == "fuel_mode":
        return values, "the kit's own codes"
    if codes <= {0.0, 1.0} and _names_one_loop(key):
        is_open = "open" in key
        return (2.0 - values, "1 is open loop") if is_open else (values + 1.0, "1 is closed loop")
    if codes <= set(_J1979) and ("fuelsys" in key or codes & {8.0, 16.0} or codes == {1.0, 2.0}):
        table = np.full(17, np.nan)
        table[list(_J1979)] = list(_J1979.values())
        finite = np.isfinite(values)
        result = np.full(values.shape, np.nan)
        result[finite] = table[values[finite].astype(int)]
        return result, "fuel system status of SAE J1979"
    raise FuelCodeError(sorted(codes))


def _names_one_loop(key: str) -> bool:
    """Whether a name says which loop a switch stands for: "Closed loop" does, "Open/closed loop" does not."""
    is_open = "open" in key
    is_closed = "closed" in key or ("cl" in key and "ol" not in key) or "regelung" in key
    return is_open != is_closed
