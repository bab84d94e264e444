"""The table of kinds of private text that are known by their form: what each is called, its pattern, its check.

One row is one way of writing. A row that can take something else for private (two numbers side by side may be a
position or two readings) is not `sure`: it is taken out all the same, and the report of `share` says so.
What is plainly something else stays: engine and part numbers that are named as such, tables, curves, times, hashes.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2]
HOMES = "home|Users|root|tmp|var|mnt|media|opt|srv|private|Volumes|etc|usr|data|work|run|Applications|Library"
PUBLIC_HOSTS = frozenset(
    {"w3id.org", "w3.org", "schema.org", "purl.org", "doi.org", "spdx.org", "json-schema.org", "cfconventions.org"}
    | {"python.org", "pydata.org", "numpy.org", "scipy.org", "holoviews.org", "bokeh.org", "pydantic.dev"}
)  # whose addresses stand in files of the formats in use, and in messages of the libraries
VIN_DIGITS = {**{str(n): n for n in range(10)}, **dict(zip("ABCDEFGH", range(1, 9), strict=True))}
VIN_DIGITS |= dict(zip("JKLMN", range(1, 6), strict=True)) | {"P": 7, "R": 9}
VIN_DIGITS |= dict(zip("STUVWXYZ", range(2, 10), strict=True))
VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
GEOHASH = "0123456789bcdefghjkmnpqrstuvwxyz"
GRID_SQUARES = re.compile(
    "H[PTUW-Z]|N[A-DF-HJ-OR-UW-Z]|OV|S[C-EHJKM-PR-Z]|T[AFGLMQRV]"
)  # of the British national grid that hold land
TRADE = re.compile(
    "(?:CAN|LIN|SAE|ISO|DIN|ECU|MAP|MAF|TPS|IAT|ECT|EGT|AFR|RPM|NTC|PTC|USB|OBD|GPS|IMU|ABS|TDC|BDC|VVT|EGR|IP|V|X|Y)-"
)  # stand before a dash as the district of a number plate would: CAN-H 120, SAE-J 1979
NAMED_PART = re.compile(
    r"(?:part|article|item|order|serial|engine|motor|block|gearbox|injectors?|sensors?|pump|relay|plug|meter|type|model|"
    r"code|firmware|version|revision|hash|sha\d*|s/n|p/n)\W{0,2}(?:\s*(?:no|nr|num|number|code|id))?\W{0,3}$",
    re.IGNORECASE,
)
FINE = 4  # decimals from which a number of degrees is a position: 11 m


def always(found: re.Match[str]) -> bool:
    """The form says enough."""
    return bool(found.group())


@dataclass(frozen=True)
class Rule:
    """One kind of private text and how it is found."""

    kind: str  # also the word that stands instead: removed-<kind>-<n>
    pattern: re.Pattern[str]
    holds: Callable[[re.Match[str]], bool] = always  # whether a match really is one
    in_bytes: bool = True  # may be looked for in bytes that are no text
    what: str = ""  # how it is written, for the report
    sure: bool = True  # False: may have been something else


def _unless_part(found: re.Match[str]) -> bool:
    """Whether nothing right before says that it is the number of a part, an engine or a program."""
    return not NAMED_PART.search(found.string[max(0, found.start() - 32) : found.start()])


# Positions -----------------------------------------------------------------------------------------------------------


def _numbers_in(text: str) -> list[tuple[float, int]]:
    """Numbers of a text with how many decimals each has."""
    found = re.findall(r"[-+−]?\d+(?:[.,]\d+)?", text)
    plain = [number.replace("−", "-").replace(",", ".") for number in found]
    return [(float(number), len(number.partition(".")[2])) for number in plain]


def _on_earth(first: float, second: float) -> bool:
    """Whether two numbers may be degrees: there is only sea within two degrees of the zero of both."""
    low, high = sorted((abs(first), abs(second)))
    return low <= 90 and 2 <= high <= 180


def _is_position_run(found: re.Match[str]) -> bool:
    """Whether numbers in a row give a position or a track, and not a table, a curve or a list of readings."""
    text = found.group()
    numbers = _numbers_in(text)
    blanks_only = not re.search(r"[;/]|,(?!\d)", text) and not re.search(r"\.\d+,", text)
    if blanks_only and (len(numbers) > 3 or _stands_in_a_row(found)):
        return False
    fine = [value for value, decimals in numbers if decimals >= FINE]
    if len(fine) < 2 or not _on_earth(fine[0], fine[1]):
        return False
    return len(fine) < 4 or any(_is_track(fine[::step], fine[1::step]) for step in (2, 3))


def _stands_in_a_row(found: re.Match[str]) -> bool:
    """Whether other numbers stand before or behind, as in a row of a printed table."""
    before, behind = found.string[: found.start()], found.string[found.end() :]
    return bool(re.search(r"\d\s+$", before) or re.match(r"\s+[-+−]?\d", behind))


def _is_track(first: Sequence[float], second: Sequence[float]) -> bool:
    """Whether every other number stays within a degree of the others of its kind, and the two kinds lie apart."""
    spread = max(max(first) - min(first), max(second) - min(second))
    apart = abs(sum(first) / len(first) - sum(second) / len(second))
    return spread <= 1.0 and apart > spread


def _is_sexagesimal(found: re.Match[str]) -> bool:
    """Whether degrees, minutes and seconds are what they may be."""
    values = [value for value, _ in _numbers_in(re.sub(r"(?<=\d)-(?=\d)", " ", found.group()))]
    size = len(values) // 2 if len(values) >= 4 else len(values)
    angles = [values[start : start + size] for start in range(0, len(values), size)]
    return all(abs(angle[0]) <= 180 and all(0 <= part < 60 for part in angle[1:]) for angle in angles)


def _is_finer_than_a_degree(found: re.Match[str]) -> bool:
    """Whether degrees have minutes or at least two decimals: `90 degrees east` is a direction."""
    numbers = _numbers_in(found.group())
    return len(numbers) > 1 or numbers[0][1] >= 2


def _is_utm(found: re.Match[str]) -> bool:
    """Whether the last two numbers may be easting and northing. [m]

    Source: NGA.STND.0037 (universal grids), easting 100 to 900 km, northing below 10,000 km.
    """
    numbers = [value for value, _ in _numbers_in(found.group())]
    return len(numbers) >= 2 and 100_000 <= numbers[-2] < 900_000 and 0 < numbers[-1] <= 10_000_000


def _is_utm_alone(found: re.Match[str]) -> bool:
    return _is_utm(found) and not _stands_in_a_row(found) and _unless_part(found)


def _is_mgrs(found: re.Match[str]) -> bool:
    """Whether the square's first letter belongs to the zone's set, and both halves have as many digits.

    Source: NGA.STND.0037: columns A to H, J to R, S to Z by turns.
    """
    parts = re.fullmatch(r"0?(\d{1,2})\s?[C-X]\s?([A-Z])[A-V]\s?([\d ]+)", found.group())
    if parts is None or not _unless_part(found):
        return False
    halves = parts[3].split()
    even = len(halves[0]) % 2 == 0 if len(halves) == 1 else len(halves[0]) == len(halves[1])
    letters = ("STUVWXYZ", "ABCDEFGH", "JKLMNPQR")[int(parts[1]) % 3]
    return 1 <= int(parts[1]) <= 60 and parts[2] in letters and even


def _is_grid_square(found: re.Match[str]) -> bool:
    """Whether a square of the British national grid has this name (Ordnance Survey, from memory)."""
    halves = found.group()[2:].split()
    even = len(halves[0]) % 2 == 0 if len(halves) == 1 else len(halves[0]) == len(halves[1])
    return bool(GRID_SQUARES.match(found.group())) and even and _unless_part(found)


def _is_geohash(found: re.Match[str]) -> bool:
    """Whether letters and digits alternate as in a geohash and not as in a name, an abbreviation or a hash."""
    text = found.group()
    turns = len(re.findall(r"(?<=\d)[a-z]|(?<=[a-z])\d", text))
    is_hex = re.fullmatch(r"[0-9a-f]+", text) is not None
    enough = len(text) >= 10 or sum(map(str.isdigit, text)) >= 2
    return turns >= 2 and enough and not is_hex and _unless_part(found)


def geohash_box(text: str) -> tuple[float, float, float, float]:
    """Return south, north, west and east of a geohash's cell. [°]

    Source: G. Niemeyer's public-domain scheme: five bits a letter, longitude and latitude by turns, halving.
    """
    spans = [[-180.0, 180.0], [-90.0, 90.0]]
    bits = [GEOHASH.index(letter) >> k & 1 for letter in text for k in (4, 3, 2, 1, 0)]
    for k, bit in enumerate(bits):
        span = spans[k % 2]
        span[1 - bit] = (span[0] + span[1]) / 2
    (west, east), (south, north) = spans
    return south, north, west, east


def _is_plus_code(found: re.Match[str]) -> bool:
    """Whether letters and digits are mixed: 2222+33 is a sum."""
    return any(map(str.isalpha, found.group())) and any(map(str.isdigit, found.group()))


def _positions() -> list[Rule]:
    letter, sign = r"[NSEWO]", r"\s*[°º˚]\s*"
    degrees = r"(?:[°º˚]|(?i:deg(?:rees?)?)\b)"
    compass = rf"(?:{letter}\b|(?i:north|south|east|west|nord|ost)\b)"
    minutes = r"\d{1,2}(?:[.,]\d+)?\s*(?:['′’]|(?i:min(?:utes?)?\b))"
    seconds = r"\d{1,2}(?:[.,]\d+)?\s*(?:\\*\"|″|''|”|(?i:sec(?:onds?)?\b))"
    gap = r"[ :-]"
    finer = rf"(?:\d{{1,2}}[.,]\d{{2,}}|\d{{1,2}}{gap}\d{{1,2}}(?:[.,]\d+)?)"  # minutes, or minutes and seconds
    first, last = rf"{letter}\s?\d{{1,3}}{gap}{finer}", rf"\d{{1,3}}{gap}{finer}\s?{letter}\b"
    number = r"[-+−]?\d{1,3}(?:\.\d+)?(?:\s?°)?"
    link = r"(?:\s?[\])]*\s?[,;/]\s?[\[(]*|[ \t])"
    comma = r"[-+−]?\d{1,3}(?:,\d+)?(?:\s?°)?"
    zone = r"(?:0?[1-9]|[1-5]\d|60)\s?[C-HJ-NP-X]"
    metres, north = r"0?\d{6}(?:\.\d+)?", r"\d{6,8}(?:\.\d+)?"
    means = r"[\\\"']*\s*[:=]?\s*"
    code = "[23456789CFGHJMPQRVWX]"
    rows: list[tuple[str, str, Callable[[re.Match[str]], bool], bool]] = [
        ("sentence of NMEA 0183", r"\$G[A-Z]{4},[^\s\"']*", always, True),
        ("degrees and minutes run together", r"(?<![\d.])\d{4,5}\.\d{2,}(?:\s*[,;]\s*)?[NSEW]\b", always, True),
        (
            "degrees, minutes and seconds run together",
            r"\b\d{6}(?:\.\d+)?[NS]\s*[,;/-]?\s*\d{7}(?:\.\d+)?[EW]\b",
            always,
            True,
        ),
        (
            "degrees and minutes",
            rf"(?:\b{letter}\s*)?(?<!\d)\d{{1,3}}{sign}{minutes}(?:\s*{seconds})?(?:\s*{letter}\b)?",
            always,
            True,
        ),
        (
            "degrees and minutes",
            rf"(?<!\d)\d{{1,3}}{sign}\d{{1,2}}(?:[.,]\d+)?(?:\s\d{{1,2}}(?:[.,]\d+)?)?\s*{letter}\b",
            _is_sexagesimal,
            True,
        ),
        (
            "degrees and minutes, letter first",
            rf"\b{letter}\s*\d{{1,3}}{sign}\d{{1,2}}(?:[.,]\d+)?(?:\s\d{{1,2}}(?:[.,]\d+)?)?",
            _is_sexagesimal,
            True,
        ),
        ("degrees, letter first", rf"\b{letter}\s?\d{{1,3}}[.,]\d{{3,}}(?:\s*°)?", always, True),
        ("degrees and minutes, letter last", rf"(?<![\w.,-]){last}[\s,;/]*{last}", _is_sexagesimal, True),
        ("degrees and minutes, letter first", rf"\b{first}[\s,;/]*{first}(?![\w.,]?\d)", _is_sexagesimal, True),
        (
            "degrees and minutes, letter first",
            rf"\b{first}(?![\w.,]?\d)",
            _is_sexagesimal,
            False,
        ),
        (
            "degrees and minutes, letter last",
            rf"(?<![\w.,-]){last}",
            _is_sexagesimal,
            False,
        ),
        (
            "degrees and minutes",
            r"\b\d{1,3}d\s?\d{1,2}(?:\.\d+)?m(?:\s?\d{1,2}(?:\.\d+)?s)?\s?[NSEW]?\b",
            _is_sexagesimal,
            False,
        ),
        (
            "degrees in words",
            rf"(?<![\d.,])\d{{1,3}}(?:[.,]\d+)?\s*{degrees}\s*(?:{minutes}\s*)?(?:{seconds}\s*)?{compass}",
            _is_finer_than_a_degree,
            True,
        ),
        (
            "degrees",
            r"(?<![\d.,])[-+−]?\d{1,3}[.,]\d{3,}(?:\s*°\s*)?[NSEWO]\b(?![+−-]?\d)",
            always,
            True,
        ),  # with a space it is newtons
        (
            "a number that is named",
            rf"(?i)(?<![a-z])(?:lat|latitude|lon|lng|long|longitude)(?:_deg)?\b{means}[-+−]?\d{{1,3}}[.,]\d{{2,}}",
            always,
            True,
        ),
        (
            "a number that is named",
            rf"(?i)(?<![a-z])(?:easting|northing|rechtswert|hochwert)(?:_m)?\b(?:\s\[m\])?{means}\d{{5,8}}(?:[.,]\d+)?",
            always,
            True,
        ),
        ("three words for a square of the world", r"///[a-z]+\.[a-z]+\.[a-z]+", always, True),
        ("open location code", rf"(?<![A-Za-z0-9]){code}{{8}}\+{code}{{2,3}}\b", _is_plus_code, True),
        (
            "open location code, short",
            rf"(?<![A-Za-z0-9]){code}{{4}}(?:{code}{{2}})?\+{code}{{2,3}}\b",
            _is_plus_code,
            False,
        ),
        ("UTM", rf"\b{zone}\b[\s,:]*{metres}(?:\s?m)?\s?E?[\s,;/]+{north}(?:\s?m\b)?(?:\s?N\b)?", _is_utm, True),
        ("UTM", rf"(?<![\w.]){metres}\s?(?:m\s?)?E\b[\s,;/]*{north}\s?(?:m\s?)?N\b", _is_utm, True),
        ("UTM", rf"\bE\s?{metres}[\s,;/]*N\s?{north}(?!\w)", _is_utm, True),
        (
            "easting and northing without a name",
            r"(?<![\w.,-])0?\d{6}(?:\.\d+)?\s?[ ,;/]\s?\d{7}(?:\.\d+)?(?![\w.,]?\d|\w)",
            _is_utm_alone,
            False,
        ),
        (
            "MGRS",
            rf"(?<![\w.])(?!\d+ CFR ){zone}\s?[A-HJ-NP-Z][A-HJ-NP-V]\s?(?:\d{{2,5}}\s\d{{2,5}}|\d{{4,10}})(?!\w)",
            _is_mgrs,
            False,
        ),
        ("grid reference", r"\b[HNOST][A-HJ-Z]\s?(?:\d{3,5}\s\d{3,5}|\d{6,10})(?!\w|[.,]\d)", _is_grid_square, False),
        (
            "grid reference that is named",
            r"(?i:\b(?:grid|map|os|gr)\s*(?:ref(?:erence)?)?\.?)\s*[:=]?\s*[A-Z]{1,2}\s?\d{2,5}\s?\d{2,5}\b",
            always,
            True,
        ),
        ("geohash that is named", rf"(?i:geo\s?hash)[\\\"']*\s*[:=]?\s*[\\\"']*[{GEOHASH}]{{4,12}}\b", always, True),
        ("geohash", rf"(?<![\w.#-])[{GEOHASH}]{{8,12}}(?![\w-]|\.\w)", _is_geohash, False),
        ("numbers side by side", rf"(?<![\d.]){number}(?:{link}{number})+(?!\.?\d)", _is_position_run, False),
        (
            "numbers side by side",
            rf"(?<![\d.,]){comma}(?:(?:\s?[;/]\s?|,\s|[ \t]){comma})+(?!,?\d)",
            _is_position_run,
            False,
        ),
    ]
    return [Rule("position", re.compile(pattern), holds, False, what, sure) for what, pattern, holds, sure in rows]


# Addresses of people and machines ---------------------------------------------------------------------------------


def _host_of(address: str) -> str:
    return re.sub(r"^\w+://(?:[^/@]*@)?", "", address).split("/")[0].split(":")[0].rstrip(".").casefold()


@cache
def own_hosts() -> frozenset[str]:
    """Hosts that the kit's own texts name."""
    texts = [path for ending in ("py", "html", "css", "js") for path in PACKAGE.rglob(f"*.{ending}")]
    found = {host for path in texts for host in re.findall(r"https?://([\w.-]+)", path.read_text(encoding="utf-8"))}
    return frozenset(host.casefold() for host in found) | PUBLIC_HOSTS


