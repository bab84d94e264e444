"""Whether what looks like private text is it: the checks behind the table of kinds (`kinds`).

Each takes a match of the kind's pattern and says whether it really is a position, an address, a telephone number, a
number plate or a chassis number, or plainly something else: a part's number, a row of a table, a time, a hash.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2]
PUBLIC_HOSTS = frozenset(
    {"w3id.org", "w3.org", "schema.org", "purl.org", "doi.org", "spdx.org", "json-schema.org", "cfconventions.org"}
    | {"python.org", "pydata.org", "numpy.org", "scipy.org", "holoviews.org", "bokeh.org", "pydantic.dev"}
)  # whose addresses stand in files of the formats in use, and in messages of the libraries
VIN_DIGITS = {**{str(n): n for n in range(10)}, **dict(zip("ABCDEFGH", range(1, 9), strict=True))}
VIN_DIGITS |= dict(zip("JKLMN", range(1, 6), strict=True)) | {"P": 7, "R": 9}
VIN_DIGITS |= dict(zip("STUVWXYZ", range(2, 10), strict=True))
VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
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


def unless_part(found: re.Match[str]) -> bool:
    """Whether nothing right before says that it is the number of a part, an engine or a program."""
    return not NAMED_PART.search(found.string[max(0, found.start() - 32) : found.start()])


def _numbers_in(text: str) -> list[tuple[float, int]]:
    """Numbers of a text with how many decimals each has."""
    found = re.findall(r"[-+−]?\d+(?:[.,]\d+)?", text)
    plain = [number.replace("−", "-").replace(",", ".") for number in found]
    return [(float(number), len(number.partition(".")[2])) for number in plain]


def _on_earth(first: float, second: float) -> bool:
    """Whether two numbers may be degrees: there is only sea within two degrees of the zero of both."""
    low, high = sorted((abs(first), abs(second)))
    return low <= 90 and 2 <= high <= 180


def is_position_run(found: re.Match[str]) -> bool:
    """Whether numbers in a row give a position or a track, and not a table, a curve or a list of readings."""
    text = found.group()
    numbers = _numbers_in(text)
    blanks_only = not re.search(r"[;/]|,(?!\d)", text) and not re.search(r"\.\d+,", text)
    if blanks_only and (len(numbers) > 3 or _stands_in_a_row(found)):
        return False
    fine = [value for value, decimals in numbers if decimals >= FINE]
    if len(fine) < 2 or not _on_earth(fine[0], fine[1]):
        return False
    return len(fine) < 4 or any(is_track(fine[::step], fine[1::step]) for step in (2, 3))


def _stands_in_a_row(found: re.Match[str]) -> bool:
    """Whether other numbers stand before or behind, as in a row of a printed table."""
    before, behind = found.string[: found.start()], found.string[found.end() :]
    return bool(re.search(r"\d\s+$", before) or re.match(r"\s+[-+−]?\d", behind))


def is_track(first: Sequence[float], second: Sequence[float]) -> bool:
    """Whether every other number stays within a degree of the others of its kind, and the two kinds lie apart."""
    spread = max(max(first) - min(first), max(second) - min(second))
    apart = abs(sum(first) / len(first) - sum(second) / len(second))
    return spread <= 1.0 and apart > spread


def is_sexagesimal(found: re.Match[str]) -> bool:
    """Whether degrees, minutes and seconds are what they may be."""
    values = [value for value, _ in _numbers_in(re.sub(r"(?<=\d)-(?=\d)", " ", found.group()))]
    size = len(values) // 2 if len(values) >= 4 else len(values)
    angles = [values[start : start + size] for start in range(0, len(values), size)]
    return all(abs(angle[0]) <= 180 and all(0 <= part < 60 for part in angle[1:]) for angle in angles)


def is_finer_than_a_degree(found: re.Match[str]) -> bool:
    """Whether degrees have minutes or at least two decimals: `90 degrees east` is a direction."""
    numbers = _numbers_in(found.group())
    return len(numbers) > 1 or numbers[0][1] >= 2


def is_utm(found: re.Match[str]) -> bool:
    """Whether the last two numbers may be easting and northing. [m]

    Source: NGA.STND.0037 (universal grids), easting 100 to 900 km, northing below 10,000 km.
    """
    numbers = [value for value, _ in _numbers_in(found.group())]
    return len(numbers) >= 2 and 100_000 <= numbers[-2] < 900_000 and 0 < numbers[-1] <= 10_000_000


def is_utm_alone(found: re.Match[str]) -> bool:
    """Whether easting and northing stand alone, neither in a row of numbers nor as the number of a part."""
    return is_utm(found) and not _stands_in_a_row(found) and unless_part(found)


def is_mgrs(found: re.Match[str]) -> bool:
    """Whether the square's first letter belongs to the zone's set, and both halves have as many digits.

    Source: NGA.STND.0037: columns A to H, J to R, S to Z by turns.
    """
    parts = re.fullmatch(r"0?(\d{1,2})\s?[C-X]\s?([A-Z])[A-V]\s?([\d ]+)", found.group())
    if parts is None or not unless_part(found):
        return False
    halves = parts[3].split()
    even = len(halves[0]) % 2 == 0 if len(halves) == 1 else len(halves[0]) == len(halves[1])
    letters = ("STUVWXYZ", "ABCDEFGH", "JKLMNPQR")[int(parts[1]) % 3]
    return 1 <= int(parts[1]) <= 60 and parts[2] in letters and even


def is_grid_square(found: re.Match[str]) -> bool:
    """Whether a square of the British national grid has this name (Ordnance Survey, from memory)."""
    halves = found.group()[2:].split()
    even = len(halves[0]) % 2 == 0 if len(halves) == 1 else len(halves[0]) == len(halves[1])
    return bool(GRID_SQUARES.match(found.group())) and even and unless_part(found)


def is_geohash(found: re.Match[str]) -> bool:
    """Whether letters and digits alternate as in a geohash and not as in a name, an abbreviation or a hash."""
    text = found.group()
    turns = len(re.findall(r"(?<=\d)[a-z]|(?<=[a-z])\d", text))
    is_hex = re.fullmatch(r"[0-9a-f]+", text) is not None
    enough = len(text) >= 10 or sum(map(str.isdigit, text)) >= 2
    return turns >= 2 and enough and not is_hex and unless_part(found)


def is_plus_code(found: re.Match[str]) -> bool:
    """Whether letters and digits are mixed: 2222+33 is a sum."""
    return any(map(str.isalpha, found.group())) and any(map(str.isdigit, found.group()))


# Addresses of people and machines ---------------------------------------------------------------------------------


def _host_of(address: str) -> str:
    return re.sub(r"^\w+://(?:[^/@]*@)?", "", address).split("/")[0].split(":")[0].rstrip(".").casefold()


@cache
def own_hosts() -> frozenset[str]:
    """Hosts that the kit's own texts name."""
    texts = [path for ending in ("py", "html", "css", "js") for path in PACKAGE.rglob(f"*.{ending}")]
    found = {host for path in texts for host in re.findall(r"https?://([\w.-]+)", path.read_text(encoding="utf-8"))}
    return frozenset(host.casefold() for host in found) | PUBLIC_HOSTS


