"""What ``remanence record`` wrote: an envelope a line, with the payload as it came in it.

The payload is looked at as the ``[[source]]`` block says: an object whose keys may be nested, a
text that the block's ``pattern`` takes apart, or else a bare value. What the payload does not say
the envelope does: the topic stands for the channel, the time of receipt for the time. A message
that a broker had retained or held back, and a line that stood in a file before anybody looked,
happened at a time that nobody knows; without a time of its own it is passed over. So are the lines
that say when nobody was listening.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from remanence.pipelines.readers.json_values import value_at
from remanence.pipelines.readers.jsonl_reader import as_text, parse_object
from remanence.pipelines.readers.raw import (
    ChunkText,
    Fields,
    LogReader,
    Parsed,
    decoded,
    reject_frame,
)
from remanence.pipelines.readers.source import Chunk
from remanence.pipelines.readers.text_reader import NO_MATCH
from remanence.shared.log_format import LogFormat, group_names

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_PER_SECOND = {"epoch-s": 1, "epoch-ms": 10**3, "epoch-us": 10**6, "epoch-ns": 10**9}

NO_PAYLOAD = "the payload is no UTF-8 text"


class RecordedReader:
    """Reads one file that ``remanence record`` wrote."""

    header_line: bytes | None = None

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.name = name
        self.wanted = fields.wanted
        self.pattern = log.pattern
        self.groups = group_names(log.pattern or "")
        self.wide = log.layout == "wide"
        self.time, self.channel = log.columns_of("time")[0], log.columns_of("channel")[0]
        self.value = log.columns_of("value")[0]
        self.per_second = _PER_SECOND.get(log.time_format)
        self.stamps = self.per_second is not None or log.time_format == "iso"

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        text = ChunkText(chunk)
        columns: dict[str, list[str | None]] = {name: [] for name in self.wanted}
        numbers: list[int] = []
        rejects: list[tuple[int, str, str]] = []
        passed = 0
        taken_apart = self._taken_apart(text.lines) if self.pattern else None
        for at, line in enumerate(text.lines):
            number = chunk.first_line + at
            envelope, reason = parse_object(line) if line.strip() else ({}, "")
            item: dict[str, Any] | None = None
            if not reason and "id" in envelope:
                item, reason = self._item(envelope, taken_apart[at] if taken_apart else None)
            if reason:
                rejects.append((number, decoded(line), reason))
            elif item is None:
                passed += 1
            else:
                numbers.append(number)
                for name, column in columns.items():
                    column.append(as_text(value_at(item, name)))
        frame = pl.DataFrame(
            {"line": pl.Series(numbers, dtype=pl.Int64)}
            | {name: pl.Series(column, dtype=pl.String) for name, column in columns.items()})
        return Parsed(frame, reject_frame(rejects), passed, text)

    def _taken_apart(self, lines: list[bytes]) -> list[dict[str, str | None] | None]:
        """The groups of the pattern in each line's payload; None where it does not fit."""
        payloads = [payload_of(parse_object(line)[0]) or "" for line in lines]
        assert self.pattern is not None
        series = pl.Series(payloads, dtype=pl.String)
        fits = series.str.contains(self.pattern).to_list()
        groups = series.str.extract_groups(self.pattern).to_list()
        return [group if fit else None for fit, group in zip(fits, groups, strict=True)]

    def _item(
        self, envelope: dict[str, Any], groups: dict[str, str | None] | None
    ) -> tuple[dict[str, Any] | None, str]:
        """What the payload says, with what the envelope knows put beside it; or why not."""
        payload = payload_of(envelope)
        if payload is None:
            return None, NO_PAYLOAD
        said: dict[str, Any] = {}
        if self.pattern:
            if groups is None:
                return None, NO_MATCH
            said = {name: text for name, text in groups.items() if text}
        elif payload.lstrip().startswith("{"):
            said, reason = parse_object(payload.encode())
            if reason:
                return None, f"payload: {reason}"
        else:
            said = {self.value: payload.strip()}
        item = {"topic": envelope.get("topic"), "received": envelope.get("received"), **said}
        if value_at(item, self.time) is None:
            if envelope.get("retained") or envelope.get("late"):
                return None, ""
            if self.stamps:
                item[self.time] = self._receipt(envelope)
        if not self.wide and value_at(item, self.channel) is None:
            item[self.channel] = envelope.get("topic")
        return item, ""

    def _receipt(self, envelope: dict[str, Any]) -> object:
        """The time of receipt in the form in which the block's times are."""
        received = envelope.get("received")
        if self.per_second is None or not isinstance(received, str):
            return received
        try:
            past = datetime.fromisoformat(received) - _EPOCH
        except (ValueError, TypeError):
            return None
        return str(past // timedelta(microseconds=1) * self.per_second // 1_000_000) if (
            self.per_second > 1) else f"{past.total_seconds():.6f}"


def payload_of(envelope: dict[str, Any]) -> str | None:
    """The payload of a recorded line; None where it is no text."""
    payload = envelope.get("payload")
    return payload if isinstance(payload, str) else None


READER = LogReader(
    "what remanence record wrote: a message a line, payload and time of receipt", looks_at=95,
    lines=RecordedReader, ends_itself=True)