def _is_foreign(found: re.Match[str]) -> bool:
    """Whether an address leads to a host that neither the kit nor its formats name."""
    host = _host_of(found.group())
    known = own_hosts()
    return not any(".".join(host.split(".")[k:]) in known for k in range(host.count(".") + 1))


def _is_ip(found: re.Match[str]) -> bool:
    """Whether four numbers are an address and not a version.

    Sources: RFC 791 and RFC 1918 for the private ranges; a version of four numbers has small ones (common practice).
    """
    parts = found.group().split(":")[0].split("/")[0].split(".")
    if any(int(part) > 255 or str(int(part)) != part for part in parts) or parts[0] == "0":
        return False
    if NAMED_PART.search(found.string[max(0, found.start() - 16) : found.start()]):
        return False
    return parts[0] in ("10", "127") or max(map(int, parts)) >= 32


def _is_ip6(found: re.Match[str]) -> bool:
    """Whether it is an address by RFC 4291 and neither a time nor a slice of code."""
    text = found.group().split("%")[0].split("/")[0]
    try:
        address = ipaddress.IPv6Address(text)
    except ValueError:
        return False
    groups = [group for group in text.split(":") if group]
    return len(groups) >= 3 or (len(groups) >= 2 and int(address) >> 125 in (1, 7) and len(groups[0]) == 4)


