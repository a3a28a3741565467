"""From what truly happened to what the controllers wrote down."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from remanence.sample_data.answers import POLL_US, Rows, Surroundings, idle_volts, source_ohms
from remanence.sample_data.faults import amount
from remanence.sample_data.games import SECOND
from remanence.shared.venue import Lock, Venue

Reals = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

BURST_STEP_US = {"main-12": 5_000, "tower-24": 5_000, "coach-12": 2_000}
"""A rail is sampled this finely around each command, and sparsely otherwise."""
BURST_BEFORE_US = 50_000
BURST_AFTER_US = 60_000
BURST_LONGEST_US = 1_200_000
SPARSE_US = 30 * SECOND
NOISE_VOLTS = 0.013


def command_records(venue: Venue, rows: Rows) -> pl.DataFrame:
    """Both edges of every command: time, channel, value."""
    channels = [lock.command for lock in venue.locks]
    on = np.array([lock.command_energised for lock in venue.locks])
    pulsed = np.array([lock.pulsed for lock in venue.locks])[rows.lock]
    first = np.where(pulsed, on[rows.lock], 1 - on[rows.lock])
    return pl.concat([
        _records(rows.at, rows.lock, channels, first),
        _records(rows.off_at, rows.lock, channels, 1 - first),
    ])


def contact_records(
    rng: np.random.Generator, venue: Venue, around: Surroundings, rows: Rows
) -> pl.DataFrame:
    """Every edge of every contact as its controller saw it: on its polling grid, on change."""
    parts = []
    for index, lock in enumerate(venue.locks):
        if not lock.contact:
            continue
        mine = rows.take(rows.lock == _feedback_of(venue, around, rows, index))
        at, opens = _movements(rng, lock, around, mine)
        at, opens = _with_bounces(rng, lock, around, at, opens)
        before_end = around.days_before_end(at)
        closed_is_locked = _truly_closed_when(lock) == "locked"
        value = np.where(opens, 0, 1) if closed_is_locked else np.where(opens, 1, 0)
        value = np.where(amount(lock.id, "inverted", before_end) > 0, 1 - value, value)
        keep = amount(lock.id, "frozen", before_end) == 0
        step = POLL_US[lock.contact_controller or ""]
        seen = (-(-at // step) * step)[keep]
        parts.append(_records(seen, np.zeros(len(seen), np.int64), [lock.contact], value[keep]))
    edges = pl.concat(parts)
    # The last state within one scan is what the scan sees; unchanged states are not logged.
    edges = edges.with_row_index().sort("channel", "time", "index").drop("index")
    edges = edges.unique(["channel", "time"], keep="last", maintain_order=True)
    changed = pl.col("value") != pl.col("value").shift(1).over("channel")
    return edges.filter(changed.fill_null(True))


def _truly_closed_when(lock: Lock) -> str:
    """Which way round a switch of unknown polarity was really wired."""
    if lock.contact_closed_when == "unknown":
        return "open" if lock.id == "tea-caddy" else "locked"
    return lock.contact_closed_when


def _feedback_of(venue: Venue, around: Surroundings, rows: Rows, index: int) -> Whole:
    """Per row: the lock whose contact it moves is ``index``; two plugs were once crossed."""
    pair = [i for i, lock in enumerate(venue.locks) if lock.id in ("coal-chute", "wine-rack")]
    owner = np.where(rows.lock == index, index, -1)
    if index in pair:
        other = pair[1 - pair.index(index)]
        crossed = amount(venue.locks[index].id, "crossed", around.days_before_end(rows.at)) > 0
        owner = np.where(crossed, np.where(rows.lock == other, other, -1), owner)
    return np.where(owner >= 0, owner, -1)


def _movements(
    rng: np.random.Generator, lock: Lock, around: Surroundings, rows: Rows
) -> tuple[Whole, npt.NDArray[np.bool_]]:
    """Openings and closings of one lock: commanded, by hand, by themselves."""
    rows = rows.take(np.argsort(rows.at, kind="stable"))
    opened = rows.open_at > 0
    by_hand = (rows.hand_at > 0) & ~opened
    was_open = opened | by_hand | rows.already_open
    shut = was_open & (rows.close_at > 0)
    late = np.maximum(rows.close_at, np.where(by_hand, rows.hand_at + 30 * SECOND, 0))
    times = [rows.open_at[opened], rows.hand_at[by_hand], late[shut]]
    kinds = [np.ones(opened.sum(), bool), np.ones(by_hand.sum(), bool),
             np.zeros(shut.sum(), bool)]
    quiet = shut & ~rows.check
    # Staff open one by hand at the reset now and then, to put a prop back.
    extra = quiet & (rng.random(len(shut)) < (0.0 if lock.is_magnet else 0.012))
    start = late + rng.integers(20, 90, len(late)) * SECOND
    times += [start[extra], start[extra] + rng.integers(8, 30, extra.sum()) * SECOND]
    kinds += [np.ones(extra.sum(), bool), np.zeros(extra.sum(), bool)]
    # Worn catches fall open; weak magnets let go under a pull.
    before_end = around.days_before_end(rows.at)
    often = amount(lock.id, "falls-open", before_end) + 0.8 * amount(lock.id, "gap", before_end)
    falls = quiet & ~extra & (rng.random(len(shut)) < often)
    start = late + rng.integers(200, 700, len(late)) * SECOND + rng.integers(0, SECOND, len(late))
    longest = 2.5 if lock.is_magnet else 40.0
    stays = rng.uniform(0.4, longest, falls.sum())
    times += [start[falls], start[falls] + (stays * SECOND).astype(np.int64)]
    kinds += [np.ones(falls.sum(), bool), np.zeros(falls.sum(), bool)]
    at, opens = np.concatenate(times), np.concatenate(kinds)
    order = np.argsort(at, kind="stable")
    return at[order], opens[order]


def _with_bounces(
    rng: np.random.Generator, lock: Lock, around: Surroundings, at: Whole,
    opens: npt.NDArray[np.bool_],
) -> tuple[Whole, npt.NDArray[np.bool_]]:
    """Each movement followed by pairs of edges, back and forth, within a few ms."""
    usual = 0.4 if lock.mechanism in ("latch", "bolt") else 0.8
    chatter = amount(lock.id, "bounce", around.days_before_end(at))
    pairs = rng.poisson(usual + chatter / 2.0)
    total = int(pairs.sum())
    which = np.repeat(np.arange(len(at)), pairs)
    step = 700 + 900 * rng.random(total)
    place = np.arange(total) - np.repeat(np.cumsum(pairs) - pairs, pairs)
    back = at[which] + ((2 * place + 1) * step).astype(np.int64)
    forth = at[which] + ((2 * place + 2) * step).astype(np.int64)
    times = np.concatenate([at, back, forth])
    kinds = np.concatenate([opens, ~opens[which], opens[which]])
    order = np.argsort(times, kind="stable")
    return times[order], kinds[order]


def volts_records(
    rng: np.random.Generator, venue: Venue, around: Surroundings, rows: Rows, rail: str,
    start: int, end: int,
) -> pl.DataFrame:
    """One rail's samples from ``start`` to ``end``: sparse always, fine around commands."""
    on_rail = np.array([lock.supply == rail for lock in venue.locks])[rows.lock]
    near = on_rail & (rows.at >= start - 600 * SECOND) & (rows.at < end)
    mine = rows.take(np.flatnonzero(near))
    mine = mine.take(np.argsort(mine.at, kind="stable"))
    pulsed = np.array([lock.pulsed for lock in venue.locks])[mine.lock]
    times = _sample_times(mine, pulsed, BURST_STEP_US[rail], start, end)
    volts = idle_volts(around, rail, times)
    source = source_ohms(around, rail, times)
    load = np.zeros(len(times))
    for latches in (True, False):
        some = mine.take(pulsed == latches)
        _add_load(load, times, some, latches)
    volts -= source * load
    volts += _spikes(venue, around, mine, times)
    volts += rng.normal(0.0, NOISE_VOLTS, len(times))
    channel = venue.supplies_by_id[rail].channel or rail
    return pl.DataFrame({"time": times, "value": np.round(volts, 2)}).with_columns(
        channel=pl.lit(channel)
    ).select("time", "channel", "value")


