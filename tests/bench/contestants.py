"""What is measured: each does the same work on the same Parquet, in a process of its own.

    python -m tests.bench.contestants NAME FOLDER [--days N]

prints one line of JSON: seconds, processor seconds, peak memory, rows.
"""

from __future__ import annotations

import argparse
import importlib
import json
import resource
import shutil
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl


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
    """`derive` from nothing: all seven derived tables and what is carried over, written to disk."""
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.sheets.refresh import load_venue
    from remanence.pipelines.store.store import Store

    assert days is None, "derive takes the whole store"
    venue, path = load_venue(folder)
    store = Store.open(venue, path)
    shutil.rmtree(store.folder / "derived", ignore_errors=True)
    return derive(venue, path, store).rows


def this_main(folder: Path, days: int | None) -> int:
    """The same steps as far as the lean rivals go: `actuations` alone, and nothing written."""
    from tests.bench.main_columns import main_columns

    assert days is None, "it takes the whole store"
    return main_columns(folder).height


def duckdb(folder: Path, days: int | None, *, hours: bool = False) -> int:
    """The columns of the contract in SQL: ASOF joins for the edges, a hash join for the volts.

    With ``hours`` what rails and controllers did hour by hour as well, all written to disk.
    """
    import duckdb as database

    connection = database.connect()
    connection.execute("SET threads = 2")
    connection.execute("CREATE TABLE wiring (lock VARCHAR, rail VARCHAR, command VARCHAR, "
                       "contact VARCHAR, magnet BOOLEAN)")
    connection.executemany("INSERT INTO wiring VALUES (?, ?, ?, ?, ?)", _wiring(folder))
    levels, edges = (paths_of(folder, kind, days) for kind in ("levels", "edges"))
    connection.execute(_SQL, [edges, levels])
    found = connection.execute("SELECT count(*), sum(latency_ms), sum(sag_volts) FROM actuations")
    row = found.fetchone()
    assert row is not None
    if hours:
        connection.execute(_BUSY_SQL)
        connection.execute(_RAIL_HOURS_SQL, [levels, levels])
        connection.execute(_ACTIVITY_SQL, [levels, edges])
        for name in ("actuations", "rail_hours", "activity"):
            connection.execute(f"COPY {name} TO '{_out(folder, name)}' (FORMAT parquet)")
    return int(row[0])


def _out(folder: Path, name: str) -> Path:
    """Where a rival writes a table."""
    home = folder / "rival"
    home.mkdir(exist_ok=True)
    return home / f"{name}.parquet"


_SQL = """
CREATE TABLE actuations AS
WITH changes AS (
    SELECT * FROM (
        SELECT epoch_us(time) AS t, channel, quantity, value,
               lag(value) OVER (PARTITION BY channel, quantity ORDER BY time) AS previous
        FROM read_parquet(?))
    WHERE value IS DISTINCT FROM previous
), commands AS (
    SELECT w.lock, w.rail, w.magnet, w.contact, c.t, c.value,
           lead(c.t) OVER (PARTITION BY c.channel ORDER BY c.t) AS ends,
           lead(c.t, 2) OVER (PARTITION BY c.channel ORDER BY c.t) AS following
    FROM changes c JOIN wiring w ON c.channel = w.command AND c.quantity = 'command'
), releasing AS (
    SELECT *, least(following, CASE WHEN magnet THEN ends ELSE ends + 1000000 END) AS until,
           least(ends, t + 2000000) AS last
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
), buckets AS (
    -- Two seconds either side, as buckets of two seconds: an equality join, hashed.
    SELECT lock, rail, t, ends, last,
           unnest(range(t // 2000000 - 1, t // 2000000 + 2)) AS bucket FROM releasing
), volts AS (
    SELECT epoch_us(time) AS vt, channel AS rail, value AS v, epoch_us(time) // 2000000 AS bucket
    FROM read_parquet(?) WHERE quantity = 'volts'
), figures AS (
    SELECT lock, t, median(v) FILTER (vt < t) AS volts_before,
           min(v) FILTER (vt >= t AND vt <= ends) AS volts_min,
           median(v) FILTER (vt > t + 0.4 * (last - t) AND vt <= ends) AS plateau,
           max(v) FILTER (vt BETWEEN ends AND ends + 20000) AS spike,
           count(*) FILTER (vt >= t AND vt <= ends) AS samples
    FROM volts JOIN buckets USING (rail, bucket)
    WHERE vt BETWEEN t - 2000000 AND t + 2000000 GROUP BY lock, t
)
SELECT p.lock, p.t AS command_time, (p.ends - p.t) / 1000.0 AS pulse_ms,
       CASE WHEN p.contact IS NULL THEN 'unobserved' WHEN p.before = 0 THEN 'already-open'
            WHEN p.opened_at <= p.until THEN 'released' ELSE 'no-release' END AS outcome,
       CASE WHEN p.opened_at <= p.until THEN (p.opened_at - p.t) / 1000.0 END AS latency_ms,
       f.volts_min, f.volts_before, f.volts_before - f.plateau AS sag_volts,
       f.spike - f.volts_before AS off_spike_volts, f.samples
FROM paired p LEFT JOIN figures f USING (lock, t)
"""


