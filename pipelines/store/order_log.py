"""What was ordered and what arrived: ``orders.csv`` beside the venue file, and the shelf by it."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path

from remanence.pipelines.store.appended import add_line, csv_line, opened_alone
from remanence.shared.cells import from_cell, text_cell
from remanence.shared.errors import RemanenceError
from remanence.shared.keys import nearest, one_of, shown
from remanence.shared.terminal import printable
from remanence.shared.venue import Part, Venue

HEADER = ("date", "part", "event", "count", "note")
EVENTS = ("ordered", "arrived")


@dataclass(frozen=True)
class OrderEntry:
    """One line: so many of a part were ordered, or arrived, on a day."""

    day: date
    part: str
    event: str
    count: int


@dataclass(frozen=True)
class OrderLog:
    """The lines taken, and what was set aside, a sentence each."""

    entries: tuple[OrderEntry, ...] = ()
    set_aside: tuple[str, ...] = ()


def order_path(venue: Venue, venue_path: Path) -> Path:
    """Where the venue notes its orders."""
    return venue_path.parent / venue.order_log


def read_orders(venue: Venue, venue_path: Path) -> OrderLog:
    """Read what was ordered and what arrived.

    Parameters
    ----------
    venue : Venue
        Whose.
    venue_path : Path
        The venue file; the log's path is relative to its folder.

    Returns
    -------
    OrderLog
        A missing file is an empty log. A line that cannot be understood is set aside with its
        reason.

    Raises
    ------
    RemanenceError
        The file is there and cannot be read, or its header is another.
    """
    path = order_path(venue, venue_path)
    if not path.exists():
        return OrderLog()
    try:
        text = path.read_bytes().decode("utf-8-sig", errors="replace").replace("\0", "?")
    except OSError as error:
        raise RemanenceError(f"{path}: cannot be read: {error.strerror}") from None
    if not text.strip():
        return OrderLog()
    reader = csv.reader(io.StringIO(text, newline=""))
    header = [name.strip().lower() for name in next(reader)]
    if not {"date", "part", "event", "count"} <= set(header):
        raise RemanenceError(f"{path}, line 1: found the header {','.join(header)!r}; it should "
                             f"be {','.join(HEADER)}")
    entries, aside = [], []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        entry = {name: from_cell(cell.strip()) for name, cell in zip(header, cells, strict=False)}
        fault = _fault(venue, entry)
        if fault:
            aside.append(f"{path.name}, line {reader.line_num}: {fault}")
        else:
            entries.append(OrderEntry(date.fromisoformat(entry["date"]), entry["part"],
                                      entry["event"], int(entry["count"])))
    return OrderLog(tuple(entries), tuple(aside))


def _fault(venue: Venue, entry: Mapping[str, str]) -> str | None:
    part, event, count = (entry.get(name, "") for name in ("part", "event", "count"))
    if part not in venue.parts_by_id:
        return f"part: found {shown(part)}; {_parts(part, venue)}"
    if event not in EVENTS:
        return f"event: found {shown(event)}; use {one_of(EVENTS)}"
    if not count.isascii() or not count.isdigit() or not int(count):
        return f"count: found {shown(count)}; write a whole number of 1 or more"
    try:
        date.fromisoformat(entry.get("date", ""))
    except ValueError:
        return f"date: found {shown(entry.get('date', ''))}; write it like 2026-02-28"
    return None


def _parts(given: str, venue: Venue) -> str:
    return nearest(given, list(venue.parts_by_id)).replace("known keys", "known parts")


def add_order(
    venue: Venue, venue_path: Path, part: str, event: str, count: int, *, day: date,
    today: date | None = None, note: str | None = None,
) -> str:
    """Append one line to the order log.

    Parameters
    ----------
    venue, venue_path
        Whose log.
    part, event : str
        A part of the venue; ``ordered`` or ``arrived``.
    count : int
        How many, 1 or more.
    day : date
        The day of it, in the venue's calendar.
    today : date, optional
        A later ``day`` than this is refused; default: today in the venue's zone.
    note : str, optional
        Anything worth telling.

    Returns
    -------
    str
        The line as it was written, without its line break.

    Raises
    ------
    RemanenceError
        The part, event or count is unknown, the day is to come, or the file cannot be written.
    """
    entry = {"date": day.isoformat(), "part": part, "event": event, "count": str(count),
             "note": " ".join(printable(note or "").split())}
    fault = _fault(venue, entry)
    if fault:
        raise RemanenceError(f"{venue_path}, {fault}")
    today = today or datetime.now(venue.zone).date()
    if day > today:
        raise RemanenceError(f"date: found {day.isoformat()}, which is to come; today is "
                             f"{today.isoformat()}")
    path = order_path(venue, venue_path)
    try:
        read_orders(venue, venue_path)  # A file with another header is never written to.
        line = csv_line(str(text_cell(entry[name])) for name in HEADER)
        with opened_alone(path) as file:
            add_line(path, file, file.read(), HEADER, line)
    except OSError as error:
        raise RemanenceError(
            f"{path}: cannot be written: {error.strerror or error}; nothing was added") from None
    return line.rstrip("\n")


def on_the_shelf(venue: Venue, venue_path: Path) -> Venue:
    """The venue with each part's stock as its logs have it, and what is on the way.

    Parameters
    ----------
    venue : Venue
        As its file states it.
    venue_path : Path
        The venue file.

    Returns
    -------
    Venue
        Of each part, ``in_stock`` and what arrived since it was ``counted`` (without that day:
        all that arrived), less the locks that got a new one since then; and ``on_order``, what was
        ordered and has not arrived.

    Raises
    ------
    RemanenceError
        The order log or the service log is there and cannot be read.
    """
    entries = read_orders(venue, venue_path).entries
    if not entries and all(part.counted is None for part in venue.parts):
        return venue
    from remanence.pipelines.store.service_log import read_service  # Costs Polars.

    used = [(row["date"], row["part"] or venue.locks_by_id[row["lock"]].part)
            for row in read_service(venue, venue_path).entries.to_dicts()
            if row["action"] == "replaced"]

    def now(part: Part) -> Part:
        since = part.counted or date.min
        ordered, arrived = (sum(entry.count for entry in entries
                                if (entry.part, entry.event) == (part.id, event))
                            for event in EVENTS)
        came = sum(entry.count for entry in entries if entry.day > since
                   and (entry.part, entry.event) == (part.id, "arrived"))
        gone = sum(part.counted is not None and day > part.counted and what == part.id
                   for day, what in used)
        return replace(part, in_stock=max(part.in_stock + came - gone, 0),
                       on_order=max(ordered - arrived, 0))

    return replace(venue, parts=tuple(now(part) for part in venue.parts))
