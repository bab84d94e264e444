"""What counts as private in a text, and what does not."""

from pathlib import Path

import pytest

from tunelab.record.share.clean_text import clean_notebook, clean_toml, row_gives_position
from tunelab.record.share.forms import is_vin_like
from tunelab.record.share.kinds import KINDS, geohash_box
from tunelab.record.share.private import Box, Scrubber, rules_for, terms_of


def scrub(text, *, places=(), names=(), folders=(), boxes=()):
    scrubber = Scrubber(rules_for(places, names, [Path(folder) for folder in folders], boxes))
    return scrubber.text(text, "file")


PLACE = "Kestrel Hollow, Øvre Dålen"


@pytest.mark.parametrize(
    "text",
    ["at Kestrel Hollow", "kestrel_hollow_1.csv", "KESTREL-HOLLOW", "KestrelHollow", "Kestrel%20Hollow", "the kestrel",
     "Øvre Dålen", "Ovre Dalen", "oevre daalen", "Øvre Da\u030alen", "near Dålen", "Kestrel\u00a0Hollow",
     "Kestrel, Hollow", r"D\xe5len", r"D\u00e5len", r"\\u00D8vre", "D%C3%A5len", "D&#229;len"],
)  # fmt: skip
def test_a_place_goes_however_it_is_written(text):
    cleaned = scrub(text, places=[PLACE])
    assert "removed-place-" in cleaned
    for word in ("kestrel", "hollow", "dålen", "dalen", "øvre", "len", "vre"):
        assert word not in cleaned.casefold()


def test_the_kits_own_words_stay_where_a_place_uses_one():
    assert scrub("the steady table, hold by hold", places=["Steady Table Farm"]) == "the steady table, hold by hold"
    assert "Table Farm" not in scrub("near Steady Table Farm", places=["Steady Table Farm"])
    assert terms_of("Table") == []


@pytest.mark.parametrize(
    "text",
    ["/home/marit/logs/a.csv", "/home/marit/My logs/a.csv", "file:///home/marit/a.csv", "~/logs/a.csv", "/root",
     r"C:\Users\Marit O\logs\a.csv", "D:/logs/a.csv", r"\\server\share\marit\a.csv", "/Users/marit/x", "/abc/def/g.py",
     r"C:\\Users\\Marit\\a.csv"],
)  # fmt: skip
def test_a_path_of_a_computer_goes(text):
    cleaned = scrub(f'File "{text}", line 3')
    assert "removed-path-1" in cleaned
    assert "marit" not in cleaned.casefold()
    assert cleaned.endswith(", line 3")


@pytest.mark.parametrize(
    "text",
    ["km/h and 1/min", "lambda / commanded", "tables/meter_curve.csv", "https://w3id.org/ro/crate/1.3/context",
     "[kg/h]", "and/or", "m/s²", "sessions/2026-05-03-steady", "ratio 3/4", "application/x-netcdf",
     "sweep-1.csv.gz", "2026-05-03T10:00:00+00:00", "0.1226, 0.1334", "5.2 E", "204.8638 N",
     "0.4538 N·s²/m²", "1204.86 N", "r02.toml", "12.5 s",
     "b94d27b9934d3e08a52e52d7da7dabfac484efe37a5380ee9088f7ace2efcde9", "engine_speed_rpm", "12345678901234567"],
)  # fmt: skip
def test_what_is_not_private_stays(text):
    assert scrub(text, places=[PLACE], boxes=[Box(61.2, 61.3, -30.5, -30.4)]) == text


@pytest.mark.parametrize(
    "text",
    ["61.23456, -30.41234", "N 61.2345", "61.2345° N", "61.2345N", "61° 14' 4\" N", "lat=61.23", "Longitude: -30.4123",
     "$GPRMC,081836,A,6114.05,N,03024.7,W,000.0,360.0,130998,011.3,E*62", "///filled.count.soap", "8FVC9G8F+6X",
     "about 61.2346", "x -30.4123", "6114.0738,N,03024.7404,W", r"61°14'04.4\"N"],
)  # fmt: skip
def test_a_position_goes(text):
    cleaned = scrub(text, boxes=[Box(61.2, 61.3, -30.5, -30.4)])
    assert "removed-position-" in cleaned
    for part in ("61.23", "30.41", "6114.07", "03024.74", "04.4"):
        assert part not in cleaned