_BUSY_SQL = """
CREATE TABLE busy AS
WITH pulses AS (
    -- A latch's pulse and two seconds either side; those that touch are one.
    SELECT w.rail, a.command_time - 2000000 AS begin,
           a.command_time + (a.pulse_ms * 1000)::BIGINT + 2000000 AS stop
    FROM actuations a JOIN wiring w USING (lock) WHERE NOT w.magnet
), parted AS (
    SELECT *, begin > max(stop) OVER (PARTITION BY rail ORDER BY begin
                                      ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS apart
    FROM pulses
), merged AS (
    SELECT rail, min(begin) AS begin, max(stop) AS stop
    FROM (SELECT *, count(*) FILTER (apart) OVER (PARTITION BY rail ORDER BY begin
                                                  ROWS UNBOUNDED PRECEDING) AS number FROM parted)
    GROUP BY rail, number
)
SELECT *, unnest(range(begin // 2000000, stop // 2000000 + 1)) AS bucket FROM merged
"""

_RAIL_HOURS_SQL = """
CREATE TABLE rail_hours AS
WITH every AS (
    SELECT channel AS rail, epoch_us(time) // 3600000000 AS hour, count(*) AS samples
    FROM read_parquet(?) WHERE quantity = 'volts' GROUP BY rail, hour
), idle AS (
    SELECT rail, t // 3600000000 AS hour, count(*) AS idle_samples,
           quantile_cont(v, [0.05, 0.5, 0.95]) AS levels, stddev_samp(v) AS idle_deviation
    FROM (SELECT channel AS rail, epoch_us(time) AS t, epoch_us(time) // 2000000 AS bucket,
                 value AS v FROM read_parquet(?) WHERE quantity = 'volts') v
    ANTI JOIN busy b ON v.rail = b.rail AND v.bucket = b.bucket AND v.t BETWEEN b.begin AND b.stop
    GROUP BY rail, hour
)
SELECT * FROM every LEFT JOIN idle USING (rail, hour)
"""

_ACTIVITY_SQL = """
CREATE TABLE activity AS
SELECT controller, hour, count(*) AS records, count(*) FILTER (edge) AS edges,
       min(t) AS first, max(t) AS last, count(DISTINCT run) AS runs,
       max(gap) / 1e6 AS longest_silence_s
FROM (SELECT *, t - lag(t) OVER (PARTITION BY controller, hour ORDER BY t) AS gap
      FROM (SELECT split_part(channel, '/', 1) AS controller, epoch_us(time) AS t, run, edge,
                   epoch_us(time) // 3600000000 AS hour
            FROM (SELECT time, channel, run, false AS edge FROM read_parquet(?) UNION ALL
                  SELECT time, channel, run, true AS edge FROM read_parquet(?))))
GROUP BY controller, hour
"""


