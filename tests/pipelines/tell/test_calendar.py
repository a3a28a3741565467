"""The calendar of release tests and orders, read back by the library that others use too."""

from __future__ import annotations

import json
from datetime import date

import icalendar
import pytest

from remanence.pipelines.commands import DONE, main
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.service_log import add_service
from remanence.pipelines.tell.calendar import calendar_of
from tests.pipelines.serve.house import ZONED, venue

TODAY = date(2026, 11, 23)


def days(folder, today=TODAY, **more) -> dict[str, tuple[date, str]]:
    house, path = load_venue(folder)
    read = icalendar.Calendar.from_ical(calendar_of(house, path, today=today, **more))
    return {str(event["summary"]): (event["dtstart"].dt, str(event["uid"]))
            for event in read.walk("VEVENT")}


@pytest.fixture
def folder(tmp_path):
    return venue(tmp_path / "harbour", text=ZONED.replace(
        'service_log = "service.csv"', 'service_log = "service.csv"\nrelease_test_days = 14'))


def entered(folder, day, result):
    house, path = load_venue(folder)
    add_service(house, path, "store-door", "release-tested", day=day, result=result)


def test_a_test_falls_due_its_interval_after_the_last_that_was_passed(folder):
    assert days(folder)["Release test: store-door"][0] == TODAY, "never tested"
    entered(folder, date(2026, 11, 20), "passed")
    assert days(folder)["Release test: store-door"][0] == date(2026, 12, 4)
    entered(folder, date(2026, 11, 21), "failed")
    assert days(folder)["Release test: store-door"][0] == TODAY
    assert set(days(folder)) == {"Release test: store-door"}, "no other lock is on an exit route"


def test_what_is_overdue_stands_on_today_and_says_since_when(folder):
    entered(folder, date(2026, 10, 1), "passed")
    house, path = load_venue(folder)
    text = calendar_of(house, path, today=TODAY).decode()
    assert days(folder)["Release test: store-door"][0] == TODAY
    assert "Was due on 15\N{NO-BREAK SPACE}Oct\N{NO-BREAK SPACE}2026" in text.replace("\r\n ", "")


def test_an_order_stands_on_its_last_day(folder):
    (folder / "parts").mkdir()
    (folder / "parts" / "parts.json").write_text(json.dumps({"parts": [
        {"part": "latch-s", "order_by": "2026-12-07"}, {"part": "other", "order_by": None}]}))
    found = days(folder)
    assert found["Order: latch-s"][0] == date(2026, 12, 7)
    assert "Order: other" not in found


def test_an_entry_keeps_its_identity_when_its_day_moves(folder):
    before = days(folder)["Release test: store-door"]
    entered(folder, date(2026, 11, 20), "passed")
    after = days(folder)["Release test: store-door"]
    assert before[0] != after[0]
    assert before[1] == after[1]


def test_the_command_writes_the_same_bytes_again_in_either_language(folder, tmp_path, capsys):
    out = tmp_path / "a.ics"
    assert main(["calendar", str(folder), "--out", str(out), "--language", "de"]) == DONE
    first = out.read_bytes()
    assert "Öffnungsprüfung: store-door" in first.decode()
    main(["calendar", str(folder), "--out", str(out), "--language", "de"])
    assert out.read_bytes() == first
