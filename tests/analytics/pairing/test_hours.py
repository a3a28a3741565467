"""Hours of rails and of controllers, against the plain way to count them."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime
from statistics import median, stdev

import numpy as np
import pytest

from remanence.analytics.pairing.rules import pair
from tests.analytics.pairing.random_logs import random_log, random_venue
from tests.analytics.pairing.slow_levels import instant, stamp
from tests.analytics.pairing.test_reference import records_of, slow

BEGIN = datetime(2026, 3, 1, 23, 57, tzinfo=UTC)
HOUR = 3_600_000_000
DAY = 24 * HOUR


def quantile(values, share):
    """Linear between order statistics."""
    values = sorted(values)
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    return values[low] + (values[high] - values[low]) * (place - low)


def idle(reference, venue, supply, time):
    """Whether no latch on the rail is on within 2 s (before it: of the same day)."""
    for lock in venue.locks:
        if lock.supply == supply and lock.released_by == "power-on":
            for start, end, _ in reference.pulses(lock):
                begin = max(start - 2_000_000, start // DAY * DAY)
                if begin <= time and (end is None or time <= end + 2_000_000):
                    return False
    return True


def slow_rail_hours(reference, venue):
    rows = []
    for supply in venue.supplies:
        readings = reference.samples(supply.channel, "volts") if supply.channel else []
        for hour, group in itertools.groupby(readings, lambda r: r[0] // HOUR):
            group = list(group)
            calm = [v for t, v in group if idle(reference, venue, supply.id, t)]
            rows.append({
                "supply": supply.id, "hour": instant(hour * HOUR), "samples": len(group),
                "idle_samples": len(calm),
                "idle_median": median(calm) if calm else None,
                "idle_low": quantile(calm, 0.05) if calm else None,
                "idle_high": quantile(calm, 0.95) if calm else None,
                "idle_deviation": stdev(calm) if len(calm) > 1 else None})
    return rows


def slow_activity(signals, venue):
    known = [(stamp(t), c, q, v, run) for t, c, q, v, run in records_of(signals)
             if q in venue.channels.get(c, ())]
    rows = []
    for name in venue.controllers:
        mine = [r for r in known if r[1].split("/")[0] == name]
        for hour in sorted({r[0] // HOUR for r in mine}):
            part = sorted(r[0] for r in mine if r[0] // HOUR == hour)
            silences = [b - a for a, b in itertools.pairwise(part)]
            rows.append({
                "controller": name, "hour": instant(hour * HOUR), "records": len(part),
                "edges": sum(r[2] in ("command", "contact") for r in mine
                             if r[0] // HOUR == hour),
                "first": instant(part[0]), "last": instant(part[-1]),
                "longest_silence_s": max(silences) / 1e6 if silences else None,
                "runs": len({r[4] for r in mine if r[0] // HOUR == hour})})
    return sorted(rows, key=lambda r: (r["controller"], r["hour"]))


def same(found, expected):
    assert found.height == len(expected) > 0
    for one, other in zip(found.to_dicts(), expected, strict=True):
        for name, value in other.items():
            if isinstance(value, float):
                value = pytest.approx(value, abs=1e-9)
            assert one[name] == value, (name, one, other)


@pytest.mark.parametrize(
    ("seed", "minutes", "idle_s"), [(0, 5, 1), (1, 5, 1), (2, 5, 1), (3, 0.5, 1 / 200),
                                    (4, 0.2, 1 / 1000)])
def test_hours_of_rails_and_controllers(seed, minutes, idle_s):
    rng = np.random.default_rng(500 + seed)
    venue = random_venue(rng)
    begin = datetime(2026, 3, 1, 23, 59, 55, tzinfo=UTC) if minutes < 1 else BEGIN
    signals = random_log(rng, venue, minutes=minutes, games=6, begin=begin, idle_s=idle_s)
    paired = pair(signals, venue)
    same(paired.rail_hours, slow_rail_hours(slow(signals, venue, paired), venue))
    same(paired.activity, slow_activity(signals, venue))
