"""One log told otherwise, its content the same or poorer: the findings must be the same.

What may change by chance is bounded: a probability by 0.2, the day by its own interval.
"""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.history import History
from remanence.analytics.pairing.rules import pair
from remanence.shared.weeks import Week
from tests.analytics.situations.lasting import _slower
from tests.analytics.situations.small_venue import sound
from tests.campaign.scenario import Fault

WEEKS, JUDGED, SINCE = 10, 9, 52
IN_MS = 1000


def _shape(scenario):
    _slower(scenario, "latch-1", SINCE)
    scenario.faults += [
        Fault("latch-3", "lock", "no-release", SINCE, "step", 0.2, grows_days=1),
        Fault("latch-5", "lock", "coil-current-high", SINCE, "step", 1.5, grows_days=1),
    ]


@pytest.fixture(scope="module")
def played():
    log = sound(7, weeks=WEEKS, leans=0.02, shape=_shape)
    tables = log.tables()
    return log, log.records, tables["service"], _found(log.venue, log.records, tables["service"])


def _found(venue, records, service, week=JUDGED):
    """Findings of the week by subject and condition."""
    signals = records.with_columns(
        pl.from_epoch("time", "us").dt.replace_time_zone("UTC"), run=pl.lit(0, pl.Int64),
        file=pl.lit("played"), line=pl.int_range(pl.len(), dtype=pl.Int64),
        place=pl.int_range(pl.len(), dtype=pl.Int64).over(
            "time", pl.col("channel").str.extract("^([^/]+)/")))
    history = History.of(venue, Week.of(date(2025, 3, 3)).plus(week), service=service,
                         **pair(signals, venue).tables())
    return {(f.subject, f.condition): f for f in diagnose(history) if f.urgency != "watch"}


def _alike(before, after, score=0.2):
    assert after.keys() == before.keys()
    for key, was in before.items():
        now = after[key]
        assert now.urgency == was.urgency, key
        assert now.score == pytest.approx(was.score, abs=score), key
        if was.since != now.since:
            assert (was.since_low <= now.since <= was.since_high
                    or now.since_low <= was.since <= now.since_high), key


def test_it_has_something_to_tell(played):
    _, _, _, before = played
    assert {("latch-1", "sticking-catch"), ("latch-3", "no-release"),
            ("latch-5", "coil-current-high")} <= before.keys()


def test_other_names_in_another_order(played):
    log, records, service, before = played
    venue = log.venue
    name = {lock.id: f"x{9 - place % 7}-{place}" for place, lock in enumerate(venue.locks)}
    rail = {"rail-a": "zz", "rail-b": "aa"}
    wire = {channel: channel.replace("plc0/", "south/").replace("plc1/", "north/")
            for channel in records["channel"].unique()}
    other = replace(
        venue,
        locks=tuple(replace(lock, id=name[lock.id], supply=rail[lock.supply],
                            command=wire[lock.command],
                            contact=lock.contact and wire[lock.contact])
                    for lock in reversed(venue.locks)),
        supplies=tuple(replace(one, id=rail[one.id], channel=wire[one.channel])
                       for one in reversed(venue.supplies)))
    after = _found(other, records.with_columns(pl.col("channel").replace(wire)),
                   service.with_columns(pl.col("lock").replace(name)))
    back = {new: old for old, new in name.items()}
    _alike(before, {(back[subject], condition): found
                    for (subject, condition), found in after.items()}, score=1e-6)


def _half_a_percent_lost(records):
    return records.filter(pl.Series(np.random.default_rng(3).random(records.height) >= 0.005))


def _coarser_volts(records):
    odd = pl.int_range(pl.len()).over("channel") % 2 == 1
    return records.filter((pl.col("quantity") != "volts") | odd).with_columns(
        value=pl.col("value").round(2))


def _more_lines(records):
    """Each line twice, a lamp, and a rail's meter that reads 0.2 V more."""
    lamp = records.gather_every(40).with_columns(
        channel=pl.lit("plc0/lamp"), quantity=pl.lit("contact"),
        value=(pl.int_range(pl.len()) % 2).cast(pl.Float64))
    meter = records.with_columns(value=pl.col("value") + 0.2 * (pl.col("channel") == "plc0/v0"))
    return pl.concat([meter, meter, lamp]).sort("time", maintain_order=True)


def _clock_of_five_milliseconds(records):
    step = 5 * IN_MS
    return records.with_columns(time=pl.col("time") // step * step).sort(
        "time", maintain_order=True)


@pytest.mark.parametrize("told", [
    _half_a_percent_lost, _coarser_volts, _more_lines, _clock_of_five_milliseconds])
def test_the_same_said_otherwise(played, told):
    log, records, service, before = played
    after = _found(log.venue, told(records), service)
    lines = {key for key, found in after.items() if found.condition == "lost-lines"}
    _alike(before, {key: after[key] for key in after.keys() - lines})


def test_nothing_of_a_week_is_known_before_it_came(played):
    log, records, service, _ = played
    end = log.start_of(7 * JUDGED)
    assert {key: (f.urgency, f.score, f.since) for key, f in _found(
        log.venue, records, service, JUDGED - 1).items()} == {
            key: (f.urgency, f.score, f.since) for key, f in _found(
                log.venue, records.filter(pl.col("time") < end), service, JUDGED - 1).items()}
