"""What is private in a text: places, positions, chassis numbers, paths of a computer, and names on request.

What is replaced becomes the same plain word wherever it stood, so that names of files and what refers to them still
fit together. The word is safe in a file name, in JSON, in TOML and on a page.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2]
GENERIC = frozenset(
    {"lane", "road", "street", "avenue", "drive", "hill", "hills", "track", "circuit", "raceway", "park", "field"}
    | {"airfield", "airport", "ground", "grounds", "farm", "valley", "north", "south", "east", "west", "upper"}
    | {"lower", "great", "little", "saint", "county", "club", "home", "garage", "strip", "runway"}
)
BETWEEN = r"(?:[\s_+.,'’-]|%20|\\u00a0|\xa0)*"  # how the words of one name may be joined
LONG_ENOUGH = 6  # letters from which a term is looked for inside words as well
ACCENTS = {
    "ä": ["ae"],
    "ö": ["oe"],
    "ü": ["ue"],
    "ß": ["ss"],
    "å": ["aa"],
    "ø": ["oe", "o"],
    "æ": ["ae", "a"],
    "ł": ["l"],
}
HOMES = "home|Users|root|tmp|var|mnt|media|opt|srv|private|Volumes|etc|usr|data|work|run|Applications|Library"
VIN_DIGITS = {**{str(n): n for n in range(10)}, **dict(zip("ABCDEFGH", range(1, 9), strict=True))}
VIN_DIGITS |= dict(zip("JKLMN", range(1, 6), strict=True)) | {"P": 7, "R": 9}
VIN_DIGITS |= dict(zip("STUVWXYZ", range(2, 10), strict=True))
VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


@dataclass(frozen=True)
class Rule:
    """One kind of private text and how it is found."""

    kind: str
    pattern: re.Pattern[str]
    holds: Callable[[str], bool] = bool  # whether a match really is one
    in_bytes: bool = True  # may be looked for in bytes that are no text


@dataclass(frozen=True)
class Box:
    """Where a log's positions lie. [° north, ° east]"""

    south: float
    north: float
    west: float
    east: float

    def holds(self, text: str) -> bool:
        """Whether a number written so finely that it is a position lies within, give or take 2 km."""
        value, decimals = float(text), len(text.partition(".")[2])
        needed = 3 if abs(value) >= 20 else 4 if abs(value) >= 2 else 5
        near = 0.02
        inside = self.south - near <= value <= self.north + near or self.west - near <= value <= self.east + near
        return decimals >= needed and inside


class Scrubber:
    """Takes what is private out of texts, and keeps the account of what was taken out of which file."""

    def __init__(self, rules: Sequence[Rule], *, keeps_position: bool = False):
        self._rules = tuple(rules)
        self.keeps_position = keeps_position  # whether rows, columns and figures that give positions stay
        self._words: dict[tuple[str, str], str] = {}
        self.originals: dict[str, str] = {}  # what each word stands for, as first found; for the owner's eyes only
        self.removed: Counter[tuple[str, str, str]] = Counter()  # kind, word that stands instead, file

    @property
    def rules(self) -> tuple[Rule, ...]:
        """The rules in the order in which they are tried."""
        return self._rules

    def text(self, text: str, where: str) -> str:
        """Return the text with every private part replaced; `where` names the file for the account."""
        for rule in self._rules:
            text = rule.pattern.sub(lambda found, rule=rule: self._replace(rule, found.group(), where), text)
        return text

    def note(self, kind: str, what: str, where: str, *, times: int = 1) -> None:
        """Account for something that was left out whole, such as a column."""
        self.removed[(kind, what, where)] += times

    def _replace(self, rule: Rule, found: str, where: str) -> str:
        if not rule.holds(found):
            return found
        key = (rule.kind, re.sub(r"[\W_]", "", found.casefold()) or found)
        if key not in self._words:
            number = 1 + sum(kind == rule.kind for kind, _ in self._words)
            self._words[key] = f"removed-{rule.kind}-{number}"
            self.originals[self._words[key]] = found
        self.removed[(rule.kind, self._words[key], where)] += 1
        return self._words[key]


