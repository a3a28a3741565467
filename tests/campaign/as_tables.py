"""What a pairing would make of a played venue: the tables, straight, without raw records.

The fast level of the campaign. It follows the words of :mod:`remanence.shared.tables`, not
the pairing's code.
"""

import itertools

import numpy as np
import polars as pl

from remanence.shared import tables
from remanence.shared.venue import controller_of
from tests.campaign.play import US
from tests.campaign.rails import rail_volts, source_ohms

TIME = pl.Datetime("us", "UTC")
HOUR = 3600 * US


def tables_of(past):
    """Every table of a played venue, by name.

    Returns
    -------
    dict of str to polars.DataFrame
        As :meth:`remanence.analytics.history.History.of` takes them.
    """
    scenario = past.scenario
    gaps = gaps_of(past)
    rng = np.random.default_rng([scenario.seed, 5])
    acts, openings, energisings, changes = [], [], [], []
    cut = {name: _cut_magnets(past, name) for name in scenario.rails}
    for life in scenario.locks:
        lock, happened = life.lock, past.by_lock[life.lock.id]
        acts.append(_actuations(rng, scenario, life, happened, cut[lock.supply]))
        openings += [(lock.id, *row) for row in _with_open_times(happened)]
        energisings += _energisings(lock, happened)
        if lock.contact:
            changes.append(_changes(life, happened))
    edges = _edge_times(past)
    frames = {
        "actuations": _timed(pl.concat(acts, how="vertical_relaxed"), "command_time"),
        "openings": _openings(openings, edges),
        "energisings": _timed(pl.DataFrame(
            energisings, schema={"lock": pl.String, "start": pl.Int64, "end": pl.Int64,
                                 "on_ms": pl.Float64, "cut_ms": pl.Float64}, orient="row",
        ), "start", "end"),
        "contact_changes": _timed(pl.concat(changes, how="vertical_relaxed"), "time"),
        "rail_hours": _rail_hours(rng, past, gaps),
        "activity": _activity(past, edges, gaps),
        "polling": _polling(past, edges),
        "clock_events": _clock_events(rng, past),
        "service": _service(past),
    }
    return {name: tables.TABLES[name].conform(_without_gaps(frame, name, scenario, gaps))
            for name, frame in frames.items()}


def _timed(frame, *columns):
    return frame.with_columns(
        pl.from_epoch(pl.col(c), "us").dt.replace_time_zone("UTC") for c in columns
    )


def gaps_of(past):
    """(controller, from, until) of what was not logged."""
    found = []
    for fault in past.scenario.faults:
        if fault.condition == "log-gap":
            start = int(past.day_start[fault.since_day]) + 13 * HOUR
            found.append((fault.subject, start, start + int(fault.size * HOUR)))
    return found


def _without_gaps(frame, name, scenario, gaps):
    column = {"actuations": "command_time", "openings": "time", "energisings": "start",
              "contact_changes": "time"}.get(name)
    if not column:
        return frame
    for controller, start, until in gaps:
        hit = [life.lock.id for life in scenario.locks
               if life.lock.command_controller == controller]
        inside = pl.col(column).dt.epoch("us").is_between(start, until)
        frame = frame.filter(~(inside & pl.col("lock").is_in(hit)))
    return frame


def _cut_magnets(past, rail):
    """When magnets of a rail were cut and when they came back; how many there are; their amps."""
    magnets = [life.lock for life in past.scenario.locks
               if life.lock.is_magnet and life.lock.supply == rail]
    acts = [act for lock in magnets for act in past.by_lock[lock.id].acts]
    return (np.sort(np.array([a[0] for a in acts], np.int64)),
            np.sort(np.array([a[1] for a in acts], np.int64)), len(magnets),
            float(np.mean([a[8] for a in acts])) if acts else 0.0)


