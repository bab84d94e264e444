"""Words of a channel's name without their order, endings and abbreviations: "Temp. Kühlm." and "coolant_tmp" alike.

Two names agree where they consist of the same words. German compounds are cut: "Öltemp." is oil and temperature.
"""

from __future__ import annotations

import re
import unicodedata

_SAME = {
    "temp": "tmp temperature temperatur temperatura temperatuur tempr t",
    "pressure": "press pres prs prss druck dr pression presion pressione pressao druk p",
    "voltage": "volt volts spannung spg tension tensione voltaje u",
    "position": "pos posn stellung posicion posizione",
    "speed": "spd velocity",
    "drehzahl": "drehz",
    "geschwindigkeit": "geschw",
    "beschleunigung": "beschl",
    "engine": "eng",
    "motor": "mot moteur motore",
    "coolant": "cool clnt coolnt kuehlmittel kuhlmittel kuehlm kuhlm kuehlwasser kuhlwasser",
    "water": "wtr wasser eau agua acqua h2o",
    "oil": "oel ol huile aceite olio oleo",
    "fuel": "kraftstoff kraftst benzin carburant combustible",
    "ambient": "amb aussen umgebung umgebungs",
    "exhaust": "exh exhst abgas abg",
    "target": (
        "tgt trgt setpoint desired des commanded cmd requested request req demand soll sollwert consigne objetivo "
        "obiettivo doel wunsch"
    ),
    "manifold": "mfld mani man saugrohr saugr collecteur colector",
    "injector": "inj injection injectors injecteur",
    "duration": "dur",
    "pulse": "puls pls",
    "width": "wid",
    "ignition": "ign",
    "advance": "adv avance",
    "timing": "tim",
    "throttle": "thr thrtl thrott",
    "accel": "acc acceleration",
    "vehicle": "veh fzg",
    "wideband": "wb",
    "baro": "barometer barometric",
    "atmospheric": "atm atmos",
    "battery": "bat batt batterie bateria",
    "lambda": "lam lamb",
    "correction": "corr korr korrektur",
    "longitudinal": "longit longitud",
    "intake": "inlet inl induction ansaug admission admision",
    "air": "luft aire aria",
    "short": "st",
    "long": "lt",
    "bank": "bk",
}
_WORD = {word: known for known, words in _SAME.items() for word in (known, *words.split())}
_PARTS = re.compile(r"(.{2,}?)s?(temperatuur|temperatur|temp|tmp|druck|druk|spannung|stellung|dr)")
_EMPTY_WORDS = "de del di da du d l la le les the of der die das und et y"
_EMPTY = frozenset(_EMPTY_WORDS.split())
_TOKEN = re.compile(r"o2|b\ds\d|[a-z]+|\d+")


def name_words(name: str) -> tuple[str, ...]:
    """Words of a name, sorted, each in one spelling; empty for a single word, which says too little by itself."""
    plain = unicodedata.normalize("NFKD", name.replace("λ", "lambda").replace("ß", "ss"))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", plain).casefold().replace("h2o", "water")
    parts = [part for word in _TOKEN.findall(spaced) for part in _cut(word)]
    words = sorted(_WORD.get(word, word) for word in parts if word not in _EMPTY)
    return tuple(words) if len(words) > 1 else ()


def _cut(word: str) -> tuple[str, ...]:
    match = None if word in _WORD else _PARTS.fullmatch(word)
    return match.groups() if match else (word,)