def rules_for(places: Iterable[str], names: Iterable[str], folders: Iterable[Path], boxes: Iterable[Box]) -> list[Rule]:
    """Make the rules for one workspace.

    Parameters
    ----------
    places, names
        As sessions state them; a word that the kit itself uses is no part of a place by itself.
    folders
        Folders of this computer whose paths may stand in texts.
    boxes
        Where the logs' positions lie.
    """
    terms = [(term, "place") for place in places for term in terms_of(place)]
    terms += [(term, "name") for name in names for term in terms_of(name)]
    rules = [Rule(kind, _term_pattern(term)) for term, kind in sorted(set(terms), key=lambda t: (-len(t[0]), t))]
    literal = [re.escape(str(folder)) for folder in folders if len(str(folder)) > 3]
    if literal:
        rules.append(
            Rule(
                "path",
                re.compile(f"(?:{'|'.join(sorted(literal, key=len, reverse=True))})(?:[\\\\/][^\\s\"'<>|,;:]*)?"),
            )
        )
    rules += [*_position_rules(), *_path_rules(), *_vin_rules()]
    return rules + [
        Rule("position", re.compile(r"(?<![\d.])-?\d{1,3}\.\d{3,}(?!\d)"), box.holds, False) for box in boxes
    ]


def terms_of(name: str) -> list[str]:
    """Terms under which a place or a person may be mentioned: the whole, its parts, its own words."""
    own = own_words()
    parts = [part.strip() for part in re.split(r"[,;/|()\n–—]", name)]
    terms = [part for part in {name.strip(), *parts} if _is_distinct(part, own)]
    words = [word for part in parts for word in re.findall(r"[^\W\d_]+", part)]
    terms += [w for w in words if len(w) >= 4 and w.casefold() not in own and w.casefold() not in GENERIC]
    return sorted(set(terms))


def _is_distinct(part: str, own: frozenset[str]) -> bool:
    """A single word of the kit's own cannot be taken out of the kit's texts; any longer name can."""
    words = re.findall(r"\w+", part.casefold())
    return len(words) > 1 or (len(words) == 1 and words[0] not in own and len(words[0]) > 2)


@cache
def own_words() -> frozenset[str]:
    """Words that the kit's own texts use, in small letters."""
    texts = [p for s in ("py", "html", "css", "js") for p in PACKAGE.rglob(f"*.{s}") if "simulate" not in p.parts]
    found: set[str] = set()
    for path in texts:
        found.update(re.findall(r"[a-z]{3,}", path.read_text(encoding="utf-8").casefold()))
    return frozenset(found)


def _term_pattern(term: str) -> re.Pattern[str]:
    words = re.findall(r"\w+", unicodedata.normalize("NFC", term))
    body = BETWEEN.join("".join(_letter(letter) for letter in word) for word in words)
    letters = sum(letter.isalpha() for letter in term)
    ends = ("", "") if letters >= LONG_ENOUGH else (r"(?<![^\W\d_])", r"(?![^\W\d_])")
    return re.compile(ends[0] + body + ends[1], re.IGNORECASE)


def _letter(letter: str) -> str:
    """Pattern of a letter, with or without its accent, composed or not, or written as an escape of code or address."""
    spread = unicodedata.normalize("NFD", letter)
    forms = {letter, spread, spread[0], *ACCENTS.get(letter.lower(), [])}
    if forms == {letter} and letter.isascii():
        return re.escape(letter)
    literal = [re.escape(form) for form in sorted(forms, key=len, reverse=True)]
    escaped = [e for one in dict.fromkeys((letter, letter.swapcase())) if len(one) == 1 for e in _escapes(one)]
    return f"(?:{'|'.join([*escaped, *literal])})"


def _escapes(letter: str) -> list[str]:
    """How code, JSON, an address or HTML writes a letter in ASCII, as patterns."""
    code = ord(letter)
    escapes = [rf"\\+u{code:04x}", rf"&\#{code};", "".join(f"%{byte:02x}" for byte in letter.encode())]
    return [*escapes, rf"\\+x{code:02x}"] if code < 256 else escapes