def _sample_times(
    rows: Rows, pulsed: npt.NDArray[np.bool_], step: int, start: int, end: int
) -> Whole:
    longest = np.minimum(rows.off_at - rows.at, BURST_LONGEST_US)
    length = np.where(pulsed, longest, 60_000) + BURST_AFTER_US
    first = (rows.at - BURST_BEFORE_US) // step
    count = ((rows.at + length) // step) - first + 1
    bursts = np.repeat(first, count) + _places(count)
    hours = np.arange(start, end, SPARSE_US)
    local = (hours // SECOND % 86_400) / 3600.0
    # The house is asleep at night: every two minutes is enough.
    awake = ((local > 7) & (local < 21)) | (hours // SPARSE_US % 4 == 0)
    times = np.unique(np.concatenate([bursts * step, hours[awake]]))
    return times[(times >= start) & (times < end)]


def _places(counts: Whole) -> Whole:
    """0, 1, ... within each group of so many."""
    return np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)


def _add_load(load: Reals, times: Whole, rows: Rows, latches: bool) -> None:
    """Add the coils' currents, against all magnets on and all latches off, in place."""
    if not len(rows.at):
        return
    conducts = (rows.conducts_ms * 1e3).astype(np.int64)
    tail = np.where(latches, 0, 300_000)
    lower = np.searchsorted(times, rows.at)
    upper = np.searchsorted(times, rows.at + conducts + tail)
    counts = upper - lower
    row = np.repeat(np.arange(len(counts)), counts)
    sample = lower[row] + _places(counts)
    since_ms = (times[sample] - rows.at[row]) / 1e3
    if latches:
        current = rows.amps[row] * -np.expm1(-since_ms / rows.electrical_ms[row])
    else:
        # Off until the command ends, then rising again.
        again = since_ms - rows.conducts_ms[row]
        rising = np.where(again > 0, np.exp(-np.maximum(again, 0) / rows.electrical_ms[row]), 1.0)
        current = -rows.amps[row] * rising
    np.add.at(load, sample, current)


def _spikes(venue: Venue, around: Surroundings, rows: Rows, times: Whole) -> Reals:
    """Over-voltage after switch-off where a coil has lost its diode."""
    spikes = np.zeros(len(times))
    ids = np.array([lock.id for lock in venue.locks])
    for lock in np.unique(rows.lock):
        mine = rows.at[rows.lock == lock]
        open_diode = amount(str(ids[lock]), "diode", around.days_before_end(mine)) > 0
        for at in mine[open_diode]:
            near = slice(*np.searchsorted(times, [at, at + 30_000]))
            spikes[near] += 2.6 * np.exp(-(times[near] - at) / 5_000.0)
    return spikes


def _records(at: Whole, lock: Whole, channels: list[str], value: Whole) -> pl.DataFrame:
    return pl.DataFrame({"time": at, "value": value.astype(np.float64)}).with_columns(
        channel=pl.lit(pl.Series(channels))
        .gather(pl.lit(pl.Series(lock.astype(np.uint32))))
        if len(channels) > 1 else pl.lit(channels[0])
    ).select("time", "channel", "value")
