"""The calendar of a history and the weeks that stand for the level before."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.analytics.history import (
    FIRST_WEEKS,
    actuations_by_lock,
    day_ordinals,
    in_first_weeks,
    in_lots,
    per_lock,
    rails_in_lots,
    with_weeks,
)
from tests.analytics.physics.latency_rows import actuations, history_at, lock, venue


@pytest.fixture(scope="module")
def history():
    locks = [lock("a"), lock("b")]
    return history_at(locks, actuations(locks, weeks=12, seed=1), 11)


def test_days_and_weeks_are_put_on_once(history):
    dated = history.dated("actuations")
    assert history.dated("actuations") is dated
    assert with_weeks(dated, "command_time", history) is dated
    assert dated.drop("day", "weeks_ago").equals(history.actuations)
    assert actuations_by_lock(history)["a"].equals(dated.filter(pl.col("lock") == "a"))


def test_days_are_those_of_the_venue(history):
    time = datetime.combine(history.week.monday, datetime.min.time(), UTC) - timedelta(minutes=30)
    frame = pl.DataFrame({"time": [time]}).cast({"time": pl.Datetime("us", "UTC")})
    zone_day = time.astimezone(history.venue.zone).date()
    found = with_weeks(frame, "time", history)
    assert found["day"].to_list() == [zone_day]
    assert found["weeks_ago"].to_list() == [0 if zone_day >= history.week.monday else 1]
    assert day_ordinals(found["day"]).tolist() == [zone_day.toordinal()]
    assert day_ordinals(pl.Series([date(1, 1, 1)])).tolist() == [1]


def test_the_first_weeks_are_weeks_with_rows_and_never_the_week_asked_for():
    # Lock a has rows in weeks 20 to 0, but none in 19 and 18; lock b only this week and before.
    weeks = {"a": [ago for ago in range(20, -1, -1) if ago not in (19, 18)], "b": [1, 0]}
    frame = pl.DataFrame([
        {"lock": name, "weeks_ago": ago} for name, agos in weeks.items() for ago in agos])
    kept = frame.filter(in_first_weeks("lock"))
    assert kept.filter(pl.col("lock") == "a")["weeks_ago"].to_list() == [20, 17, 16, 15, 14, 13,
                                                                        12, 11]
    assert kept.filter(pl.col("lock") == "b")["weeks_ago"].to_list() == [1]
    assert FIRST_WEEKS == 8


def test_rows_of_each_lock_are_the_same_whether_they_stand_together_or_not():
    apart = pl.DataFrame({"lock": ["b", "a", "b", "c"], "n": [1, 2, 3, 4]})
    expected = {"a": [2], "b": [1, 3], "c": [4]}
    for frame in (apart, apart.sort("lock", maintain_order=True)):
        assert {lock: rows["n"].to_list() for lock, rows in per_lock(frame).items()} == expected
    assert per_lock(apart.clear()) == {}


def test_rows_of_many_locks_come_in_lots_that_make_the_whole_again():
    rows = pl.DataFrame({"lock": [f"lock-{n:03d}" for n in range(200) for _ in range(3)],
                         "row": range(600)})
    lots = in_lots(rows)
    assert [lot["lock"].n_unique() for lot in lots] == [64, 64, 64, 8]
    assert_frame_equal(pl.concat(lots), rows)
    assert len(in_lots(rows.filter(pl.col("lock") < "lock-064"))) == 1
    # Where a lock's rows do not stand together, no lot would have all of them.
    assert len(in_lots(rows.sample(fraction=1.0, shuffle=True, seed=1))) == 1


def test_a_lot_of_rails_has_all_locks_of_each_of_them():
    locks = [lock(f"lock-{n:03d}", supply=f"rail-{n % 5}") for n in range(200)]
    rows = pl.DataFrame({"lock": [each.id for each in locks], "row": range(200)})
    lots = rails_in_lots(rows, venue(locks))
    assert [lot.height for lot in lots] == [40] * 5
    assert [set(lot["row"] % 5) for lot in lots] == [{rail} for rail in range(5)]
    assert_frame_equal(pl.concat(lots).sort("row"), rows)
    few = rows.head(64)
    assert_frame_equal(rails_in_lots(few, venue(locks))[0], few)