def _is_mac(found: re.Match[str]) -> bool:
    """Whether six bytes are an address and not a day and a time written with dashes."""
    numbers = re.split(r"[:-]", found.group())
    if not all(map(str.isdigit, numbers)):
        return True
    _, month, day, hour, minute, second = map(int, numbers)
    return not (1 <= month <= 12 and 1 <= day <= 31 and hour < 24 and minute < 60 and second < 60)


def _is_phone(found: re.Match[str]) -> bool:
    """Whether a number has as many digits as a telephone number (ITU-T E.164: at most 15) and holds no date."""
    text = found.group()
    digits = re.sub(r"\D", "", text)
    has_date = re.search(r"(?<!\d)(?:19|20)\d\d[-. /]?(?:0[1-9]|1[0-2])[-. /]?(?:[0-2]\d|3[01])(?!\d)", text)
    return 6 <= len(digits) <= 15 and not has_date and _unless_part(found)


def _is_phone_in_groups(found: re.Match[str]) -> bool:
    """Whether it is no row of equal numbers either, as `0100 0200 0300`."""
    sizes = {len(group) for group in re.findall(r"\d+", found.group())}
    size = sum(map(str.isdigit, found.group()))
    return _is_phone(found) and size >= 9 and len(sizes) > 1 and not _stands_in_a_row(found)


