"""JSON Lines: one object a line, one record each."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from pipelines.readers.raw import ChunkText, Parsed, decoded, reject_frame
from pipelines.readers.source import Chunk
from shared.log_format import LogFormat

FIELDS = ("time", "channel", "quantity", "value")
_FAST = {"time": pl.String, "channel": pl.String, "quantity": pl.String, "value": pl.Float64}
_SLOW = {"line": pl.Int64} | dict.fromkeys(FIELDS, pl.String)


class JsonReader:
    """Reads one JSON Lines file."""

    def __init__(self, log: LogFormat, name: str) -> None:
        self.name = name

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        text = ChunkText(chunk)
        fast = self._fast(chunk)
        if fast is not None:
            return Parsed(fast, reject_frame([]), 0, text)
        rows: list[tuple[int, str | None, str | None, str | None, str | None]] = []
        rejects: list[tuple[int, str, str]] = []
        passed = 0
        for number, line in enumerate(text.lines, start=chunk.first_line):
            line = line.removeprefix(b"\xef\xbb\xbf")
            if not line.strip():
                passed += 1
                continue
            item, reason = parse_object(line)
            if reason:
                rejects.append((number, decoded(line), reason))
            else:
                time, channel, quantity, value = (as_text(item.get(name)) for name in FIELDS)
                rows.append((number, time, channel, quantity, value))
        frame = pl.DataFrame(rows, schema=_SLOW, orient="row")
        return Parsed(frame, reject_frame(rejects), passed, text)

    def _fast(self, chunk: Chunk) -> pl.DataFrame | None:
        """The whole chunk at once; None where any line needs a closer look."""
        try:
            frame = pl.read_ndjson(chunk.data, schema=_FAST)
        except pl.exceptions.PolarsError:
            return None
        if frame.height != chunk.lines or any(frame[name].null_count() for name in FIELDS):
            return None
        first = chunk.first_line
        return frame.select(
            pl.int_range(first, first + frame.height, dtype=pl.Int64).alias("line"), *FIELDS
        )


def parse_object(line: bytes) -> tuple[dict[str, Any], str]:
    """The object on a line, or the reason why there is none."""
    try:
        item = json.loads(line)
    except UnicodeDecodeError:
        return {}, "line is not UTF-8 text; name its encoding in the [[log]] block"
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
