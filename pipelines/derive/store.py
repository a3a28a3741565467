"""The derived tables on disk: a few Parquet files under one manifest, replaced in one step.

Layout, below the store's folder::

    derived/manifest.json          which files make up the tables
    derived/actuations/*.parquet   and so on: one file a table and block of days
    derived/left/*.json            what each block leaves to the next, as text

A file is written once and never changed. The manifest is put in force with one
atomic rename, so a reader sees the tables before a run or after it, never a
mixture, whenever the run is killed. Files that are no longer named are kept for a
week for readers that still look at them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from remanence.analytics.pairing.tables import with_cuts
from remanence.pipelines.store import disk
from remanence.pipelines.store.repair import why_unsound
from remanence.pipelines.store.retired import Retired, removable, retire
from remanence.pipelines.store.writer_lock import writer_lock
from remanence.shared.errors import StoreError
from remanence.shared.table import Table
from remanence.shared.tables import TABLES

FORMAT = "remanence-derived"
VERSION = 2
FOLDER = "derived"
NAME = "manifest.json"
MANY_ROWS = 20_000
"""Rows of several blocks from which they are put in order run by run: to sort them takes two
and a half times their memory."""

TIME_OF = {
    "actuations": "command_time", "openings": "time", "energisings": "start",
    "contact_changes": "time", "rail_hours": "hour", "activity": "hour", "polling": "day",
}
"""The derived tables, and the column of each that says when."""


@dataclass
class Block:
    """Some neighbouring days that were paired together, and all that this was made from."""

    days: dict[str, str]
    """What marks the records of each."""
    before: list[str]
    """The day with records before them, and its mark: the readings of its end are looked at too.
    Empty for the first block."""
    carried: str
    """Fingerprint of what the block before left."""
    left: str
    """The file of what it leaves to the next, and the fingerprint of that."""
    left_print: str
    files: dict[str, str]
    """File by table; a table without a row has none."""
    rows: int
    """Rows of actuations."""


@dataclass
class Manifest:
    """What the derived tables are made of."""

    generation: int = 0
    made_for: str = ""
    """Fingerprint of the wiring that the rows were made for."""
    learned: dict[str, str] = field(default_factory=dict)
    votes: dict[str, dict[str, list[int]]] = field(default_factory=dict)
    """What the records of some days say of contacts of unknown sense, by a fingerprint of them."""
    blocks: list[Block] = field(default_factory=list)
    unfinished: dict[str, str] = field(default_factory=dict)
    """File by table: rows as they stand at the end of the records."""
    retired: Retired = field(default_factory=list)

    def named(self) -> set[str]:
        """Every file that is part of it, relative to the derived folder."""
        return {path for block in self.blocks for path in (block.left, *block.files.values())} \
            | set(self.unfinished.values())


def read_manifest(folder: Path) -> Manifest:
    """The manifest below the store's ``folder``; an empty one where nothing was derived yet.

    What is damaged, of another version or without a seal counts as nothing: it is derived anew.

    Raises
    ------
    StoreError
        It is there and the system does not let it be read. That is no empty manifest: a sheet
        would be written as if nothing had ever been logged.
    """
    path = folder / FOLDER / NAME
    try:
        text = path.read_text("utf-8")
    except (FileNotFoundError, UnicodeDecodeError):
        return Manifest()
    except OSError as error:
        raise StoreError(
            f"{path}: cannot be read: {error.strerror}; if that stays so, remanence verify "
            "--repair makes the tables anew") from None
    try:
        raw = json.loads(text)
        raw.pop("sha256", None)
        holds = disk.seal_holds(text)
        if holds is False or raw.pop("format") != FORMAT or raw.pop("version") != VERSION:
            return Manifest()
        raw["retired"] = [(str(path), float(since)) for path, since in raw["retired"]]
        raw["blocks"] = [Block(**block) for block in raw["blocks"]]
        manifest = _sound(Manifest(**raw))
        return manifest if holds else Manifest(
            retired=retire(path, manifest.retired, manifest.named()))
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return Manifest()


def _sound(manifest: Manifest) -> Manifest:
    """The manifest, if it is made as ours are.

    Raises
    ------
    ValueError, TypeError, AttributeError
        It is not.
    """
    for block in manifest.blocks:
        if not block.days or not all(datetime.fromisoformat(day) for day in block.days):
            raise ValueError(manifest)
    if not all(isinstance(thing, dict) for thing in (
            manifest.learned, manifest.votes, manifest.unfinished,
            *(part for block in manifest.blocks for part in (block.days, block.files)))):
        raise ValueError(manifest)
    if type(manifest.generation) is not int or not all(
            disk.is_below(path) for path in (
                *manifest.named(), *(path for path, _ in manifest.retired))):
        raise ValueError(manifest)
    return manifest


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Put ``manifest`` in force, and delete what no reader can still need."""
    home = folder / FOLDER
    named = manifest.named()
    disk.sync_names(home, named)
    begun = [path for path in disk.unfinished(home) if (home / path).exists()]
    manifest.retired, old = removable(
        home, retire(home / NAME, manifest.retired, begun), named)
    text = json.dumps({"format": FORMAT, "version": VERSION, **asdict(manifest)},
                      separators=(",", ":"))
    disk.replace_file(home / NAME, disk.sealed(text).encode())
    disk.nothing_unfinished(home)
    disk.remove(home, old)