def _has_letters_and_digits(found: re.Match[str]) -> bool:
    value = found.group("value")
    return any(map(str.isdigit, value)) and any(map(str.isalpha, value))


def _is_current_plate(found: re.Match[str]) -> bool:
    """Whether the two digits are an age of the British scheme of 2001 (from memory): 02 to 29 or 51 to 79."""
    return int(found.group()[2:4]) % 50 in range(1, 30) and _unless_part(found)


def _is_district_plate(found: re.Match[str]) -> bool:
    return not TRADE.match(found.group()) and _unless_part(found)


def _addresses() -> list[Rule]:
    label = "[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?"
    octet, hexes = r"\d{1,3}", "[0-9A-Fa-f]"
    telephone = "tel|telephone|phone|mobile|mob|fax|telefon|handy|sms"
    named = (
        r"(?:number|licen[cs]e|registration|reg)\W?plate|plate\s?(?=[:=#])|registration(?:\s(?:no\.?|number|mark))?"
        r"|reg\.?\s?(?:(?:no|number)\b\.?|(?=[:=#]))|kennzeichen"
    )
    plate = r"(?P<value>[A-ZÄÖÜÅÆØ0-9]{1,4}(?:[ -]?[A-ZÄÖÜÅÆØ0-9]{1,5}){0,3})\b"
    rows: list[tuple[str, str, str, Callable[[re.Match[str]], bool], bool]] = [
        (
            "email",
            "e-mail address",
            r"(?<![\w.+-])[\w.+-]+\s?(?:@|%40|[\[(]at[\])])\s?[\w-]+(?:\.[\w-]+)*\.[^\W\d_]{2,}\b",
            always,
            True,
        ),
        ("host", "account on a computer", r"(?<![\w.@])[\w.-]+@[\w-]+(?=:[~/\s])", always, True),
        (
            "host",
            "address of a page",
            r"\b(?:https?|ftp|sftp|ssh|smb|nfs|wss?)://[^\s\"'<>|\\)\]]*[^\s\"'<>|\\)\].,;:!?]",
            _is_foreign,
            True,
        ),
        (
            "host",
            "name in a local network",
            rf"(?<![\w.@/-])(?:{label}\.)+(?:local|lan|internal|intranet|localdomain|home\.arpa|corp)\b(?!\w|\s?[=(\[]|\.\w)",
            always,
            False,
        ),
        (
            "host",
            "name of a site",
            rf"(?<![\w.@/-])(?:{label}\.)+(?:com|net|org|info|eu|co\.uk)\b(?![\w(=-]|\.\w)",
            _is_foreign,
            False,
        ),
        ("host", "name that a system gives a computer", r"\b(?:DESKTOP|LAPTOP|WIN)-[A-Z0-9]{6,11}\b", always, True),
        ("host", "MAC address", rf"(?<![\w:-])(?:{hexes}{{2}}:){{5}}{hexes}{{2}}(?![\w:-])", _is_mac, True),
        ("host", "MAC address", rf"(?<![\w:-])(?:{hexes}{{2}}-){{5}}{hexes}{{2}}(?![\w:-])", _is_mac, True),
        (
            "host",
            "MAC address",
            rf"(?<![\w.])(?=[\d.]*[A-Fa-f])(?:{hexes}{{4}}\.){{2}}{hexes}{{4}}(?![\w.])",
            always,
            False,
        ),
        (
            "host",
            "IP address",
            rf"(?<![\w.-])(?:{octet}\.){{3}}{octet}(?:/\d{{1,2}}|:\d{{1,5}})?(?![\w-]|\.\d)",
            _is_ip,
            False,
        ),
        (
            "host",
            "IP address",
            rf"(?<![\w:.])(?:{hexes}{{0,4}}:){{2,7}}{hexes}{{0,4}}(?:%\w+)?(?:/\d{{1,3}})?(?![\w:])",
            _is_ip6,
            True,
        ),
        (
            "phone",
            "telephone number that is named",
            rf"(?i)\b(?:{telephone})\b\.?\s*(?:no\.?|number|nr\.?)?\s*[:=]?\s*[+(]?\d(?:[ ()/.-]{{0,2}}\d){{5,14}}",
            _is_phone,
            True,
        ),
        (
            "phone",
            "telephone number",
            r"(?<![\w.+-])\+[1-9]\d{0,2}(?:[ ./-]?\(\d{1,5}\))?(?:[ /-]?\d{2,}){2,6}(?![\w.,]?\d)",
            _is_phone,
            True,
        ),
        ("phone", "telephone number", r"(?<![\w.+-])\+[1-9]\d{8,14}(?![\w.,]?\d)", _is_phone, True),
        ("phone", "telephone number", r"(?<![\w.,+-])\(0\d{1,5}\)\s?\d(?:[ -]?\d){4,9}(?![\w.,]?\d)", _is_phone, True),
        (
            "phone",
            "telephone number",
            r"(?<![\w.,+-])0\d{2,4}[ /-]\d{3,8}(?:[ -]\d{2,6}){0,2}(?![\w.,-]?\d|\w)",
            _is_phone_in_groups,
            False,
        ),
        (
            "phone",
            "telephone number",
            r"(?<![\w.,+-])(?:1[ -])?(?:\(\d{3}\)\s?|\d{3}[ -])\d{3}-\d{4}(?![\w.,-]?\d|\w)",
            _is_phone,
            False,
        ),
        (
            "plate",
            "number plate that is named",
            rf"(?i:\b(?:{named}))\s*[:=#]?\s*{plate}",
            _has_letters_and_digits,
            True,
        ),
        ("plate", "number plate", r"(?<![\w-])[A-HJ-PR-Y]{2}\d{2}\s?[A-HJ-PR-Z]{3}(?![\w-])", _is_current_plate, False),
        (
            "plate",
            "number plate",
            r"(?<![\w-])[A-ZÄÖÜ]{1,3}-[A-Z]{1,2}\s\d{1,4}[EH]?(?![\w-]|[.,]\d)",
            _is_district_plate,
            False,
        ),
        ("plate", "number plate", r"(?<![\w-])[A-HJ-NP-TV-Z]{2}-\d{3}-[A-HJ-NP-TV-Z]{2}(?![\w-])", _unless_part, False),
    ]
    return [Rule(kind, re.compile(pattern), holds, False, what, sure) for kind, what, pattern, holds, sure in rows]


