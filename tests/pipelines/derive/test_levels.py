"""Levels that are looked at stretch by stretch: the rows are the same as with all at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.clocks.instants import DAY_US
from remanence.analytics.pairing.wiring import Wiring
from remanence.pipelines.derive import records
from remanence.pipelines.store import days as store_days
from remanence.pipelines.store.store import Batch
from remanence.shared.tables import SIGNALS
from remanence.shared.venue import Supply
from tests.analytics.pairing.random_logs import random_log, random_venue
from tests.pipelines.derive.test_derive import House, settled

MIDNIGHT = datetime(2026, 3, 1, tzinfo=UTC)


def house_of(folder, rng):
    """Two rails on a controller that also drives locks, and one that logs itself."""
    venue = settled(random_venue(rng))
    names = ("rail", "left", "right")
    supplies = (Supply("rail", 12.0, channel="rail"), Supply("left", 12.0, channel="c0/left"),
                Supply("right", 12.0, channel="c0/right"))
    return House(folder, replace(venue, supplies=supplies, locks=tuple(
        replace(lock, supply=names[place % 3]) for place, lock in enumerate(venue.locks))))


def levels(rng, channel, begin, hours, every_s, run=0, volts=12.2):
    """A channel read on and on, at irregular times."""
    count = int(hours * 3600 / every_s)
    at = np.sort(rng.uniform(0, hours * 3600, count))
    return SIGNALS.conform(pl.DataFrame({
        "time": [begin + timedelta(seconds=float(second)) for second in at],
        "channel": channel, "quantity": "volts", "value": np.round(rng.normal(
            volts, 0.05, count), 2), "run": run, "file": "v.csv", "line": np.arange(count) + 2}))


def some_days(rng, house, days=2, minute=30):
    """Games now and then, by day and at night, and rails that are read throughout."""
    parts = []
    for day in range(days):
        begin = MIDNIGHT + timedelta(days=day)
        for hour in sorted(rng.choice(24, 3, replace=False).tolist()):
            log = random_log(rng, house.venue, minutes=3.0, games=3,
                             begin=begin + timedelta(hours=hour, minutes=minute))
            again = log.filter(pl.col("quantity") == "volts")
            parts += [log.with_columns(run=pl.lit(0, pl.Int64)),
                      *(again.with_columns(channel=pl.lit(name), run=pl.lit(0, pl.Int64))
                        for name in ("c0/left", "c0/right"))]
        parts += [levels(rng, name, begin, 24, 60.0) for name in ("rail", "c0/left", "c0/right")]
    return pl.concat([SIGNALS.conform(part) for part in parts])


@pytest.fixture(autouse=True)
def small_groups(monkeypatch):
    monkeypatch.setattr(store_days, "OWN_GROUP", 1)
    monkeypatch.setattr(records, "STRETCH_ROWS", 500)


@pytest.mark.parametrize("rows", [131_072, 97])
@pytest.mark.parametrize("seed", range(4))
def test_one_stretch_after_the_other_gives_what_all_at_once_gives(
        tmp_path, monkeypatch, seed, rows):
    """Also where row groups end in the midst of an hour, or of a pulse."""
    monkeypatch.setattr(store_days, "ROW_GROUP", rows)
    rng = np.random.default_rng(4100 + seed)
    house = house_of(tmp_path, rng)
    minute = (30, 58, 59, 59)[seed]
    signals = some_days(rng, house, minute=minute)
    seen = []
    real = records.StoreReader.stretches

    def watched(self, *rest):
        for stretch in real(self, *rest):
            seen.append((stretch.begin, stretch.end))
            yield stretch

    monkeypatch.setattr(records.StoreReader, "stretches", watched)
    house.take(signals)
    assert len(seen) > (20 if rows == 97 else 2)
    assert all(begin < end for begin, end in seen)
    house.check()


@pytest.mark.parametrize("seed", range(3))
def test_in_pieces_and_late_changes_nothing(tmp_path, seed):
    rng = np.random.default_rng(4200 + seed)
    house = house_of(tmp_path, rng)
    signals = some_days(rng, house)
    late = pl.Series(rng.random(signals.height) < [0.3, 0.01, 0.001][seed])
    house.take(signals.filter(~late))
    house.check()
    house.take(signals.filter(late))
    house.check()


def test_hours_in_two_files_are_looked_at(tmp_path, rng_of):
    """Neither file knows all of such an hour."""
    house = house_of(tmp_path, rng_of)
    signals = some_days(rng_of, house)
    for hour in (6.3, 14.6, 24.0, 48.0):
        early = pl.col("time") < MIDNIGHT + timedelta(hours=hour)
        house.take(signals.filter(early))
        signals = signals.filter(~early)
        house.check()


def test_a_latch_left_on_overnight_leaves_no_idle_hour(tmp_path, rng_of):
    """No command in any of the hours, and yet they are not the rail's quiet ones."""
    house = house_of(tmp_path, rng_of)
    lock = next(lock for lock in house.venue.locks if lock.pulsed and lock.supply == "left")
    on = pl.DataFrame({
        "time": [MIDNIGHT + timedelta(hours=2.5), MIDNIGHT + timedelta(hours=21.5)],
        "channel": lock.command, "quantity": "command",
        "value": [float(lock.command_energised), 1.0 - lock.command_energised],
        "run": 0, "file": "e.csv", "line": [2, 3]})
    rails = [levels(rng_of, name, MIDNIGHT, 24, 60.0) for name in ("rail", "c0/left", "c0/right")]
    house.take(pl.concat([SIGNALS.conform(on), *rails]))
    assert house.check().rail_hours.filter(
        pl.col("supply") == "left")["idle_samples"].to_list().count(0) == 18