# 49 CFR 565.15: the check digit; the all-ones number passes it, as does 1M8GDM9AXKP042788 (widely printed examples,
# from memory).
@pytest.mark.parametrize(("text", "expected"), [
    ("1M8GDM9AXKP042788", True), ("11111111111111111", True), ("ZZZTL5AX9Q1234567", True),
    ("12345678901234567", False), ("a52e52d7da7dabfac", False), ("00000000000000000", False),
])  # fmt: skip
def test_a_chassis_number_is_told(text, expected):
    assert is_vin_like(text) is expected
    assert ("removed-vin-1" in scrub(f"car {text}, blue")) is expected


@pytest.mark.parametrize("number", ["0.04015792304758467", "-0.10274527929013726", "4.5634168587831012e-05"])
def test_the_fraction_of_a_number_is_no_chassis_number(number):
    assert is_vin_like(number.partition(".")[2].partition("-")[0])  # by itself it would pass for one
    assert scrub(f'{{"start": {number}}}') == f'{{"start": {number}}}'
    assert "removed-vin-1" in scrub("No 3. 11111111111111111")


@pytest.mark.parametrize(("text", "cleaned"), [
    ("chassis no 48-1207 A, blue", "removed-vin-1, blue"), ("Chassis: 123456", "removed-vin-1"),
    ("a strap from block to chassis, 2 V at most", "a strap from block to chassis, 2 V at most"),
])  # fmt: skip
def test_a_short_chassis_number_is_told_by_its_name(text, cleaned):
    assert scrub(text) == cleaned


def test_the_same_thing_becomes_the_same_word_and_is_counted():
    scrubber = Scrubber(rules_for([PLACE], [], [], []))
    first = scrubber.text("Kestrel Hollow and kestrel_hollow and Dålen", "a.toml")
    assert first == "removed-place-1 and removed-place-1 and removed-place-2"
    assert scrubber.text("Kestrel-Hollow", "b.toml") == "removed-place-1"
    assert scrubber.removed[("place", "removed-place-1", "a.toml")] == 2
    assert scrubber.removed[("place", "removed-place-1", "b.toml")] == 1
    assert scrubber.text(first, "a.toml") == first


def test_names_go_on_request_only():
    assert scrub("driven by Marit Oldskar") == "driven by Marit Oldskar"
    cleaned = scrub("driven by Marit Oldskar, says Oldskar", names=["Marit Oldskar"])
    assert "Marit" not in cleaned
    assert "Oldskar" not in cleaned


# One spot at sea, 61.23456 N 30.41234 W, in every notation. UTM and MGRS: NGA.STND.0037, the numbers by PROJ 9
# (EPSG:32625, 638897 m E, 6791664 m N); open location code: its open specification, alphabet 23456789CFGHJMPQRVWX.
@pytest.mark.parametrize(
    "text",
    ["61,23456; -30,41234", "61,23456, -30,41234", "61,23456 -30,41234", "61,23456 / -30,41234", "61,23456° N",
     "61.23456 -30.41234", "-30.41234,61.23456", "61.23456, -30.41234, 312.5", "geo:61.23456,-30.41234",
     "61.23456, -30.41234; 61.23461, -30.41251; 61.23470, -30.41260", "[[61.23456, -30.41234], [61.23461, -30.41251]]",
     "N 61° 14.074' W 30° 24.740'", "N61° 14,074'", "N 61 14.074 W 30 24.740", "N 61 14 04", "61° 14.074 N",
     "61 14 04 N", "61 14 04.4 N 30 24 44.4 W", "61-14-04N", "61:14:04 N", "611404N 0302444W", "61d14m04s",
     "61 degrees 14.07 minutes north", "61.23 degrees north", "61º14’04”N", "lat: 61,23456", "'lat': 61.23",
     "gps_lat=61.23", "latitude_deg 61.23456",
     "25V 638897 6791664", "25 V 0638897 6791664", "zone 25V, 638897 m E, 6791664 m N", "638897E 6791664N",
     "E 638897 N 6791664", "638897 6791664", "easting 638897", "Northing: 6791664.3", "25V FH 38897 91664",
     "25VFH3889791664", "25V FH 388 916", "25VFH388916", "NY 123 678", "NY123678", "HX 12345 67890",
     "grid ref V 388 916", "grid reference NY 12 67", "geohash g5z8", "u4pruydqqvj",
     "9F8X6HMQ+R3", "9f8x6hmq+r3".upper(), "6HMQ+R3"],
)  # fmt: skip
def test_a_position_goes_in_every_notation(text):
    cleaned = scrub(f"parked at {text}, far out")
    assert cleaned.startswith("parked at ")
    assert cleaned.endswith(", far out")
    assert "removed-position-" in cleaned
    rest = "".join(part for part in cleaned if part.isdigit())
    assert len(rest) <= 3, cleaned  # the numbers of the words that stand instead


