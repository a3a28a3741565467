"""What may happen to a log: polls, clocks, meters, lost lines, repeated commands."""

import numpy as np
import polars as pl

T = pl.col("time")


def polled(log, controller, period_ms, since, until=None, *, tied=False):
    """A controller looks at its inputs every so often, from a day on."""
    begin, end = log.start_of(since), log.start_of(until) if until else 2**62
    step = int(period_ms * 1e3)
    inputs = pl.col("channel").str.starts_with(f"{controller}/i") & T.is_between(begin, end)
    if tied:  # One scan reads and writes: its answer waits for the next look.
        seen = [lock.command for lock in log.venue.locks if lock.contact]
        outputs = (pl.col("channel").str.starts_with(f"{controller}/q")
                   & pl.col("channel").is_in(seen) & T.is_between(begin, end))
        log.records = log.records.with_columns(asked=pl.lit(_last_command(log)))
        late = T - (pl.col("asked")).mod(step)
        stamp = pl.when(T - pl.col("asked") < 2_000_000).then(late).otherwise(T)
        log.change(inputs, time=stamp + (-stamp).mod(step))
        log.records = log.records.drop("asked")
        magnets = [lock.command for lock in log.venue.locks if lock.is_magnet]
        releases = pl.col("value") == pl.when(pl.col("channel").is_in(magnets)).then(
            0.0).otherwise(1.0)
        log.change(outputs & releases, time=T - T.mod(step))
    else:
        log.change(inputs, time=T + (-T).mod(step))
    kept = log.records.unique(["time", "channel"], keep="last", maintain_order=True)
    contact = pl.col("quantity") == "contact"
    same = contact & (pl.col("value") == pl.col("value").shift(1).over("channel"))
    log.records = kept.filter(~same.fill_null(False))


def _last_command(log):
    """Of each record, the time of its lock's last releasing command."""
    channel = log.records["channel"].to_numpy()
    time, value = log.records["time"].to_numpy(), log.records["value"].to_numpy()
    out = np.zeros(time.size, np.int64)
    for lock in log.venue.locks:
        if not lock.contact:
            continue
        edges = time[(channel == lock.command) & (value == _releasing(lock))]
        mine = channel == lock.contact
        place = np.searchsorted(edges, time[mine], "right") - 1
        out[mine] = np.where(place >= 0, edges[np.maximum(place, 0)], 0)
    return out


def _releasing(lock):
    return 0.0 if lock.is_magnet else 1.0


def clock_off(log, channel_start, offset_ms_of_day, *, name=None):
    """Records whose channel begins so are stamped by a clock that is off by so much each day."""
    every = np.array([offset_ms_of_day(day) for day in range(log.scenario.days + 1)])
    time = log.records["time"].to_numpy()
    day = (time - log.start_of(0)) / 86_400e6
    off = np.interp(day, np.arange(every.size), every) * 1e3
    moved = pl.Series(time + off.astype(np.int64))
    log.change(pl.col("channel").str.starts_with(channel_start), time=pl.lit(moved))


def clock_gains(log, channel_start, millionths, since, *, set_each_s=None):
    """A clock that gains so much from a day on, and is set each so many seconds, if ever."""
    time = log.records["time"].to_numpy()
    run = np.maximum(time - log.start_of(since), 0)
    if set_each_s is not None:
        run %= int(set_each_s * 1e6)
    moved = pl.Series(time + (run * millionths * 1e-6).astype(np.int64))
    log.change(pl.col("channel").str.starts_with(channel_start), time=pl.lit(moved))


def own_controller(log, names, controller):
    """The contacts of these locks are read by a controller of their own."""
    for name in names:
        channel = log.lock(name).contact
        if channel is None:
            continue
        new = f"{controller}/{channel.split('/')[1]}"
        log.change(pl.col("channel") == channel, channel=pl.lit(new))
        log.relock(name, contact=new)


def meter_step(log, rail, step_volts, since):
    """A rail is read by a coarser converter from a day on."""
    mine = (pl.col("channel") == log.venue.supplies_by_id[rail].channel) & (
        log.start_of(since) <= T)
    log.change(mine, value=(pl.col("value") / step_volts).round() * step_volts)


def meter_scale(log, rail, factor, since):
    """Another divider: all readings of a rail are so many times as high."""
    mine = (pl.col("channel") == log.venue.supplies_by_id[rail].channel) & (
        log.start_of(since) <= T)
    log.change(mine, value=(pl.col("value") * factor).round(3))


def sampled(log, rail, period_ms, since):
    """A rail is read only so often from a day on."""
    mine = (pl.col("channel") == log.venue.supplies_by_id[rail].channel) & (
        log.start_of(since) <= T)
    slot = T // int(period_ms * 1e3)
    first = slot != slot.shift(1).over("channel")
    log.records = log.records.filter(~mine | first.fill_null(True))


def lost_at_random(log, share, since=0, controller=""):
    """Each line of a controller is lost with this probability, from a day on."""
    lost = log.rng.random(log.records.height) < share
    mine = pl.col("channel").str.starts_with(controller) & (log.start_of(since) <= T)
    log.records = log.records.filter(~(mine & pl.Series(lost)))


def lost_in_bursts(log, share, length, since=0, controller=""):
    """The same share of lines, in runs of about ``length`` neighbours."""
    rows = np.flatnonzero(
        log.records["channel"].str.starts_with(controller).to_numpy()
        & (log.records["time"].to_numpy() >= log.start_of(since)))
    # Edges are few beside the volts: a burst is of so many neighbours of any kind.
    begins = log.rng.random(rows.size) < share / length
    lost = np.zeros(rows.size + 1, np.int64)
    at = np.flatnonzero(begins)
    lasts = log.rng.geometric(1.0 / length, at.size)
    np.add.at(lost, at, 1)
    np.add.at(lost, np.minimum(at + lasts, rows.size), -1)
    gone = rows[np.cumsum(lost)[:-1] > 0]
    keep = np.ones(log.records.height, bool)
    keep[gone] = False
    log.records = log.records.filter(pl.Series(keep))


def fires_twice(log, name, apart_ms, since, pulse_ms=None):
    """Every releasing command of a lock is given again so long after it began."""
    lock = log.lock(name)
    edges = log.records.filter((pl.col("channel") == lock.command) & (log.start_of(since) <= T))
    on = edges.filter(pl.col("value") == 1.0)
    off = edges.filter(pl.col("value") == 0.0)
    if pulse_ms is None:  # the pulse is broken once
        at = on["time"] + int(apart_ms * 1e3)
        gap = [(at - 20_000, 0.0), (at, 1.0)]
    else:
        at = on["time"] + int(apart_ms * 1e3)
        gap = [(at, 1.0), (at + int(pulse_ms * 1e3), 0.0)]
        del off
    more = [pl.DataFrame({
        "time": time, "channel": [lock.command] * len(time), "quantity": ["command"] * len(time),
        "value": [value] * len(time)}) for time, value in gap]
    log.records = pl.concat([log.records, *more]).sort("time", maintain_order=True)


def swapped_channels(log, first, second, since):
    """Two locks change places: what one's channels said the other's say, from a day on."""
    a, b = log.lock(first), log.lock(second)
    new = {a.command: b.command, b.command: a.command, a.contact: b.contact, b.contact: a.contact}
    late = log.start_of(since) <= T
    log.change(pl.col("channel").is_in(list(new)) & late,
               channel=pl.col("channel").replace(new))
