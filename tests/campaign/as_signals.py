"""A played venue as raw records, put through the program's own pairing.

The slow level of the campaign: what the analysis sees has passed real edges, real
polling, real bounce and a sampled rail.
"""

import numpy as np
import polars as pl

from remanence.shared.tables import SIGNALS
from remanence.shared.venue import controller_of
from tests.campaign.as_tables import gaps_of, tables_of
from tests.campaign.play import US
from tests.campaign.rails import rail_volts, source_ohms

RISE_US = 4_000.0
BURST_BEFORE_US = 60_000
BURST_AFTER_US = 90_000
LONG_US = 1_500_000


def paired_tables(past):
    """Tables that the program's own pairing makes of the venue's records."""
    from remanence.analytics.pairing.rules import pair

    found = pair(signals_of(past), past.scenario.venue).tables()
    straight = tables_of(past)
    # Clock repairs and the service log do not come out of records.
    return {**found, "clock_events": straight["clock_events"], "service": straight["service"]}


def signals_of(past):
    """SIGNALS of the whole past, one run, in order of time."""
    scenario = past.scenario
    rng = np.random.default_rng([scenario.seed, 11])
    parts = []
    for life in scenario.locks:
        happened = past.by_lock[life.lock.id]
        parts.append(_commands(life.lock, happened))
        if life.lock.contact:
            parts.append(_contacts(rng, life, happened))
    for rail in scenario.rails.values():
        parts.append(_volts(rng, past, rail))
    frame = pl.concat(parts)
    for controller, start, until in gaps_of(past):
        mine = pl.col("channel").str.starts_with(f"{controller}/")
        frame = frame.filter(~(mine & pl.col("time").is_between(start, until)))
    return SIGNALS.conform(frame.with_columns(
        pl.from_epoch("time", "us").dt.replace_time_zone("UTC"),
        run=pl.lit(0), file=pl.lit("played"), line=pl.lit(1),
    ))


def _frame(times, channel, quantity, values):
    return pl.DataFrame({
        "time": np.asarray(times, np.int64), "channel": [channel] * len(times),
        "quantity": [quantity] * len(times), "value": np.asarray(values, float),
    })


def _commands(lock, happened):
    times = np.array([[a[0], a[1]] for a in happened.acts], np.int64).ravel()
    first = lock.command_energised if lock.pulsed else 1 - lock.command_energised
    return _frame(times, lock.command, "command", np.tile([first, 1 - first], len(happened.acts)))


def _contacts(rng, life, happened):
    times, states = [], []
    for at, opens, _, bounces in sorted(happened.moves):
        times.append(at)
        states.append(opens)
        # A worn lever chatters slowly enough to be seen; a sound one may be too quick.
        step = 900 if bounces <= 4 else max(900, int(1.2e3 * life.scan_ms))
        for number in range(bounces):
            times.append(at + int((number + 1) * step + rng.integers(0, 300)))
            states.append(opens if number % 2 else not opens)
    scan = int(life.scan_ms * 1e3)
    stamps = -(-np.array(times, np.int64) // scan) * scan
    locked_is = 1.0 if life.lock.contact_closed_when != "open" else 0.0
    values = np.where(np.array(states, bool), 1.0 - locked_is, locked_is)
    frame = _frame(stamps, life.lock.contact, "contact", values)
    frame = frame.unique("time", keep="last", maintain_order=True)
    changed = pl.col("value") != pl.col("value").shift(1, fill_value=locked_is)
    return frame.filter(changed)


def _volts(rng, past, rail):
    scenario, step = past.scenario, int(rail.sample_ms * 1e3)
    loads, bursts = [], []
    for life in scenario.locks:
        if life.lock.supply != rail.supply.id:
            continue
        for act in past.by_lock[life.lock.id].acts:
            at, off, amps, conducts, outlasts = act[0], act[1], act[8], act[9], act[11]
            if life.lock.pulsed:
                lasts = int((conducts + outlasts) * 1e3)
                loads.append((at, at + lasts, amps, True))
                end = max(off, at + lasts)
                if end - at > 10 * US:
                    bursts += [(at, at + LONG_US), (end - 100_000, end)]
                else:
                    bursts.append((at, end))
            else:
                loads.append((at, off, -amps, False))
                bursts += [(at, at + 150_000)]
    grid = [np.arange((a - BURST_BEFORE_US) // step, (b + BURST_AFTER_US) // step + 1)
            for a, b in bursts]
    start, end = int(past.day_start[0]), int(past.day_start[-1])
    sparse = np.arange(start, end, 30 * US)
    day = np.clip(np.searchsorted(past.day_start, sparse, "right") - 1, 0, scenario.days - 1)
    local = (sparse - past.day_start[day]) / (3600 * US)
    sparse = sparse[((local >= 9) & (local < 23)) | (sparse // (30 * US) % 4 == 0)]
    # Sorted and each once: numpy's own way, by hashes, takes many times as long.
    times = np.sort(np.concatenate([*(g * step for g in grid), sparse]))
    times = times[np.append(True, np.diff(times) > 0) & (times >= start) & (times < end)]
    day = np.clip(np.searchsorted(past.day_start, times, "right") - 1, 0, scenario.days - 1)
    days = np.arange(scenario.days)
    idle, source = rail_volts(scenario, rail, days)[day], source_ohms(scenario, rail, days)[day]
    load = np.zeros(len(times))
    for at, until, amps, latch in loads:
        inside = slice(*np.searchsorted(times, [at, until]))
        rise = -np.expm1(-(times[inside] - at) / RISE_US) if latch else 1.0
        load[inside] += amps * rise
        if not latch:
            after = slice(inside.stop, int(np.searchsorted(times, until + 200_000)))
            load[after] += amps * np.exp(-(times[after] - until) / 50_000.0)
    volts = idle - source * load + rng.normal(0, rail.noise_volts, len(times))
    for life in scenario.locks:
        if life.lock.supply == rail.supply.id:
            _spikes(scenario, life, past, times, volts)
    # A slow wander within the day, far slower than any sag.
    volts += 0.006 * np.sin(times / (5400.0 * US))
    return _frame(times, rail.supply.channel, "volts", np.round(volts, 3))


def _spikes(scenario, life, past, times, volts):
    for fault in scenario.faults_of(life.lock.id, "missing-suppression"):
        for act in past.by_lock[life.lock.id].acts:
            if not fault.there(act[13]):
                continue
            off = act[0] + int((act[9] + act[11]) * 1e3) if life.lock.pulsed else act[0]
            near = slice(*np.searchsorted(times, [off, off + 25_000]))
            volts[near] += 1.3 * fault.size * np.exp(-(times[near] - off) / 5_000.0)


def controllers_with_rails(scenario):
    """Which controllers sample a rail."""
    return {controller_of(rail.supply.channel) for rail in scenario.rails.values()}
