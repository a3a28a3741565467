"""Magnets that their rail lets go: switched off at night, stopped in an emergency, or failing."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.conditions.in_play import openings_of_locks
from remanence.analytics.health.lock_state import lock_states
from remanence.shared.tables import OPENINGS, RAIL_HOURS
from tests.analytics.conditions.said import values
from tests.analytics.physics.rail_rows import MONDAY, actuations, at_week, magnet, moment, venue

LOCKS = [magnet(name, guards="container") for name in "abcd"]
HOUSE = venue(*LOCKS)
WEEKS, BEGUN = 6, 28


def opened(*rows):
    """Openings while energised of (lock, moment)."""
    return OPENINGS.conform(pl.DataFrame({
        "lock": [lock for lock, _ in rows], "time": [time for _, time in rows],
        "energised": True, "open_ms": 60_000.0}))


def together(day, hour, names="abc"):
    """These open within half a second."""
    return [(name, moment(day, hour) + timedelta(milliseconds=170 * place))
            for place, name in enumerate(names)]


def said(openings, week=WEEKS - 1):
    rows = pl.concat([actuations(lock, WEEKS, pulse_ms=30_000.0) for lock in LOCKS])
    history = at_week(HOUSE, week, actuations=rows, openings=openings)
    return history, {(item.subject, item.condition): item for item in diagnose(history)}


def test_a_house_that_is_switched_off_for_the_night_has_no_weak_magnets():
    nights = [row for day in range(7 * WEEKS) for row in together(day, 23.2)]
    history, found = said(opened(*nights))
    assert not found
    assert {state.state for state in lock_states(history, []).values()} == {"good"}


def test_one_magnet_that_comes_open_alone_is_weak():
    alone = [row for day in range(BEGUN, 7 * WEEKS) for row in together(day, 15.0, "b")]
    nights = [row for day in range(7 * WEEKS) for row in together(day, 23.2)]
    _, found = said(opened(*alone, *nights))
    assert set(found) == {("b", "weakening-hold")}


def test_a_magnet_alone_on_its_rail_is_switched_off_where_the_rail_was_read_as_off():
    nights = opened(*(row for day in range(7 * WEEKS) for row in together(day, 23.2, "a")))
    rows = actuations(LOCKS[0], WEEKS, pulse_ms=30_000.0)
    off = RAIL_HOURS.conform(pl.DataFrame({
        "supply": "rail", "hour": [moment(day, 24.0) for day in range(7 * WEEKS)],
        "idle_samples": 60, "idle_median": 0.1, "idle_low": 0.1}))
    histories = [at_week(venue(LOCKS[0]), WEEKS - 1, actuations=rows, openings=nights, **read)
                 for read in ({}, {"rail_hours": off})]
    assert [[item.condition for item in diagnose(history)] for history in histories] == [
        ["weakening-hold"], []]
    assert [lock_states(history, [])["a"].state for history in histories] == ["watch", "good"]


@pytest.mark.parametrize(("names", "told"), [("abcd", 0), ("ab", 0), ("a", 1)])
def test_half_of_the_watched_magnets_make_it_the_rail_s(names, told):
    history, _ = said(opened(*together(BEGUN, 15.0, names)))
    assert openings_of_locks(history).height == told


def test_a_rail_that_lets_its_magnets_go_in_play_is_told_and_no_magnet():
    falls = [row for day in range(BEGUN, 7 * WEEKS, 2) for row in together(day, 15.0)]
    _, found = said(opened(*falls))
    assert set(found) == {("rail", "supply-sag")}
    item = found["rail", "supply-sag"]
    assert values(item)["count"] == 3
    assert item.since_low <= MONDAY + timedelta(days=BEGUN) <= item.since_high
    assert item.evidence[0].now_low < item.evidence[0].now < item.evidence[0].now_high


@pytest.mark.parametrize("week", [4, 5])
def test_a_rail_that_lets_go_twice_a_week_is_told_in_each(week):
    falls = [row for day in range(BEGUN - 7, 7 * WEEKS) if day % 7 in (2, 5)
             for row in together(day, 15.0)]
    _, found = said(opened(*falls), week)
    assert set(found) == {("rail", "supply-sag")}
    assert values(found["rail", "supply-sag"])["count"] == 2


def test_an_emergency_stop_that_is_tested_once_a_week_is_no_fault():
    tests = [row for day in range(3, 7 * WEEKS, 7) for row in together(day, 12.0, "abcd")]
    assert not said(opened(*tests))[1]
