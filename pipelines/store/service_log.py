"""The service log: read it with every bad line set aside, and add a line to it safely."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import polars as pl

from remanence.pipelines.store.appended import add_line, csv_line, opened_alone
from remanence.pipelines.store.disk import replace_file
from remanence.shared.cells import from_cell, text_cell
from remanence.shared.errors import RemanenceError
from remanence.shared.keys import nearest, one_of, shown
from remanence.shared.tables import SERVICE, SERVICE_ACTIONS, TEST_RESULTS
from remanence.shared.terminal import printable
from remanence.shared.venue import Venue

HEADER = ("date", "lock", "action", "part", "note", "result", "by")
_ADDED_LATER = ("result", "by")
"""Columns that the header of an older file may lack; it gets them with the first line that has
them."""
_HEADER_BYTES = 4096
"""A header is far shorter."""


@dataclass(frozen=True)
class ServiceLog:
    """The lines taken (schema SERVICE) and what was set aside, a sentence each."""

    entries: pl.DataFrame
    set_aside: tuple[str, ...] = ()


def service_path(venue: Venue, venue_path: Path) -> Path | None:
    """Where the venue keeps its service log, or None if it keeps none."""
    return venue_path.parent / venue.service_log if venue.service_log else None


def read_service(venue: Venue, venue_path: Path) -> ServiceLog:
    """Read the service log.

    Parameters
    ----------
    venue : Venue
        Whose log.
    venue_path : Path
        The venue file; the log's path is relative to its folder.

    Returns
    -------
    ServiceLog
        A missing file is an empty log. A line with an unknown lock or action or an
        unreadable date is set aside with its reason, and so is one that repeats another word for
        word. A result that is no word for one is not taken, and said to be none.

    Raises
    ------
    RemanenceError
        The file is there and cannot be read, or has no header.
    """
    path = service_path(venue, venue_path)
    if path is None or not path.exists():
        return ServiceLog(SERVICE.empty())
    try:
        text = path.read_bytes().decode("utf-8-sig", errors="replace")
    except OSError as error:
        raise RemanenceError(f"{path}: cannot be read: {error.strerror}") from None
    if not text.strip():
        return ServiceLog(SERVICE.empty())
    try:
        return _taken(venue, path, text)
    except csv.Error as error:
        raise RemanenceError(f"{path}: cannot be read as CSV: {error}") from None


def _taken(venue: Venue, path: Path, text: str) -> ServiceLog:
    reader = csv.reader(io.StringIO(text.replace("\0", "?"), newline=""))
    header = [name.strip().lower() for name in next(reader)]
    if not {"date", "lock", "action"} <= set(header):
        raise RemanenceError(
            f"{path}, line 1: found the header {','.join(header)!r}; it should be "
            f"{','.join(HEADER)}"
        )
    rows: dict[tuple[date | str | None, ...], int] = {}
    aside = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        entry = {name: from_cell(cell.strip()) for name, cell in zip(header, cells, strict=False)}
        place = f"{path.name}, line {reader.line_num}"
        fault = _fault(venue, entry)
        if fault:
            aside.append(f"{place}: {fault}")
            continue
        result = entry.get("result") or None
        if result and (entry["action"] != "release-tested" or result not in TEST_RESULTS):
            aside.append(f"{place}: result: found {shown(result)}, which is not taken; a "
                         f"release-tested has {one_of(TEST_RESULTS)}, other work none")
            result = None
        row = (date.fromisoformat(entry["date"]), entry["lock"], entry["action"],
               entry.get("part") or None, entry.get("note") or None, result,
               entry.get("by") or None)
        first = rows.setdefault(row, reader.line_num)
        if first != reader.line_num:
            aside.append(f"{place}: repeats line {first} word for word")
    frame = pl.DataFrame(list(rows), schema=SERVICE.schema, orient="row")
    return ServiceLog(SERVICE.conform(frame), tuple(aside))


def _fault(venue: Venue, entry: dict[str, str]) -> str | None:
    lock, action = entry.get("lock", ""), entry.get("action", "")
    if lock not in venue.locks_by_id:
        return f"lock: found {shown(lock)}; {_advice(lock, list(venue.locks_by_id), 'locks')}"
    if action not in SERVICE_ACTIONS:
        return f"action: found {shown(action)}; use {one_of(SERVICE_ACTIONS)}"
    try:
        date.fromisoformat(entry.get("date", ""))
    except ValueError:
        return f"date: found {shown(entry.get('date', ''))}; write it like 2026-02-28"
    return None


def _advice(given: str, known: list[str], plural: str) -> str:
    return nearest(given, known).replace("known keys", f"known {plural}")


def add_service(
    venue: Venue, venue_path: Path, lock: str, action: str, *, day: date,
    today: date | None = None, part: str | None = None, note: str | None = None,
    result: str | None = None, by: str | None = None,
) -> str:
    """Append one line to the service log.

    The file is locked meanwhile, so that two people doing it at once get two whole lines. A file
    of an older layout gets the columns that it lacks in its header; its lines stay as they are.

    Parameters
    ----------
    venue, venue_path
        Whose log.
    lock, action : str
        A lock of the venue; one of ``SERVICE_ACTIONS``.
    day : date
        The day of the work, in the venue's calendar.
    today : date, optional
        A later ``day`` than this is refused; default: today in the venue's zone.
    part, note : str, optional
        The part that was fitted (default for ``replaced``: the lock's own part);
        anything worth telling. Line breaks in a note become blanks.
    result : str, optional
        ``passed`` or ``failed``: needed for ``release-tested``, refused of other work.
    by : str, optional
        Who did it; line breaks become blanks.

    Returns
    -------
    str
        The line as it was written, without its line break.

    Raises
    ------
    RemanenceError
        The lock, action, part or result is unknown, the day is to come, the line stands there
        already, the venue keeps no service log, or the file cannot be written.
    """
    path = service_path(venue, venue_path)
    if path is None:
        raise RemanenceError(
            f'{venue_path}, [venue]: found no service_log; add service_log = "service.csv" there'
        )
    if lock not in venue.locks_by_id:
        raise RemanenceError(
            f"{venue_path}, lock: found {shown(lock)}, which the venue file does not hold; "
            f"{_advice(lock, list(venue.locks_by_id), 'locks')}"
        )
    if action not in SERVICE_ACTIONS:
        raise RemanenceError(
            f"action: found {shown(action)}; use {one_of(SERVICE_ACTIONS)}"
        )
    if part is not None and part not in venue.parts_by_id:
        raise RemanenceError(
            f"part: found {shown(part)}; {_advice(part, list(venue.parts_by_id), 'parts')}"
        )
    if (action == "release-tested") is not (result in TEST_RESULTS):
        raise RemanenceError(
            f"result: found {shown(result) if result else 'none'} with the action "
            f"{shown(action)}; a release-tested needs {one_of(TEST_RESULTS)}, other work has none"
        )
    today = today or datetime.now(venue.zone).date()
    if day > today:
        raise RemanenceError(
            f"date: found {day.isoformat()}, which is to come; today is {today.isoformat()}"
        )
    if part is None and action == "replaced":
        part = venue.locks_by_id[lock].part
    entry = {"date": day.isoformat(), "lock": lock, "action": action, "part": part or "",
             "note": printable(" ".join((note or "").split())), "result": result or "",
             "by": printable(" ".join((by or "").split()))}
    try:
        return _append(path, entry).rstrip("\n")
    except OSError as error:
        raise RemanenceError(
            f"{path}: cannot be written: {error.strerror or error}; nothing was added") from None


def _append(path: Path, entry: Mapping[str, str]) -> str:
    """Add a line in the order of the file's own header; all of it, or nothing."""
    with opened_alone(path) as file:
        raw = file.read()
        names = _header(path, raw[:_HEADER_BYTES], entry) if raw else HEADER
        lacking = [name for name in HEADER if entry[name] and name not in names]
        line = csv_line([str(text_cell(entry.get(name, ""))) for name in (*names, *lacking)])
        rest = raw.partition(b"\n")[2]
        if any(_alike(cells, names, entry) for cells in csv.reader(io.StringIO(
                rest.decode("utf-8", "replace").replace("\0", "?"), newline=""))):
            raise RemanenceError(f"{path}: the line stands there already: {line.rstrip()}")
        if lacking:
            # The old lines stay as they are: what they do not say is not known.
            torn = b"\n" if rest and not rest.endswith(b"\n") else b""
            replace_file(path, csv_line((*names, *lacking)).encode() + rest + torn + line.encode())
            return line
        add_line(path, file, raw, HEADER, line)
    return line


def _alike(cells: Sequence[str], names: Sequence[str], entry: Mapping[str, str]) -> bool:
    """Whether a line says the same as an entry, word for word."""
    there = {name: from_cell(cell.strip()) for name, cell in zip(names, cells, strict=False)}
    return any(there.values()) and all(there.get(name, "") == entry[name] for name in HEADER)


def _header(path: Path, beginning: bytes, entry: Mapping[str, str]) -> Sequence[str]:
    """The columns of a service log that is there; another file is never written to."""
    text = beginning.decode("utf-8-sig", "replace")
    if not text.strip():
        return HEADER
    try:
        names = [name.strip().lower() for name in next(csv.reader([text.splitlines()[0]]))]
    except (csv.Error, StopIteration, IndexError):
        names = []
    if not {"date", "lock", "action", *(
            name for name, cell in entry.items() if cell and name not in _ADDED_LATER)} <= set(
            names):
        raise RemanenceError(
            f"{path}, line 1: found {shown(text.splitlines()[0][:80])}, which is not the header of "
            f"a service log ({','.join(HEADER)}); nothing was written to it")
    return names
