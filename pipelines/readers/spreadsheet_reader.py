"""A sheet of a workbook, read in place; the header may stand below a title."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import IO

from python_calamine import CalamineError, CalamineWorkbook

from remanence.pipelines.readers.csv_reader import header_at
from remanence.pipelines.readers.raw import Fields, LogReader, Looks, Parsed, Sample
from remanence.pipelines.readers.rows import cell_text, positions, records_of
from remanence.pipelines.readers.source import UnreadableSourceError
from remanence.shared.keys import Key
from remanence.shared.log_format import LogFormat

ROWS_LOOKED_AT = 2000

_ZIP, _OLD = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_MARKS = (b"xl/", b"[Content_Types].xml", b"opendocument.spreadsheet")


def _sheet(
    stream: IO[bytes], name: str, sheet: object
) -> tuple[list[str], Sequence[Sequence[object]]]:
    """The names of the workbook's sheets, and the rows of one of them."""
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(stream.read()))
        names = book.sheet_names
        if not names or (sheet is not None and sheet not in names):
            raise UnreadableSourceError(
                f"{name}: has no sheet {sheet!r}; its sheets are {', '.join(names)[:200]}")
        chosen = str(sheet) if sheet is not None else names[0]
        return names, book.get_sheet_by_name(chosen).to_python(skip_empty_area=False)
    except CalamineError as error:
        raise UnreadableSourceError(
            f"{name}: cannot be read as a workbook ({str(error)[:120]}); save the sheet as CSV"
        ) from None


def spreadsheet_rows(
    stream: IO[bytes], log: LogFormat, name: str, fields: Fields
) -> Iterator[tuple[Parsed, int]]:
    """The rows of a sheet as raw records, with how many rows each stretch has.

    Raises
    ------
    UnreadableSourceError
        It is no workbook, or has no such sheet or column.
    """
    rows = _sheet(stream, name, log.options.get("sheet"))[1]
    start = log.skip_lines
    if log.header:
        while start < len(rows) and not any(rows[start]):
            start += 1
        head = [cell_text(cell) or "" for cell in rows[start]] if start < len(rows) else []
        start += 1
    else:
        head = list(log.names)
    yield from records_of(rows[start:], positions([c.strip() for c in head], fields, name),
                          start + 1)


def _looks(sample: Sample) -> Looks | None:
    """A workbook: a zip archive with a sheet in it, or the older kind."""
    data = sample.data
    packed = data.startswith(_ZIP) and any(mark in data for mark in _MARKS)
    if not packed and not data.startswith(_OLD):
        return None
    with sample.source.open() as (stream, _):
        names, rows = _sheet(stream, sample.source.name, None)
    texts: Sequence[list[str]] = [[cell_text(cell) or "" for cell in row]
                                  for row in rows[:ROWS_LOOKED_AT]]
    if not texts:
        raise UnreadableSourceError(f"{sample.source.name}: has no rows in its first sheet")
    start, headed = header_at(texts)
    keys: dict[str, object] = {"skip_lines": start} if start else {}
    head = [cell.strip() for cell in texts[start]]
    if not headed:
        head = [f"column{n}" for n in range(1, len(head) + 1)]
        keys |= {"header": False, "names": head}
    if len(names) > 1:
        keys["sheet"] = names[0]
    body = texts[start + headed:]
    looks = Looks(f"a workbook, sheet {names[0]}", keys,
                  {name: [row[at] for row in body] for at, name in enumerate(head) if name})
    if len(names) > 1:
        looks.questions.append(f"Which sheet is the log: {', '.join(names)}? {names[0]} was taken.")
    return looks


READER = LogReader(
    "a sheet of a workbook, like .xlsx or .ods", endings=(".xlsx", ".xls", ".ods"),
    rows=spreadsheet_rows, looks=_looks, looks_at=11,
    keys=(Key("sheet", "text", "the sheet's name; default: the first"),))
