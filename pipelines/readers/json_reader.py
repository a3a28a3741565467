"""A JSON array of objects, also inside an object or in arrays of arrays, read piece by piece.

Records are the objects that stand in an array; what stands around the outermost array is passed
over. Keys are named as for JSON Lines.
"""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import IO, Any

import polars as pl

from remanence.pipelines.readers.json_values import value_at
from remanence.pipelines.readers.jsonl_reader import as_text, columns_of, parse_object
from remanence.pipelines.readers.raw import (
    KEPT_TEXT,
    Fields,
    LogReader,
    Looks,
    Parsed,
    Sample,
    reject_frame,
)
from remanence.pipelines.readers.rows import ROWS
from remanence.pipelines.readers.source import LONGEST_LINE, UnreadableSourceError
from remanence.shared.log_format import LogFormat

BLOCK = 1 << 20
OBJECTS_LOOKED_AT = 2000

_ARRAY = re.compile(r"\[[\s\[]*(?=\{)")
_BETWEEN = re.compile(r"[\s,\[\]]*")


def objects(stream: IO[bytes], encoding: str, name: str) -> Iterator[dict[str, Any]]:
    """The objects of the outermost array, in their order.

    Raises
    ------
    UnreadableSourceError
        There is no array of objects, or it is damaged; what came before is good.
    """
    decode = codecs.getincrementaldecoder("utf-8-sig" if encoding == "utf-8" else encoding)(
        "replace").decode
    decoder = json.JSONDecoder()
    text, count, ended = "", 0, False
    while not ended:
        block = stream.read(BLOCK)
        ended = not block
        text += decode(block, ended)
        at = 0
        if not count:
            start = _ARRAY.search(text)
            if start is None:
                continue
            at = start.end()
        while True:
            between = _BETWEEN.match(text, at)
            at = between.end() if between else at
            if at >= len(text) or text[at] != "{":
                break
            try:
                item, at = decoder.raw_decode(text, at)
            except (ValueError, RecursionError):
                if ended or len(text) - at > LONGEST_LINE:
                    raise UnreadableSourceError(
                        f"{name}: its JSON is damaged or cut off after {count:,} objects, at "
                        f"{text[at:at + 60]!r}") from None
                break
            count += 1
            yield item
        if count and at < len(text) and text[at] != "{":
            return
        text = text[at:]
    if not count:
        raise UnreadableSourceError(f"{name}: has no JSON array of objects")


def json_rows(
    stream: IO[bytes], log: LogFormat, name: str, fields: Fields
) -> Iterator[tuple[Parsed, int]]:
    """The objects as raw records, with how many objects each stretch has.

    Raises
    ------
    UnreadableSourceError
        See :func:`objects`.
    """
    found, first = objects(stream, log.encoding, name), 1
    while stretch := _stretch(found):
        items, failed = stretch
        numbers = pl.Series(range(first, first + len(items)), dtype=pl.Int64)
        frame = pl.DataFrame({"line": numbers} | {
            want: pl.Series([as_text(value_at(item, want)) for item in items], dtype=pl.String)
            for want in fields.wanted})
        start = first

        def text(
            wanted: Iterable[int], items: list[dict[str, Any]] = items, start: int = start
        ) -> list[str]:
            return [json.dumps(items[number - start], ensure_ascii=False)[:KEPT_TEXT]
                    for number in wanted]

        if items:
            yield Parsed(frame, reject_frame([]), 0, text), len(items)
        if failed is not None:
            raise failed
        first += len(items)


def _stretch(
    found: Iterator[dict[str, Any]]
) -> tuple[list[dict[str, Any]], UnreadableSourceError | None] | None:
    """Some more objects, and the error that ended them; None at the end."""
    items: list[dict[str, Any]] = []
    try:
        items.extend(islice(found, ROWS))
    except UnreadableSourceError as error:
        return items, error
    return (items, None) if items else None


def _looks(sample: Sample) -> Looks | None:
    """An array of objects, alone or as what an object holds, over any number of lines."""
    text = "\n".join(sample.lines[:20]).lstrip("\ufeff \t\r\n")
    if not text.startswith(("[", "{")) or not _ARRAY.search(text):
        return None
    if text.startswith("{") and not parse_object(sample.filled[0].encode())[1] and (
        len(sample.filled) > 1
    ):
        return None
    with sample.source.open() as (stream, _):
        items = list(islice(objects(stream, sample.encoding, sample.source.name),
                            OBJECTS_LOOKED_AT))
    columns = columns_of(items)
    return Looks(f"a JSON array, keys {', '.join(list(columns)[:12])}", columns=columns)


READER = LogReader(
    "a JSON array of objects", rows=json_rows, looks=_looks, looks_at=15)
