"""Row groups that pairing leaves out: the rows are the same as with every record read."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.pipelines.derive.records import DayReader, Needs
from remanence.pipelines.store import days as store_days
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
    monkeypatch.setattr(store_days, "CALM_GROUP", 30)


@pytest.fixture
def chosen(monkeypatch):
    """Which row groups were read, as (channel, first hour, last hour, read or not)."""
    found = []
    real = Needs.of_day

    def watched(self, setup, outline, readings):
        answer = real(self, setup, outline, readings)
        found.extend((group.channel, _hour(group.first), _hour(group.last), needed)
                     for group, needed in zip(outline.groups, answer, strict=True))
        return answer

    monkeypatch.setattr(Needs, "of_day", watched)
    return found


def _hour(time):
    return (time - int(MIDNIGHT.timestamp()) * 1_000_000) / 3.6e9


@pytest.mark.parametrize("rows", [131_072, 97])
@pytest.mark.parametrize("seed", range(4))
def test_what_is_left_out_changes_nothing(tmp_path, monkeypatch, chosen, seed, rows):
    """Also where row groups end in the midst of an hour."""
    monkeypatch.setattr(store_days, "ROW_GROUP", rows)
    rng = np.random.default_rng(4100 + seed)
    house = house_of(tmp_path, rng)
    house.take(some_days(rng, house))
    assert {needed for *_, needed in chosen} == {True, False}
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


def test_a_latch_left_on_overnight_has_its_hours_read(tmp_path, rng_of, chosen):
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
    midday = {(channel, needed) for channel, first, last, needed in chosen
              if first < 12 < last}
    assert midday == {("rail", False), ("c0/left", True), ("c0/right", False)}
    assert house.check().rail_hours.filter(
        pl.col("supply") == "left")["idle_samples"].to_list().count(0) == 18


def test_a_command_just_after_quiet_hours_has_their_end_read(tmp_path, rng_of, chosen, monkeypatch):
    """The noise of the rail is taken from the minute before a command."""
    monkeypatch.setattr(store_days, "REACH_US", 0)
    house = house_of(tmp_path, rng_of)
    lock = next(lock for lock in house.venue.locks if lock.pulsed and lock.supply == "rail")
    on = pl.DataFrame({
        "time": [MIDNIGHT + timedelta(hours=12, seconds=2), MIDNIGHT + timedelta(
            hours=12, seconds=3)],
        "channel": lock.command, "quantity": "command",
        "value": [float(lock.command_energised), 1.0 - lock.command_energised],
        "run": 0, "file": "e.csv", "line": [2, 3]})
    rails = [levels(rng_of, name, MIDNIGHT, 24, 2.0) for name in ("rail", "c0/left", "c0/right")]
    house.take(pl.concat([SIGNALS.conform(on), *rails]))
    before = {(channel, needed) for channel, first, last, needed in chosen if last < 12}
    assert before == {("rail", True), ("c0/left", False), ("c0/right", False)}
    assert house.check().actuations["volts_noise"].is_not_null().all()


def test_runs_that_change_within_a_day_are_told_as_ever(tmp_path, rng_of, chosen):
    house = house_of(tmp_path, rng_of)
    signals = some_days(rng_of, house)
    noon = MIDNIGHT + timedelta(hours=11, minutes=20)
    run = pl.when(pl.col("time") < noon).then(0).otherwise(7)
    house.take(signals.with_columns(run=run.cast(pl.Int64)))
    paired = house.check()
    assert paired.activity["runs"].max() == 2


def test_a_run_that_comes_back_is_put_in_its_place(tmp_path, rng_of, monkeypatch):
    """Row groups of one run are read together, whatever lies between them."""
    monkeypatch.setattr(Needs, "of_day", lambda self, setup, outline, readings: [
        True] * len(outline.groups))
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
    outline = DayReader(house.store.folder).outline(MIDNIGHT.date(), {"volts": ["rail"]})
    assert [group.run for group in outline.groups] == [0, 7, 7, 7, 0]
    assert outline.clean == {"rail"}
    house.check()


@pytest.mark.parametrize("calm", [30, 10**9])
@pytest.mark.parametrize("seed", range(3))
def test_records_of_another_run_between_those_of_one(tmp_path, monkeypatch, seed, calm):
    """Then the ends of the row groups are not enough to tell when a controller restarted."""
    monkeypatch.setattr(store_days, "CALM_GROUP", calm)
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


def test_long_quiet_hours_have_row_groups_of_their_own(tmp_path, rng_of):
    """A channel's records are cut where hours without commands begin and end."""
    house = house_of(tmp_path, rng_of)
    lock = house.venue.locks[0]
    command = pl.DataFrame({
        "time": [MIDNIGHT + timedelta(hours=h, minutes=30) for h in (9, 10, 13)],
        "channel": lock.command, "quantity": "command", "value": [1.0, 0.0, 1.0],
        "run": 0, "file": "e.csv", "line": [2, 3, 4]})
    volts = levels(rng_of, "rail", MIDNIGHT, 24, 60.0)
    house.take(pl.concat([SIGNALS.conform(command), volts]))
    reader = DayReader(house.store.folder)
    outline = reader.outline(MIDNIGHT.date(), {"volts": ["rail"]})
    spans = [(int(_hour(group.first)), int(_hour(group.last))) for group in outline.groups]
    assert spans == [(0, 8), (9, 10), (11, 12), (13, 13), (14, 23)]
    assert outline.known.rails["rail"].keys() == outline.known.controllers["rail"].keys()
    assert [footer.num_row_groups for footer in outline.metadata] == [5]


@pytest.fixture
def rng_of():
    return np.random.default_rng(41)
