"""Release tests that fall due and orders that are planned, as a calendar (iCalendar, RFC 5545)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl

from remanence.dashboards.page import Language, language
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.sheets.report_sheet import made_at
from remanence.pipelines.store.disk import replace_file
from remanence.pipelines.store.service_log import read_service
from remanence.shared.errors import RemanenceError
from remanence.shared.venue import Venue


def release_test_days(
    venue: Venue, service: pl.DataFrame, today: date
) -> list[tuple[str, date]]:
    """By when each lock on an exit route is to be release-tested next.

    Parameters
    ----------
    venue : Venue
        Whose ``release_test_days``.
    service : polars.DataFrame
        Schema SERVICE.
    today : date
        One that was never passed, or failed last, is due today.

    Returns
    -------
    list of (str, date)
        The earliest day first.
    """
    told = service.filter(pl.col("action") == "release-tested").sort("date", maintain_order=True)
    newest = {lock: (day, result) for day, lock, result in told.select(
        "date", "lock", "result").iter_rows()}
    due = []
    for lock in venue.locks:
        if lock.on_way_out:
            day, result = newest.get(lock.id, (None, None))
            due.append((lock.id, venue.release_test_due(day)
                        if day is not None and result == "passed" else today))
    return sorted(due, key=lambda item: (item[1], item[0]))


def order_days(venue_folder: Path) -> list[tuple[str, date]]:
    """The orders that the owner's sheet plans, by part; empty where there is no sheet.

    Returns
    -------
    list of (str, date)
        Part, and the last day on which the order is in time; the earliest first.
    """
    try:
        held = json.loads((venue_folder / "parts" / "parts.json").read_text(encoding="utf-8"))
        planned = [(str(part["part"]), date.fromisoformat(part["order_by"]))
                   for part in held["parts"] if part["order_by"]]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    return sorted(planned, key=lambda item: (item[1], item[0]))


def calendar_of(
    venue: Venue, venue_path: Path, *, today: date | None = None, code: str = "en"
) -> bytes:
    """The calendar of a venue: a day for each release test that falls due and each planned order.

    Parameters
    ----------
    venue, venue_path
        Whose.
    today : date, optional
        In the venue's calendar; default: today. What is overdue stands on it.
    code : str, default "en"
        Language of the entries.

    Returns
    -------
    bytes
        UTF-8, text/calendar. An entry has the same UID each time, so that a calendar that takes
        it again moves it and does not double it.

    Raises
    ------
    RemanenceError
        The service log cannot be read, or the package icalendar is missing.
    """
    try:
        from icalendar import Calendar, Event
    except ModuleNotFoundError:
        raise RemanenceError("a calendar needs the package icalendar, which is missing; install "
                             'it with pip install "remanence-locks[tell]"') from None
    lang = language(code)
    today = today or datetime.now(venue.zone).date()
    calendar = Calendar()
    calendar.add("prodid", "-//Remanence//remanence//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"{venue.name}: {lang('tell.calendar')}")
    for kind, name, day in _entries(venue, venue_path, today):
        event = Event()
        event.add("uid", _uid(venue, kind, name))
        event.add("dtstamp", made_at())
        event.add("dtstart", max(day, today))
        event.add("dtend", max(day, today) + timedelta(days=1))
        event.add("summary", lang(f"tell.event_{kind}", name=name))
        event.add("description", _description(lang, kind, day, today))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _entries(venue: Venue, path: Path, today: date) -> Sequence[tuple[str, str, date]]:
    tests = release_test_days(venue, read_service(venue, path).entries, today)
    return [*(("test", name, day) for name, day in tests),
            *(("order", name, day) for name, day in order_days(path.parent))]


def _uid(venue: Venue, kind: str, name: str) -> str:
    digest = hashlib.sha256(f"{venue.id}\n{kind}\n{name}".encode()).hexdigest()[:24]
    return f"{kind}-{digest}@{venue.id}.remanence"


def _description(lang: Language, kind: str, day: date, today: date) -> str:
    late = f"{lang('tell.event_late', day=lang.day(day, year=True))} " if day < today else ""
    return late + lang("tell.says_" + kind)


def write_calendar(given: str | Path, out: Path | None = None, *, code: str = "en") -> str:
    """Write the calendar of a venue into a file.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    out : Path, optional
        The file; default: ``calendar.ics`` beside the venue file.
    code : str, default "en"
        Language of the entries.

    Returns
    -------
    str
        What to print.

    Raises
    ------
    RemanenceError
        See :func:`calendar_of`, or the file cannot be written.
    """
    venue, path = load_venue(given)
    target = out or path.parent / "calendar.ics"
    data = calendar_of(venue, path, code=code)
    try:
        replace_file(target, data)
    except OSError as error:
        raise RemanenceError(f"{target}: cannot be written: {error.strerror or error}") from None
    return f"{target}: {data.count(b'BEGIN:VEVENT')} days"