@pytest.mark.parametrize(
    "text",
    ["x -30.4123", "about -30,41234", "61.23456, -30.41234", "61,23456 / -30,41234", "61.23456 -30.41234",
     "lon=-30.41", "-30.4123N", "61.23456, -30.41234, 312.5", "-30.41234,61.23456"],
)  # fmt: skip
def test_a_real_minus_hides_no_position(text):
    """Shown numbers carry U+2212; the sign goes with the number, as the hyphen does."""
    boxes = [Box(61.2, 61.3, -30.5, -30.4)]
    cleaned = scrub(text, boxes=boxes)
    assert "removed-position-" in cleaned
    assert scrub(text.replace("-", "\u2212"), boxes=boxes) == cleaned


def test_a_row_of_shown_numbers_is_no_position_for_its_minus():
    row = "1 61.2345 \u221230.4123 0.5"
    assert scrub(row) == row
    assert scrub(row.replace("\u2212", "-")) == row.replace("\u2212", "-")


def test_a_table_row_with_a_real_minus_gives_a_position():
    assert row_gives_position(["longitude", "\u221230.41"])


# RFC 2606 (example domains), RFC 5737 (192.0.2.0/24), RFC 3849 (2001:db8::/32), RFC 7042 (00-00-5E-00-53-xx), Ofcom's
# and
# the North American plan's numbers for fiction (01632 960000 on; 555-0100 on), ITU-T E.164.
@pytest.mark.parametrize(
    ("kind", "text"),
    [("email", "marit@example.org"), ("email", "marit.o+car@mail.example.com"), ("email", "marit (at) example.org"),
     ("host", "marit@workshop:~/logs"), ("host", "https://logs.example.org/marit?a=1"), ("host", "ftp://nas/marit"),
     ("host", "nas.local"), ("host", "marit-laptop.lan"), ("host", "www.example.org"), ("host", "DESKTOP-4F7K2QX"),
     ("host", "192.0.2.17"), ("host", "192.168.178.20:8080"), ("host", "10.0.0.5"), ("host",
     "2001:db8::8a2e:370:7334"),
     ("host", "fe80::5eff:fe00:5301%eth0"), ("host", "00:00:5e:00:53:01"), ("host", "00-00-5E-00-53-AF"),
     ("host", "0000.5e00.53af"),
     ("phone", "+44 1632 960123"), ("phone", "+441632960123"), ("phone", "+44 (0)1632 960123"), ("phone",
     "01632 960123"),
     ("phone", "(01632) 960123"), ("phone", "phone 960 1234"), ("phone", "tel. 01632/960123"), ("phone",
     "202-555-0123"),
     ("phone", "(202) 555-0123"), ("phone", "020 7946 0018"),
     ("plate", "AB12 CDE"), ("plate", "AB12CDE"), ("plate", "KE-ST 123"), ("plate", "AB-123-CD"),
     ("plate", "number plate: 1234 BCD"), ("plate", "registration EK 12345"), ("plate", "reg. no. 12-AB-34"),
     ("vin", "ZZZ TL5 AX9 X1234567"), ("vin", "ZZZTL5-AX9X1-234567"), ("vin", "ZZZ TL5AX9 X1234567"),
     ("vin", "1M8 GDM9AX KP042788"), ("vin", "Z Z Z T L 5 A X 9 X W 0 1 2 3 4 5")],
)  # fmt: skip
def test_people_machines_and_plates_go(kind, text):
    cleaned = scrub(f"ask {text}, or not")
    assert f"removed-{kind}-1" in cleaned
    assert cleaned.startswith("ask ")
    assert cleaned.endswith(", or not")
    assert not any(part in cleaned for part in ("marit", "960", "555", "123", "5e", "5E", "AX9", "192", "db8", "CDE"))