# Paths and chassis numbers -----------------------------------------------------------------------------------------


def _paths() -> list[Rule]:
    patterns = [
        r"file:/+[^\s\"'<>|]+",
        r"(?<!\w)[A-Za-z]:[\\/]+(?![\\/])(?:[^\\/:*?\"<>|\r\n,;]+[\\/]+)*[^\\/:*?\"<>|\s,;]*",
        r"\\\\[\w.$-]+(?:\\+[^\\/:*?\"<>|\r\n,;]+)+",
        r"(?<![\w~])~[\w.-]*/[^\s\"'<>|,;]+",
        rf"(?<![\w/.:<~-])/(?:{HOMES})(?![\w.-])(?:/(?:[^/\"'<>|:,;\r\n]+(?=/)|[^/\s\"'<>|:,;]+))*/?",
        r"(?<![\w/.:<~%)\]-])/[A-Za-z_.][\w.+@-]*(?:/[\w.+@-]+)+/?",
    ]
    return [Rule("path", re.compile(pattern), in_bytes=False, what="path of a computer") for pattern in patterns]


def _vins() -> list[Rule]:
    label = r"(?:VIN|V\.I\.N\.|[Cc]hassis(?:\s+(?:no|number))?)\.?\s*[:=#]?\s*"
    labelled = label + r"[A-HJ-NPR-Z0-9](?:[ -]?[A-HJ-NPR-Z0-9]){5,16}\b"  # older ones are short
    fraction = r"(?!(?<=\d\.)\d{16}[\de](?![A-Za-z0-9]))"  # of a number: one in eleven has a right check digit
    run = rf"(?<![A-Za-z0-9]){fraction}[A-Za-z0-9]{{17}}(?![A-Za-z0-9])"
    spread = r"(?<![A-Za-z0-9.,])[A-HJ-NPR-Z0-9](?:[ -]?[A-HJ-NPR-Z0-9]){16}(?![A-Za-z0-9]|[.,]\d)"
    return [
        Rule("vin", re.compile(labelled), _has_digits, what="chassis number that is named"),
        Rule("vin", re.compile(run), lambda found: is_vin_like(found.group()), what="chassis number"),
        Rule("vin", re.compile(spread), _is_spread_vin, False, "chassis number in groups", sure=False),
    ]


