"""The table of kinds of private text that are known by their form: what each is called, its pattern, its check.

One row is one way of writing. A row that can take something else for private (two numbers side by side may be a
position or two readings) is not `sure`: it is taken out all the same, and the report of `share` says so.
What is plainly something else stays: engine and part numbers that are named as such, tables, curves, times, hashes;
the checks that tell are in `forms`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from tunelab.record.share.forms import (
    always,
    has_digits,
    has_letters_and_digits,
    is_current_plate,
    is_district_plate,
    is_finer_than_a_degree,
    is_foreign,
    is_geohash,
    is_grid_square,
    is_ip,
    is_ip6,
    is_mac,
    is_mgrs,
    is_phone,
    is_phone_in_groups,
    is_plus_code,
    is_position_run,
    is_sexagesimal,
    is_spread_vin,
    is_utm,
    is_utm_alone,
    is_vin_like,
    unless_part,
)

HOMES = "home|Users|root|tmp|var|mnt|media|opt|srv|private|Volumes|etc|usr|data|work|run|Applications|Library"
GEOHASH = "0123456789bcdefghjkmnpqrstuvwxyz"


@dataclass(frozen=True)
class Rule:
    """One kind of private text and how it is found."""

    kind: str  # also the word that stands instead: removed-<kind>-<n>
    pattern: re.Pattern[str]
    holds: Callable[[re.Match[str]], bool] = always  # whether a match really is one
    in_bytes: bool = True  # may be looked for in bytes that are no text
    what: str = ""  # how it is written, for the report
    sure: bool = True  # False: may have been something else


def _rule(
    kind: str, what: str, pattern: str, holds: Callable[[re.Match[str]], bool] = always, *, sure: bool = True
) -> Rule:
    return Rule(kind, re.compile(pattern), holds, False, what, sure)


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


# How addresses of people and machines are written
HOST_LABEL = "[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?"
OCTET = r"\d{1,3}"
HEX = "[0-9A-Fa-f]"
TELEPHONE = "tel|telephone|phone|mobile|mob|fax|telefon|handy|sms"
PLATE_NAMES = (
    r"(?:number|licen[cs]e|registration|reg)\W?plate|plate\s?(?=[:=#])|registration(?:\s(?:no\.?|number|mark))?"
    r"|reg\.?\s?(?:(?:no|number)\b\.?|(?=[:=#]))|kennzeichen"
)
PLATE = r"(?P<value>[A-ZÄÖÜÅÆØ0-9]{1,4}(?:[ -]?[A-ZÄÖÜÅÆØ0-9]{1,5}){0,3})\b"
ADDRESSES: tuple[Rule, ...] = (
    _rule("email", "e-mail address",
          r"(?<![\w.+-])[\w.+-]+\s?(?:@|%40|[\[(]at[\])])\s?[\w-]+(?:\.[\w-]+)*\.[^\W\d_]{2,}\b"),
    _rule("host", "account on a computer", r"(?<![\w.@])[\w.-]+@[\w-]+(?=:[~/\s])"),
    _rule("host", "address of a page",
          r"\b(?:https?|ftp|sftp|ssh|smb|nfs|wss?)://[^\s\"'<>|\\)\]]*[^\s\"'<>|\\)\].,;:!?]", is_foreign),
    _rule("host", "name in a local network",
          rf"(?<![\w.@/-])(?:{HOST_LABEL}\.)+(?:local|lan|internal|intranet|localdomain|home\.arpa|corp)\b(?!\w|\s?[=(\[]|\.\w)",
          sure=False),
    _rule("host", "name of a site",
          rf"(?<![\w.@/-])(?:{HOST_LABEL}\.)+(?:com|net|org|info|eu|co\.uk)\b(?![\w(=-]|\.\w)", is_foreign, sure=False),
    _rule("host", "name that a system gives a computer", r"\b(?:DESKTOP|LAPTOP|WIN)-[A-Z0-9]{6,11}\b"),
    _rule("host", "MAC address", rf"(?<![\w:-])(?:{HEX}{{2}}:){{5}}{HEX}{{2}}(?![\w:-])", is_mac),
    _rule("host", "MAC address", rf"(?<![\w:-])(?:{HEX}{{2}}-){{5}}{HEX}{{2}}(?![\w:-])", is_mac),
    _rule("host", "MAC address", rf"(?<![\w.])(?=[\d.]*[A-Fa-f])(?:{HEX}{{4}}\.){{2}}{HEX}{{4}}(?![\w.])", sure=False),
    _rule("host", "IP address",
          rf"(?<![\w.-])(?:{OCTET}\.){{3}}{OCTET}(?:/\d{{1,2}}|:\d{{1,5}})?(?![\w-]|\.\d)", is_ip, sure=False),
    _rule("host", "IP address",
          rf"(?<![\w:.])(?:{HEX}{{0,4}}:){{2,7}}{HEX}{{0,4}}(?:%\w+)?(?:/\d{{1,3}})?(?![\w:])", is_ip6),
    _rule("phone", "telephone number that is named",
          rf"(?i)\b(?:{TELEPHONE})\b\.?\s*(?:no\.?|number|nr\.?)?\s*[:=]?\s*[+(]?\d(?:[ ()/.-]{{0,2}}\d){{5,14}}",
          is_phone),
    _rule("phone", "telephone number",
          r"(?<![\w.+-])\+[1-9]\d{0,2}(?:[ ./-]?\(\d{1,5}\))?(?:[ /-]?\d{2,}){2,6}(?![\w.,]?\d)", is_phone),
    _rule("phone", "telephone number", r"(?<![\w.+-])\+[1-9]\d{8,14}(?![\w.,]?\d)", is_phone),
    _rule("phone", "telephone number", r"(?<![\w.,+-])\(0\d{1,5}\)\s?\d(?:[ -]?\d){4,9}(?![\w.,]?\d)", is_phone),
    _rule("phone", "telephone number",
          r"(?<![\w.,+-])0\d{2,4}[ /-]\d{3,8}(?:[ -]\d{2,6}){0,2}(?![\w.,-]?\d|\w)", is_phone_in_groups, sure=False),
    _rule("phone", "telephone number",
          r"(?<![\w.,+-])(?:1[ -])?(?:\(\d{3}\)\s?|\d{3}[ -])\d{3}-\d{4}(?![\w.,-]?\d|\w)", is_phone, sure=False),
    _rule("plate", "number plate that is named",
          rf"(?i:\b(?:{PLATE_NAMES}))\s*[:=#]?\s*{PLATE}", has_letters_and_digits),
    _rule("plate", "number plate",
          r"(?<![\w-])[A-HJ-PR-Y]{2}\d{2}\s?[A-HJ-PR-Z]{3}(?![\w-])", is_current_plate, sure=False),
    _rule("plate", "number plate",
          r"(?<![\w-])[A-ZÄÖÜ]{1,3}-[A-Z]{1,2}\s\d{1,4}[EH]?(?![\w-]|[.,]\d)", is_district_plate, sure=False),
    _rule("plate", "number plate",
          r"(?<![\w-])[A-HJ-NP-TV-Z]{2}-\d{3}-[A-HJ-NP-TV-Z]{2}(?![\w-])", unless_part, sure=False),
)  # fmt: skip

# How chassis numbers are written
VIN_LABEL = r"(?:VIN|V\.I\.N\.|[Cc]hassis(?:\s+(?:no|number))?)\.?\s*[:=#]?\s*"
VIN_NAMED = VIN_LABEL + r"[A-HJ-NPR-Z0-9](?:[ -]?[A-HJ-NPR-Z0-9]){5,16}\b"  # older ones are short
VIN_NO_FRACTION = r"(?!(?<=\d\.)\d{16}[\de](?![A-Za-z0-9]))"  # of a number: one in eleven has a right check digit
VIN_RUN = rf"(?<![A-Za-z0-9]){VIN_NO_FRACTION}[A-Za-z0-9]{{17}}(?![A-Za-z0-9])"
VIN_SPREAD = r"(?<![A-Za-z0-9.,])[A-HJ-NPR-Z0-9](?:[ -]?[A-HJ-NPR-Z0-9]){16}(?![A-Za-z0-9]|[.,]\d)"
CHASSIS_NUMBERS: tuple[Rule, ...] = (
    Rule("vin", re.compile(VIN_NAMED), has_digits, what="chassis number that is named"),
    Rule("vin", re.compile(VIN_RUN), lambda found: is_vin_like(found.group()), what="chassis number"),
    _rule("vin", "chassis number in groups", VIN_SPREAD, is_spread_vin, sure=False),
)

# How positions are written
LETTER = r"[NSEWO]"
SIGN = r"\s*[°º˚]\s*"
DEGREES = r"(?:[°º˚]|(?i:deg(?:rees?)?)\b)"
COMPASS = rf"(?:{LETTER}\b|(?i:north|south|east|west|nord|ost)\b)"
MINUTES = r"\d{1,2}(?:[.,]\d+)?\s*(?:['′’]|(?i:min(?:utes?)?\b))"
SECONDS = r"\d{1,2}(?:[.,]\d+)?\s*(?:\\*\"|″|''|”|(?i:sec(?:onds?)?\b))"
GAP = r"[ :-]"
FINER = rf"(?:\d{{1,2}}[.,]\d{{2,}}|\d{{1,2}}{GAP}\d{{1,2}}(?:[.,]\d+)?)"  # minutes, or minutes and seconds
LETTER_FIRST = rf"{LETTER}\s?\d{{1,3}}{GAP}{FINER}"
LETTER_LAST = rf"\d{{1,3}}{GAP}{FINER}\s?{LETTER}\b"
POINT_NUMBER = r"[-+−]?\d{1,3}(?:\.\d+)?(?:\s?°)?"
LINK = r"(?:\s?[\])]*\s?[,;/]\s?[\[(]*|[ \t])"
COMMA_NUMBER = r"[-+−]?\d{1,3}(?:,\d+)?(?:\s?°)?"
ZONE = r"(?:0?[1-9]|[1-5]\d|60)\s?[C-HJ-NP-X]"
METRES = r"0?\d{6}(?:\.\d+)?"
NORTH = r"\d{6,8}(?:\.\d+)?"
MEANS = r"[\\\"']*\s*[:=]?\s*"
OPEN_CODE = "[23456789CFGHJMPQRVWX]"
POSITIONS: tuple[Rule, ...] = (
    _rule("position", "sentence of NMEA 0183", r"\$G[A-Z]{4},[^\s\"']*"),
    _rule("position", "degrees and minutes run together", r"(?<![\d.])\d{4,5}\.\d{2,}(?:\s*[,;]\s*)?[NSEW]\b"),
    _rule("position", "degrees, minutes and seconds run together",
          r"\b\d{6}(?:\.\d+)?[NS]\s*[,;/-]?\s*\d{7}(?:\.\d+)?[EW]\b"),
    _rule("position", "degrees and minutes",
          rf"(?:\b{LETTER}\s*)?(?<!\d)\d{{1,3}}{SIGN}{MINUTES}(?:\s*{SECONDS})?(?:\s*{LETTER}\b)?"),
    _rule("position", "degrees and minutes",
          rf"(?<!\d)\d{{1,3}}{SIGN}\d{{1,2}}(?:[.,]\d+)?(?:\s\d{{1,2}}(?:[.,]\d+)?)?\s*{LETTER}\b", is_sexagesimal),
    _rule("position", "degrees and minutes, letter first",
          rf"\b{LETTER}\s*\d{{1,3}}{SIGN}\d{{1,2}}(?:[.,]\d+)?(?:\s\d{{1,2}}(?:[.,]\d+)?)?", is_sexagesimal),
    _rule("position", "degrees, letter first", rf"\b{LETTER}\s?\d{{1,3}}[.,]\d{{3,}}(?:\s*°)?"),
    _rule("position", "degrees and minutes, letter last",
          rf"(?<![\w.,-]){LETTER_LAST}[\s,;/]*{LETTER_LAST}", is_sexagesimal),
    _rule("position", "degrees and minutes, letter first",
          rf"\b{LETTER_FIRST}[\s,;/]*{LETTER_FIRST}(?![\w.,]?\d)", is_sexagesimal),
    _rule("position", "degrees and minutes, letter first",
          rf"\b{LETTER_FIRST}(?![\w.,]?\d)", is_sexagesimal, sure=False),
    _rule("position", "degrees and minutes, letter last", rf"(?<![\w.,-]){LETTER_LAST}", is_sexagesimal, sure=False),
    _rule("position", "degrees and minutes",
          r"\b\d{1,3}d\s?\d{1,2}(?:\.\d+)?m(?:\s?\d{1,2}(?:\.\d+)?s)?\s?[NSEW]?\b", is_sexagesimal, sure=False),
    _rule("position", "degrees in words",
          rf"(?<![\d.,])\d{{1,3}}(?:[.,]\d+)?\s*{DEGREES}\s*(?:{MINUTES}\s*)?(?:{SECONDS}\s*)?{COMPASS}",
          is_finer_than_a_degree),
    _rule("position", "degrees",  # with a space it is newtons
          r"(?<![\d.,])[-+−]?\d{1,3}[.,]\d{3,}(?:\s*°\s*)?[NSEWO]\b(?![+−-]?\d)"),
    _rule("position", "a number that is named",
          rf"(?i)(?<![a-z])(?:lat|latitude|lon|lng|long|longitude)(?:_deg)?\b{MEANS}[-+−]?\d{{1,3}}[.,]\d{{2,}}"),
    _rule("position", "a number that is named",
          rf"(?i)(?<![a-z])(?:easting|northing|rechtswert|hochwert)(?:_m)?\b(?:\s\[m\])?{MEANS}\d{{5,8}}(?:[.,]\d+)?"),
    _rule("position", "three words for a square of the world", r"///[a-z]+\.[a-z]+\.[a-z]+"),
    _rule("position", "open location code", rf"(?<![A-Za-z0-9]){OPEN_CODE}{{8}}\+{OPEN_CODE}{{2,3}}\b", is_plus_code),
    _rule("position", "open location code, short",
          rf"(?<![A-Za-z0-9]){OPEN_CODE}{{4}}(?:{OPEN_CODE}{{2}})?\+{OPEN_CODE}{{2,3}}\b", is_plus_code, sure=False),
    _rule("position", "UTM", rf"\b{ZONE}\b[\s,:]*{METRES}(?:\s?m)?\s?E?[\s,;/]+{NORTH}(?:\s?m\b)?(?:\s?N\b)?", is_utm),
    _rule("position", "UTM", rf"(?<![\w.]){METRES}\s?(?:m\s?)?E\b[\s,;/]*{NORTH}\s?(?:m\s?)?N\b", is_utm),
    _rule("position", "UTM", rf"\bE\s?{METRES}[\s,;/]*N\s?{NORTH}(?!\w)", is_utm),
    _rule("position", "easting and northing without a name",
          r"(?<![\w.,-])0?\d{6}(?:\.\d+)?\s?[ ,;/]\s?\d{7}(?:\.\d+)?(?![\w.,]?\d|\w)", is_utm_alone, sure=False),
    _rule("position", "MGRS",
          rf"(?<![\w.])(?!\d+ CFR ){ZONE}\s?[A-HJ-NP-Z][A-HJ-NP-V]\s?(?:\d{{2,5}}\s\d{{2,5}}|\d{{4,10}})(?!\w)",
          is_mgrs, sure=False),
    _rule("position", "grid reference",
          r"\b[HNOST][A-HJ-Z]\s?(?:\d{3,5}\s\d{3,5}|\d{6,10})(?!\w|[.,]\d)", is_grid_square, sure=False),
    _rule("position", "grid reference that is named",
          r"(?i:\b(?:grid|map|os|gr)\s*(?:ref(?:erence)?)?\.?)\s*[:=]?\s*[A-Z]{1,2}\s?\d{2,5}\s?\d{2,5}\b"),
    _rule("position", "geohash that is named", rf"(?i:geo\s?hash)[\\\"']*\s*[:=]?\s*[\\\"']*[{GEOHASH}]{{4,12}}\b"),
    _rule("position", "geohash", rf"(?<![\w.#-])[{GEOHASH}]{{8,12}}(?![\w-]|\.\w)", is_geohash, sure=False),
    _rule("position", "numbers side by side",
          rf"(?<![\d.]){POINT_NUMBER}(?:{LINK}{POINT_NUMBER})+(?!\.?\d)", is_position_run, sure=False),
    _rule("position", "numbers side by side",
          rf"(?<![\d.,]){COMMA_NUMBER}(?:(?:\s?[;/]\s?|,\s|[ \t]){COMMA_NUMBER})+(?!,?\d)",
          is_position_run, sure=False),
)  # fmt: skip

# How places on a computer are written
PATHS: tuple[Rule, ...] = tuple(
    _rule("path", "path of a computer", pattern)
    for pattern in (
        r"file:/+[^\s\"'<>|]+",
        r"(?<!\w)[A-Za-z]:[\\/]+(?![\\/])(?:[^\\/:*?\"<>|\r\n,;]+[\\/]+)*[^\\/:*?\"<>|\s,;]*",
        r"\\\\[\w.$-]+(?:\\+[^\\/:*?\"<>|\r\n,;]+)+",
        r"(?<![\w~])~[\w.-]*/[^\s\"'<>|,;]+",
        rf"(?<![\w/.:<~-])/(?:{HOMES})(?![\w.-])(?:/(?:[^/\"'<>|:,;\r\n]+(?=/)|[^/\s\"'<>|:,;]+))*/?",
        r"(?<![\w/.:<~%)\]-])/[A-Za-z_.][\w.+@-]*(?:/[\w.+@-]+)+/?",
    )
)

KINDS: tuple[Rule, ...] = (*ADDRESSES, *CHASSIS_NUMBERS, *POSITIONS, *PATHS)
