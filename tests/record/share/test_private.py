"""What counts as private in a text, and what does not."""

from pathlib import Path

import pytest

from tunelab.record.share.private import Box, Scrubber, is_vin_like, rules_for, terms_of


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
