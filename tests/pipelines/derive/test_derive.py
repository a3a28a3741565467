"""Derived tables: the same rows as pairing everything at once, however the log came in."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

import remanence.pipelines.derive.store
from remanence.analytics.pairing.rules import pair
from remanence.pipelines.derive import derive as deriving
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.derive.records import StoreReader
from remanence.pipelines.derive.store import TIME_OF, read_manifest, read_text
from remanence.pipelines.sheets.load import load_table
from remanence.pipelines.store import days as store_days
from remanence.pipelines.store.manifest import Manifest, write_manifest
from remanence.pipelines.store.store import Batch, Store
from remanence.shared.limits import Limits
from tests.analytics.pairing.random_logs import random_log, random_venue

FIRST = datetime(2026, 3, 1, 23, 58, tzinfo=UTC)


def several_days(rng, venue, nights: int = 3) -> pl.DataFrame:
    """Busy minutes around several midnights: what is not final is handed on each time."""
    logs = []
    for night in range(nights):
        begin = FIRST + timedelta(days=night)
        log = random_log(rng, venue, minutes=4.0, games=7, begin=begin)
        logs.append(log.with_columns(pl.col("run") + 10 * night))
    return pl.concat(logs)


def settled(venue):
    """The same venue with every contact's sense stated, so that nothing is learned late."""
    return replace(venue, locks=tuple(
        replace(lock, contact_closed_when="open" if lock.contact_closed_when == "open"
                else "locked") for lock in venue.locks))


class House:
    def __init__(self, folder, venue):
        self.venue, self.path = replace(venue, store="store"), folder / "venue.toml"
        self.store = Store.open(self.venue, self.path)

    def take(self, signals):
        self.store.commit(Batch(signals))
        return derive(self.venue, self.path, self.store)

    def derive(self):
        return derive(self.venue, self.path, self.store)

    def table(self, name):
        return load_table(self.venue, self.path, name)

    def check(self):
        """Every derived table equals pairing all records of the store at once."""
        signals = self.store.scan_signals().collect()
        paired = pair(signals, self.venue)
        for name, frame in paired.tables().items():
            assert_frame_equal(self.table(name), frame, check_exact=True)
        return paired


@pytest.fixture
def days_alone(monkeypatch):
    """Every day is a block of its own."""
    monkeypatch.setattr(deriving, "BLOCK_ROWS", 1)


@pytest.fixture
def rng():
    return np.random.default_rng(20260301)


@pytest.mark.parametrize("seed", range(4))
def test_day_by_day_gives_the_rows_of_all_at_once(tmp_path, days_alone, seed):
    rng = np.random.default_rng(1000 + seed)
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    summary = house.take(several_days(rng, venue))
    assert summary.days == summary.of_days >= 4
    paired = house.check()
    assert paired.actuations.height > 50


@pytest.mark.parametrize("rows", [1, 4_000, 10**9])
@pytest.mark.parametrize("seed", range(3))
def test_order_of_arrival_and_blocks_change_nothing(tmp_path, monkeypatch, rows, seed):
    monkeypatch.setattr(deriving, "BLOCK_ROWS", rows)
    rng = np.random.default_rng(2000 + seed)
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    signals = several_days(rng, venue)
    part = rng.integers(0, 4, signals.height)
    for number in rng.permutation(4):
        house.take(signals.filter(pl.Series(part == number)))
        house.check()


@pytest.mark.parametrize(("own", "rows"), [(1, 700), (300, 65_536), (10**9, 700)])
def test_how_the_store_cuts_its_files_changes_nothing(tmp_path, rng, monkeypatch, own, rows):
    """Channels alone, together and in turn; row groups of one channel one after the other."""
    monkeypatch.setattr(store_days, "OWN_GROUP", own)
    monkeypatch.setattr(store_days, "ROW_GROUP", rows)
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    signals = several_days(rng, venue)
    first = pl.Series(rng.random(signals.height) < 0.5)
    with monkeypatch.context() as older:
        older.setattr(store_days, "channel_by_channel", lambda frame, _: frame)
        older.setattr(store_days, "row_groups", lambda frame, _: [])
        house.take(signals.filter(first & (pl.col("time") < FIRST + timedelta(hours=12))))
    house.check()
    house.take(signals)
    house.check()