def is_foreign(found: re.Match[str]) -> bool:
    """Whether an address leads to a host that neither the kit nor its formats name."""
    host = _host_of(found.group())
    known = own_hosts()
    return not any(".".join(host.split(".")[k:]) in known for k in range(host.count(".") + 1))


def is_ip(found: re.Match[str]) -> bool:
    """Whether four numbers are an address and not a version.

    Sources: RFC 791 and RFC 1918 for the private ranges; a version of four numbers has small ones (common practice).
    """
    parts = found.group().split(":")[0].split("/")[0].split(".")
    if any(int(part) > 255 or str(int(part)) != part for part in parts) or parts[0] == "0":
        return False
    if NAMED_PART.search(found.string[max(0, found.start() - 16) : found.start()]):
        return False
    return parts[0] in ("10", "127") or max(map(int, parts)) >= 32


def is_ip6(found: re.Match[str]) -> bool:
    """Whether it is an address by RFC 4291 and neither a time nor a slice of code."""
    text = found.group().split("%")[0].split("/")[0]
    try:
        address = ipaddress.IPv6Address(text)
    except ValueError:
        return False
    groups = [group for group in text.split(":") if group]
    return len(groups) >= 3 or (len(groups) >= 2 and int(address) >> 125 in (1, 7) and len(groups[0]) == 4)


def is_mac(found: re.Match[str]) -> bool:
    """Whether six bytes are an address and not a day and a time written with dashes."""
    numbers = re.split(r"[:-]", found.group())
    if not all(map(str.isdigit, numbers)):
        return True
    _, month, day, hour, minute, second = map(int, numbers)
    return not (1 <= month <= 12 and 1 <= day <= 31 and hour < 24 and minute < 60 and second < 60)


def is_phone(found: re.Match[str]) -> bool:
    """Whether a number has as many digits as a telephone number (ITU-T E.164: at most 15) and holds no date."""
    text = found.group()
    digits = re.sub(r"\D", "", text)
    has_date = re.search(r"(?<!\d)(?:19|20)\d\d[-. /]?(?:0[1-9]|1[0-2])[-. /]?(?:[0-2]\d|3[01])(?!\d)", text)
    return 6 <= len(digits) <= 15 and not has_date and unless_part(found)


def is_phone_in_groups(found: re.Match[str]) -> bool:
    """Whether it is no row of equal numbers either, as `0100 0200 0300`."""
    sizes = {len(group) for group in re.findall(r"\d+", found.group())}
    size = sum(map(str.isdigit, found.group()))
    return is_phone(found) and size >= 9 and len(sizes) > 1 and not _stands_in_a_row(found)


def has_letters_and_digits(found: re.Match[str]) -> bool:
    """Whether the value that is named mixes letters and digits."""
    value = found.group("value")
    return any(map(str.isdigit, value)) and any(map(str.isalpha, value))


def is_current_plate(found: re.Match[str]) -> bool:
    """Whether the two digits are an age of the British scheme of 2001 (from memory): 02 to 29 or 51 to 79."""
    return int(found.group()[2:4]) % 50 in range(1, 30) and unless_part(found)


def is_district_plate(found: re.Match[str]) -> bool:
    """Whether the letters before the dash are a district and not a word of the trade."""
    return not TRADE.match(found.group()) and unless_part(found)


# Chassis numbers ------------------------------------------------------------------------------------------------


def has_digits(found: re.Match[str]) -> bool:
    """Whether it holds at least three digits."""
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


def is_spread_vin(found: re.Match[str]) -> bool:
    """Whether groups make seventeen letters and digits that are cut as a chassis number is, or whose check is right.

    Its last four are digits (ISO 3779); a row of words and numbers has no group in which both are mixed, but seventeen
    single letters and digits are no such row either.
    """
    groups = re.split(r"[ -]", found.group())
    whole = "".join(groups)
    letters = sum(map(str.isalpha, whole))
    if len(whole) != 17 or letters < 3 or not unless_part(found):
        return False
    mixed = any(any(map(str.isdigit, g)) and any(map(str.isalpha, g)) for g in groups)
    return (mixed or len(groups) == len(whole)) and (_has_right_check_digit(whole) or whole[-4:].isdigit())
