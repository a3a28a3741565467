"""Look at every file of a store, and put right what can be: never at the price of what is sound.

What is damaged is moved to the folder ``aside`` with its reason. Records come back from files
that a day held before (they are kept for a week) and from the logs, which are read again.
What the program once said (forecasts, findings) comes back from its last sound copy. Nothing
that is sound is removed.
"""

from __future__ import annotations

import json
import os
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from remanence.pipelines.store import disk
from remanence.pipelines.store.days import KINDS, write_table
from remanence.pipelines.store.findings_files import findings_held, weeks_in, year_of
from remanence.pipelines.store.manifest import (
    NAME,
    DamagedManifestError,
    Kept,
    Manifest,
    name_files,
    read_manifest,
    write_manifest,
)
from remanence.pipelines.store.remote import again_where_lost, writing
from remanence.pipelines.store.segments import read_signals, read_table
from remanence.pipelines.store.store import Batch, Store
from remanence.shared.errors import StoreError
from remanence.shared.tables import FILES, REJECTS, SIGNALS

ASIDE = "aside"
REASONS = "reasons.txt"


@dataclass(frozen=True)
class Fault:
    """A file that is missing or damaged, what it held, and what is wrong with it."""

    path: str
    held: str
    why: str

    def __str__(self) -> str:
        return f"{self.path} ({self.held}): {self.why}"


def why_unsound(path: Path, rows: int | None = None) -> str | None:
    """What is wrong with one file that never changes; None where nothing is.

    Parameters
    ----------
    path : Path
        Its name may hold its digest; the file of an older program is read instead.
    rows : int, optional
        How many rows, or findings, it must hold.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        stated = disk.named_digest(path)
        if stated is not None and disk.digest_of(path) != stated:
            return "its content is not what was written"
        if path.suffix == ".json":
            there = findings_held(json.loads(path.read_text("utf-8")))
        elif stated is None:
            there = pl.read_parquet(path, hive_partitioning=False).height
        else:
            there = pq.read_metadata(path).num_rows
    except FileNotFoundError:
        return "it is not there"
    except (OSError, ValueError, TypeError, RecursionError, pa.ArrowException,
            pl.exceptions.PolarsError) as error:
        return f"it cannot be read ({(str(error) or type(error).__name__).splitlines()[0]})"
    if rows is not None and there != rows:
        return f"it holds {there:,} rows, not {rows:,}"
    return None


def look(folder: Path) -> tuple[int, list[Fault]]:
    """Check all files of a store; how many there are, and those at fault.

    Raises
    ------
    StoreError
        The manifest itself is damaged, or it is no store of ours.
    """
    manifest = read_manifest(folder)
    if manifest is None:
        return 0, []
    rows, holds = manifest.rows(), dict(_contents(manifest))
    return len(rows) + 1, [
        Fault(path, holds[path], why) for path, count in sorted(rows.items())
        if (why := why_unsound(folder / path, count)) is not None]


def _contents(manifest: Manifest) -> Iterator[tuple[str, str]]:
    """What each file holds, in words."""
    for day, entry in manifest.days.items():
        for segment in entry.segments:
            kind = "commands and contacts" if segment.kind == "edges" else "volts and amps"
            yield segment.path, (f"{segment.rows:,} {kind} of {day}" if segment.at is None else
                                 f"{manifest.shared[segment.path]:,} {kind} of {day[:7]}")
    for rejects in manifest.rejects:
        yield rejects.path, f"{rejects.rows:,} lines that were not taken"
    for name, kept in manifest.kept.items():
        yield kept.path, _NAMES.get(name) or name.replace("findings/", "the findings of ")


_NAMES = {"files": "how far each log was read", "clock_events": "what clocks did",
          "forecasts": "the forecasts kept"}


@again_where_lost
def rename(folder: Path, venue: str) -> str | None:
    """Give a store its venue's new id; returns the old one."""
    with writing(folder):
        manifest = read_manifest(folder)
        if manifest is None:
            raise StoreError(f"{folder}: there is no store to give a new name to")
        copy = manifest.copy()
        copy.venue = venue
        write_manifest(folder, copy)
        return manifest.venue


@again_where_lost
def set_right(folder: Path, venue: str) -> list[Fault]:
    """Set aside what is damaged, and put back what sound files of the store still hold.

    Where records or rejects were lost all logs count as not read yet, so that the next ingest
    reads those that are there again, and others once they are put back.

    Parameters
    ----------
    folder : Path
        The store's.
    venue : str
        The venue's id.

    Returns
    -------
    list of Fault
        What was set aside.
    """
    with writing(folder):
        try:
            manifest = read_manifest(folder)
            _, faults = look(folder)
        except DamagedManifestError as error:
            manifest, faults = None, [Fault(NAME, "what the store is made of", str(error))]
        again = manifest.copy() if manifest is not None else Manifest.new(venue)
        before = again.named()
        again.generation += 1
        bad = {fault.path for fault in faults}
        for entry in again.days.values():
            if any(segment.path in bad for segment in entry.segments):
                entry.segments = [s for s in entry.segments if s.path not in bad]
                entry.changed = again.generation
        again.rejects = [entry for entry in again.rejects if entry.path not in bad]
        again.kept = {name: kept for name, kept in again.kept.items() if kept.path not in bad}
        spare = [path for path in _sound_spare(folder) if path not in before]
        _take_last_copies(folder, again, spare)
        if any(of_records(path) for path in bad):
            _read_again(folder, again)
        if manifest is None:
            again.retired = [(path, time.time()) for path in spare]
            _set_aside(folder, faults)
        name_files(folder, again, before - bad)
        if manifest is not None:
            _set_aside(folder, faults)
    # (A file that days share may have rows of a day that was written anew since.)
    _put_back(Store(folder, venue), spare if manifest is None else [
        path for path in (*spare, *(again.shared.keys() & before - bad)) if _month(path) in {
            _month(lost) for lost in bad if lost.startswith("signals/")}])
    disk.forget_checks()
    return faults