def _has_digits(found: re.Match[str]) -> bool:
    return sum(map(str.isdigit, found.group())) >= 3


def is_vin_like(text: str) -> bool:
    """Whether seventeen letters and digits look like a chassis number by ISO 3779.

    True where letters and digits are mixed, or where the check digit of 49 CFR 565.15 is right.
    """
    letters = sum(letter.isalpha() for letter in text)
    is_one_case = text in (text.upper(), text.lower())
    if letters >= 2 and len(text) - letters >= 2 and is_one_case and not re.fullmatch(r"[0-9a-f]+", text):
        return True
    return _has_right_check_digit(text.upper())


def _has_right_check_digit(text: str) -> bool:
    if len(text) != 17 or not set(text) <= set(VIN_DIGITS):
        return False
    total = sum(VIN_DIGITS[letter] * weight for letter, weight in zip(text, VIN_WEIGHTS, strict=True))
    return set(text) != {"0"} and "0123456789X"[total % 11] == text[8]


def _is_spread_vin(found: re.Match[str]) -> bool:
    """Whether groups make seventeen letters and digits that are cut as a chassis number is, or whose check is right.

    Its last four are digits (ISO 3779); a row of words and numbers has no group in which both are mixed, but seventeen
    single letters and digits are no such row either.
    """
    groups = re.split(r"[ -]", found.group())
    whole = "".join(groups)
    letters = sum(map(str.isalpha, whole))
    if len(whole) != 17 or letters < 3 or not _unless_part(found):
        return False
    mixed = any(any(map(str.isdigit, g)) and any(map(str.isalpha, g)) for g in groups)
    return (mixed or len(groups) == len(whole)) and (_has_right_check_digit(whole) or whole[-4:].isdigit())


KINDS: tuple[Rule, ...] = (*_addresses(), *_vins(), *_positions(), *_paths())