def _position_rules() -> list[Rule]:
    number, hemisphere = r"(?<![\d.])[-+]?\d{1,3}\.\d{3,}", r"(?:\s*°\s*)?[NSEWO]\b"  # with a space it is newtons
    patterns = [
        r"\$G[A-Z]{4},[^\s\"']*",  # NMEA 0183 sentences
        r"(?<![\d.])\d{4,5}\.\d{2,}(?:\s*[,;]\s*)?[NSEW]\b",  # degrees and minutes run together, as such a sentence has
        r"\d{1,3}\s*°\s*\d{1,2}(?:\.\d+)?\s*['′’](?:\s*\d{1,2}(?:\.\d+)?\s*(?:\\*\"|″|''|”))?(?:\s*[NSEWO]\b)?",
        rf"{number}{hemisphere}",
        r"\b[NSEWO]\s*\d{1,3}\.\d{3,}(?:\s*°)?",
        r"\b(?:lat|latitude|lon|lng|long|longitude)\b\s*[:=]?\s*[-+]?\d{1,3}[.,]\d{2,}",
        r"///[a-z]+\.[a-z]+\.[a-z]+",  # three words for a square of the world
        r"\b[23456789CFGHJMPQRVWX]{8}\+[23456789CFGHJMPQRVWX]{2,3}\b",  # open location code
    ]  # fmt: skip
    pair = re.compile(r"(?<![\d.])[-+]?\d{1,2}\.\d{4,}\s*°?\s*[,;/]\s*[-+]?\d{1,3}\.\d{4,}(?!\d)")
    rules = [Rule("position", re.compile(pattern), in_bytes=False) for pattern in patterns]
    return [*rules, Rule("position", pair, _far_from_zero, False)]


def _far_from_zero(pair: str) -> bool:
    """Whether a pair of numbers may be a position: there is only sea within two degrees of the zero of both."""
    return any(abs(float(number)) >= 2 for number in re.findall(r"[-+]?\d+\.\d+", pair))


def _path_rules() -> list[Rule]:
    patterns = [
        r"file:/+[^\s\"'<>|]+",
        r"(?<!\w)[A-Za-z]:[\\/]+(?![\\/])(?:[^\\/:*?\"<>|\r\n,;]+[\\/]+)*[^\\/:*?\"<>|\s,;]*",
        r"\\\\[\w.$-]+(?:\\+[^\\/:*?\"<>|\r\n,;]+)+",
        r"(?<![\w~])~[\w.-]*/[^\s\"'<>|,;]+",
        rf"(?<![\w/.:<~-])/(?:{HOMES})(?![\w.-])(?:/(?:[^/\"'<>|:,;\r\n]+(?=/)|[^/\s\"'<>|:,;]+))*/?",
    ]
    rules = [Rule("path", re.compile(pattern), in_bytes=False) for pattern in patterns]
    whole = re.compile(r"(?<![\w/.:<~%)\]-])/[A-Za-z_.][\w.+@-]*(?:/[\w.+@-]+)+/?")
    return [*rules, Rule("path", whole, in_bytes=False)]


def _vin_rules() -> list[Rule]:
    label = r"(?:VIN|V\.I\.N\.|[Cc]hassis(?:\s+(?:no|number))?)\.?\s*[:=#]?\s*"
    labelled = label + r"[A-HJ-NPR-Z0-9](?:[ -]?[A-HJ-NPR-Z0-9]){5,16}\b"  # older ones are short
    fraction = r"(?!(?<=\d\.)\d{16}[\de](?![A-Za-z0-9]))"  # of a number: one in eleven has a right check digit
    run = rf"(?<![A-Za-z0-9]){fraction}[A-Za-z0-9]{{17}}(?![A-Za-z0-9])"
    return [Rule("vin", re.compile(labelled), _has_digits), Rule("vin", re.compile(run), is_vin_like)]


def _has_digits(text: str) -> bool:
    return sum(letter.isdigit() for letter in text) >= 3


def is_vin_like(text: str) -> bool:
    """Whether seventeen letters and digits look like a chassis number by ISO 3779.

    True where letters and digits are mixed, or where the check digit of 49 CFR 565.15 is right.
    """
    letters = sum(letter.isalpha() for letter in text)
    is_one_case = text in (text.upper(), text.lower())
    if letters >= 2 and len(text) - letters >= 2 and is_one_case and not re.fullmatch(r"[0-9a-f]+", text):
        return True
    if not set(text.upper()) <= set(VIN_DIGITS):
        return False
    total = sum(VIN_DIGITS[letter] * weight for letter, weight in zip(text.upper(), VIN_WEIGHTS, strict=True))
    return set(text) != {"0"} and "0123456789X"[total % 11] == text[8].upper()
