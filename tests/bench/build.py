"""A venue to measure on: 40 locks, 3 rails, 10 games a day, volts at 1 Hz and in bursts of 200 Hz.

    python -m tests.bench.build --days 365

builds tests/bench/data/365d once (it is not in the repository): about 3.3 x 10^5
records a day, 1.2 x 10^8 a year. The records go straight into the store's own
Parquet files, by the store's own functions; the seed is the day's number, so the
first month of a year is the same month. From the second year on the first one comes
again, at its own dates: making it up anew would take four times as long.
"""

from __future__ import annotations

import argparse
import shutil
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.days import add_to_day, read_table
from remanence.pipelines.store.manifest import Day, Manifest, write_manifest
from remanence.pipelines.store.store import Store
from remanence.shared.tables import SIGNALS

DATA = Path(__file__).parent / "data"
FIRST = date(2024, 1, 1)
LOCKS, RAILS, GAMES = 40, 3, 10
SECOND = 1_000_000
YEAR = 365
BURST = (-0.2, 0.67, 0.005)
"""From, to and step of a burst of volts around each command. [s]"""


def venue_text() -> str:
    """The venue file: a third magnets, the rest latches, every sixth cutting its own coil."""
    parts = ['[venue]\nid = "bench"\ntime_zone = "UTC"\n\n[[log]]\nfiles = ["none.csv"]\n'
             'format = "csv"\n']
    parts += [f'[[supply]]\nid = "rail-{r}"\nchannel = "rail-{r}"\nrated_volts = 12.0\n'
              for r in range(RAILS)]
    for i in range(LOCKS):
        magnet, own = i % 3 == 0, i % 6 == 1
        lines = [
            f'id = "lock-{i:02d}"', 'guards = "container"',
            f'mechanism = "{"magnet" if magnet else "latch"}"', f'supply = "rail-{i % RAILS}"',
            f'command = "unit-{i % 4}/q{i}"', "coil_ohms = 12.0",
        ]
        if own:
            lines.append("self_cut = true")
        else:
            lines += [f'contact = "unit-{i % 4}/i{i}"', 'contact_closed_when = "locked"']
        parts.append("[[lock]]\n" + "\n".join(lines) + "\n")
    return "\n".join(parts)


