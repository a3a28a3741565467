"""What many files cost is what one costs, many times."""

from __future__ import annotations

import random
import zipfile
from datetime import datetime, timedelta

import polars as pl

from remanence.pipelines.ingest import pending
from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.readers import source
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import days
from tests.pipelines.ingest.house import BARE

FEW, MANY = 10, 60


def names_cast(folder, monkeypatch, members):
    """How many names are handed to casts while an archive of so many members is taken in."""
    folder.mkdir()
    (folder / "venue.toml").write_text(BARE + '[[log]]\nfiles = ["logs.zip"]\n', encoding="utf-8")
    with zipfile.ZipFile(folder / "logs.zip", "w") as archive:
        for number in range(members):
            archive.writestr(
                f"{number}.csv", "time,channel,quantity,value\n"
                f"2026-11-02T18:{number:02}:11.482Z,rail-a,volts,12.0\n")
    count = 0
    with monkeypatch.context() as patched:
        for kind in (pl.Series, pl.Expr):
            def cast(self, dtype, *, _cast=kind.cast, **how):
                nonlocal count
                count += len(dtype.categories) if isinstance(dtype, pl.Enum) else 0
                return _cast(self, dtype, **how)

            patched.setattr(kind, "cast", cast)
        venue, path = load_venue(folder)
        assert ingest(venue, path, progress=Silent()).taken == members
    return count


def test_names_of_an_archives_members_are_not_gone_through_for_each_member(tmp_path, monkeypatch):
    few, many = (names_cast(tmp_path / str(count), monkeypatch, count) for count in (FEW, MANY))
    assert 0 < many <= 1.2 * few * MANY / FEW


def test_an_archives_members_are_told_by_what_each_has_to_read(tmp_path):
    (tmp_path / "venue.toml").write_text(
        BARE + '[[log]]\nfiles = ["logs.zip"]\n', encoding="utf-8")
    sizes = {}
    with zipfile.ZipFile(tmp_path / "logs.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(FEW):
            text = "time,channel,quantity,value\n" + "".join(
                f"2026-11-02T18:{number:02}:{second:02}.000Z,rail-a,volts,12.0\n"
                for second in range(10 + number))
            archive.writestr(f"{number}.csv", text)
            sizes[f"logs.zip:{number}.csv"] = len(text)

    class Kept(Silent):
        def __init__(self):
            self.total, self.used = 0, {}

        def start(self, total):
            self.total = total

        def advance(self, count, name):
            self.used[name] = self.used.get(name, 0) + count

    kept = Kept()
    venue, path = load_venue(tmp_path)
    ingest(venue, path, progress=kept)
    assert kept.total == sum(sizes.values())
    assert kept.used == sizes


def rows_written(folder, monkeypatch, rows):
    """How many rows the store writes while a log of these lines is taken in by thousands."""
    folder.mkdir()
    (folder / "venue.toml").write_text(BARE + '[[log]]\nfiles = ["log.csv"]\n', encoding="utf-8")
    (folder / "log.csv").write_text("time,channel,quantity,value\n" + "".join(rows))
    written = 0
    with monkeypatch.context() as patched:
        def write(frame, *words, _write=days.write_signals):
            nonlocal written
            written += frame.height
            return _write(frame, *words)

        patched.setattr(days, "write_signals", write)
        patched.setattr(source, "CHUNK_BYTES", 10_000)
        patched.setattr(pending, "COMMIT_ROWS", 1_000)
        venue, path = load_venue(folder)
        assert ingest(venue, path, progress=Silent()).taken == len(rows)
    return written


def test_a_day_in_no_order_is_written_anew_a_few_times_only(tmp_path, monkeypatch):
    at = datetime(2026, 11, 2)
    rows = [f"{(at + timedelta(seconds=5 * number)).isoformat()}Z,rail-a,volts,12.0\n"
            for number in range(12_000)]
    assert rows_written(tmp_path / "order", monkeypatch, rows) == len(rows)
    random.Random(1).shuffle(rows)
    # Each commit writes what lies there again: 1,000, 5,000, 9,000 and then 12,000 rows, where
    # commits of a thousand would write 78,000.
    assert rows_written(tmp_path / "none", monkeypatch, rows) <= 2.5 * len(rows)
