"""What ingest costs, beside what Polars needs for the same file with no checks at all.

    python -m tests.bench.ingest_cost [--megabytes 300] [--turns 3] [--order written received]
    python -m tests.bench.ingest_cost --megabytes 60 --order written grouped shuffled reversed
    python -m tests.bench.ingest_cost --megabytes 30 --order written --form csv quoted parquet \\
        jsonl wide text
    python -m tests.bench.ingest_cost --megabytes 5000 --turns 1 --order written    # memory
    python -m tests.bench.ingest_cost --demo DEMO     # the logs of a demo that was written before

The log: three rails read together at 25 Hz, and thirty latches that are commanded,
answer and bounce; one record in twenty is an edge. Either in the order of time (`written`),
as a broker hands it on (`received`): each record late by some ten milliseconds, one in
a hundred by up to a second and a half; or as databases export it: all of one channel
together (`grouped`), the latest first (`reversed`), in no order (`shuffled`). In the form of
the default layout (`csv`), the same with every field in quotes (`quoted`), as Parquet with times
and numbers as such (`parquet`), as JSON Lines (`jsonl`), a column a channel (`wide`), or lines of
text that a pattern takes apart (`text`).

Every run is a process of its own. Printed: wall and processor seconds without
start-up, and the highest memory. Two ways of Polars: `strings` leaves the times as
text, `typed` reads them as times, as ingest does (what is stored is typed, sorted,
deduplicated, checked against the venue file, and tells file and line). Of other forms `strings`
is Polars' own reader of the form; for text, Python's `re` with the same pattern, line by line.
"""

from __future__ import annotations

import argparse
import gc
import itertools
import re
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

LOCKS, RAILS = 30, 3
RAIL_NAMES = np.array([f"rail-{i}" for i in range(1, RAILS + 1)])
SCAN_US = 40_000
EDGES = 0.05
LONGEST_MB = 400
BYTES_A_ROW = 44


PATTERN = r"^(?<time>\S+) \[(?<channel>[^\]]+)\] (?<quantity>\w+)=(?<value>\S+)$"
CHANNELS = [*((f"rail-{i}", "volts") for i in range(1, RAILS + 1)),
            *((f"north/{kind}{i}", quantity) for i in range(LOCKS)
              for kind, quantity in (("q", "command"), ("i", "contact")))]
FORMS = {
    "csv": "", "quoted": "", "parquet": 'format = "parquet"\n', "jsonl": 'format = "jsonl"\n',
    "wide": 'layout = "wide"\n[log.channels]\n' + "".join(
        f'"{name}" = {{ quantity = "{quantity}" }}\n' for name, quantity in CHANNELS),
    "text": f"format = \"text\"\npattern = '{PATTERN}'\n",
}
"""Keys of the [[log]] block by form."""

DEMO_RECORDS = 5_000_000
"""Of 26 weeks; for the column of records a second only."""

ORDERS = ("written", "received", "grouped", "reversed", "shuffled")


def venue_text(form: str = "csv") -> str:
    """A venue with locks on three rails."""
    rails = "".join(
        f'[[supply]]\nid = "rail-{i}"\nchannel = "rail-{i}"\nrated_volts = 12.0\n'
        for i in range(1, RAILS + 1))
    locks = "".join(
        f'[[lock]]\nid = "lock-{i}"\nguards = "container"\nmechanism = "latch"\n'
        f'supply = "rail-{i % RAILS + 1}"\ncommand = "north/q{i}"\ncontact = "north/i{i}"\n'
        'contact_closed_when = "locked"\n' for i in range(LOCKS))
    return ('[venue]\nid = "bench"\nname = "Bench"\ntime_zone = "UTC"\n'
            f'[[log]]\nfiles = ["log.csv"]\n{FORMS[form]}{rails}{locks}')


def write_log(path: Path, megabytes: int, order: str = "written") -> int:
    """A default-layout log; returns its rows.

    A long one is a few days of March, written again for each of the following months.
    """
    days, rows = _some_days(min(megabytes, LONGEST_MB), order)
    with path.open("wb") as file:
        file.write(b"time,channel,quantity,value\n")
        copies = 0
        while file.tell() < megabytes * 950_000:
            month = 2 + copies
            shifted = f"{2026 + month // 12}-{month % 12 + 1:02}-".encode()
            file.write(days.replace(b"2026-03-", shifted))
            copies += 1
    return rows * copies