def day_records(number: int, idle_hz: float = 1.0) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Edges and levels (SIGNALS) of one day."""
    rng = np.random.default_rng(number)
    start = int(datetime.combine(FIRST + timedelta(days=number), datetime.min.time(), UTC)
                .timestamp()) * SECOND
    lock = np.repeat(np.arange(LOCKS), GAMES)
    game = np.tile(np.arange(GAMES), LOCKS)
    at = ((9 + 1.3 * game) * 3600 + rng.uniform(0, 3000, lock.size)) * SECOND
    at = start + np.round(at / 1000).astype(np.int64) * 1000
    magnet, own = lock % 3 == 0, lock % 6 == 1
    pulse = np.where(magnet, rng.integers(5, 60, lock.size) * SECOND, 300_000)
    latency = np.round(np.where(magnet, 400, 30) * rng.lognormal(0, 0.1, lock.size)) * 1000
    latency = latency.astype(np.int64)
    answered = rng.random(lock.size) > 0.002
    on = np.where(magnet, 0, 1)
    bounce = rng.integers(0, 3, lock.size)
    times, channels, quantities, values = [at, at + pulse], [lock, lock], ["q", "q"], [on, 1 - on]
    felt = answered & ~own
    for k in range(5):
        has = felt & (k <= 2 * bounce)
        times.append((at + latency + 1000 * k)[has])
        channels.append(lock[has])
        quantities.append("i")
        values.append(np.full(int(has.sum()), k % 2))
    times.append((at + pulse + latency + 20 * SECOND)[felt])
    channels.append(lock[felt])
    quantities.append("i")
    values.append(np.ones(int(felt.sum()), np.int64))
    kinds = np.concatenate([np.full(t.size, q) for t, q in zip(times, quantities, strict=True)])
    owner = np.concatenate(channels)
    edges = _signals(
        np.concatenate(times),
        np.char.add(np.char.add(np.char.add("unit-", (owner % 4).astype(str)), "/"),
                    np.char.add(kinds, owner.astype(str))),
        np.where(kinds == "q", "command", "contact"), np.concatenate(values).astype(float))
    loaded_until = np.where(magnet, at, at + np.where(own & answered, latency, pulse))
    return edges, _levels(rng, start, lock, at, pulse, loaded_until, magnet, idle_hz)


def _levels(
    rng: np.random.Generator, start: int, lock: np.ndarray, at: np.ndarray, pulse: np.ndarray,
    loaded_until: np.ndarray, magnet: np.ndarray, idle_hz: float,
) -> pl.DataFrame:
    parts = []
    for rail in range(RAILS):
        mine = lock % RAILS == rail
        idle = start + np.arange(0, 86_400, 1 / idle_hz) * SECOND + 137_000 * (rail + 1)
        burst = (at[mine][:, None] + np.arange(*BURST) * SECOND + rng.integers(
            0, 5000, int(mine.sum()))[:, None]).ravel()
        times = np.unique(np.concatenate([idle, burst]).astype(np.int64))
        # Loads on: a latch's pulse; a magnet all the time but while it is released.
        on = np.concatenate([at[mine & ~magnet], (at + pulse)[mine & magnet]])
        off = np.concatenate([loaded_until[mine & ~magnet], at[mine & magnet]])
        load = (np.searchsorted(np.sort(on), times) - np.searchsorted(np.sort(off), times)
                + np.unique(lock[mine & magnet]).size)
        volts = 12.4 - 0.3 * load * 0.4 + rng.normal(0, 0.01, times.size)
        parts.append(_signals(times, np.full(times.size, f"rail-{rail}"), None,
                              np.round(volts, 3)))
    return pl.concat(parts).sort("time", "channel", "quantity", "value")


def _signals(
    time: np.ndarray, channel: np.ndarray, quantity: np.ndarray | None, value: np.ndarray
) -> pl.DataFrame:
    frame = pl.DataFrame({
        "time": time, "channel": channel.astype(object), "value": value,
    }, schema_overrides={"channel": pl.String})
    kind = pl.lit("volts") if quantity is None else pl.Series(quantity.astype(object),
                                                              dtype=pl.String)
    return SIGNALS.conform(frame.with_columns(
        quantity=kind, run=pl.lit(0), file=pl.lit("bench.csv"),
        line=pl.int_range(2, pl.len() + 2)))


def _of_day(
    folder: Path, manifest: Manifest, number: int, idle_hz: float
) -> dict[str, pl.DataFrame]:
    if number >= YEAR:
        again = manifest.days[(FIRST + timedelta(days=number % YEAR)).isoformat()]
        shift = pl.duration(days=number - number % YEAR)
        return {segment.kind: read_table(folder, segment.path).with_columns(pl.col("time") + shift)
                for segment in again.segments}
    edges, levels = day_records(number, idle_hz)
    # A magnet's last answer may fall on the next day; here it is left out.
    of_day = pl.col("time").dt.date() == FIRST + timedelta(days=number)
    return {"edges": edges.filter(of_day), "levels": levels.filter(of_day)}


def build(days: int, idle_hz: float = 1.0) -> Path:
    """Build the venue of so many days unless it is there; returns its folder."""
    name = f"{days}d" if idle_hz == 1.0 else f"{days}d-{idle_hz:g}Hz"
    home = DATA / name
    if (home / "complete").exists():
        return home
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir(parents=True)
    (home / "venue.toml").write_text(venue_text())
    venue, path = load_venue(home)
    folder = Store.open(venue, path).folder
    folder.mkdir()
    manifest = Manifest.new()
    manifest.generation = 1
    began, records = time.perf_counter(), 0
    for number in range(days):
        day = FIRST + timedelta(days=number)
        entry = manifest.days[day.isoformat()] = Day(1)
        for kind, frame in _of_day(folder, manifest, number, idle_hz).items():
            segments, _, _ = add_to_day(folder, day, kind, [], frame)
            entry.segments += segments
            records += frame.height
        if number % 50 == 49:
            print(f"{number + 1} days, {records:,} records, {time.perf_counter() - began:.0f} s",
                  flush=True)
    write_manifest(folder, manifest)
    (home / "complete").write_text(f"{records}\n")
    return home


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=31)
    parser.add_argument("--idle-hz", type=float, default=1.0, help="idle sampling rate [Hz]")
    arguments = parser.parse_args()
    print(build(arguments.days, arguments.idle_hz))
