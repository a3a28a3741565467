"""Work is judged by the first days after it: what comes back weeks later had been mended."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.after_work import came_back_after
from remanence.analytics.conditions.latency import sticking_catch
from remanence.analytics.conditions.outcomes import no_release
from remanence.analytics.conditions.slow_mode import slow_at_times, slow_modes
from remanence.shared.tables import SERVICE
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LOCKS = [lock(f"latch-{index}") for index in range(6)]


@pytest.mark.parametrize(("sound_days", "weeks"), [(0, None), (3, 1), (21, 3), (35, 5)])
def test_the_first_days_tell_and_the_weeks_until_it_came_back(sound_days, weeks):
    day = np.repeat(np.arange(1, 50), 5).astype(float)
    faulty = (day > sound_days) & (np.arange(day.size) % 2 == 0)
    assert came_back_after(day, faulty, 0.5) == weeks


def test_what_is_too_seldom_to_be_missed_in_a_few_days_proves_nothing():
    day = np.arange(1.0, 60.0)
    assert came_back_after(day, np.arange(day.size) % 20 == 19, 0.05) is None
    # Where none of sixty was faulty and then all are, it had gone, however seldom it was before.
    assert came_back_after(day, day > 30, 0.05) == 4


def worked_on(day):
    return SERVICE.conform(pl.DataFrame({
        "date": [FIRST_MONDAY + timedelta(days=day)], "lock": ["latch-0"],
        "action": ["adjusted"], "part": [None], "note": [None]}))


def failing(sound_weeks):
    """Commands of a latch from day 60 to the work of day 84, and again so many weeks after it."""
    day = pl.col("command_time").dt.date()
    before, work, begin = (
        FIRST_MONDAY + timedelta(days=days) for days in (60, 84, 84 + 7 * sound_weeks))
    return (pl.col("lock") == "latch-0") & (
        (day >= begin) | day.is_between(before, work, closed="left"))


@pytest.mark.parametrize(("sound_weeks", "told"), [(0, None), (3, 3)])
def test_a_latency_that_came_back_is_said_so(sound_weeks, told):
    begin = 84 + 7 * sound_weeks
    rows = actuations(LOCKS, weeks=20, seed=61, faults={"latch-0": lambda days: np.where(
        ((days >= 60) & (days < 84)) | (days >= begin), np.log(1.4), 0.0)})
    found = [f for f in sticking_catch(history_at(
        LOCKS, rows, 12 + sound_weeks + 2, service=worked_on(84))) if f.subject == "latch-0"]
    [service] = [f.extra["service"] for f in found]
    assert service.get("came_back_after_weeks") == told
    assert service["helped"] is (told is not None)


@pytest.mark.parametrize(("sound_weeks", "told"), [(0, None), (3, 3)])
def test_unanswered_commands_that_came_back_are_said_so(sound_weeks, told):
    rows = actuations(LOCKS, weeks=20, seed=62, no_release=0.0)
    hit = failing(sound_weeks) & (pl.int_range(pl.len()) % 3 == 0)
    rows = rows.with_columns(
        outcome=pl.when(hit).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(hit).then(None).otherwise("latency_ms"))
    [found] = no_release(history_at(
        LOCKS, rows, 12 + sound_weeks + 1, service=worked_on(84)))
    assert found.extra["service"].get("came_back_after_weeks") == told
    assert found.extra["service"]["helped"] is (told is not None)


@pytest.mark.parametrize(("sound_weeks", "told"), [(0, None), (4, 4)])
def test_a_catch_that_sticks_at_times_as_before_the_work_stands_since_before_it(sound_weeks, told):
    begin = FIRST_MONDAY + timedelta(days=84 + 7 * sound_weeks)
    rows = actuations(LOCKS, weeks=20, seed=63, no_release=0.0)
    # From a half longer to five times: neither people's spread nor a catch's alone.
    hit = failing(sound_weeks) & (pl.int_range(pl.len()) % 4 == 0)
    longer = 1.8 + 0.4 * (pl.int_range(pl.len()) % 7)
    rows = rows.with_columns(
        latency_ms=pl.when(hit).then(pl.col("latency_ms") * longer).otherwise("latency_ms"))
    history = history_at(LOCKS, rows, 12 + sound_weeks + 2, service=worked_on(84))
    mode = slow_modes(history)["latch-0"]
    assert mode.unhelped == (FIRST_MONDAY + timedelta(days=84), "adjusted", told)
    since = FIRST_MONDAY + timedelta(days=int(np.floor(
        mode.mode.change.since)) + 7 * (12 + sound_weeks + 2))
    assert abs((since - (begin if told else FIRST_MONDAY + timedelta(days=60))).days) <= 3
    [found] = [f for f in slow_at_times(history) if f.subject == "latch-0"]
    assert found.extra["service"]["helped"] is (told is not None)