def look(folder: Path) -> tuple[int, list[tuple[str, str]]]:
    """Check all files of the derived tables: how many there are; those at fault, and why."""
    home = folder / FOLDER
    try:
        text = (home / NAME).read_text("utf-8")
    except FileNotFoundError:
        return 0, []
    except (OSError, UnicodeDecodeError) as error:
        return 1, [(NAME, f"it cannot be read ({error})")]
    if disk.seal_holds(text) is False:
        return 1, [(NAME, "its text is not what was written")]
    named = sorted(read_manifest(folder).named())
    return len(named) + 1, [(path, why) for path in named
                            if (why := why_unsound(home / path)) is not None]


def forget(folder: Path) -> None:
    """Have the tables made anew if any of their files is missing or damaged; none is removed now.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    _, faults = look(folder)
    if not faults:
        return
    try:
        held = read_manifest(folder)
    except StoreError:
        held = Manifest()
    with writer_lock(folder / FOLDER):
        write_manifest(folder, Manifest(held.generation + 1, retired=retire(
            folder / FOLDER / NAME, held.retired, held.named())))


def write_part(folder: Path, name: str, frame: pl.DataFrame) -> str:
    """Write one immutable file; returns its path relative to the derived folder.

    It is on the disk for certain once :func:`sync_part` has returned.
    """
    notes = {"remanence_table": name, "remanence_meaning": TABLES[name].meaning}
    notes |= {f"remanence_unit_{c.name}": c.unit for c in TABLES[name].columns if c.unit}
    data = io.BytesIO()
    frame.write_parquet(data, compression="zstd", compression_level=1, metadata=notes)
    return disk.write_named(
        folder / FOLDER, f"{name}/", ".parquet", data.getbuffer(), sync=False)


def write_text(folder: Path, name: str, text: str) -> str:
    """The same of a text."""
    return disk.write_named(folder / FOLDER, f"{name}/", ".json", text.encode(), sync=False)


def read_text(folder: Path, path: str) -> str:
    """Read it.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    try:
        disk.check(folder / FOLDER / path)
        return (folder / FOLDER / path).read_text("utf-8")
    except (OSError, ValueError):
        raise _unreadable(folder, path) from None


def _unreadable(folder: Path, path: str) -> StoreError:
    return StoreError(
        f"{folder / FOLDER / path} cannot be read; have it made anew from the records with: "
        "remanence verify VENUE --repair")


