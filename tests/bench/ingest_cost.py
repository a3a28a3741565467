"""What ingest costs, beside what Polars needs for the same file with no checks at all.

    python -m tests.bench.ingest_cost [--megabytes 170] [--turns 3]
    python -m tests.bench.ingest_cost --megabytes 5000 --turns 1     # memory

Every run is a process of its own. Printed: wall and processor seconds without
start-up, and the highest memory. Two ways of Polars: `strings` leaves the times as
text, `typed` reads them as times, as ingest does (what is stored is typed, sorted,
deduplicated, checked against the venue file, and tells file and line).
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

LOCKS, RAILS = 30, 3
LONGEST_MB = 400
BYTES_A_ROW = 44


def venue_text() -> str:
    """A venue with locks on three rails."""
    rails = "".join(
        f'[[supply]]\nid = "rail-{i}"\nchannel = "rail-{i}"\nrated_volts = 12.0\n'
        for i in range(1, RAILS + 1))
    locks = "".join(
        f'[[lock]]\nid = "lock-{i}"\nguards = "container"\nmechanism = "latch"\n'
        f'supply = "rail-{i % RAILS + 1}"\ncommand = "north/q{i}"\ncontact = "north/i{i}"\n'
        'contact_closed_when = "locked"\n' for i in range(LOCKS))
    return ('[venue]\nid = "bench"\nname = "Bench"\ntime_zone = "UTC"\n'
            f'[[log]]\nfiles = ["log.csv"]\n{rails}{locks}')


def write_log(path: Path, megabytes: int) -> int:
    """A default-layout log: nine records in ten are volts; returns its rows.

    A long one is a few days of March, written again for each of the following months.
    """
    days, rows = _some_days(min(megabytes, LONGEST_MB))
    with path.open("wb") as file:
        file.write(b"time,channel,quantity,value\n")
        copies = 0
        while file.tell() < megabytes * 950_000:
            month = 2 + copies
            shifted = f"{2026 + month // 12}-{month % 12 + 1:02}-".encode()
            file.write(days.replace(b"2026-03-", shifted))
            copies += 1
    return rows * copies


def _some_days(megabytes: int) -> tuple[bytes, int]:
    """Lines of a log from 1 March on, and how many."""
    rng = np.random.default_rng(20261102)
    n = megabytes * 1_000_000 // BYTES_A_ROW
    ticks = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1e6) + (
        np.cumsum(rng.integers(1_000, 100_000, n)) // 1000 * 1000)
    kind = rng.random(n)
    number = pl.Series(rng.integers(0, LOCKS, n)).cast(pl.String)
    volts, command = pl.Series(kind < 0.9), pl.Series(kind < 0.95)
    frame = pl.DataFrame({
        "number": number, "rail": pl.Series(rng.integers(1, RAILS + 1, n)).cast(pl.String),
        "volts": volts, "command": command,
        "reading": pl.Series(np.round(12 + rng.normal(0, 0.05, n), 2)).cast(pl.String),
        "state": pl.Series(rng.integers(0, 2, n)).cast(pl.String),
        "ticks": pl.Series(ticks).cast(pl.Datetime("us")),
    }).select(
        time=pl.col("ticks").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
        channel=pl.when("volts").then("rail-" + pl.col("rail"))
        .when("command").then("north/q" + pl.col("number")).otherwise("north/i" + pl.col("number")),
        quantity=pl.when("volts").then(pl.lit("volts"))
        .when("command").then(pl.lit("command")).otherwise(pl.lit("contact")),
        value=pl.when("volts").then("reading").otherwise("state"),
    )
    return frame.write_csv(include_header=False).encode(), n


def one(what: str, folder: Path) -> None:
    """Do the work once, in this process, and print seconds and memory."""
    log = folder / "log.csv"
    if what == "ingest":
        from pipelines.ingest import ingest
        from pipelines.ingest_progress import Silent
        from pipelines.venue_files import load_venue

        venue, path = load_venue(folder)
    wall, busy = time.perf_counter(), time.process_time()
    if what == "ingest":
        summary = ingest(venue, path, progress=Silent())
        assert summary.rejected == 0
        assert summary.read == summary.taken
    else:
        pl.scan_csv(log, try_parse_dates=what == "typed").sink_parquet(folder / "out.parquet")
    wall, busy = time.perf_counter() - wall, time.process_time() - busy
    status = Path("/proc/self/status").read_text()
    peak = next(int(line.split()[1]) for line in status.splitlines() if "VmHWM" in line) / 1e6
    print(f"{wall:.3f} {busy:.3f} {peak:.3f}")


def main() -> None:
    """Generate, run side by side, print a table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--megabytes", type=int, default=170)
    words.add_argument("--turns", type=int, default=3)
    words.add_argument("--one", choices=("strings", "typed", "ingest"))
    words.add_argument("--folder", type=Path)
    given = words.parse_args()
    if given.one:
        one(given.one, given.folder)
        return
    with tempfile.TemporaryDirectory(dir=given.folder) as made:
        folder = Path(made)
        (folder / "venue.toml").write_text(venue_text())
        rows = write_log(folder / "log.csv", given.megabytes)
        size = (folder / "log.csv").stat().st_size
        print(f"{rows:,} records, {size / 1e6:,.0f} MB; best of {given.turns}")
        best: dict[str, tuple[float, float, float]] = {}
        for _ in range(given.turns):
            for what in ("strings", "typed", "ingest"):
                shutil.rmtree(folder / "store", ignore_errors=True)
                out = subprocess.run(
                    [sys.executable, "-m", "tests.bench.ingest_cost", "--one", what,
                     "--folder", str(folder)],
                    check=True, capture_output=True, text=True).stdout
                figures = tuple(float(word) for word in out.split())
                best[what] = min(best.get(what, figures), figures)  # type: ignore[assignment]
        for what, (wall, busy, peak) in best.items():
            print(f"{what:8} {wall:7.2f} s wall  {busy:7.2f} s processor  {peak:5.2f} GB  "
                  f"{rows / wall / 1e6:5.2f} million records/s")
        for what in ("strings", "typed"):
            print(f"ingest / {what}: wall {best['ingest'][0] / best[what][0]:.2f}, processor "
                  f"{best['ingest'][1] / best[what][1]:.2f}")


if __name__ == "__main__":
    main()