def _month(path: str) -> str | None:
    """Of a file of signals. (What a day lost may be in a file of its month, and the other way.)"""
    parts = path.split("/")
    return parts[1][:7] if parts[0] == "signals" else None


def records_held(folder: Path) -> Counter[str]:
    """How many records each day holds by the manifest, and how many things else it names.

    Findings are counted by their year, for a week may lie in its year's file.
    """
    counts: Counter[str] = Counter()
    try:
        manifest = read_manifest(folder)
    except DamagedManifestError:
        return counts
    if manifest is not None:
        for day, entry in manifest.days.items():
            counts[day] = sum(segment.rows for segment in entry.segments)
        for name, kept in manifest.kept.items():
            counts[year_of(name)] += kept.rows or 0
        counts["rejects"] = sum(entry.rows for entry in manifest.rejects)
    return counts


def of_records(path: str) -> bool:
    """Whether it takes the logs to have back what a file held."""
    return path == NAME or path.startswith(("signals/", "rejects/", "files/", "clock_events/"))


def _sound_spare(folder: Path) -> list[str]:
    """Sound files with a digest in their name, oldest first: those that were replaced as well."""
    found = []
    for where, folders, names in os.walk(folder):
        if Path(where) == folder:
            folders[:] = [name for name in folders if name not in (ASIDE, "derived")]
        found += [Path(where) / name for name in names
                  if disk.named_digest(name) and not name.startswith(".")]
    sound = [path for path in found if why_unsound(path) is None]
    return [path.relative_to(folder).as_posix()
            for path in sorted(sound, key=lambda path: (path.stat().st_mtime_ns, path))]


def _take_last_copies(folder: Path, manifest: Manifest, spare: list[str]) -> None:
    """What is kept under a name: the last sound copy, where the one in force is lost.

    A week that its year holds is not lost.
    """
    joined = {f"findings/{week}" for name, kept in manifest.kept.items()
              if name.startswith("findings/") and year_of(name) == name
              for week in weeks_in(folder / kept.path)}
    for path in reversed(spare):
        for stem in ("files/", "clock_events/", "forecasts-", "findings/"):
            if path.startswith(stem):
                stem = disk.stem_of(path)
                name = stem[:-1]
                if name not in manifest.kept and name not in joined:
                    import pyarrow.parquet as pq

                    rows = findings_held(json.loads((folder / path).read_text("utf-8"))) \
                        if path.endswith(".json") else pq.read_metadata(folder / path).num_rows
                    # Written again: in a bucket it may be about to be removed.
                    again = disk.write_named(
                        folder, stem, Path(path).suffix, (folder / path).read_bytes())
                    manifest.kept[name] = Kept(again, rows)


def _read_again(folder: Path, manifest: Manifest) -> None:
    kept = manifest.kept.get("files")
    if kept is None:
        return
    files = FILES.conform(read_table(folder, kept.path)).with_columns(
        complete=pl.lit(False))
    manifest.kept["files"] = Kept(write_table(files, folder, "files/", FILES), files.height)


def _set_aside(folder: Path, faults: list[Fault]) -> None:
    """Move damaged files out of the way, each with its reason."""
    disk.make_folder(folder / ASIDE)
    with (folder / ASIDE / REASONS).open("a", encoding="utf-8") as file:
        for fault in faults:
            source = folder / fault.path
            if source.exists():
                target = folder / ASIDE / fault.path.replace("/", "-")
                number = 1
                while target.exists():
                    target, number = target.with_name(f"{number}-{target.name}"), number + 1
                source.replace(target)
                file.write(f"{target.name}: {fault}\n")
            else:
                file.write(f"(nothing): {fault}\n")
    disk.sync_folder(folder / ASIDE)


def _put_back(store: Store, spare: list[str]) -> None:
    """Records that files hold which were replaced: the store takes those that it lacks."""
    found: dict[str, list[str]] = {}  # by day, or by month
    for path in spare:
        parts = path.split("/")
        if parts[0] == "signals":
            found.setdefault(parts[1], []).append(path)
    for _, paths in sorted(found.items()):
        # Edges first: how levels are laid out goes by them.
        for kind in sorted(set(KINDS.values())):
            frames = [read_signals(store.folder, path) for path in paths
                      if path.split("/")[-1].startswith(kind)]
            if frames:
                store.commit(Batch(SIGNALS.conform(pl.concat(frames))))
    rejects = [read_table(store.folder, path) for path in spare if path.startswith("rejects/")]
    if rejects:
        store.commit(Batch(SIGNALS.empty(), REJECTS.conform(pl.concat(rejects))))
