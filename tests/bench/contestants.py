"""What is measured: each does the same work on the same Parquet, in a process of its own.

    python -m tests.bench.contestants NAME FOLDER [--days N]

prints one line of JSON: seconds, processor seconds, peak memory, rows.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import time
from collections.abc import Callable
from pathlib import Path

WINDOW = 2.0
"""Seconds of volts after a command that the SQL and the notebook look at."""


def paths_of(folder: Path, kind: str, days: int | None) -> list[str]:
    every = sorted((folder / "store" / "signals").iterdir())
    return [str(path) for day in every[:days] for path in sorted(day.glob(f"{kind}-*.parquet"))]


def scan(folder: Path, days: int | None) -> int:
    """The bare scan: Polars summing the needed columns."""
    import polars as pl

    frame = pl.scan_parquet(
        paths_of(folder, "edges", days) + paths_of(folder, "levels", days),
        hive_partitioning=False)
    sums = frame.select(
        pl.col("time").to_physical().sum(), pl.col("value").sum(), pl.col("run").sum(),
        pl.col("channel").str.len_bytes().sum(), pl.col("quantity").str.len_bytes().sum(),
        rows=pl.len(),
    ).collect(engine="streaming")
    return int(sums["rows"][0])


def this(folder: Path, days: int | None) -> int:
    """`derive` from nothing: all seven derived tables and the states, written to disk."""
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.sheets.refresh import load_venue
    from remanence.pipelines.store.store import Store

    assert days is None, "derive takes the whole store"
    venue, path = load_venue(folder)
    store = Store.open(venue, path)
    shutil.rmtree(store.folder / "derived", ignore_errors=True)
    return derive(venue, path, store).rows


def duckdb(folder: Path, days: int | None) -> int:
    """The actuations of contract columns in SQL, with ASOF joins; no bounce, retry or overlap."""
    import duckdb as database

    from remanence.pipelines.sheets.refresh import load_venue

    venue, _ = load_venue(folder)
    connection = database.connect()
    connection.execute("SET threads = 2")
    connection.execute("CREATE TABLE wiring (lock VARCHAR, rail VARCHAR, command VARCHAR, "
                       "contact VARCHAR, magnet BOOLEAN)")
    connection.executemany("INSERT INTO wiring VALUES (?, ?, ?, ?, ?)", [
        (lock.id, lock.supply, lock.command, lock.contact, not lock.pulsed)
        for lock in venue.locks])
    levels, edges = (paths_of(folder, kind, days) for kind in ("levels", "edges"))
    connection.execute(_SQL, [edges, levels])
    found = connection.execute("SELECT count(*), sum(latency_ms), sum(sag_volts) FROM actuations")
    row = found.fetchone()
    assert row is not None
    return int(row[0])


_SQL = """
CREATE TABLE actuations AS
WITH edges AS (
    SELECT epoch_us(time) AS t, channel, quantity, value FROM read_parquet(?)
), changes AS (
    SELECT * FROM (
        SELECT *, lag(value) OVER (PARTITION BY channel, quantity ORDER BY t) AS previous
        FROM edges)
    WHERE value IS DISTINCT FROM previous
), commands AS (
    SELECT w.lock, w.rail, w.magnet, w.contact, c.t, c.value,
           lead(c.t) OVER (PARTITION BY c.channel ORDER BY c.t) AS ends,
           lead(c.t, 2) OVER (PARTITION BY c.channel ORDER BY c.t) AS following
    FROM changes c JOIN wiring w ON c.channel = w.command AND c.quantity = 'command'
), releasing AS (
    SELECT *, least(following, CASE WHEN magnet THEN ends ELSE ends + 1000000 END) AS until
    FROM commands WHERE (value = 1) <> magnet
), contacts AS (
    SELECT w.lock, c.t, c.value FROM changes c
    JOIN wiring w ON c.channel = w.contact AND c.quantity = 'contact'
), opened AS (
    SELECT lock, t FROM contacts WHERE value = 0
), paired AS (
    SELECT r.*, o.t AS opened_at, b.value AS before FROM releasing r
    ASOF LEFT JOIN opened o ON r.lock = o.lock AND o.t >= r.t
    ASOF LEFT JOIN contacts b ON r.lock = b.lock AND b.t < r.t
), volts AS (
    SELECT epoch_us(time) AS t, channel AS rail, value AS v FROM read_parquet(?)
    WHERE quantity = 'volts'
), after AS (
    SELECT r.lock, r.t, min(v.v) FILTER (v.t <= r.ends) AS volts_min,
           median(v.v) FILTER (v.t > r.t + 0.4 * (least(r.ends, r.t + 2000000) - r.t)
                               AND v.t <= r.ends) AS plateau,
           max(v.v) FILTER (v.t BETWEEN r.ends AND r.ends + 20000) AS spike,
           count(*) AS samples
    FROM volts v ASOF JOIN releasing r ON v.rail = r.rail AND v.t >= r.t
    WHERE v.t < r.t + 2000000 GROUP BY r.lock, r.t
), ahead AS (
    SELECT r.lock, r.t, median(v.v) AS volts_before
    FROM volts v ASOF JOIN releasing r ON v.rail = r.rail AND v.t < r.t
    WHERE v.t >= r.t - 2000000 GROUP BY r.lock, r.t
)
SELECT p.lock, p.t AS command_time, (p.ends - p.t) / 1000.0 AS pulse_ms,
       CASE WHEN p.contact IS NULL THEN 'unobserved' WHEN p.before = 0 THEN 'already-open'
            WHEN p.opened_at <= p.until THEN 'released' ELSE 'no-release' END AS outcome,
       CASE WHEN p.opened_at <= p.until THEN (p.opened_at - p.t) / 1000.0 END AS latency_ms,
       a.volts_min, h.volts_before, h.volts_before - a.plateau AS sag_volts,
       a.spike - h.volts_before AS off_spike_volts, a.samples