def _actuations(rng, scenario, life, happened, cut):
    lock, rail = life.lock, scenario.rails[life.lock.supply]
    names = ("command_time", "ended", "true_ms", "latency_ms", "waited_ms", "outcome", "attempt",
             "volts", "amps", "conducts", "coincident", "outlasts", "bounces", "day")
    columns = list(zip(*happened.acts, strict=True)) if happened.acts else [()] * len(names)
    a = dict(zip(names, columns, strict=True))
    count = len(happened.acts)
    day = np.array(a["day"], int)
    pulse = (np.array(a["ended"], float) - np.array(a["command_time"], float)) / 1e3
    volts, conducts = np.array(a["volts"], float), np.array(a["conducts"], float)
    source = source_ohms(scenario, rail, day)
    noise, step = rail.noise_volts, rail.sample_ms
    samples = np.maximum((np.minimum(conducts, 3000) if lock.pulsed else np.full(count, 100.0))
                         / step, 0)
    at = np.array(a["command_time"], np.int64)
    off = np.searchsorted(cut[0], at) - np.searchsorted(cut[1], at)
    others = cut[2] - off - lock.is_magnet
    if lock.is_magnet:  # the others have it in their volts already
        volts = volts + source * cut[3] * off
    outcome = np.array(a["outcome"], object)
    sag = source * np.array(a["amps"], float) * (conducts > 0) + rng.normal(
        0, noise, count) / np.sqrt(np.maximum(samples, 1))
    enough = samples >= 3
    # Of the last 60 % of a pulse; a coil that was cut before them is off by then.
    last_part = 0.6 * pulse.clip(0, 60_000.0)
    end_sag = source * np.array(a["amps"], float) * (conducts > pulse - last_part / 2) + rng.normal(
        0, noise, count) / np.sqrt(np.maximum(last_part / step, 1))
    spike = np.abs(rng.normal(1.8, 0.35, count)) * noise
    lost = list(scenario.faults_of(lock.id, "missing-suppression"))
    for fault in lost:
        caught = rng.random(count) < min(1.0, 5.0 / step)
        spike += fault.growth(day) * caught * fault.size * rng.uniform(0.4, 1.1, count)
    outlasts = np.array(a["outlasts"], float)
    if lock.latency_kind == "supply":
        outcome[sag < 6 * noise] = "unobserved"
    unseen = outcome != "released"
    clear = enough & (sag > 5 * noise)
    null = np.full(count, np.nan)
    relock = _relock_ms(happened, a)
    kind = np.full(count, lock.latency_kind or "", object)
    frame = pl.DataFrame({
        "lock": [lock.id] * count,
        "command_time": np.array(a["command_time"], np.int64),
        "pulse_ms": pulse,
        "outcome": list(outcome),
        "latency_ms": np.where(unseen, np.nan, [
            float("nan") if v is None else v for v in a["latency_ms"]]),
        "waited_ms": np.array(a["waited_ms"], float),
        "latency_from": pl.Series([k or None for k in kind], dtype=pl.String),
        "resolution_ms": np.full(count, life.scan_ms if lock.contact else step),
        "bounces": [b if o == "released" and lock.contact else None
                    for b, o in zip(a["bounces"], outcome, strict=True)],
        "volts_before": volts + rng.normal(0, noise / 5, count),
        "volts_min": volts - np.where(lock.pulsed, np.maximum(sag, 0), 0.0) - 2.0 * noise
        - np.array(a["coincident"], float) * source * 1.2,
        "sag_volts": np.where(clear if lock.self_cut else enough, sag, null),
        "end_sag_volts": np.where(last_part >= step, end_sag, null) if lock.pulsed else null,
        "off_spike_volts": np.where(step < 10, spike, null),
        "others_on": np.array(a["coincident"], np.int64) + others,
        "attempt": np.array(a["attempt"], np.int64),
        "sag_ms": np.where(clear & lock.pulsed, np.ceil(conducts / step) * step, null),
        "sag_pulses": np.where(clear & lock.pulsed, 1.0, null),
        "sag_outlasts_ms": np.where(
            clear, np.where(outlasts > 0, outlasts, step * (rng.random(count) < 0.2)),
            null)
        if lock.pulsed else null,
        "volts_noise": noise * np.exp(rng.normal(0, 0.1, count)),
        "volts_samples": np.ceil(pulse.clip(0, 3000) / step),
        "sample_ms": np.full(count, step),
        "recovery_ms": np.where(clear & lock.pulsed & (outlasts == 0), step, null),
        "amps": null,
        "relock_ms": relock,
        "contact_edges": _edges_in_wait(happened, at, a["waited_ms"], a["bounces"], outcome)
        if lock.contact else null,
        "across_clocks": [None if lock.latency_kind is None else lock.latency_kind == "supply"
                          and controller_of(
            rail.supply.channel) != lock.command_controller] * count,
    })
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))


def _edges_in_wait(happened, at, waited_ms, bounces, outcome):
    """Contact edges from the command to the end of the wait, bounces and all."""
    moves = np.array([m[0] for m in happened.moves], np.int64)
    until = at + (np.array(waited_ms, float) * 1e3).astype(np.int64)
    inside = np.searchsorted(moves, until, "right") - np.searchsorted(moves, at)
    return np.where(outcome == "released", np.array(bounces, float) + 1, inside.astype(float))


