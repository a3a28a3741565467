from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.over_long import over_long_energising
from tests.analytics.conditions.said import ids, values
from tests.analytics.physics.rail_rows import (
    MONDAY,
    actuations,
    at_week,
    energisings,
    latch,
    magnet,
    moment,
    service,
    venue,
)


def presses(weeks, long=lambda day, i: None, name="a", on_ms=300.0):
    """Six pulses a day, some of which ``long`` makes longer."""
    return [(name, moment(day, 10 + i), long(day, i) or on_ms)
            for day in range(7 * weeks) for i in range(6)]


def said(rows, lock=None, week=3, **frames):
    lock = lock or latch("a")
    return over_long_energising(at_week(venue(lock), week, energisings=energisings(rows),
                                        **frames))


def test_pulses_within_the_rating_are_nothing():
    assert said(presses(4)) == []
    assert said(presses(4, on_ms=510.0)) == []


def test_one_long_press_is_found_in_its_week_only():
    rows = presses(4, lambda day, i: 8000.0 if (day, i) == (23, 2) else None)
    found = said(rows)
    assert [(f.condition, f.urgency) for f in found] == [("over-long-energising", "week")]
    assert found[0].since == MONDAY + timedelta(days=23)
    assert found[0].evidence[0].now == 8000.0
    assert values(found[0])["longest"].value > 0
    assert said(rows, week=2) == []
    assert said(presses(5, lambda day, i: 8000.0 if (day, i) == (23, 2) else None), week=4) == []


def test_the_first_of_many_dates_it():
    rng = np.random.default_rng(3)
    rows = presses(6, lambda day, i: 6000.0 if day >= 19 and rng.random() < 0.3 else None)
    found = said(rows, week=5)
    assert abs((found[0].since - MONDAY).days - 19) <= 3
    assert found[0].since_low <= found[0].since <= found[0].since_high


def test_each_more_of_them_leaves_less_room_for_lines_that_were_lost():
    few, more = (said(presses(4, lambda day, i, last=last: 8000.0 if day == 23 and i < last else
                              None))[0].score for last in (1, 2))
    assert 0.95 <= few < more <= 0.999


def test_a_coil_held_for_minutes_is_not_run_again():
    assert said(presses(4, lambda d, i: 180_000.0 if d == 25 and i == 1 else None))[
        0].urgency == "now"


def test_a_program_that_pulses_a_little_too_long():
    found = said(presses(4, lambda day, i: 700.0 if day >= 14 else None))
    assert found[0].urgency == "week"
    assert found[0].since == MONDAY + timedelta(days=14)
    assert values(found[0])["found"] == values(found[0])["total"]


def test_a_coil_still_on_at_the_end_of_the_log():
    rows = [*presses(3), ("a", moment(22, 12), None)]
    activity = pl.DataFrame({
        "controller": ["north"] * 3, "hour": [moment(22, h) for h in (12, 13, 14)],
        "last": [moment(22, h + 0.9) for h in (12, 13, 14)], "runs": [1, 1, 1]})
    found = said(rows, activity=activity)
    assert found[0].urgency == "now"
    assert "still-on" in ids(found[0])
    # The log breaks off there, or the controller restarts: nothing is known.
    assert said(rows, activity=activity.head(1).with_columns(last=moment(22, 12.0001))) == []
    assert said(rows, activity=activity.with_columns(runs=pl.Series([1, 2, 1]))) == []


def test_many_short_pulses_go_beyond_the_duty():
    burst = [("a", moment(23, 12.5 + i / 3600), 400.0) for i in range(90)]
    rows = sorted([*presses(4), *burst], key=lambda row: row[1])
    found = said(rows)
    assert len(found) == 1
    assert found[0].evidence[-1].now == pytest.approx(100 * 36 / 300, rel=0.01)
    assert said(rows, lock=latch("a", duty_percent=15.0)) == []


def test_locks_without_rating_and_magnets_are_not_judged():
    rows = presses(4, lambda day, i: 60_000.0)
    assert said(rows, lock=latch("a", max_on_ms=None, duty_percent=None)) == []
    assert said(rows, lock=magnet("a", max_on_ms=500.0)) == []


def test_a_self_cutting_coil_is_on_until_it_opens():
    lock = latch("a", self_cut=True)
    rows = presses(4, on_ms=2000.0)
    opened = actuations(lock, 4)
    times = pl.Series([row[1] for row in rows])
    opened = opened.head(times.len()).with_columns(command_time=times.head(opened.height))
    rows = rows[:opened.height]
    assert said(rows, lock=lock, actuations=opened) == []
    assert said(rows, lock=lock) == []
    stalled = opened.with_columns(outcome=pl.lit("no-release"),
                                  latency_ms=pl.lit(None, dtype=pl.Float64))
    assert len(said(rows, lock=lock, actuations=stalled)) == 1


def test_after_the_relay_was_replaced_the_finding_goes():
    rows = presses(4, lambda day, i: 6000.0 if 15 <= day <= 22 and i == 3 else None)
    assert len(said(rows)) == 1
    assert said(rows, service=service((22, "a", "rewired"))) == []


def test_work_that_did_not_help_is_said():
    rows = presses(4, lambda day, i: 6000.0 if day >= 15 and i in (1, 3) else None)
    found = said(rows, service=service((22, "a", "rewired")))
    assert found[0].extra["service"]["helped"] is False
    assert abs((found[0].since - MONDAY).days - 15) <= 1
