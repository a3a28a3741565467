"""``remanence check --logs``: what would be taken in, and how it would be paired; a dry run.

It takes the logs in and pairs them in a store of its own, which is gone when it ends.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl

from remanence.analytics.statistics.arrays import Ints
from remanence.pipelines.clocks.wall_clock import controller_column
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.derive.store import read_derived
from remanence.pipelines.ingest.absent import as_logged, seen_in
from remanence.pipelines.ingest.files import find_logs
from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.ingest.summary import FileCount, IngestSummary
from remanence.pipelines.store.store import Store
from remanence.shared.log_format import LogFormat
from remanence.shared.venue import Venue

TICKS_US = (1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 60_000_000)
"""Steps that clocks are written in."""

ON_TICK = 0.99
"""So many of a clock's distances must be whole ticks; a few lines of another form do not make a
coarse clock a fine one."""

SHOWN_ROWS = 10
"""Rows and names of a kind that are shown; the rest is counted."""

SHOWN_LINES = 2
"""Rejected lines shown of each reason."""

SHOWN_LETTERS = 100
"""Of a rejected line."""


def logs_text(venue: Venue, path: Path, *, now: datetime | None = None) -> tuple[str, bool]:
    """Take the logs of the venue file in on trial.

    Parameters
    ----------
    venue : Venue
        As its file has it.
    path : Path
        The file.
    now : datetime, optional
        Records later than a day after it are set aside; default: what the machine's clock says.

    Returns
    -------
    text : str
        Per ``[[log]]`` block what was taken and rejected, its span, ticks and polling; then
        channels, the contacts' polarity and the first actuations.
    good : bool
        Whether every file could be read, something of them used, and their times believed.

    Raises
    ------
    RemanenceError
        Two blocks match one file, or no trial store can be written.
    """
    logs, _, _ = find_logs(venue, path.parent, None)
    with tempfile.TemporaryDirectory(prefix="remanence-check-") as folder:
        store = Store(Path(folder) / "store")
        summary = ingest(venue, path, store=store, now=now)
        known, strangers = seen_in(store, venue)
        derived = derive(as_logged(venue, known), path, store)
        out = ["Logs, as they would be taken in (a dry run: nothing is kept)", ""]
        rejects = store.rejects()
        states = dict(store.files().select("file", "state").iter_rows())
        polling = read_derived(store.folder, "polling")
        for log in venue.all_logs:
            names = [source.name for source, other in logs if other.line == log.line]
            out += _block(venue, log, names, summary, rejects, store, states, polling)
        out += _channels(summary, strangers)
        out += _polarity(venue, known, derived.learned)
        out += _actuations(venue, read_derived(store.folder, "actuations"))
    out += [f"Doubtful: {doubt}" for doubt in summary.doubts]
    out += [f"Note: {note}" for note in summary.notes]
    out += [f"Not read: {fault}" for fault in summary.faults]
    return "\n".join(out), summary.good


def _block(
    venue: Venue, log: LogFormat, names: Sequence[str], summary: IngestSummary,
    rejects: pl.DataFrame, store: Store, states: Mapping[str, str], polling: pl.DataFrame,
) -> list[str]:
    """What one ``[[log]]`` block would bring."""
    counts = [count for count in summary.files if count.file in set(names)]
    out = [f"[[log]] of line {log.line}, {' '.join(map(repr, log.files))}: "
           f"{_counted(len(names), 'file')}, " + _sums(counts)]
    spans = [span for name in names if name in states and (span := Seen.of_text(states[name]).span)]
    if spans:
        first, last = (end.astimezone(venue.zone) for end in (
            min(span[0] for span in spans), max(span[1] for span in spans)))
        out.append(f"  times from {first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} "
                   f"({venue.time_zone})")
    for controller, tick in _ticks(store, names):
        steps = polling.filter(pl.col("controller") == controller)["resolution_ms"].drop_nulls()
        middle = steps.median()
        out.append(f"  {controller or 'a channel without controller'}: stamped to {_span(tick)}"
                   + (f"; its edges come in steps of {middle:.3g} ms (polling)"
                      if isinstance(middle, float) and middle * 1e3 > 1.5 * tick else ""))
    own = rejects.filter(pl.col("file").is_in(list(names)))
    reasons = own.group_by("reason").len().sort(["len", "reason"], descending=[True, False])
    for reason, number in reasons.head(SHOWN_ROWS).iter_rows():
        out.append(f"  rejected {number:,}: {reason}")
        for file, line, text in own.filter(pl.col("reason") == reason).head(SHOWN_LINES).select(
            "file", "line", "text"
        ).iter_rows():
            shown = "".join(c if c.isprintable() else "?" for c in text[:SHOWN_LETTERS])
            out.append(f"    {file}, line {line}: {shown}")
    if reasons.height > SHOWN_ROWS:
        out.append(f"  and {_counted(reasons.height - SHOWN_ROWS, 'further reason')}")
    return [*out, ""]


def _sums(counts: Sequence[FileCount]) -> str:
    read, taken, repeated, rejected = (
        sum(getattr(count, name) for count in counts)
        for name in ("read", "taken", "repeated", "rejected"))
    return (f"{_counted(read, 'record')}: {taken:,} taken, {repeated:,} repeated, "
            f"{rejected:,} rejected")


def _ticks(store: Store, names: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Each controller's tick in some files. [microseconds]"""
    found: dict[str, list[Ints]] = {}
    for day in store.days():
        frame = store.scan_signals([day]).filter(pl.col("file").is_in(list(names))).select(
            "time", controller_column().alias("controller")).collect()
        for (controller,), part in frame.partition_by("controller", as_dict=True).items():
            times = np.unique(part["time"].to_physical().to_numpy())
            found.setdefault(str(controller), []).append(np.diff(times))
    for controller, parts in sorted(found.items()):
        apart = np.concatenate(parts)
        if apart.size:
            yield controller, max(
                tick for tick in TICKS_US
                if tick == TICKS_US[0] or np.mean(apart % tick == 0) >= ON_TICK)