def sync_part(folder: Path, path: str) -> None:
    """See to it that a file is on the disk."""
    disk.sync_file(folder / FOLDER / path)


def read_part(
    folder: Path, path: str, which: pl.Expr | None = None,
    columns: Collection[str] | None = None,
) -> pl.DataFrame:
    """Read one file, or its rows that ``which`` selects, or some columns.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    try:
        return _read([folder / FOLDER / path], which, columns)
    except (OSError, pl.exceptions.PolarsError):
        raise _unreadable(folder, path) from None


def read_parts(
    folder: Path, table: Table, paths: Sequence[str], which: pl.Expr,
    columns: Collection[str] | None = None,
) -> pl.DataFrame:
    """The same of several files of a table, in the table's order.

    Raises
    ------
    StoreError
        One of them is missing or damaged.
    """
    if not paths:
        return table.conform(table.empty(), columns)
    try:
        frame = _read([folder / FOLDER / path for path in paths], which,
                      columns or table.schema.names())
    except (OSError, pl.exceptions.PolarsError):
        # One by one, to name the one at fault, or because an older program wrote some.
        frame = pl.concat([table.conform(read_part(folder, path, which), columns)
                           for path in paths])
    if frame.height > MANY_ROWS:
        frame = _run_by_run(frame, table.sorted_by[0])
    return table.conform(frame, columns)


def _run_by_run(frame: pl.DataFrame, first: str) -> pl.DataFrame:
    """Sorted blocks in a row, with the blocks of each lock (or rail, or controller) together.

    Nearly always that is the order of the whole.
    """
    runs: dict[str, list[pl.DataFrame]] = {}
    begin = 0
    for name, rows in frame[first].rle().struct.unnest().select("value", "len").iter_rows():
        runs.setdefault(name, []).append(frame[begin:begin + rows])
        begin += rows
    return pl.concat([run for name in sorted(runs) for run in runs[name]], rechunk=True)


def _read(
    targets: list[Path], which: pl.Expr | None, columns: Collection[str] | None
) -> pl.DataFrame:
    for target in targets:
        disk.check(target)
    frame = pl.scan_parquet(targets, hive_partitioning=False)
    frame = frame if which is None else frame.filter(which)
    return (frame if columns is None else frame.select(columns)).collect()


def read_derived(
    folder: Path, name: str, start: datetime | None = None, end: datetime | None = None, *,
    columns: Collection[str] | None = None, manifest: Manifest | None = None,
) -> pl.DataFrame:
    """A derived table: its rows from ``start`` (inclusive) to ``end`` (exclusive).

    Parameters
    ----------
    folder : Path
        The store's.
    name : str
        The table.
    start, end : datetime, optional
        UTC; on POLLING, whose time is a day, whole days.
    columns : collection of str, optional
        Only these, those that the table is sorted by among them; default: all.
    manifest : Manifest, optional
        The state of the tables to read; default: the one in force.
    """
    manifest = manifest or read_manifest(folder)
    table = TABLES[name]
    when = TIME_OF[name]
    # A row is kept with the block in which it became final, never before its own day.
    earliest = start.astimezone(UTC).date().isoformat() if start else ""
    bounds = pl.lit(True)
    day = table.schema[when] == pl.Date
    if start is not None:
        bounds &= pl.col(when) >= (start.date() if day else start)
    if end is not None:
        bounds &= (pl.col(when) <= end.date()) if day else (pl.col(when) < end)
    files = [block.files[name] for block in manifest.blocks
             if name in block.files and max(block.days) >= earliest]
    if name in manifest.unfinished:
        files.append(manifest.unfinished[name])
    frame = read_parts(folder, table, files, bounds, columns)
    if name == "energisings" and (columns is None or "cut_ms" in columns):
        return with_cuts(frame, read_derived(
            folder, "actuations", start, end, columns=("lock", "command_time", "cut_ms"),
            manifest=manifest))
    return frame