def test_runs_that_change_within_a_day(tmp_path, rng_of):
    house = house_of(tmp_path, rng_of)
    signals = some_days(rng_of, house)
    noon = MIDNIGHT + timedelta(hours=11, minutes=20)
    run = pl.when(pl.col("time") < noon).then(0).otherwise(7)
    house.take(signals.with_columns(run=run.cast(pl.Int64)))
    paired = house.check()
    assert paired.activity["runs"].max() == 2


def test_a_run_that_comes_back_is_put_in_its_place(tmp_path, rng_of):
    house = house_of(tmp_path, rng_of)
    lock = next(lock for lock in house.venue.locks if lock.pulsed and lock.supply == "rail")
    on = SIGNALS.conform(pl.DataFrame({
        "time": [MIDNIGHT + timedelta(hours=9.5), MIDNIGHT + timedelta(hours=11.5)],
        "channel": lock.command, "quantity": "command",
        "value": [float(lock.command_energised), 1.0 - lock.command_energised],
        "run": 7, "file": "e.csv", "line": [2, 3]}))
    volts = [levels(rng_of, "rail", MIDNIGHT + timedelta(hours=begin), hours, 60.0, run=run)
             for begin, hours, run in ((0, 9, 0), (9, 3, 7), (12, 12, 0))]
    house.take(pl.concat([on, *volts]))
    house.check()


@pytest.mark.parametrize("seed", range(3))
def test_records_of_another_run_between_those_of_one(tmp_path, seed):
    rng = np.random.default_rng(4300 + seed)
    house = house_of(tmp_path, rng)
    signals = some_days(rng, house, days=1)
    other = levels(rng, "c0/right", MIDNIGHT + timedelta(hours=4), 16, 0.5, run=9)
    house.take(pl.concat([signals.filter(pl.col("channel") != "c0/right"), other]))
    house.check()


def test_a_channel_that_the_venue_no_longer_names(tmp_path, rng_of):
    """What its controller logged is counted without it."""
    house = house_of(tmp_path, rng_of)
    house.take(some_days(rng_of, house))
    with_it = house.check().activity
    house.venue = replace(house.venue, supplies=house.venue.supplies[:2], locks=tuple(
        replace(lock, supply="left") if lock.supply == "right" else lock
        for lock in house.venue.locks))
    house.derive()
    without = house.check().activity
    assert without["records"].sum() < with_it["records"].sum()


def test_readings_that_are_no_numbers(tmp_path, rng_of):
    house = house_of(tmp_path, rng_of)
    signals = some_days(rng_of, house)
    odd = pl.Series(rng_of.random(signals.height) < 0.2) & (pl.col("quantity") == "volts")
    whole = pl.col("time").dt.hour().is_in([4, 5]) & (pl.col("quantity") == "volts")
    house.take(signals.with_columns(
        value=pl.when(odd | whole).then(float("nan")).otherwise("value")))
    house.check()


def test_days_without_any_reading(tmp_path, rng_of):
    """What the controllers logged tells how long was waited all the same."""
    house = house_of(tmp_path, rng_of)
    house.take(some_days(rng_of, house).filter(pl.col("quantity").is_in(["command", "contact"])))
    assert house.check().activity.height > 0


def test_a_channel_is_read_when_it_is_asked_for(tmp_path, rng_of, monkeypatch):
    """No two channels need be held at a time."""
    house = house_of(tmp_path, rng_of)
    house.store.commit(Batch(some_days(rng_of, house, days=1)))
    read = []
    real = records._joined

    def watched(parts):
        read.append(len(parts))
        return real(parts)

    monkeypatch.setattr(records, "_joined", watched)
    begin = int(MIDNIGHT.timestamp()) * 1_000_000
    for stretch in records.StoreReader(house.store.folder).stretches(
            Wiring.of(house.venue, {}), [MIDNIGHT.date()], begin, begin + DAY_US, None):
        for count, _ in enumerate(stretch.levels, 1):
            assert len(read) == count
        read.clear()


@pytest.fixture
def rng_of():
    return np.random.default_rng(41)
