"""Polls of days too quiet to show them by themselves."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from remanence.analytics.clocks.quiet_days import with_quiet_days
from remanence.shared.tables import POLLING
from remanence.shared.venue import Lock, Venue

VENUE = Venue(id="harbour", name="Harbour", time_zone="UTC", supplies=(), locks=(
    Lock(id="latch", mechanism="latch", released_by="power-on", guards="container",
         command="south/q1", contact="north/i1", supply="rail"),))
FIRST = date(2026, 2, 2)


def log(period_ms, *, days=10, seed=1, whole_seconds=False):
    """Sixteen commands a day, their answers and what shuts the locks, by a clock 13 ppm off."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(days):
        begin = datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC).timestamp()
        period = period_ms(day) if callable(period_ms) else period_ms
        grid = (period or 0.0) / 1000 * 1.000013
        at = begin + 36_000 + np.sort(rng.uniform(0, 40_000, 16))
        at = np.round(at) if whole_seconds else at
        for command in at:
            rows.append((command, False))
            for moved in (command + 0.03 * np.exp(0.08 * rng.normal()),
                          command + rng.uniform(60, 600)):
                rows.append((np.ceil(moved / grid + 0.3) * grid - 0.3 * grid if grid else moved,
                             True))
    time = np.array([int(1e6 * row[0]) for row in rows])
    return pl.DataFrame({"lock": ["latch"] * len(rows), "time": time,
                         "ours": [row[1] for row in rows]}).with_columns(
        pl.col("time").cast(pl.Datetime("us", "UTC")))


def polling(days=10, resolution=0.001):
    return POLLING.conform(pl.DataFrame({
        "controller": ["north"] * days, "day": [FIRST + timedelta(days=n) for n in range(days)],
        "resolution_ms": [resolution] * days, "clock_ms": [0.001] * days, "edges": [48] * days}))


def found(frame, **known):
    moved, commands = frame.filter("ours"), frame.filter(~pl.col("ours"))
    history = SimpleNamespace(venue=VENUE, polling=polling(**known), contact_changes=moved,
                              actuations=commands.rename({"time": "command_time"}))
    return with_quiet_days(history)["resolution_ms"].to_list()


@pytest.mark.parametrize("period", [50.0, 100.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_days_that_lie_together_show_the_poll_that_none_of_them_shows_alone(period, seed):
    shown = found(log(period, seed=seed))
    assert sum(one == period for one in shown) >= 9
    assert set(shown) <= {period, 0.001}


@pytest.mark.parametrize("seed", range(6))
def test_inputs_that_nothing_polls_show_none(seed):
    assert found(log(None, seed=seed)) == [0.001] * 10
    assert found(log(None, seed=seed, whole_seconds=True)) == [0.001] * 10


@pytest.mark.parametrize("seed", range(3))
def test_a_poll_begins_on_its_own_day(seed):
    shown = found(log(lambda day: 50.0 if day >= 6 else None, seed=seed))
    assert shown[:6] == [0.001] * 6
    assert sum(one == 50.0 for one in shown[6:]) >= 3


def test_a_day_that_shows_a_poll_by_itself_keeps_it():
    assert found(log(50.0), resolution=10.0) == [10.0] * 10


def test_a_poll_that_shows_on_some_days_holds_for_those_between_that_are_too_quiet():
    quiet = log(50.0)
    day = pl.col("time").dt.date()
    thinned = quiet.filter(~day.is_in([FIRST + timedelta(days=n) for n in (2, 7)])
                           | (pl.int_range(pl.len()).over(day) < 6))
    assert found(thinned) == [50.0] * 10