FROM paired p LEFT JOIN after a USING (lock, t) LEFT JOIN ahead h USING (lock, t)
"""


def notebook(folder: Path, days: int | None) -> int:
    """What a notebook user writes in pandas: day by day, a mask for every command."""
    import pandas as pd

    from remanence.pipelines.sheets.refresh import load_venue

    venue, _ = load_venue(folder)
    rows = []
    edge_paths, level_paths = (paths_of(folder, kind, days) for kind in ("edges", "levels"))
    for edge_path, level_path in zip(edge_paths, level_paths, strict=True):
        edges, levels = pd.read_parquet(edge_path), pd.read_parquet(level_path)
        for lock in venue.locks:
            commands = edges[(edges.channel == lock.command) & (edges.quantity == "command")]
            commands = commands.sort_values("time")
            commands = commands[commands.value != commands.value.shift()]
            contacts = edges[(edges.channel == lock.contact) & (edges.quantity == "contact")]
            contacts = contacts.sort_values("time")
            rail = levels[levels.channel == lock.supply]
            fires = 1.0 if lock.pulsed else 0.0
            for index, command in enumerate(commands.itertuples()):
                if command.value != fires:
                    continue
                later = commands.iloc[index + 1:]
                end = later.time.iloc[0] if len(later) else None
                wait = pd.Timedelta(seconds=1) if lock.pulsed else pd.Timedelta(0)
                until = end + wait if end is not None else edges.time.max()
                answers = contacts[(contacts.time >= command.time) & (contacts.time <= until)
                                   & (contacts.value == 0)]
                near = rail[(rail.time >= command.time - pd.Timedelta(seconds=WINDOW))
                            & (rail.time <= command.time + pd.Timedelta(seconds=WINDOW))]
                before = near[near.time < command.time].value.median()
                during = near[near.time >= command.time]
                if end is not None:
                    during = during[during.time <= end]
                rows.append({
                    "lock": lock.id, "command_time": command.time,
                    "latency": answers.time.iloc[0] - command.time if len(answers) else None,
                    "volts_before": before, "volts_min": during.value.min(),
                    "sag_volts": before - during.value.median()})
    return len(pd.DataFrame(rows))


WHO = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)


def used() -> float:
    """Processor seconds of this process and of those that it has started and that have ended."""
    told = [resource.getrusage(who) for who in WHO]
    return sum(of.ru_utime + of.ru_stime for of in told)


def peak_mb() -> float:
    """The most memory that this process has had, and the most that one of those had. [MB]"""
    return sum(resource.getrusage(who).ru_maxrss for who in WHO) / 1024


CONTESTANTS: dict[str, Callable[[Path, int | None], int]] = {
    "scan": scan, "this": this, "duckdb": duckdb, "notebook": notebook}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", choices=sorted(CONTESTANTS))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=None, help="only the first N days")
    arguments = parser.parse_args()
    if arguments.name in ("scan", "this"):
        import remanence.pipelines.derive.derive  # noqa: F401 - not counted
    before = used()
    wall = time.perf_counter()
    rows = CONTESTANTS[arguments.name](arguments.folder, arguments.days)
    wall = time.perf_counter() - wall
    print(json.dumps({
        "name": arguments.name, "seconds": wall, "processor_seconds": used() - before,
        "peak_mb": peak_mb(), "rows": rows}))
