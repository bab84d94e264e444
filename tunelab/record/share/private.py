"""Takes what is private out of texts: the owner's own places, names, folders and positions, and the table of kinds.

What is replaced becomes the same plain word wherever it stood, so that names of files and what refers to them still
fit together. The word is safe in a file name, in JSON, in TOML and on a page.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from tunelab.record.share.forms import PACKAGE
from tunelab.record.share.kinds import KINDS, Rule, geohash_box

GENERIC = frozenset(
    {"lane", "road", "street", "avenue", "drive", "hill", "hills", "track", "circuit", "raceway", "park", "field"}
    | {"airfield", "airport", "ground", "grounds", "farm", "valley", "north", "south", "east", "west", "upper"}
    | {"lower", "great", "little", "saint", "county", "club", "home", "garage", "strip", "runway"}
)
BETWEEN = r"(?:[\s_+.,'’-]|%20|\\u00a0|\xa0)*"  # how the words of one name may be joined
PASSES = 3  # what was taken out may lay bare something more
SHORT, MANY = 200, 20_000  # texts that are remembered: how long, how many
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


@dataclass(frozen=True)
class Box:
    """Where a log's positions lie. [° north, ° east]"""

    south: float
    north: float
    west: float
    east: float

    def holds(self, found: re.Match[str]) -> bool:
        """Whether a number written so finely that it is a position lies within, give or take 2 km."""
        text = found.group().replace(",", ".").replace("−", "-")
        value, decimals = float(text), len(text.partition(".")[2])
        needed = 3 if abs(value) >= 20 else 4 if abs(value) >= 2 else 5
        near = 0.02
        inside = self.south - near <= value <= self.north + near or self.west - near <= value <= self.east + near
        return decimals >= needed and inside

    def holds_geohash(self, found: re.Match[str]) -> bool:
        """Whether letters and digits name a cell, a kilometre or less across, within 2 km of the positions."""
        south, north, west, east = geohash_box(found.group().casefold())
        near = 0.02
        return (
            self.south - near <= south
            and north <= self.north + near
            and self.west - near <= west
            and east <= self.east + near
        )


class Scrubber:
    """Takes what is private out of texts, and keeps the account of what was taken out of which file."""

    def __init__(self, rules: Sequence[Rule], *, keeps_position: bool = False, hides_names: bool = False):
        self._rules = tuple(rules)
        self.keeps_position = keeps_position  # whether rows, columns and figures that give positions stay
        self.hides_names = hides_names  # whether what a key says is a name goes, whatever it is
        self._words: dict[tuple[str, str], str] = {}
        self._clean: set[str] = set()  # short texts in which nothing was found; a log repeats the same few
        self.originals: dict[str, str] = {}  # what each word stands for, as first found; for the owner's eyes only
        self.doubts: dict[str, str] = {}  # of words that may stand for something else: how that was written
        self.removed: Counter[tuple[str, str, str]] = Counter()  # kind, word that stands instead, file

    @property
    def rules(self) -> tuple[Rule, ...]:
        """The rules in the order in which they are tried."""
        return self._rules

    def text(self, text: str, where: str) -> str:
        """Return the text with every private part replaced; `where` names the file for the account."""
        if text in self._clean:
            return text
        cleaned = text
        for _ in range(PASSES):
            before = cleaned
            for rule in self._rules:
                cleaned = rule.pattern.sub(partial(self._replace, rule, where=where), cleaned)
            if cleaned == before:
                break
        if cleaned == text and len(text) <= SHORT and len(self._clean) < MANY:
            self._clean.add(text)
        return cleaned

    def note(self, kind: str, what: str, where: str, *, times: int = 1) -> None:
        """Account for something that was left out whole, such as a column."""
        self.removed[(kind, what, where)] += times

    def word(self, kind: str, found: str, where: str) -> str:
        """Give the word that stands instead of a text, and account for it."""
        key = (kind, re.sub(r"[\W_]", "", found.casefold()) or found)
        if key not in self._words:
            number = 1 + sum(known == kind for known, _ in self._words)
            self._words[key] = f"removed-{kind}-{number}"
            self.originals[self._words[key]] = found.replace("−", "-")  # as the owner wrote it: pages set their own
        self.removed[(kind, self._words[key], where)] += 1
        return self._words[key]

    def _replace(self, rule: Rule, match: re.Match[str], where: str) -> str:
        found = match.group()
        if not rule.holds(match):
            return found
        known = len(self._words)
        word = self.word(rule.kind, found, where)
        if len(self._words) > known and not rule.sure:
            self.doubts[word] = rule.what
        return word


def rules_for(
    places: Iterable[str], names: Iterable[str], folders: Iterable[Path], boxes: Iterable[Box], *, computer: str = ""
) -> list[Rule]:
    """Make the rules for one workspace.

    Parameters
    ----------
    places, names
        As sessions state them; a word that the kit itself uses is no part of a place by itself.
    folders
        Folders of this computer whose paths may stand in texts.
    boxes
        Where the logs' positions lie.
    computer
        Name of this computer in its network; empty: none.
    """
    terms = [(term, "place") for place in places for term in terms_of(place)]
    terms += [(term, "name") for name in names for term in terms_of(name)]
    short = sorted({word for name in names for word in _short_names(name)})
    rules = [Rule(kind, _term_pattern(term)) for term, kind in sorted(set(terms), key=lambda t: (-len(t[0]), t))]
    rules += [Rule("name", re.compile(rf"(?<![^\W_]){re.escape(word)}(?![^\W_])"), in_bytes=False) for word in short]
    literal = [re.escape(str(folder)) for folder in folders if len(str(folder)) > 3]
    if literal:
        rules.append(
            Rule(
                "path",
                re.compile(f"(?:{'|'.join(sorted(literal, key=len, reverse=True))})(?:[\\\\/][^\\s\"'<>|,;:]*)?"),
            )
        )
    if _is_distinct(computer, own_words()):
        rules.append(Rule("host", re.compile(rf"(?<!\w){re.escape(computer)}(?!\w)", re.IGNORECASE)))
    return [*rules, *KINDS, *(rule for box in boxes for rule in _near(box))]


def _near(box: Box) -> list[Rule]:
    """Rules for what lies where the logs' positions lie."""
    number = re.compile(r"(?<![\d.])[-−]?\d{1,3}\.\d{3,}(?!\d)|(?<![\d.,])[-−]?\d{1,3},\d{4,}(?!\d)")
    geohash = re.compile(r"(?<![^\W_])[0-9b-hjkmnp-z]{6,12}(?![^\W_])", re.IGNORECASE)
    return [
        Rule("position", number, box.holds, False, "a number near the log"),
        Rule("position", geohash, box.holds_geohash, False, "geohash near the log"),
    ]


def terms_of(name: str) -> list[str]:
    """Terms under which a place or a person may be mentioned: the whole, its parts, its own words."""
    own = own_words()
    parts = [part.strip() for part in re.split(r"[,;/|()\n–—]", name)]
    terms = [part for part in {name.strip(), *parts} if _is_distinct(part, own)]
    words = [word for part in parts for word in re.findall(r"[^\W\d_]+", part)]
    terms += [w for w in words if len(w) >= 4 and w.casefold() not in own and w.casefold() not in GENERIC]
    return sorted(set(terms))


def _short_names(name: str) -> list[str]:
    """Words of a person's name that are short, or that the kit uses: looked for as they are written only."""
    words = re.findall(r"[^\W\d_]+", name)
    return [word for word in words if len(word) >= 2 and word[0].isupper() and word not in terms_of(name)]


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