def _with_open_times(happened):
    """Openings, each with how long it stayed open."""
    shut = np.array([m[0] for m in happened.moves if not m[1]], np.int64)
    for row in happened.openings:
        place = int(np.searchsorted(shut, row[0], "right"))
        stays = None if place >= len(shut) else (int(shut[place]) - row[0]) / 1e3
        yield (*row[:-1], stays)


def _relock_ms(happened, a):
    shut = np.array([m[0] for m in happened.moves if not m[1]], np.int64)
    opened = np.array([
        t + (0 if v is None else v * 1e3) for t, v in
        zip(a["command_time"], a["latency_ms"], strict=True)
    ])
    place = np.searchsorted(shut, opened)
    out = np.full(len(opened), np.nan)
    known = (place < len(shut)) & np.array([v is not None for v in a["latency_ms"]], bool)
    out[known] = (shut[place[known]] - opened[known]) / 1e3
    return out


def _energisings(lock, happened):
    rows = happened.acts
    if lock.pulsed:
        return [(lock.id, r[0], r[1], (r[1] - r[0]) / 1e3,
                 r[9] if lock.self_cut and 0 < r[9] < (r[1] - r[0]) / 1e3 - 1 else None)
                for r in rows]
    return [(lock.id, one[1], two[0], (two[0] - one[1]) / 1e3, None)
            for one, two in itertools.pairwise(rows)]