def _channels(summary: IngestSummary, strangers: Mapping[str, int]) -> list[str]:
    """Channels that never came, and those that came and are unknown."""
    out = []
    if summary.absent:
        out += ["Channels of the venue file that never came",
                *(f"  {absent.text()}" for absent in summary.absent), ""]
    if strangers:
        often = sorted(strangers.items(), key=lambda item: (-item[1], item[0]))
        out += ["Channels of the log that the venue file does not have",
                *(f"  {name} ({_counted(count, 'record')})" for name, count in often[:SHOWN_ROWS])]
        out += [f"  and {len(often) - SHOWN_ROWS} more"] if len(often) > SHOWN_ROWS else []
        out.append("")
    return out


def _polarity(venue: Venue, known: set[str], learned: Mapping[str, str]) -> list[str]:
    """Which way round each contact works, and how that is known."""
    rows = []
    for lock in venue.locks:
        if not lock.contact:
            continue
        told = lock.contact_closed_when
        rows.append(f"  {lock.id} ({lock.contact}): " + (
            "never came" if lock.contact not in known
            else f"closed when {learned[lock.id]}, learned from the log" if lock.id in learned
            else "not learned: too few commands move it" if told == "unknown"
            else f"closed when {told}, as the venue file says"))
    return ["Contacts", *rows, ""] if rows else []


def _actuations(venue: Venue, actuations: pl.DataFrame) -> list[str]:
    """The first actuations as they would be paired."""
    if actuations.is_empty():
        return ["No actuation would be paired: no command that should release a lock came.", ""]
    rows = [("lock", f"command ({venue.time_zone})", "pulse ms", "outcome", "latency ms")]
    first = actuations.sort("command_time", "lock").head(SHOWN_ROWS)
    for lock, time, pulse, outcome, latency in first.select(
        "lock", "command_time", "pulse_ms", "outcome", "latency_ms"
    ).iter_rows():
        rows.append((lock, f"{time.astimezone(venue.zone):%Y-%m-%d %H:%M:%S.%f}"[:-3],
                     _figure(pulse), outcome, _figure(latency)))
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [f"First of {_counted(actuations.height, 'actuation')} as they would be paired", *(
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        .rstrip() for row in rows), ""]


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _span(microseconds: int) -> str:
    """A tick with its unit."""
    for size, unit in ((60_000_000, "min"), (1_000_000, "s"), (1_000, "ms")):
        if microseconds >= size:
            return f"{microseconds // size} {unit}"
    return f"{microseconds} µs"


def _counted(number: int, word: str) -> str:
    return f"{number:,} {word}{'s' if number != 1 else ''}"