@pytest.mark.parametrize(
    "text",
    ["engine no. NT 123456", "engine number 0123 456789", "injector part no. 0123 456 789", "part no AB-123-CD",
     "type NY123678", "serial number: SN 123456", "block no. 06A906018", "relay 12-AB-34", "M54B30 and S38B36",
     "1.250 1.300 1.350", "1.250 1.300", "1,250 1,300", "0.9812, 1.0034, 0.9921, 1.0102", "lambda 0.8812, 0.8834",
     "meter curve 1.2500, 2.0000, 2.7500, 3.5000 V", "12.3400, 45.6700, 110.3145, 402.1100 kg/h",
     "2.1000, 2.2000, 2.3000, 2.4000, 2.5000", "dead time 0.8200 0.7100 0.6400", "0  2.812340  110.314500",
     "1.2500 8.1000 22.4000 41.9000", "500 1000 1500 2000 2500", "RPM 1500 2000 2500 3000 AFR 14 7", "1500 RPM",
     "2026-05-03T10:00:00.123456+00:00", "10:00:00", "2026-05-03 10:00:00", "log-26-05-03-10-00-00.csv",
     "20260503-100000",
     "0001-20260503", "12:34:56.789", "+02:00", "+0200", "-0.0123 to +0.0345", "+0.025 ± 0.024", "+1500 rpm",
     "+5 -5 +10",
     "b94d27b9", "b94d27b9934d3e08a52e52d7da7dabfac484efe3", "sha256 b94d27b9934d",
     "6f1ed002-ab55-4f3c-9d2a-0123456789ab",
     "r01", "r02b", "revision r12", "2026-05-03-steady", "h5netcdf 1.3.0", "numpy 2.1.3", "version 1.2.3.4",
     "8.6.10.1",
     "firmware 10.20.30.40", "sweep_2", "x[1::2]", "a[::3]", "std::max", "values[2:5]", "2345+67", "1200+300",
     "heading @ before", "@dataclass(frozen=True)", "np.nan", "hv.opts.info(plot)", "self.local = 3",
     "config.local.toml",
     "CAN-H 120", "SAE-J 1979", "DB25 PIN", "65 MM throttle plate", "throttle plate 65MM", "12 V DC", "12V DC 60 W",
     "position 12.5 %", "a long 2 s pull", "call it done", "90 degrees east", "5.2 E", "204.8638 N", "step 12 of 30",
     "ISO 10844:2014", "doi:10.1088/0026-1394/45/2/004", "https://doi.org/10.1088/0026-1394/45/2/004", "RFC 5737",
     "40 CFR 1065", "49 CFR 565.15", "3.386389E+01", "3.386389E-01",
     "https://w3id.org/ro/crate/1.3/context", "p1004", "#1f77b4", "M10x1.25", "205/55 R16", "5W-40", "1-3-5 2-4-6",
     "180000 rows, 40 channels", "3.0 L, 6 cylinders", "0.5 °", "10° BTDC", "12° 30", "steepest", "north-east corner"],
)  # fmt: skip
def test_a_cars_own_numbers_and_a_programs_stay(text):
    assert scrub(f"note: {text}; done") == f"note: {text}; done"


# G. Niemeyer's public-domain scheme; both printed widely as its examples (from memory).
@pytest.mark.parametrize(("text", "north", "east"), [("ezs42", 42.605, -5.603), ("u4pruydqqvj", 57.64911, 10.40744)])
def test_a_geohash_is_read(text, north, east):
    south, top, west, right = geohash_box(text)
    assert south - 5e-4 <= north <= top + 5e-4
    assert west - 5e-4 <= east <= right + 5e-4


def test_a_short_geohash_is_told_where_the_log_was_driven():
    assert scrub("spot u4pruy2, box 3", boxes=[Box(57.6, 57.7, 10.3, 10.5)]) == "spot removed-position-1, box 3"
    assert scrub("spot u4pruy2, box 3", boxes=[Box(61.2, 61.3, -30.5, -30.4)]) == "spot u4pruy2, box 3"


def test_the_computers_own_name_goes():
    scrubber = Scrubber(rules_for([], [], [], [], computer="maritbook"))
    assert scrubber.text("ran on MARITBOOK, not maritbooks", "file") == "ran on removed-host-1, not maritbooks"


def test_every_row_of_the_table_is_named_and_takes_no_word_that_stands_instead():
    for rule in KINDS:
        assert rule.what
        assert not any(rule.pattern.fullmatch(f"removed-{other.kind}-12") for other in KINDS)


def test_what_may_have_been_something_else_is_said():
    scrubber = Scrubber(rules_for([], [], [], []))
    scrubber.text("at 61.23456, -30.41234, mail marit@example.org", "file")
    assert scrubber.doubts == {"removed-position-1": "numbers side by side"}


def test_nothing_is_found_in_the_kits_own_notebooks_and_records():
    root = Path(__file__).parents[3]
    paths = [*root.glob("notebooks/*.ipynb"), *root.glob("data_demo/**/*.toml"), *root.glob("tunelab/**/*.toml")]
    assert len(paths) > 20
    found = []
    for path in paths:
        scrubber = Scrubber(KINDS)
        clean = clean_notebook if path.suffix == ".ipynb" else clean_toml
        clean(path.read_text(encoding="utf-8"), scrubber, path.name)
        found += [(path.name, original) for original in scrubber.originals.values()]
    assert found == []