def test_readings_that_are_no_numbers_are_in_no_hour(tmp_path, rng, monkeypatch):
    monkeypatch.setattr(store_days, "OWN_GROUP", 1)
    venue = settled(random_venue(rng))
    house = House(tmp_path, venue)
    log = several_days(rng, venue)
    volts = pl.col("quantity") == "volts"
    odd = pl.Series(rng.random(log.height) < 0.1)
    house.take(log.with_columns(value=pl.when(volts & odd).then(float("inf")).otherwise("value")))
    house.check()


def test_a_new_day_pairs_only_its_own_block(tmp_path, days_alone, rng):
    venue = settled(random_venue(rng))
    house = House(tmp_path, venue)
    for night in range(5):
        log = random_log(rng, venue, minutes=4.0, games=5,
                         begin=FIRST.replace(hour=12) + timedelta(days=night))
        summary = house.take(log)
        assert summary.paired == ((FIRST + timedelta(days=night)).date(),)
    assert house.derive().days == 0
    house.check()


def test_late_records_pair_their_own_block_again(tmp_path, days_alone, rng):
    venue = settled(random_venue(rng))
    house = House(tmp_path, venue)
    logs = [random_log(rng, venue, minutes=4.0, games=5,
                       begin=FIRST.replace(hour=12) + timedelta(days=night)) for night in range(5)]
    late = logs[1].filter(pl.col("quantity") == "volts").head(40)
    house.take(pl.concat(logs).join(late, on=["time", "channel", "quantity", "value"], how="anti"))
    summary = house.take(late)
    # (The readings of a day's end are looked at with the day after, too.)
    assert summary.paired == tuple((FIRST + timedelta(days=day)).date() for day in (1, 2))
    house.check()
    edge = logs[2].filter(pl.col("quantity") == "command").sort("time").head(1).with_columns(
        pl.col("time") - pl.duration(seconds=30))
    summary = house.take(edge)
    assert (FIRST + timedelta(days=2)).date() in summary.paired
    house.check()


def test_a_kill_leaves_the_old_tables_whole(tmp_path, rng, monkeypatch):
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    signals = several_days(rng, venue)
    cut = FIRST + timedelta(days=1, hours=12)
    house.take(signals.filter(pl.col("time") < cut))
    old = {name: house.table(name) for name in TIME_OF}
    real = remanence.pipelines.derive.store.write_part
    for after in (0, 1, 3, 6):
        written = []

        def dying(folder, name, frame, after=after, written=written):
            if len(written) == after:
                raise KeyboardInterrupt
            written.append(name)
            return real(folder, name, frame)

        with monkeypatch.context() as patch:
            patch.setattr("remanence.pipelines.derive.derive.write_part", dying)
            with pytest.raises(KeyboardInterrupt):
                house.take(signals)
        for name, frame in old.items():
            assert_frame_equal(house.table(name), frame)
    house.derive()
    house.check()


def test_files_that_a_run_did_not_write_stay(tmp_path, rng):
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    signals = several_days(rng, venue)
    house.take(signals.filter(pl.col("time") < FIRST + timedelta(days=1)))
    left = house.store.folder / "derived" / "actuations" / "left.parquet"
    left.write_bytes(b"somebody else's")
    house.take(signals)
    assert left.read_bytes() == b"somebody else's"


