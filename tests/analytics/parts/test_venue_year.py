"""Lost days and the trend of the year."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from remanence.analytics.history import History
from remanence.analytics.parts.venue_year import venue_year
from remanence.shared.table import TIMESTAMP
from remanence.shared.weeks import Week
from tests.dashboards.small_venue import WEEK, venue

SHUT = WEEK.monday + timedelta(days=2)


def history(*, shut=(), missed=0.0, silent=()):
    """Twelve weeks of three games a day in every room; the lamp room shut on ``shut``."""
    house = venue()
    rows, hours = [], []
    first = WEEK.plus(-11).monday
    for number in range(84):
        day = first + timedelta(days=number)
        for lock in house.locks:
            if lock.room == "Lamp room" and day in shut:
                continue
            rows += [{
                "lock": lock.id, "attempt": 1,
                "command_time": datetime(day.year, day.month, day.day, 10 + 2 * game, tzinfo=UTC),
                "outcome": "no-release" if number >= 56 and game < missed else "released",
            } for game in range(3)]
        hours += [{"controller": controller, "records": 0 if day in silent else 10,
                   "hour": datetime(day.year, day.month, day.day, 10, tzinfo=UTC)}
                  for controller in ("north", "south")]
    return History.of(
        house, Week(WEEK.year, WEEK.number),
        actuations=pl.DataFrame(rows, schema_overrides={"command_time": TIMESTAMP}),
        activity=pl.DataFrame(hours, schema_overrides={"hour": TIMESTAMP}))


def test_a_day_on_which_only_one_room_stood_still_is_lost_with_its_games():
    found = venue_year(history(shut=(SHUT,))).lost
    assert [(item.room, item.days, item.games, item.last) for item in found] == [
        ("Lamp room", 1, 3.0, SHUT)]


def test_a_weekday_on_which_the_room_is_never_played_is_not_lost():
    wednesdays = [SHUT - timedelta(weeks=back) for back in range(12)]
    assert venue_year(history(shut=wednesdays)).lost == ()


def test_a_day_without_log_is_not_lost():
    assert venue_year(history(shut=(SHUT,), silent=(SHUT,))).lost == ()


def test_the_trend_counts_what_was_not_answered_in_steps_of_four_weeks():
    year = venue_year(history(missed=1))
    assert [item.per_thousand for item in year.periods] == pytest.approx([0.0, 0.0, 1000 / 3])
    assert year.games_a_day["Lamp room"] == 3.0
    assert year.periods[-1].last == WEEK.sunday
