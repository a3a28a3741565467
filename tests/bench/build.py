"""A venue to measure on: 40 locks, 3 rails, volts all day and in bursts of 200 Hz at commands.

    python -m tests.bench.build dense

builds tests/bench/data/dense once (it is not in the repository). The records go
straight into the store's own Parquet files, by the store's own functions; the seed is
the day's number, so the first month of a year is the same month. From the second year
on the first one comes again, at its own dates: making it up anew would take four times
as long.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from tqdm import tqdm

from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.days import add_to_day
from remanence.pipelines.store.manifest import Day, Manifest, write_manifest
from remanence.pipelines.store.segments import read_table
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


@dataclass(frozen=True)
class Log:
    """A log to measure on."""

    days: int
    idle_hz: float = 1.0
    """How often each rail is read."""
    games: int = GAMES
    """A day, each with a command to every lock."""
    hours: tuple[int, int] = (0, 24)
    """From and to, of each day."""

    def build(self) -> Path:
        """Build its venue unless it is there; returns the folder."""
        return build(self)


LOGS = {
    "dense": Log(31), "year": Log(365), "ten-years": Log(3653),
    "sparse": Log(730, idle_hz=1 / 60, games=1), "50Hz": Log(1, 50.0), "200Hz": Log(1, 200.0),
    "1kHz": Log(1, 1000.0), "1kHz-hours": Log(1, 1000.0, hours=(9, 12)),
}


def day_records(
    number: int, idle_hz: float = 1.0, games: int = GAMES
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Edges and levels (SIGNALS) of one day."""
    edges, levels = _day(number, idle_hz, games)
    return edges, levels(0, 24)


def _day(
    number: int, idle_hz: float, games: int
) -> tuple[pl.DataFrame, Callable[[int, int], pl.DataFrame]]:
    """Edges of one day, and what gives the levels from one hour up to another."""
    rng = np.random.default_rng(number)
    start = int(datetime.combine(FIRST + timedelta(days=number), datetime.min.time(), UTC)
                .timestamp()) * SECOND
    lock = np.repeat(np.arange(LOCKS), games)
    game = np.tile(np.arange(games), LOCKS)
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
    return edges, lambda begin, end: _levels(
        rng, start, lock, at, pulse, loaded_until, magnet, idle_hz, (begin, end))


def _levels(
    rng: np.random.Generator, start: int, lock: np.ndarray, at: np.ndarray, pulse: np.ndarray,
    loaded_until: np.ndarray, magnet: np.ndarray, idle_hz: float, hours: tuple[int, int],
) -> pl.DataFrame:
    first, last = (hour * 3600 for hour in hours)
    parts = []
    for rail in range(RAILS):
        mine = lock % RAILS == rail
        idle = start + np.arange(first, last, 1 / idle_hz) * SECOND + 137_000 * (rail + 1)
        idle = idle[idle < start + last * SECOND]
        burst = (at[mine][:, None] + np.arange(*BURST) * SECOND + rng.integers(
            0, 5000, int(mine.sum()))[:, None]).ravel()
        burst = burst[(burst >= start + first * SECOND) & (burst < start + last * SECOND)]
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
    folder: Path, manifest: Manifest, number: int, log: Log
) -> Iterator[tuple[str, pl.DataFrame]]:
    """Edges, then levels, of one day; those of many readings an hour in pieces of some hours."""
    if number >= YEAR:
        again = manifest.days[(FIRST + timedelta(days=number % YEAR)).isoformat()]
        shift = pl.duration(days=number - number % YEAR)
        for segment in again.segments:
            frame = read_table(folder, segment.path)
            yield segment.kind, frame.with_columns(pl.col("time") + shift)
        return
    edges, levels = _day(number, log.idle_hz, log.games)
    # A magnet's last answer may fall on the next day; here it is left out.
    of_day = pl.col("time").dt.date() == FIRST + timedelta(days=number)
    within = of_day & pl.col("time").dt.hour().is_between(*log.hours, closed="left")
    yield "edges", edges.filter(within)
    step = 24 if log.idle_hz <= 10 else 1
    for hour in range(*log.hours, step):
        yield "levels", levels(hour, hour + step).filter(of_day)


def build(log: Log) -> Path:
    """Build the venue of such a log unless it is there; returns its folder."""
    home = DATA / f"{log.days}d-{log.idle_hz:.3g}Hz-{log.games}games-{log.hours[1] - log.hours[0]}h"
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
    records = 0
    for number in tqdm(range(log.days), unit=" days", leave=False, disable=None):
        day = FIRST + timedelta(days=number)
        entry = manifest.days[day.isoformat()] = Day(1)
        for kind, frame in _of_day(folder, manifest, number, log):
            held = [segment for segment in entry.segments if segment.kind == kind]
            rest = [segment for segment in entry.segments if segment.kind != kind]
            segments, _ = add_to_day(folder, day, kind, held, frame)
            entry.segments = rest + segments
            records += frame.height
    write_manifest(folder, manifest)
    (home / "complete").write_text(f"{records}\n")
    return home


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("log", choices=sorted(LOGS))
    print(LOGS[parser.parse_args().log].build())
