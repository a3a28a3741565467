"""Rows of values, from wherever they come, as raw records: for readers of whole tables."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import islice

import polars as pl

from remanence.pipelines.readers.raw import KEPT_TEXT, Fields, Parsed, reject_frame
from remanence.pipelines.readers.source import UnreadableSourceError

ROWS = 100_000
"""Rows worked on at once; bounds the memory."""


def cell_text(value: object) -> str | None:
    """A cell as text: times in ISO 8601, whole numbers without a decimal mark, nothing as None."""
    match value:
        case None | "":
            return None
        case bool():
            return "true" if value else "false"
        case float() if value.is_integer() and abs(value) < 2**53:
            return str(int(value))
        case datetime() | date() | time():
            return value.isoformat()
        case timedelta():
            return str(value)
        case bytes():
            return value.decode("utf-8", "backslashreplace")
        case _:
            return str(value)


def positions(head: Sequence[str], fields: Fields, name: str) -> dict[str, int]:
    """Where the wanted columns stand.

    Raises
    ------
    UnreadableSourceError
        One that is required is not there.
    """
    loose = {text.lower(): at for at, text in reversed(list(enumerate(head)))}
    loose |= {text: at for at, text in reversed(list(enumerate(head)))}
    found = {want: loose.get(want, loose.get(want.lower(), -1)) for want in fields.wanted}
    missing = [want for want in fields.required if found[want] < 0]
    if missing:
        raise UnreadableSourceError(f"{name}: has no column {' and no '.join(missing)}; its "
                                    f"columns are {', '.join(head)[:200]}")
    return found


def records_of(
    rows: Iterable[Sequence[object]], at: dict[str, int], first: int
) -> Iterator[tuple[Parsed, int]]:
    """Raw records out of rows, with how many rows each stretch has.

    Parameters
    ----------
    rows : iterable of sequence
        The cells of each row; a row without any filled cell is passed over.
    at : dict
        Where each wanted column stands; -1 where there is none.
    first : int
        Number of the first row.
    """
    rows = iter(rows)
    while stretch := list(islice(rows, ROWS)):
        numbers = [number for number, row in enumerate(stretch, start=first)
                   if any(cell not in (None, "") for cell in row)]
        filled = [stretch[number - first] for number in numbers]
        frame = pl.DataFrame(
            {"line": pl.Series(numbers, dtype=pl.Int64)}
            | {name: pl.Series([cell_text(row[i]) if 0 <= i < len(row) else None
                                for row in filled], dtype=pl.String)
               for name, i in at.items()})
        start = first

        def text(
            wanted: Iterable[int], rows: list[Sequence[object]] = stretch, start: int = start
        ) -> list[str]:
            return [json.dumps([cell_text(cell) for cell in rows[number - start]],
                               ensure_ascii=False)[:KEPT_TEXT] for number in wanted]

        yield Parsed(frame, reject_frame([]), len(stretch) - len(filled), text), len(stretch)
        first += len(stretch)
