"""Earlier rejects of files that are no longer there: read again from the text that was kept."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import polars as pl

from remanence.pipelines.ingest.open_log import clock_for, pieces
from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.ingest.summary import FileCount
from remanence.pipelines.ingest.validate import RecordValidator
from remanence.pipelines.readers import reader_of
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.raw import KEPT_TEXT
from remanence.pipelines.readers.source import Source, UnreadableSourceError
from remanence.pipelines.store.store import Batch
from remanence.shared.log_format import LogFormat
from remanence.shared.tables import FILES, REJECTS
from remanence.shared.venue import Venue


@dataclass(frozen=True)
class KeptLines(Source):
    """Lines out of the store, read as if they were a file."""

    data: bytes = b""

    @property
    def packed(self) -> bool:
        """Every line is whole."""
        return True

    @contextmanager
    def open(self) -> Iterator[tuple[IO[bytes], Callable[[], int]]]:
        """The lines."""
        stream = io.BytesIO(self.data)
        yield stream, stream.tell


@dataclass
class Retried:
    """What came of one file's rejects: to be put into the store, and to be told."""

    batch: Batch
    count: FileCount


def retry_kept(
    venue: Venue, log: LogFormat, known: dict[str, Any], rejects: pl.DataFrame,
    clock_events: pl.DataFrame, validator: RecordValidator,
) -> Retried | None:
    """Read one file's rejects again.

    Parameters
    ----------
    venue, log
        The venue, and the block for this file.
    known : dict
        The file's row of FILES.
    rejects : polars.DataFrame
        REJECTS of this file.
    clock_events : polars.DataFrame
        CLOCK_EVENTS of this file, which stay.
    validator : RecordValidator
        Of the venue; it judges the records.

    Returns
    -------
    Retried or None
        None where single lines cannot be read without the file: counters since a start,
        or a format without lines.
    """
    if log.counts or reader_of(log.format).lines is None:
        return None
    state = json.loads(str(known["state"]))
    header, seen = state.get("header"), Seen.of(state) or Seen()
    seen.strangers.clear()
    rows = rejects.unique("line", keep="first", maintain_order=True).filter(
        pl.col("text").str.len_chars() < KEPT_TEXT)
    texts = [text.replace("\n", " ") for text in rows["text"].to_list()]
    named = [header] if header is not None else []
    numbers = pl.Series([0] * len(named) + rows["line"].to_list(), dtype=pl.Int64)
    data = "".join(f"{text}\n" for text in [*named, *texts]).encode("utf-8", "replace")
    name = str(known["file"])
    source = KeptLines(name, Path(name), data=data)
    plain = replace(log, encoding="utf-8", skip_lines=0)
    signals: list[pl.DataFrame] = []
    still: list[pl.DataFrame] = []
    try:
        layout = Layout(plain, name, written=datetime.fromtimestamp(
            int(str(known["modified_ns"])) / 1e9, UTC))
        clock = clock_for(venue, plain, source, layout, 0)
        for piece in pieces(source, plain, layout, len(data), _ignore, _ignore):
            records = clock.convert(piece.records)
            taken, faults = validator.apply(records, name)
            seen.take(taken)
            seen.strangers.update(validator.unknown)
            signals.append(taken.with_columns(line=numbers.gather(taken["line"] - 1)))
            still.append(faults.select("line", "reason"))
            still.append(piece.rejects.select("line", "reason"))
    except UnreadableSourceError:
        return None
    left = pl.concat(still).with_columns(line=numbers.gather(pl.concat(still)["line"] - 1))
    texts_by_line = rows.select("line", "text")
    remaining = left.join(texts_by_line, on="line", how="left").with_columns(file=pl.lit(name))
    untried = rejects.filter(~pl.col("line").is_in(rows["line"].implode()))
    kept = pl.concat([REJECTS.conform(remaining), REJECTS.conform(untried)])
    found = pl.concat(signals)
    count = FileCount(name, read=found.height + kept.height, rejected=kept.height)
    for reason, number, line in kept.group_by("reason").agg(
        pl.len(), pl.col("line").min()
    ).sort("reason").iter_rows():
        count.reasons[reason] += number
        count.first_line.setdefault(reason, line)
    if "seen" in state:
        state["seen"] = seen.kept()
    row = dict(known) | {"records": known["records"] + found.height, "rejected": kept.height,
                         "state": json.dumps(state)}
    return Retried(Batch(
        signals=found, rejects=kept, clock_events=clock_events,
        files=FILES.conform(pl.DataFrame([row], schema_overrides={"state": pl.String})),
        afresh={name: 1}, taken_before={name: int(known["taken"])},
    ), count)


def _ignore(_: object) -> None:
    """Tell nobody."""
