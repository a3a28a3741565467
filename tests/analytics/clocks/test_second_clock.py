"""Contacts on a second controller whose clock nobody sets: its course is taken out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.pairing.rules import pair
from remanence.pipelines.derive import derive as deriving
from remanence.shared.tables import SIGNALS
from remanence.shared.venue import Lock, Supply, Venue
from tests.pipelines.derive.test_derive import House

MIDNIGHT = datetime(2026, 3, 2, tzinfo=UTC)
DAY = 86_400.0
LATCH = Lock(
    id="latch", guards="container", mechanism="latch", released_by="power-on", supply="rail",
    command="north/q0", contact="south/i0", contact_closed_when="locked", contact_senses="catch")
LOCKS = (
    *(replace(LATCH, id=f"latch-{n}", command=f"north/q{n}", contact=f"south/i{n}")
      for n in range(4)),
    replace(LATCH, id="magnet", mechanism="magnet", released_by="power-off", command="north/q4",
            contact="south/i4", contact_senses="armature"))
VENUE = Venue(id="v", name="V", time_zone="UTC", locks=LOCKS,
              supplies=(Supply("rail", 12.0, channel="north/v"),))


def signals(ahead, *, days=8, hours=range(9, 23, 2), seed=1, missed=None):
    """Each lock once in each of these hours; ``ahead`` of the second clock by seconds of the log.

    Returns
    -------
    (SIGNALS, dict)
        And each command's true latency, in ms, by lock and microsecond.
    """
    rng = np.random.default_rng(seed)
    told, truth = [], {}
    for day in range(days):
        for hour in hours:
            for place, lock in enumerate(LOCKS):
                start = day * DAY + hour * 3600 + place * 40 + float(rng.uniform(0, 20))
                takes = (0.2 if lock.is_magnet else 0.03 + 0.004 * place) * rng.normal(1, 0.04)
                on, pulse = (0.0, 20.0) if lock.is_magnet else (1.0, 0.3)
                told += [(start, lock.command, "command", on),
                         (start + pulse, lock.command, "command", 1 - on)]
                if missed == (day, hour, place):
                    takes = np.nan
                else:
                    shut = start + 25
                    told += [(at + ahead(at), lock.contact, "contact", value)
                             for at, value in ((start + takes, 0.0), (shut, 1.0))]
                truth[lock.id, round(start * 1e6)] = 1000 * takes
    told.sort()
    frame = pl.DataFrame(
        [(MIDNIGHT + timedelta(microseconds=round(t * 1e6)), c, q, v, 0, "a", n, 0, 0)
         for n, (t, c, q, v) in enumerate(told)], schema=SIGNALS.schema, orient="row")
    return frame, truth


def errors(paired, truth):
    """By how much the latency of every release is off, in ms."""
    begun = MIDNIGHT.timestamp() * 1e6
    rows = paired.actuations.filter(pl.col("outcome") == "released")
    off = [took - truth[lock, round(at.timestamp() * 1e6 - begun)]
           for lock, at, took in rows.select("lock", "command_time", "latency_ms").rows()]
    return np.array(off)


@pytest.mark.parametrize(("ahead", "within_ms"), [
    (lambda t: 20e-6 * max(t - 3 * DAY, 0.0), 5.0),  # nobody sets it from the fourth day on
    (lambda t: -50e-6 * t, 5.0),  # it falls behind from the first
    (lambda t: 40.0 + 0 * t, 5.0),  # it was set wrongly before the log begins
    (lambda t: 20e-6 * (t % DAY), 12.0),  # it is set each midnight
    (lambda t: (-90.0 if t > 5 * DAY else 0.0) + 10e-6 * t, 5.0),  # somebody sets it by hand
])
def test_the_course_of_a_second_clock_is_taken_out(ahead, within_ms):
    log, truth = signals(ahead, missed=(6, 11, 2))
    paired = pair(log, VENUE)
    rows = paired.actuations
    assert rows.filter(pl.col("outcome") != "released").select("lock", "outcome").rows() == [
        ("latch-2", "no-release")]
    off = errors(paired, truth)
    # (What was ahead before the log begins nobody can know.)
    assert abs(np.median(off)) < 40
    assert np.abs(off - np.median(off)).max() < within_ms
    assert paired.openings.is_empty()


def test_how_far_it_is_ahead_is_told_by_the_day():
    paired = pair(signals(lambda t: 20e-6 * max(t - 3 * DAY, 0.0))[0], VENUE)
    south = paired.polling.filter(pl.col("controller") == "south")
    assert south["ahead_ms"].is_null().to_list() == [True] * 3 + [False] * 5
    assert south["ahead_ms"][-1] == pytest.approx(20e-6 * 4.66 * DAY * 1000, rel=0.02)
    assert south["ahead_known"].drop_nulls().all()
    assert paired.polling.filter(pl.col("controller") == "north")["ahead_ms"].is_null().all()


def test_clocks_that_are_set_from_one_source_are_left_as_they_are():
    log, truth = signals(lambda t: 0.004 * np.sin(t / 40_000))
    paired = pair(log, VENUE)
    assert paired.polling["ahead_ms"].is_null().all()
    assert np.abs(errors(paired, truth)).max() < 4.5


def test_locks_that_all_slow_down_are_no_second_clock():
    log, _ = signals(lambda t: 0.0)
    late = pl.col("time") >= MIDNIGHT + timedelta(days=5)
    contact = (pl.col("quantity") == "contact") & (pl.col("value") == 0) & late
    slower = log.with_columns(time=pl.when(contact & ~pl.col("channel").str.ends_with("4")).then(
        pl.col("time") + timedelta(milliseconds=9)).when(contact).then(
        pl.col("time") + timedelta(milliseconds=60)).otherwise("time"))
    assert pair(slower, VENUE).polling["ahead_ms"].is_null().all()


def test_a_clock_that_shows_no_course_from_the_first_day_is_not_observed():
    log, _ = signals(lambda t: 0.005 * t, days=3)
    assert pair(log, VENUE).actuations["outcome"].unique().to_list() == ["unobserved"]


def test_a_day_whose_course_does_not_show_is_not_observed():
    """Somebody sets the clock again and again: no line fits, and nobody failed to open."""
    log, _ = signals(lambda t: 20e-6 * t if t < 5 * DAY else 60.0 * ((t // 7200) % 7), days=7)
    paired = pair(log, VENUE)
    days = paired.actuations.group_by(pl.col("command_time").dt.date()).agg(
        pl.col("outcome").unique())
    assert {tuple(value) for value in days.sort("command_time")["outcome"][-2:]} == {
        ("unobserved",)}
    assert paired.polling.filter(pl.col("controller") == "south")["ahead_known"].to_list()[-2:] \
        == [False, False]


@pytest.mark.parametrize("rate", [100e-6, -100e-6])
def test_how_the_log_is_cut_changes_nothing(tmp_path, monkeypatch, rate):
    """Games go on across midnight while the clock is minutes off."""
    monkeypatch.setattr(deriving, "BLOCK_ROWS", 1)
    log, _ = signals(lambda t: rate * (t + 30 * DAY), days=5, hours=(0, 3, 8, 16, 20, 23.96))
    house = House(tmp_path, VENUE)
    house.take(log.filter(pl.col("time") < MIDNIGHT + timedelta(days=3)))
    house.check()
    house.take(log)
    paired = house.check()
    # (Only the first answers of a clock that is behind are stamped before the log begins.)
    assert (paired.actuations["outcome"] == "released").mean() > 0.95
