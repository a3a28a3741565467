"""On an exit route: two cuts that hold are told at once, and slow people are no slow magnet."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions import lost_lines
from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.conditions.door_people import people_only
from remanence.analytics.conditions.exits import held_on_way_out, late_doors
from remanence.analytics.conditions.latency import slow_drop
from remanence.analytics.conditions.outcomes import no_release
from remanence.analytics.conditions.shown import what_was_shown
from remanence.analytics.drift.judge import drifts
from remanence.shared.tables import ACTUATIONS
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

BOND = lock("bond", kind="magnet", guards="doorway")
DOOR = lock("door", kind="magnet", guards="doorway", contact_senses="door")
INSIDE = lock("chest", kind="magnet")
LOCKS = [BOND, DOOR, INSIDE, *(lock(f"m-{i}", kind="magnet") for i in range(4))]
WEEK = 9


@pytest.fixture(scope="module")
def sound():
    rows = actuations(LOCKS, weeks=10, seed=51, no_release=0.0)
    rng = np.random.default_rng(2)
    return ACTUATIONS.conform(rows.with_columns(
        sag_volts=pl.Series(0.5 + rng.normal(0, 0.01, rows.height)),
        volts_noise=pl.lit(0.01), sample_ms=pl.lit(5.0)))


def last_rows(name: str, *places: int):
    """The rows of that lock in the judged week, by place."""
    monday = FIRST_MONDAY + timedelta(weeks=WEEK)
    week = (pl.col("lock") == name) & (pl.col("command_time").dt.date() >= monday)
    place = pl.col("command_time").rank("ordinal").over(pl.col("lock"), week)
    return week & place.is_in(list(places))


def with_held(rows, name, *places, relief=True):
    hit = last_rows(name, *places)
    return rows.with_columns(
        outcome=pl.when(hit).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(hit).then(None).otherwise("latency_ms"),
        waited_ms=pl.when(hit).then(9000.0).otherwise("waited_ms"),
        sag_volts=pl.when(hit & pl.lit(not relief)).then(0.0).otherwise("sag_volts"))


def told(rows):
    return [(f.subject, f.condition, f.urgency) for f in held_on_way_out(
        history_at(LOCKS, rows, WEEK))]


def test_one_cut_in_twenty_that_the_bond_sensor_shows_held_is_told_at_once(sound):
    assert told(sound) == []
    assert told(with_held(sound, "bond", 5)) == []
    rows = with_held(sound, "bond", 5, 30)
    assert told(rows) == [("bond", "no-release", "now")]
    found = [f for f in diagnose(history_at(LOCKS, rows, WEEK)) if f.subject == "bond"
             and f.condition != "release-test-due"]
    assert [(f.condition, f.urgency) for f in found] == [("no-release", "now")]


def test_a_door_that_nobody_opened_is_held_only_where_the_rail_kept_its_load(sound):
    assert told(with_held(sound, "door", 5, 12, 30)) == []
    rows = with_held(sound, "door", 5, 30, relief=False)
    assert told(rows) == [("door", "stuck-energised", "now")]


def test_a_door_that_stays_shut_and_its_rail_tell_together_what_the_rail_alone_could_not(sound):
    # Each reading scatters by a third of the magnet's load: alone, no cut can be told from no cut.
    noisy = sound.with_columns(sag_volts=pl.col("sag_volts") * 0.12, volts_noise=pl.lit(0.027))
    assert told(noisy) == []
    assert told(with_held(noisy, "door", 5, 12, 30)) == []
    rows = with_held(noisy, "door", 5, 30, relief=False)
    assert told(rows) == [("door", "stuck-energised", "now")]
    shown = what_was_shown(history_at(LOCKS, rows, WEEK))
    assert shown["lock", "door"].unmoved == 2


def test_off_an_exit_route_two_are_judged_as_a_rate(sound):
    assert told(with_held(sound, "chest", 5, 30)) == []


def test_an_edge_written_twice_is_one_cut(sound):
    rows = with_held(sound, "bond", 5)
    hit = rows.filter(last_rows("bond", 5)).with_columns(
        pl.col("command_time") + timedelta(milliseconds=80))
    assert told(pl.concat([rows, hit])) == []


@pytest.mark.parametrize(("factor", "expected"), [(1.0, []), (8.0, ["week"])])
def test_a_door_late_one_time_in_four_is_told_and_never_closes_the_room(sound, factor, expected):
    monday = FIRST_MONDAY + timedelta(weeks=WEEK - 1)
    hit = (pl.col("lock") == "door") & (pl.col("command_time").dt.date() >= monday) & (
        pl.int_range(pl.len()) % 4 == 0)
    rows = sound.with_columns(
        latency_ms=pl.when(hit).then(pl.col("latency_ms") * factor).otherwise("latency_ms"))
    assert [f.urgency for f in late_doors(history_at(LOCKS, rows, WEEK))] == expected


def test_people_who_are_slower_are_no_slow_magnet():
    rows = actuations(LOCKS, weeks=10, seed=52, faults={
        "door": lambda days: np.where(days >= 50, np.log(1.6), 0.0)})
    found = [f for f in diagnose(history_at(LOCKS, rows, WEEK)) if f.subject == "door"]
    assert all(f.urgency != "now" for f in found if f.condition != "release-test-due")


def with_people(rows, times, jams, seed):
    """Its people take a second, from the seventh week on so many times as long; a door may jam."""
    rng = np.random.default_rng(seed)
    later = (rows["command_time"].dt.date() >= FIRST_MONDAY + timedelta(weeks=6)).to_numpy()
    person = 600.0 * rng.gamma(2.0, 1.0, rows.height) * np.where(later, times, 1.0)
    person += np.where(later & (rng.random(rows.height) < jams), rng.uniform(4e3, 9e3), 0.0)
    return rows.with_columns(latency_ms=pl.col("latency_ms") + pl.Series(person))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("times", "jams", "slow"), [(2.0, 0.0, False), (1.0, 0.25, True)])
def test_people_who_take_twice_as_long_say_nothing_of_the_magnet(times, jams, slow, seed):
    rows = with_people(actuations([DOOR], weeks=10, seed=54), times, jams, seed)
    history = history_at([DOOR], rows, WEEK)
    assert bool(late_doors(history) or slow_drop(history)) is slow


@pytest.mark.parametrize("spread", [0.2, 0.35, 0.6])
def test_people_who_come_later_spread_their_openings_and_a_lock_does_not(spread):
    told = {}
    for what, times, later_ms in (("people", 1.5, 0.0), ("lock", 1.0, 250.0)):
        for seed in range(10):
            rows = actuations([DOOR], weeks=10, seed=60 + seed)
            rng = np.random.default_rng(seed)
            later = (rows["command_time"].dt.date() >= FIRST_MONDAY + timedelta(weeks=6)).to_numpy()
            person = 900.0 * np.exp(spread * rng.normal(size=rows.height))
            rows = rows.with_columns(latency_ms=pl.col("latency_ms") + pl.Series(
                np.where(later, person * times + later_ms, person)))
            history = history_at([DOOR], rows, WEEK)
            drift = drifts(history).current["door"]
            told.setdefault(what, []).append(people_only(drift))
    assert sum(told["people"]) >= 8
    assert sum(told["lock"]) <= 3


@pytest.mark.parametrize(("later_ms", "slow"), [(1100.0, False), (6000.0, True)])
def test_no_magnet_makes_all_openings_a_second_later_and_what_nobody_explains_is_told(
        later_ms, slow):
    rows = with_people(actuations([DOOR], weeks=10, seed=54), 1.0, 0.0, 3)
    since = FIRST_MONDAY + timedelta(weeks=6)
    rows = rows.with_columns(latency_ms=pl.when(pl.col("command_time").dt.date() >= since).then(
        pl.col("latency_ms") + later_ms).otherwise("latency_ms"))
    history = history_at([DOOR], rows, WEEK)
    assert bool(late_doors(history) or slow_drop(history)) is slow


@pytest.mark.parametrize("again_s", [8, 1800])
def test_who_presses_again_at_once_wanted_out_and_who_does_not_tells_nothing(sound, again_s):
    rows = with_held(sound, "door", 4, 11, 19, 27, 33)
    again = rows.filter(last_rows("door", 5, 12, 20, 28, 34)).with_columns(
        command_time=rows.filter(last_rows("door", 4, 11, 19, 27, 33))["command_time"]
        + timedelta(seconds=again_s), attempt=pl.lit(2, pl.Int64))
    found = no_release(history_at(LOCKS, ACTUATIONS.conform(pl.concat([rows, again])), WEEK))
    assert [(f.subject, f.urgency, f.score > 0.8) for f in found] == (
        [("door", "now", True)] if again_s == 8 else [])


def test_cuts_whose_answer_may_be_lost_hold_nobody_in(sound, monkeypatch):
    controller = BOND.contact_controller
    silent, driven = with_held(sound, "bond", 5, 9), with_held(sound, "bond", 5, 9, relief=False)
    monkeypatch.setattr(lost_lines, "lost_shares", lambda history: {controller: 0.02})
    [weighed] = held_on_way_out(history_at(LOCKS, silent, WEEK))
    assert weighed.score < 0.3
    # A load that stays on the rail is no line that was lost, nor are so many silent cuts.
    for rows in (driven, with_held(sound, "bond", *range(1, 10))):
        [told_now] = held_on_way_out(history_at(LOCKS, rows, WEEK))
        assert (told_now.urgency, told_now.score) == ("now", pytest.approx(0.9, abs=0.1))
