"""Time-series line protocol: ``measurement,tag=x,tag=y field=1,field=2 time``, a line a record.

Measurement, tags and fields are the columns; ``time`` is the number at the end.
"""

from __future__ import annotations

import re

import polars as pl

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

LINES_TRIED = 500
MOST_ARE = 0.8
"""More than this share of the lines must be of the form: a log may begin with comments."""

NO_MATCH = "not of the form measurement,tag=... field=... time"

_NAME = r"(?:\\.|[^\\,= ])+"
_TEXT = r'"(?:\\.|[^"\\])*"'
_FIELD = rf"{_NAME}=(?:{_TEXT}|[^\", ]+)"
_LINE = re.compile(
    rf"^((?:\\.|[^\\, ])+)((?:,{_NAME}={_NAME})*) +({_FIELD}(?:,{_FIELD})*)(?: +(-?\d+))?\s*$")
_TAGS = re.compile(rf",({_NAME})=({_NAME})")
_FIELDS = re.compile(rf'({_NAME})=({_TEXT}|[^", ]+)')
_WHOLE = re.compile(r"-?\d+[iu]")
_TRUE, _FALSE = ("t", "T", "true", "True", "TRUE"), ("f", "F", "false", "False", "FALSE")


def parse_line(line: str) -> dict[str, str] | None:
    """Measurement, tags, fields and time of a line by their names; None if it is none."""
    found = _LINE.match(line)
    if found is None:
        return None
    values = {"measurement": _plain(found[1])}
    values |= {_plain(name): _plain(value) for name, value in _TAGS.findall(found[2])}
    values |= {_plain(name): _value(value) for name, value in _FIELDS.findall(found[3])}
    if found[4]:
        values["time"] = found[4]
    return values


def _plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


def _value(text: str) -> str:
    if text.startswith('"'):
        return _plain(text[1:-1])
    if _WHOLE.fullmatch(text):
        return text[:-1]
    return "true" if text in _TRUE else "false" if text in _FALSE else text


class LineProtocolReader:
    """Reads one file."""

    header_line: bytes | None = None

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.wanted = fields.wanted

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        text = ChunkText(chunk)
        rows, rejects, passed = [], [], 0
        for number, line in enumerate(text.lines, start=chunk.first_line):
            if not line.strip() or line.startswith(b"#"):
                passed += 1
                continue
            try:
                values = parse_line(line.decode("utf-8"))
            except UnicodeDecodeError:
                rejects.append((number, decoded(line), NOT_TEXT))
                continue
            if values is None:
                rejects.append((number, decoded(line), NO_MATCH))
            else:
                rows.append((number, *(values.get(name) for name in self.wanted)))
        schema = {"line": pl.Int64, **dict.fromkeys(self.wanted, pl.String)}
        records = pl.DataFrame(rows, schema=schema, orient="row")
        return Parsed(records, reject_frame(rejects), passed, text)


def _looks(sample: Sample) -> Looks | None:
    """Lines of the form, most of them."""
    lines = [line for line in sample.filled[:LINES_TRIED] if not line.startswith("#")]
    found = [values for line in lines if (values := parse_line(line)) and "time" in values]
    if not found or len(found) <= MOST_ARE * len(lines):
        return None
    names = dict.fromkeys(name for values in found for name in values)
    return Looks("time-series line protocol", columns={
        name: [values.get(name, "") for values in found] for name in names})


READER = LogReader(
    "time-series line protocol", endings=(".lp",), lines=LineProtocolReader, looks=_looks,
    looks_at=22)