CHANGES = {
    "contact": lambda lock: replace(lock, contact_closed_when="open"
                                    if lock.contact_closed_when == "locked" else "locked"),
    "command": lambda lock: replace(lock, command_energised=1 - lock.command_energised),
    "released_by": lambda lock: replace(
        lock, self_cut=False,
        released_by="power-on" if lock.released_by == "power-off" else "power-off"),
    "supply": lambda lock: replace(lock, supply="dark" if lock.supply == "rail" else "rail"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_of_wiring_pairs_everything_again(tmp_path, rng, change):
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    house.take(several_days(rng, venue))
    locks = list(venue.locks)
    place = next(i for i, lock in enumerate(locks) if lock.contact and not lock.self_cut)
    locks[place] = CHANGES[change](locks[place])
    house.venue = replace(house.venue, locks=tuple(locks))
    summary = house.derive()
    assert summary.days == summary.of_days
    house.check()
    assert house.derive().days == 0


def test_a_lock_put_in_and_one_taken_out(tmp_path, rng):
    venue = random_venue(rng, locks=7)
    house = House(tmp_path, replace(venue, locks=venue.locks[:-1]))
    house.take(several_days(rng, venue))
    house.venue = replace(house.venue, locks=venue.locks[2:])
    house.derive()
    house.check()


def test_limits_that_pairing_goes_by_pair_again(tmp_path, rng):
    venue = random_venue(rng, locks=8)
    house = House(tmp_path, venue)
    house.take(several_days(rng, venue))
    limits = Limits(coast_ms=400.0, door_wait_ms=900.0, settle_ms=30.0, retry_within_s=20.0)
    house.venue = replace(house.venue, limits=limits)
    summary = house.derive()
    assert summary.days == summary.of_days
    house.check()
    # A limit that has nothing to do with pairing costs nothing.
    house.venue = replace(house.venue, limits=replace(limits, supply_low_percent=80.0))
    assert house.derive().days == 0


def random_change(rng, venue, spare):
    """A venue with one thing about it changed."""
    locks = list(venue.locks)
    place = int(rng.integers(len(locks)))
    lock = locks[place]
    kind = rng.choice(["contact", "command", "supply", "senses", "fitted", "out", "in", "limits"])
    if kind in CHANGES and (kind != "contact" or lock.contact):
        locks[place] = CHANGES[kind](lock)
    elif kind == "senses":
        locks[place] = replace(lock, contact_senses="door" if lock.contact_senses != "door"
                               else "catch")
    elif kind == "fitted":
        locks[place] = replace(lock, contact=None if lock.contact else spare.contact)
    elif kind == "out" and len(locks) > 3:
        del locks[place]
    elif kind == "in" and spare.id not in {lock.id for lock in locks} \
            and not any(lock.contact == spare.contact for lock in locks):
        locks.insert(place, spare)
    elif kind == "limits":
        return replace(venue, limits=replace(
            venue.limits, coast_ms=float(rng.choice([300.0, 400.0, 600.0]))))
    return replace(venue, locks=tuple(locks))


@pytest.mark.parametrize("seed", [1, 3, 4])
def test_any_change_of_the_venue_gives_what_deriving_anew_gives(tmp_path, seed):
    rng = np.random.default_rng(3000 + seed)
    whole = random_venue(rng, locks=7)
    rails = (replace(whole.supplies[0]), replace(whole.supplies[1], channel="c0/v"))
    whole = replace(whole, supplies=rails)
    spare = replace(whole.locks[-1], contact="c1/i6")
    house = House(tmp_path, replace(whole, locks=whole.locks[:-1]))
    signals = several_days(rng, whole)
    volts = signals.filter(pl.col("quantity") == "volts")
    other = volts.with_columns(channel=pl.lit("c0/v"), value=pl.col("value") * 2)
    late = signals.sample(12, seed=seed)
    house.take(pl.concat([signals, other]).join(
        late, on=["time", "channel", "quantity", "value"], how="anti"))
    for turn in range(5):
        house.venue = random_change(rng, house.venue, spare)
        if turn == 2:
            house.take(late)
        house.derive()
        house.check()
    kept = states_of(house)
    shutil.rmtree(house.store.folder / "derived")
    house.derive()
    assert kept == states_of(house)


def states_of(house):
    """What each block left to the next."""
    folder = house.store.folder
    return {max(block.days): read_text(folder, block.left)
            for block in read_manifest(folder).blocks}


def test_a_day_without_volts_counts_no_samples(tmp_path, rng):
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    signals = several_days(rng, venue)
    first = pl.col("time") < FIRST + timedelta(hours=12)
    house.take(signals.filter((pl.col("quantity") != "volts") | first))
    paired = house.check()
    assert set(paired.actuations["volts_samples"].drop_nulls().unique()) > {0}


def test_names_and_parts_pair_nothing_again(tmp_path, rng):
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    house.take(several_days(rng, venue))
    house.venue = replace(house.venue, name="Other", locks=tuple(
        replace(lock, room="Elsewhere", part="spring", coil_ohms=9.0) for lock in venue.locks))
    assert house.derive().days == 0


def test_rows_of_a_span(tmp_path, rng):
    venue = random_venue(rng)
    house = House(tmp_path, venue)
    house.take(several_days(rng, venue))
    start, end = FIRST + timedelta(hours=12), FIRST + timedelta(days=1, minutes=2)
    found = load_table(house.venue, house.path, "actuations", start, end)
    whole = house.table("actuations").filter(
        pl.col("command_time").is_between(start, end, closed="left"))
    assert found.height
    assert_frame_equal(found, whole)


def test_a_new_day_reads_no_other_block(tmp_path, days_alone, rng, monkeypatch):
    venue = settled(random_venue(rng))
    house = House(tmp_path, venue)
    noon = FIRST.replace(hour=12)
    for day in range(4):
        house.take(random_log(rng, venue, minutes=4.0, games=5,
                              begin=noon + timedelta(days=20 * day)))
    read = []

    def watch(name):
        real = getattr(StoreReader, name)

        def watched(self, wiring, days, *rest):
            read.extend(day.isoformat() for day in days)
            return real(self, wiring, days, *rest)

        monkeypatch.setattr(StoreReader, name, watched)

    watch("edges")
    watch("stretches")
    last = noon + timedelta(days=80)
    house.take(random_log(rng, venue, minutes=4.0, games=5, begin=last))
    assert set(read) == {last.date().isoformat()}


def test_a_span_reads_only_its_own_months(tmp_path, rng, monkeypatch):
    venue = settled(random_venue(rng))
    house = House(tmp_path, venue)
    noon = FIRST.replace(hour=12)
    for month in range(6):
        house.take(random_log(rng, venue, minutes=4.0, games=5,
                              begin=noon + timedelta(days=31 * month)))
    read = []
    real = remanence.pipelines.derive.store.read_part

    def watched(folder, path, *rest):
        read.append(path)
        return real(folder, path, *rest)

    monkeypatch.setattr(remanence.pipelines.derive.store, "read_part", watched)
    start = noon + timedelta(days=31 * 4 - 1)
    found = load_table(house.venue, house.path, "actuations", start)
    assert found.height
    assert len(read) <= 4


def test_many_days_in_blocks_across_months(tmp_path, rng, monkeypatch):
    monkeypatch.setattr(deriving, "BLOCK_ROWS", 4_000)
    venue = random_venue(rng, locks=4)
    house = House(tmp_path, venue)
    logs = [random_log(rng, venue, minutes=2.0, games=3,
                       begin=datetime(2026, 1, 24, 23, 59, tzinfo=UTC) + timedelta(days=day))
            .with_columns(pl.col("run") + 10 * day) for day in range(12)]
    summary = house.take(pl.concat(logs))
    assert summary.days == 13
    house.check()
    # One volt reading just before a midnight: its day, and the next one if it looks back.
    late = logs[5].filter(pl.col("quantity") == "volts").sort("time").head(1).with_columns(
        pl.col("time") - pl.duration(microseconds=1))
    assert house.take(late).days < 13
    house.check()


def test_a_store_that_was_made_anew_is_derived_anew(tmp_path, rng):
    venue = random_venue(rng, locks=4)
    house = House(tmp_path, venue)
    house.take(several_days(rng, venue))
    shutil.rmtree(house.store.folder / "signals")
    write_manifest(house.store.folder, Manifest.new())
    summary = house.take(random_log(rng, venue, minutes=3.0, games=4))
    assert summary.days == summary.of_days
    house.check()
    (house.store.folder / "derived" / "manifest.json").write_text("{ torn")
    assert house.derive().days == summary.of_days
    house.check()


def test_nothing_in_the_store_derives_nothing(tmp_path, rng):
    house = House(tmp_path, random_venue(rng))
    assert house.derive().text() == "derived tables are up to date (0 days)"
    assert house.table("actuations").is_empty()
