"""The venue file: what it says is taken, what is wrong in it is said in one go."""

from datetime import date

import pytest

from remanence.shared.errors import VenueFileError
from remanence.shared.venue_file import parse_venue


def faults(text: str) -> dict[str, str]:
    """By key: ``line: found; right`` of every fault."""
    with pytest.raises(VenueFileError) as caught:
        parse_venue(text, "venue.toml", {"csv": ()})
    return {p.key: f"{p.line}: {p.found}; {p.right}" for p in caught.value.problems}


def test_a_venue_is_read_whole(harbour_text):
    venue = parse_venue(harbour_text)
    drawer, door = venue.locks
    assert (venue.id, venue.zone.key, venue.release_test_days) == ("harbour", "Europe/Lisbon", 31)
    assert drawer.released_by == "power-on"
    assert drawer.pulsed
    assert drawer.amps == pytest.approx(1.2)
    assert drawer.installed == date(2026, 2, 2)
    assert drawer.command_energised == 1
    assert door.fail_safe
    assert door.ohms == pytest.approx(24)
    assert door.continuous
    assert venue.rooms == ("Chart room", "Store")
    assert venue.channels["rail-a"] >= {"volts"}
    assert venue.controllers == ("north", "rail-a")


def test_every_fault_is_named_with_its_line_in_one_go(harbour_text):
    text = harbour_text.replace('mechanism = "latch"', 'mechanism = "lacth"').replace(
        "contact_closed_when", "contact_closed", 1).replace(
        'command = "north/q2"', 'command = "north/q1"').replace(
        'supply = "rail-a"', 'supply = "rail-b"', 1).replace(
        "max_on_ms = 500", 'max_on_ms = "500"').replace("Europe/Lisbon", "Europe/Lisbonne")
    found = faults(text)
    assert found["mechanism"].startswith('29: "lacth"; use "magnet", "latch", "bolt" or "strike"')
    assert found["contact_closed"] == "33: an unknown key; did you mean contact_closed_when?"
    assert found["command"].startswith('49: "north/q1", which drives "chart-drawer" already')
    assert found["supply"].endswith("did you mean rail-a?")
    assert found["max_on_ms"] == '38: "500"; write a number, without quotes or unit'
    assert found["time_zone"].startswith("4:")
    assert len(found) == 6


@pytest.mark.parametrize(("old", "new", "key"), [
    ('id = "harbour"', 'id = "../harbour"', "id"),
    ('id = "harbour"', 'id = ".."', "id"),
    ("rated_volts = 12.0\nrated_amps = 15.0", "rated_volts = nan\nrated_amps = 15.0",
     "rated_volts"),
    ("coil_ohms = 10.0", "coil_ohms = -1", "coil_ohms"),
    ("coil_ohms = 10.0", "coil_ohms = true", "coil_ohms"),
    ("duty_percent = 10", "duty_percent = 101", "duty_percent"),
    ("in_stock = 2", "in_stock = 1.5", "in_stock"),
    ("installed = 2026-02-02", 'installed = "2026-02-02"', "installed"),
    ('contact = "north/i1"', 'contact = "north/q1"', "contact"),
    ('contact = "north/i2"', 'contact = "north/i1"', "contact"),
    ('part = "latch-s"', 'part = "latch-x"', "part"),
    ('guards = "doorway"\n', "", "guards"),
    ('command = "north/q1"', 'command = "north/q1"\nself_cut = 1', "self_cut"),
    ('mechanism = "latch"', 'mechanism = "bolt"', "released_by"),
    ("rated_amps = 0.5", "rated_amps = 0.5\nself_cut = true", "self_cut"),
    ("coil_ohms = 10.0", "coil_ohms = 10.0\nrated_amps = 0.4", "rated_amps"),
    ("coil_ohms = 10.0", "coil_ohms = 10.0\ncable_mm2 = 1\ncable_awg = 18", "cable_awg"),
    ('id = "store-door"', 'id = "chart-drawer"', "id"),
    ("[[part]]", "[[parts]]", "parts"),
    ('format = "csv"', 'format = "cvs"', "format"),
    ('files = ["logs/*.csv", "logs/*.csv.gz"]', 'files = "logs/*.csv"', "files"),
    ('service_log = "service.csv"', 'service_log = ""', "service_log"),
    ('store = "store"', 'store = "gs://bucket/harbour"', "store"),
    ('store = "store"', 'store = "logs"', "store"),
    ('store = "store"', 'store = "logs/kept"', "store"),
    ('store = "store"', 'store = "."', "store"),
    ('store = "store"', 'store = ".."', "store"),
    ('files = ["logs/*.csv"', 'files = ["https://host/logs/*.csv"', "files"),
    ('[[part]]', '[limits]\ncoast = 3\n[[part]]', "coast"),
    ('[[part]]', '[[supply]]\nid = "rail-z"\nrated_volts = 5\n[[part]]', "id"),
])
def test_what_is_wrong_is_refused(harbour_text, old, new, key):
    assert old in harbour_text
    assert key in faults(harbour_text.replace(old, new, 1))


def test_text_that_is_not_toml_names_its_line(harbour_text):
    with pytest.raises(VenueFileError, match=r"line 3.*not TOML"):
        parse_venue(harbour_text.replace('name = "Harbour Lights"', "name = Harbour"))


def test_an_empty_file_says_what_is_needed():
    assert set(faults("")) == {"[venue]", "[[lock]]"}


def test_lines_are_found_behind_multi_line_values(harbour_text):
    text = harbour_text.replace(
        'files = ["logs/*.csv", "logs/*.csv.gz"]',
        'files = [\n  "logs/#.csv", # a "comment"\n  "[x]",\n]',
    ).replace("duty_percent = 10", "duty = 10")
    assert faults(text)["duty"].startswith("42: an unknown key; did you mean duty_percent")


def test_a_limit_can_be_set(harbour_text):
    venue = parse_venue(harbour_text + "\n[limits]\ncoast_ms = 250\n")
    assert venue.limits.coast_ms == 250.0


def test_windows_line_ends_and_lock_ids_like_numbers(harbour_text):
    venue = parse_venue(harbour_text.replace("chart-drawer", "007").replace("\n", "\r\n"))
    assert venue.locks[0].id == "007"