def _some_days(megabytes: int, order: str) -> tuple[bytes, int]:
    """Lines of a log from 1 March on, and how many."""
    rng = np.random.default_rng(20261102)
    n = megabytes * 1_000_000 // BYTES_A_ROW
    scans = int(n * (1 - EDGES) / RAILS)
    stamp = np.arange(scans) * SCAN_US + rng.integers(0, 2, scans) * 1000
    parts = [_frame(np.repeat(stamp, RAILS), np.tile(RAIL_NAMES, scans), "volts",
                    np.round(12 + rng.normal(0, 0.05, scans * RAILS), 2).astype(str))]
    fired = int(n * EDGES / 6)
    at = np.sort(rng.integers(0, scans * SCAN_US, fired)) // 1000 * 1000
    lock = rng.integers(0, LOCKS, fired).astype(str)
    release = at + rng.lognormal(np.log(60), 0.1, fired).astype(np.int64) * 1000
    outputs, inputs = np.char.add("north/q", lock), np.char.add("north/i", lock)
    for names, quantity, times, state in (
        (outputs, "command", at, "1"), (outputs, "command", at + 500_000, "0"),
        (inputs, "contact", release, "0"), (inputs, "contact", release + 2_000, "1"),
        (inputs, "contact", release + 3_000, "0"), (inputs, "contact", release + 20_000_000, "1"),
    ):
        parts.append(_frame(times, names, quantity, np.full(fired, state)))
    frame = pl.concat(parts).unique(maintain_order=True).sort("ticks", maintain_order=True)
    if order == "received":
        late = rng.exponential(40_000, frame.height)
        late += (rng.random(frame.height) < 0.01) * rng.uniform(0, 1_300_000, frame.height)
        frame = frame.with_columns(pl.Series("late", late)).sort(
            pl.col("ticks") + pl.col("late")).drop("late")
    if order == "grouped":
        frame = frame.sort("channel", maintain_order=True)
    elif order == "reversed":
        frame = frame.reverse()
    elif order == "shuffled":
        frame = frame.sample(fraction=1.0, shuffle=True, seed=1)
    start = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1e6)
    frame = frame.select(
        (pl.col("ticks") + start).cast(pl.Datetime("us")).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
        "channel", "quantity", "value")
    return frame.write_csv(include_header=False).encode(), frame.height


def into_form(log: Path, form: str) -> None:
    """Write a log in the default layout again in another form."""
    if form == "csv":
        return
    frame = pl.read_csv(log, infer_schema_length=0)
    if form == "quoted":
        frame.write_csv(log, quote_style="always")
    elif form == "parquet":
        frame.with_columns(pl.col("time").str.to_datetime(time_unit="us", time_zone="UTC"),
                           pl.col("value").cast(pl.Float64)).write_parquet(log)
    elif form == "jsonl":
        frame.with_columns(pl.col("value").cast(pl.Float64)).write_ndjson(log)
    elif form == "wide":
        frame.pivot("channel", index="time", values="value", aggregate_function="last",
                    maintain_order=True).write_csv(log)
    else:
        frame.select(pl.format("{} [{}] {}={}", "time", "channel", "quantity", "value")
                     ).write_csv(log, include_header=False, quote_style="never")


def bare_parser(log: Path, form: str, typed: bool, out: Path) -> None:
    """What a form costs without ingest."""
    if (log.parent / "logs").is_dir():
        pl.scan_csv(log.parent / "logs" / "*.csv.gz", try_parse_dates=typed).sink_parquet(out)
    elif form == "text":
        pattern = re.compile(PATTERN.replace("(?<", "(?P<"))
        with log.open() as file:
            rows = [found.groups() for line in file if (found := pattern.match(line))]
        pl.DataFrame(rows, orient="row").write_parquet(out)
    elif form == "parquet":
        pl.scan_parquet(log).sink_parquet(out)
    elif form == "jsonl":
        pl.scan_ndjson(log).sink_parquet(out)
    else:
        pl.scan_csv(log, try_parse_dates=typed, schema_overrides={"value": pl.Float64}
                    if form != "wide" else None).sink_parquet(out)


