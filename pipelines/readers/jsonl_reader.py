"""JSON Lines: one object a line; keys may be nested and one object may carry many channels.

``payload.temp`` names the key ``temp`` inside ``payload``, which may also be a
text that holds an object, as brokers like to have it; ``values.0`` is the first of
a list.
"""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from remanence.pipelines.readers.json_values import value_at
from remanence.pipelines.readers.raw import (
    NOT_TEXT,
    ChunkText,
    Fields,
    LogReader,
    Looks,
    Parsed,
    Sample,
    decoded,
    reject_frame,
)
from remanence.pipelines.readers.source import Chunk
from remanence.shared.log_format import LogFormat

_DEFAULT = {"time": pl.String, "channel": pl.String, "quantity": pl.String, "value": pl.Float64}

LINES_TRIED = 500
MOST_ARE = 0.8
"""So many lines are tried, and more than this share of them must be objects: a log may begin
with a greeting or end in half a line."""

DEEPEST = 6
WIDEST = 16
"""Deeper keys and longer lists are not proposed as columns."""


class JsonReader:
    """Reads one JSON Lines file."""

    header_line: bytes | None = None

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.name = name
        self.wanted = fields.wanted
        self.default = fields.wanted == tuple(_DEFAULT)
        self.comment = log.comment.encode() if log.comment else None

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        text = ChunkText(chunk)
        fast = self._fast(chunk) if self.default else None
        if fast is not None:
            return Parsed(fast, reject_frame([]), 0, text)
        columns: dict[str, list[str | None]] = {name: [] for name in self.wanted}
        numbers: list[int] = []
        rejects: list[tuple[int, str, str]] = []
        passed = 0
        for number, line in enumerate(text.lines, start=chunk.first_line):
            if not line.strip() or (self.comment and line.startswith(self.comment)):
                passed += 1
                continue
            item, reason = parse_object(line)
            if reason:
                rejects.append((number, decoded(line), reason))
                continue
            numbers.append(number)
            for name, column in columns.items():
                column.append(as_text(value_at(item, name)))
        frame = pl.DataFrame(
            {"line": pl.Series(numbers, dtype=pl.Int64)}
            | {name: pl.Series(column, dtype=pl.String) for name, column in columns.items()})
        return Parsed(frame, reject_frame(rejects), passed, text)

    def _fast(self, chunk: Chunk) -> pl.DataFrame | None:
        """The whole chunk at once; None where any line needs a closer look."""
        try:
            frame = pl.read_ndjson(chunk.data, schema=_DEFAULT)
        except pl.exceptions.PolarsError:
            return None
        if frame.height != chunk.lines or any(frame[name].null_count() for name in _DEFAULT):
            return None
        first = chunk.first_line
        return frame.select(
            pl.int_range(first, first + frame.height, dtype=pl.Int64).alias("line"), *_DEFAULT
        )


def parse_object(line: bytes) -> tuple[dict[str, Any], str]:
    """The object on a line, or the reason why there is none."""
    try:
        item = json.loads(line)
    except UnicodeDecodeError:
        return {}, NOT_TEXT
    except RecursionError:
        return {}, "not JSON that can be read: nested too deeply"
    except ValueError as error:
        return {}, f"not JSON ({getattr(error, 'msg', 'a number is too long')})"
    if not isinstance(item, dict):
        return {}, "not a JSON object, like {\"time\": ..., \"channel\": ...}"
    return item, ""


def as_text(value: object) -> str | None:
    """A JSON value as the text that the file had, near enough; null and empty as None."""
    match value:
        case None | "":
            return None
        case bool():
            return "true" if value else "false"
        case str():
            return value.encode("utf-8", "replace").decode()
        case dict() | list():
            return json.dumps(value)[:100]
        case _:
            return str(value)


def _looks(sample: Sample) -> Looks | None:
    """Objects, one a line, if most of the first lines are such."""
    parsed = [parse_object(line.encode("utf-8", "replace"))
              for line in sample.filled[:LINES_TRIED]]
    items = [item for item, reason in parsed if not reason]
    if len(items) <= MOST_ARE * len(parsed):
        return None
    columns = columns_of(items)
    return Looks(f"JSON Lines, keys {', '.join(list(columns)[:12])}", columns=columns)


def columns_of(items: list[dict[str, Any]]) -> dict[str, list[str]]:
    """From each path of keys to what stands there in each object, as text; "" for nothing."""
    keys = dict.fromkeys(key for item in items for key in _leaves(item, ""))
    return {key: [as_text(value_at(item, key)) or "" for item in items] for key in keys}


def _leaves(item: object, path: str, depth: int = 0) -> list[str]:
    if isinstance(item, str) and item.lstrip().startswith("{") and depth < DEEPEST:
        try:
            inner = json.loads(item)
        except (ValueError, RecursionError):
            return [path]
        return _leaves(inner, path, depth + 1) if isinstance(inner, dict) else [path]
    if isinstance(item, dict) and depth < DEEPEST:
        return [leaf for key, value in item.items()
                for leaf in _leaves(value, f"{path}.{key}" if path else str(key), depth + 1)]
    if isinstance(item, list) and depth < DEEPEST:
        return [leaf for at, value in enumerate(item[:WIDEST])
                for leaf in _leaves(value, f"{path}.{at}", depth + 1)]
    return [path]


READER = LogReader(
    "a JSON object a line", endings=(".jsonl", ".ndjson", ".json"), lines=JsonReader,
    looks=_looks, looks_at=20, ends_itself=True)