def _wiring(folder: Path) -> list[tuple[str, str, str, str | None, bool]]:
    """Lock, rail, command, contact, and whether it is a magnet."""
    from remanence.pipelines.sheets.refresh import load_venue

    venue, _ = load_venue(folder)
    return [(lock.id, lock.supply, lock.command, lock.contact, not lock.pulsed)
            for lock in venue.locks]


def polars(folder: Path, days: int | None, *, hours: bool = False) -> int:
    """The same columns in Polars: asof joins for the edges, stretches of the volts by place.

    Some days at a time, so that it does not need all the volts at once. With ``hours`` what rails
    and controllers did hour by hour as well, all written to disk.
    """
    import polars as pl

    c = pl.col
    wires = pl.DataFrame(_wiring(folder), schema=["lock", "rail", "command", "contact", "magnet"],
                         orient="row")
    edges = records = pl.read_parquet(
        paths_of(folder, "edges", days), hive_partitioning=False, columns=[
            "time", "channel", "quantity", "value", *(["run"] if hours else [])]).with_columns(
        t=c.time.to_physical())
    edges = edges.sort("channel", "t").filter(
        (c.channel != c.channel.shift(1)) | (c.value != c.value.shift(1)).fill_null(value=True))
    commands = edges.filter(c.quantity == "command").join(
        wires, left_on="channel", right_on="command").sort("lock", "t")
    same = [c.lock == c.lock.shift(-k) for k in (1, 2)]
    commands = commands.with_columns(
        ends=pl.when(same[0]).then(c.t.shift(-1)), following=pl.when(same[1]).then(c.t.shift(-2)),
    ).filter((c.value == 1) != c.magnet).with_columns(until=pl.min_horizontal(
        "following", pl.when("magnet").then("ends").otherwise(c.ends + 1_000_000)))
    contacts = edges.filter(c.quantity == "contact").join(
        wires.select("lock", channel="contact"), on="channel").select(
            "lock", "t", "value").sort("t")
    rows = commands.sort("t").join_asof(
        contacts.filter(c.value == 0).select("lock", "t", opened="t"), on="t", by="lock",
        strategy="forward", check_sortedness=False).join_asof(
        contacts.rename({"value": "before"}), on="t", by="lock",
        allow_exact_matches=False, check_sortedness=False)
    rows = rows.with_columns(latency_ms=pl.when(c.opened <= c.until).then((c.opened - c.t) / 1000))
    found, rail_hours, activity = [], [], []
    pulses = rows.filter(~c.magnet).select(
        "rail", t=c.t - 2_000_000, stop=c.ends + 2_000_000).sort("rail", "t").with_columns(
            c.stop.cum_max().over("rail"))  # (the latest end so far: asof needs no merging)
    by_day: dict[str, list[str]] = {}
    for path in paths_of(folder, "levels", days):
        by_day.setdefault(Path(path).parent.name, []).append(path)
    names = sorted(by_day)
    for begin in range(0, len(names), 8):
        files = [path for name in names[begin:begin + 8] for path in by_day[name]]
        levels = pl.scan_parquet(files, hive_partitioning=False).select(
            "channel", "value", *(["run"] if hours else []), t=c.time.to_physical()).collect()
        span = c.t.is_between(levels["t"].min(), levels["t"].max())
        by_rail = {rail: levels.filter(c.channel == rail).sort("t")
                   for rail in levels["channel"].unique()}
        del levels
        for (rail,), part in rows.filter(span).partition_by("rail", as_dict=True).items():
            volts = by_rail[rail]
            t, v = volts["t"], volts["value"]
            last = pl.min_horizontal("ends", c.t + 2_000_000).fill_null(c.t + 2_000_000)
            part = part.with_columns(last=last).with_row_index("row").with_columns(
                **{name: t.search_sorted(part.select(at).to_series(), "left").cast(pl.Int64)
                   for name, at in (("low", c.t - 2_000_000), ("high", c.t + 2_020_000))})
            near = part.select("row", "last", "ends", at="t", i=pl.int_ranges("low", "high"))
            near = near.explode("i").drop_nulls("i")
            near = near.with_columns(t=t.gather(near["i"]), v=v.gather(near["i"]))
            during = (c.t >= c.at) & (c.t <= c.last)
            figures = near.lazy().group_by("row").agg(
                volts_before=c.v.filter(c.t < c.at).median(), volts_min=c.v.filter(during).min(),
                plateau=c.v.filter(during & (c.t > c.at + (c.last - c.at) * 0.4)).median(),
                spike=c.v.filter(c.t.is_between(c.ends, c.ends + 20_000)).max(),
                samples=during.sum()).collect()
            found.append(part.join(figures, on="row", how="left"))
        if hours:
            for name, volts in by_rail.items():
                rail_hours.append(_polars_rail_hours(volts, pulses.filter(
                    c.rail == name)).with_columns(rail=pl.lit(name)))
            activity += _polars_activity(by_rail, records.filter(span).with_columns(
                controller=c.channel.str.split("/").list.first()))
    actuations = pl.concat(found)
    if hours:
        for name, frame in (("actuations", actuations), ("rail_hours", pl.concat(rail_hours)),
                            ("activity", pl.concat(activity))):
            frame.write_parquet(_out(folder, name))
    return actuations.height