def _changes(life, happened):
    step = int(life.scan_ms * 1e3)
    moves = happened.moves
    return pl.DataFrame({
        "lock": [life.lock.id] * len(moves),
        "time": np.array([-(-m[0] // step) * step for m in moves], np.int64),
        "open": [bool(m[1]) for m in moves], "bounces": [int(m[3]) for m in moves],
        "settle_ms": [float(m[3]) for m in moves], "commanded": [bool(m[2]) for m in moves],
    }, schema={"lock": pl.String, "time": pl.Int64, "open": pl.Boolean, "bounces": pl.Int64,
               "settle_ms": pl.Float64, "commanded": pl.Boolean})


def _edge_times(past):
    """(controller, lock, time, is_command) of every record of commands and contacts."""
    rows = []
    for life in past.scenario.locks:
        lock, happened = life.lock, past.by_lock[life.lock.id]
        times = np.array([[r[0], r[1]] for r in happened.acts], np.int64).ravel()
        releasing = np.tile([True, False], len(happened.acts))
        rows.append(pl.DataFrame({
            "controller": [lock.command_controller] * len(times), "lock": [lock.id] * len(times),
            "at": times, "releasing": releasing,
        }))
        if lock.contact:
            times = np.array([m[0] for m in happened.moves], np.int64)
            rows.append(pl.DataFrame({
                "controller": [controller_of(lock.contact)] * len(times),
                "lock": [lock.id] * len(times), "at": times,
                "releasing": np.zeros(len(times), bool),
            }))
    return pl.concat(rows).sort("at")


def _openings(rows, edges):
    schema = {"lock": pl.String, "time": pl.Int64, "energised": pl.Boolean, "last": pl.Int64,
              "last_outcome": pl.String, "other_lock": pl.String, "other_ms": pl.Float64,
              "open_ms": pl.Float64}
    frame = pl.DataFrame(rows, schema=schema, orient="row").sort("time")
    commands = edges.filter("releasing").select("at", by="lock", time="at")
    near = frame.join_asof(commands, on="time", strategy="backward", tolerance=2 * US)
    found = pl.col("by").is_not_null() & (pl.col("by") != pl.col("lock"))
    near = near.with_columns(
        other_lock=pl.when(found).then("by"),
        other_ms=pl.when(found).then((pl.col("time") - pl.col("at")) / 1e3),
        since_command_ms=(pl.col("time") - pl.col("last")) / 1e3,
        bounces=pl.lit(0),
    )
    return _timed(near, "time")


def _rail_hours(rng, past, gaps):
    scenario, parts = past.scenario, []
    for name, rail in scenario.rails.items():
        hours = np.arange(past.day_start[0], past.day_start[-1], HOUR)
        day = np.clip(np.searchsorted(past.day_start, hours, "right") - 1, 0, scenario.days - 1)
        volts = rail_volts(scenario, rail, day) + rng.normal(0, 0.006, len(hours))
        local = (hours - past.day_start[day]) / HOUR
        awake = (local >= 9) & (local < 23)
        samples = np.where(awake, 120, 30)
        frame = pl.DataFrame({
            "supply": [name] * len(hours), "hour": hours, "samples": samples,
            "idle_samples": samples, "idle_median": volts,
            "idle_low": volts - 1.64 * rail.noise_volts,
            "idle_high": volts + 1.64 * rail.noise_volts,
            "idle_deviation": np.full(len(hours), rail.noise_volts),
        })
        for controller, start, until in gaps:
            if controller_of(rail.supply.channel) == controller:
                frame = frame.filter(~pl.col("hour").is_between(start, until - 1))
        parts.append(frame)
    return _timed(pl.concat(parts), "hour")


def _activity(past, edges, gaps):
    """Hours of each controller, with the rails' sparse samples among its records."""
    scenario = past.scenario
    hours = np.arange(past.day_start[0], past.day_start[-1], HOUR)
    day = np.clip(np.searchsorted(past.day_start, hours, "right") - 1, 0, scenario.days - 1)
    local = (hours - past.day_start[day]) / HOUR
    awake = (local >= 9) & (local < 23)
    parts = []
    for controller in scenario.scans:
        mine = edges.filter(pl.col("controller") == controller)["at"].to_numpy()
        rails = sum(controller_of(r.supply.channel) == controller
                    for r in scenario.rails.values())
        spoken = np.array([0], np.int64)
        for name, start, until in gaps:
            if name == controller:
                mine = mine[(mine < start) | (mine > until)]
                spoken = np.array([start, until])
        place = np.searchsorted(mine, np.append(hours, hours[-1] + HOUR))
        count = np.diff(place)
        volts = rails * np.where(awake, 120, 30)
        if len(spoken) == 2:
            volts = np.where((hours >= spoken[0]) & (hours < spoken[1]), 0, volts)
        keep = np.flatnonzero(count + volts)
        first, last, silence = [], [], []
        for h in keep:
            inside = mine[place[h]:place[h + 1]]
            if volts[h]:
                first.append(hours[h])
                last.append(hours[h] + HOUR - US)
                silence.append(30.0 if awake[h] else 120.0)
            else:
                first.append(inside[0])
                last.append(inside[-1])
                silence.append(float(np.diff(inside).max() / US) if len(inside) > 1 else 0.0)
        parts.append(pl.DataFrame({
            "controller": [controller] * len(keep), "hour": hours[keep],
            "records": (count + volts)[keep], "edges": count[keep],
            "first": np.array(first, np.int64), "last": np.array(last, np.int64),
            "longest_silence_s": silence, "runs": [1] * len(keep),
        }))
    return _timed(pl.concat(parts), "hour", "first", "last")


def _polling(past, edges):
    scans = past.scenario.scans
    daily = edges.with_columns(
        day=pl.from_epoch("at", "us").dt.date()
    ).group_by("controller", "day").agg(edges=pl.len())
    return daily.with_columns(
        resolution_ms=pl.col("controller").replace_strict(scans, return_dtype=pl.Float64))


def _clock_events(rng, past):
    """Restarts and wraps that were mended, anywhere; unmended ones where that is the fault."""
    rows = []
    for controller in past.scenario.scans:
        for _ in range(int(rng.poisson(1.5))):
            at = int(rng.integers(past.day_start[0], past.day_start[-1]))
            kind = str(rng.choice(["restart", "wrap"]))
            rows.append((controller, at, kind, None, True, "log", 1))
    for fault in past.scenario.faults:
        if fault.condition == "clock-fault":
            at = int(past.day_start[fault.since_day]) + 14 * HOUR
            rows.append((fault.subject, at, "unanchored", None, False, "log", 1))
            rows.append((fault.subject, at + HOUR, "step", -4000.0, False, "log", 90))
    return _timed(pl.DataFrame(rows, schema={
        "controller": pl.String, "time": pl.Int64, "kind": pl.String, "seconds": pl.Float64,
        "mended": pl.Boolean, "file": pl.String, "line": pl.Int64}, orient="row"), "time")


def _service(past):
    from datetime import timedelta

    start = past.scenario.start
    return pl.DataFrame([
        (start + timedelta(days=day), lock, action, None, note,
         "passed" if action == "release-tested" else None)
        for day, lock, action, note in past.service
    ], schema={"date": pl.Date, "lock": pl.String, "action": pl.String, "part": pl.String,
               "note": pl.String, "result": pl.String}, orient="row")