def _frame(
    ticks: NDArray[np.int64], channel: NDArray[np.str_], quantity: str, value: NDArray[np.str_]
) -> pl.DataFrame:
    return pl.DataFrame({"ticks": ticks, "channel": channel, "value": value}).with_columns(
        quantity=pl.lit(quantity))


def one(what: str, folder: Path, form: str) -> None:
    """Do the work once, in this process, and print seconds and memory."""
    log = folder / "log.csv"
    if what == "ingest":
        from remanence.__main__ import ALLOCATIONS_BETWEEN_LOOKS
        from remanence.pipelines.ingest.ingest import ingest
        from remanence.pipelines.ingest.progress import Silent
        from remanence.pipelines.sheets.refresh import load_venue

        gc.set_threshold(ALLOCATIONS_BETWEEN_LOOKS, *gc.get_threshold()[1:])  # as the command does
        venue, path = load_venue(folder)
    wall, busy = time.perf_counter(), time.process_time()
    if what == "ingest":
        summary = ingest(venue, path, progress=Silent())
        assert summary.rejected == 0
        assert summary.read == summary.taken
    else:
        bare_parser(log, form, what == "typed", folder / "out.parquet")
    wall, busy = time.perf_counter() - wall, time.process_time() - busy
    status = Path("/proc/self/status").read_text()
    peak = next(int(line.split()[1]) for line in status.splitlines() if "VmHWM" in line) / 1e6
    print(f"{wall:.3f} {busy:.3f} {peak:.3f}")


def main() -> None:
    """Generate, run side by side, print a table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--megabytes", type=int, default=300)
    words.add_argument("--turns", type=int, default=3)
    words.add_argument("--order", nargs="+", choices=ORDERS, default=["written", "received"])
    words.add_argument("--form", nargs="+", choices=list(FORMS), default=["csv"])
    words.add_argument("--one", choices=("strings", "typed", "ingest"))
    words.add_argument("--folder", type=Path)
    words.add_argument("--demo", type=Path)
    given = words.parse_args()
    if given.one:
        one(given.one, given.folder, given.form[0])
        return
    if given.demo:
        with tempfile.TemporaryDirectory(dir=given.folder) as made:
            for name in ("logs", "service.csv", "venue.toml"):
                copy = shutil.copytree if (given.demo / name).is_dir() else shutil.copyfile
                copy(given.demo / name, Path(made) / name)
            side_by_side(Path(made), "csv", DEMO_RECORDS, given.turns)
        return
    for order, form in itertools.product(given.order, given.form):
        with tempfile.TemporaryDirectory(dir=given.folder) as made:
            compare(Path(made), given.megabytes, order, form, given.turns)


def compare(folder: Path, megabytes: int, order: str, form: str, turns: int) -> None:
    """Write a log, and run the contestants on it."""
    (folder / "venue.toml").write_text(venue_text(form))
    rows = write_log(folder / "log.csv", megabytes, order)
    into_form(folder / "log.csv", form)
    size = (folder / "log.csv").stat().st_size
    print(f"{order}, {form}: {rows:,} records, {size / 1e6:,.0f} MB; best of {turns}")
    side_by_side(folder, form, rows, turns)


def side_by_side(folder: Path, form: str, rows: int, turns: int) -> None:
    """Run the contestants in turn on a venue's logs, print the best of each."""
    best: dict[str, tuple[float, ...]] = {}
    for _ in range(turns):
        for what in ("strings", "typed", "ingest"):
            shutil.rmtree(folder / "store", ignore_errors=True)
            out = subprocess.run(
                [sys.executable, "-m", "tests.bench.ingest_cost", "--one", what,
                 "--folder", str(folder), "--form", form],
                check=True, capture_output=True, text=True).stdout
            figures = tuple(float(word) for word in out.split())
            best[what] = tuple(map(min, best.get(what, figures), figures))
    for what, (wall, busy, peak) in best.items():
        print(f"{what:8} {wall:7.2f} s wall  {busy:7.2f} s processor  {peak:5.2f} GB  "
              f"{rows / wall / 1e6:5.2f} million records/s")
    for what in ("strings", "typed"):
        print(f"ingest / {what}: wall {best['ingest'][0] / best[what][0]:.2f}, processor "
              f"{best['ingest'][1] / best[what][1]:.2f}")


if __name__ == "__main__":
    main()