def _polars_rail_hours(volts: pl.DataFrame, pulses: pl.DataFrame) -> pl.DataFrame:
    """A rail hour by hour: all readings, and those at rest."""
    import polars as pl

    c = pl.col
    rest = c.v.filter("idle")
    return volts.lazy().join_asof(
        pulses.lazy().select("t", "stop"), on="t").select(
        v="value", idle=(c.t > c.stop).fill_null(value=True),
        hour=(c.t // 3_600_000_000).set_sorted(),
    ).group_by("hour").agg(
        samples=pl.len(),
        idle_samples=c.idle.sum(), idle_median=rest.median(),
        idle_low=rest.quantile(0.05, "linear"), idle_high=rest.quantile(0.95, "linear"),
        idle_deviation=rest.std()).collect()


def _polars_activity(
    levels: dict[str, pl.DataFrame], edges: pl.DataFrame
) -> Iterator[pl.DataFrame]:
    """Each controller hour by hour; here the rails have controllers of their own."""
    import polars as pl

    c = pl.col
    of_edges = edges.sort("t").partition_by("controller", as_dict=True)
    for controller, part, edge in (*((name, part, 0) for name, part in levels.items()),
                                   *((str(name), part, 1) for (name,), part in of_edges.items())):
        yield part.lazy().with_columns(hour=(c.t // 3_600_000_000).set_sorted()).group_by(
            "hour").agg(
            records=pl.len(), edges=pl.len() * edge, first=c.t.first(), last=c.t.last(),
            runs=c.run.n_unique(), longest_silence_s=c.t.diff().max() / 1e6,
        ).with_columns(controller=pl.lit(controller)).collect()


def pandas(folder: Path, days: int | None) -> int:
    """The same columns in pandas: ``merge_asof`` for edges and volts, day by day."""
    import pandas as pd

    wires = pd.DataFrame(_wiring(folder), columns=["lock", "rail", "command", "contact", "magnet"])
    second = pd.Timedelta(seconds=1)
    edges = pd.concat(pd.read_parquet(path, columns=["time", "channel", "quantity", "value"])
                      for path in paths_of(folder, "edges", days)).sort_values("time")
    edges = edges[edges.value != edges.groupby("channel").value.shift()]
    commands = edges.merge(wires, left_on="channel", right_on="command")
    commands["ends"] = commands.groupby("lock").time.shift(-1)
    commands["following"] = commands.groupby("lock").time.shift(-2)
    commands = commands[(commands.value == 1) != commands.magnet]
    coast = commands.ends.where(commands.magnet, commands.ends + second)
    commands["until"] = pd.concat([commands.following, coast], axis=1).min(axis=1)
    contacts = edges.merge(wires[["lock", "contact"]], left_on="channel", right_on="contact")
    contacts = contacts[["lock", "time", "value"]]
    opened = contacts[contacts.value == 0][["lock", "time"]].assign(opened=lambda f: f.time)
    rows = pd.merge_asof(commands.drop(columns="value"), opened, on="time", by="lock",
                         direction="forward")
    rows = pd.merge_asof(rows, contacts.rename(columns={"value": "before"}), on="time", by="lock",
                         allow_exact_matches=False)
    rows["latency"] = (rows.opened - rows.time).where(rows.opened <= rows.until)
    tasks = rows[["rail", "time", "lock", "ends"]].assign(fired=lambda f: f.time)
    found = []
    for path in paths_of(folder, "levels", days):
        volts = pd.read_parquet(path, columns=["time", "channel", "value"]).sort_values("time")
        volts = volts.rename(columns={"channel": "rail"})
        after = pd.merge_asof(volts, tasks, on="time", by="rail", tolerance=2 * second)
        ahead = pd.merge_asof(volts, tasks, on="time", by="rail", direction="forward",
                              tolerance=2 * second, allow_exact_matches=False)
        after = after.dropna(subset=["lock"])
        before = ahead.dropna(subset=["lock"]).groupby(["lock", "fired"]).value.median()
        during = after[(after.time <= after.ends) | after.ends.isna()]
        late = during[during.time > during.fired + (
            during.ends.clip(upper=during.fired + 2 * second) - during.fired) * 0.4]
        off = after[(after.time >= after.ends) & (after.time <= after.ends + second / 50)]
        found.append(pd.DataFrame({
            "volts_before": before, "volts_min": during.groupby(["lock", "fired"]).value.min(),
            "plateau": late.groupby(["lock", "fired"]).value.median(),
            "spike": off.groupby(["lock", "fired"]).value.max()}).reset_index())
    figures = pd.concat(found).groupby(["lock", "fired"]).first()
    return len(rows.merge(figures, left_on=["lock", "time"], right_index=True, how="left"))


WHO = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)


def used() -> float:
    """Processor seconds of this process and of those that it has started and that have ended."""
    told = [resource.getrusage(who) for who in WHO]
    return sum(of.ru_utime + of.ru_stime for of in told)


def peak_mb() -> float:
    """The most memory that this process has had, and the most that one of those had. [MB]"""
    return sum(resource.getrusage(who).ru_maxrss for who in WHO) / 1024


CONTESTANTS: dict[str, Callable[[Path, int | None], int]] = {
    "scan": scan, "this": this, "this-main": this_main,
    "duckdb": duckdb, "polars": polars, "pandas": pandas,
    "duckdb-hours": partial(duckdb, hours=True), "polars-hours": partial(polars, hours=True)}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", choices=sorted(CONTESTANTS))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=None, help="only the first N days")
    arguments = parser.parse_args()
    for library in ("tests.bench.main_columns", "remanence.pipelines.derive.derive", *(
            [library for library in ("duckdb", "pandas") if arguments.name.startswith(library)])):
        importlib.import_module(library)  # not counted
    before = used()
    wall = time.perf_counter()
    rows = CONTESTANTS[arguments.name](arguments.folder, arguments.days)
    wall = time.perf_counter() - wall
    print(json.dumps({
        "name": arguments.name, "seconds": wall, "processor_seconds": used() - before,
        "peak_mb": peak_mb(), "rows": rows}))
