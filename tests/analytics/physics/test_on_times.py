"""How long a coil was on: one answer, which heat, duty, ratings and what was on together share."""

from datetime import timedelta

import polars as pl
import pytest

from remanence.analytics.conditions.hot_coil import hot_coil
from remanence.analytics.conditions.over_long import over_long_energising
from remanence.analytics.physics.coil_heat import coil_heat
from remanence.analytics.physics.on_times import on_times, times_of
from remanence.analytics.physics.rail_model import company, rail_model
from remanence.shared.tables import ACTIVITY, ACTUATIONS, ENERGISINGS
from tests.analytics.physics.rail_rows import at_week, latch, moment, venue

START = moment(23, 12)


def energised(*items):
    """Energisings out of (lock, seconds after the start, milliseconds or None, cut or None)."""
    return ENERGISINGS.conform(pl.DataFrame([
        {"lock": name, "start": START + timedelta(seconds=at), "on_ms": on, "cut_ms": cut,
         "end": None if on is None else START + timedelta(seconds=at, milliseconds=on)}
        for name, at, on, cut in items
    ], schema_overrides={"on_ms": pl.Float64, "cut_ms": pl.Float64}))


def commands(**figures):
    return ACTUATIONS.conform(pl.DataFrame([{"lock": "a", "command_time": START, **figures}]))


HELD = energised(("a", 0, 120_000.0, 400.0))
"""A button held for two minutes; noise of the rail ended the sag after 0.4 s."""


def test_a_lock_that_does_not_cut_itself_is_on_as_long_as_it_is_commanded():
    place = venue(latch("a"))
    row = coil_heat(on_times(HELD, place), place).row(0, named=True)
    assert row["longest_on_ms"] == 120_000.0
    assert row["duty_percent"] == pytest.approx(40.0)
    assert row["hottest_celsius"] == pytest.approx(90, abs=5)
    cutting = venue(latch("a", self_cut=True))
    row = coil_heat(on_times(HELD, cutting), cutting).row(0, named=True)
    assert row["longest_on_ms"] == 400.0
    assert row["hottest_celsius"] == pytest.approx(26, abs=1)


def test_all_who_ask_are_told_the_same():
    place = venue(latch("a"), latch("b", coil_ohms=12.0))
    rows = energised(("a", 0, 120_000.0, 400.0), ("b", 60, 300.0, None))
    history = at_week(place, 3, energisings=rows)
    assert times_of(history)["on_ms"].to_list() == [120_000.0, 300.0]
    assert times_of(history) is times_of(history)
    said = over_long_energising(history)[0].evidence
    assert said[0].now == 120_000.0
    assert said[-1].now == pytest.approx(40.0)
    hot = hot_coil(at_week(place, 3, energisings=energised(("a", 0, 400_000.0, 400.0))))
    assert hot[0].evidence[1].now == 400.0  # seconds
    rail = rail_model(place, "rail", 12.0, 0.3, 0.25, 0.35)
    seen = company(rail, times_of(history), ACTUATIONS.empty())
    assert [item.pulsed for item in seen.sequences] == [("a", "b")]


@pytest.mark.parametrize(("figures", "on_ms"), [
    ({"outcome": "released", "latency_ms": 30.0}, 30.0),
    ({"outcome": "no-release"}, 2000.0),
    ({"outcome": "already-open"}, 0.0),
    ({"outcome": "unobserved"}, None),
    # It opened, but its switch did not cut the coil: the rail was loaded to the end.
    ({"outcome": "released", "latency_ms": 30.0, "pulse_ms": 2000.0, "sag_ms": 1995.0,
      "sample_ms": 5.0}, 2000.0),
    ({"outcome": "unobserved", "pulse_ms": 2000.0, "sag_ms": 1995.0, "sample_ms": 5.0}, 2000.0),
])
def test_a_self_cutting_coil_is_on_until_something_shows_that_it_was_cut(figures, on_ms):
    place = venue(latch("a", self_cut=True))
    found = on_times(energised(("a", 0, 2000.0, None)), place, commands(**figures))
    assert found["on_ms"].to_list() == [on_ms]
    assert found["duty"].to_list() == [None if on_ms is None else pytest.approx(on_ms / 300_000)]
    assert found["lasting"].to_list() == [False]


def test_one_that_was_cut_does_not_last_though_its_command_does():
    rows = energised(("a", 0, None, 30.0))
    until = START + timedelta(seconds=600)
    cut = on_times(rows, venue(latch("a", self_cut=True)), until=until).row(0, named=True)
    assert (cut["on_ms"], cut["lasting"]) == (30.0, False)
    held = on_times(rows, venue(latch("a")), until={"a": until}).row(0, named=True)
    assert (held["on_ms"], held["lasting"], held["duty"]) == (600_000.0, True, 1.0)
    broken_off = on_times(rows, venue(latch("a"))).row(0, named=True)
    assert (broken_off["on_ms"], broken_off["lasting"]) == (None, False)
    activity = ACTIVITY.conform(pl.DataFrame([
        {"controller": "north", "hour": START, "last": START + timedelta(minutes=9), "runs": 1}]))
    history = at_week(venue(latch("a")), 3, energisings=rows, activity=activity)
    assert times_of(history)["on_ms"].to_list() == [540_000.0]


def pulses_of(*names, each=40):
    """Ordinary commands of 250 ms, of each of these locks one every two minutes."""
    return [(name, 120 * n, 250.0, None) for name in names for n in range(each)]


def told_again(rows, lock, at_ms):
    begins = (pl.col("lock") == lock) & (pl.col("on_ms").is_null() | (pl.col("on_ms") > 1000))
    return rows.with_columns(again_ms=pl.when(begins).then(at_ms).otherwise("again_ms"))


@pytest.mark.parametrize(("again_ms", "known"), [
    (4_000_000.0, False),  # and off 250 ms later: two commands, whose first end is lost
    (60_000.0, True),  # a program that repeats what is on, long before the end
    (None, True),
])
def test_on_again_just_before_the_end_shows_that_an_end_was_lost(again_ms, known):
    place = venue(latch("a"))
    rows = energised(*pulses_of("a"), ("a", 5000, 4_000_250.0, None))
    found = on_times(told_again(rows, "a", again_ms), place).tail(1)
    assert found["end_lost"].to_list() == [not known]
    assert found["on_ms"].is_not_null().to_list() == [known]
    if known:
        return
    week = at_week(place, 3, energisings=told_again(rows, "a", again_ms))
    assert not hot_coil(week)
    assert not over_long_energising(week)
    cutting = venue(latch("a", self_cut=True))
    unseen = commands(outcome="no-release").with_columns(
        command_time=pl.lit(START + timedelta(seconds=5000)).cast(pl.Datetime("us", "UTC")))
    assert on_times(told_again(rows, "a", again_ms), cutting, unseen)["on_ms"].to_list()[-1] is None


@pytest.mark.parametrize(("again_ms", "sag_ms", "known"), [
    (3_750.0, None, False),  # a second try, of which the first one's end is lost
    (3_750.0, 3_998.0, True),  # the rail was loaded all the while
    (3_900.0, None, True),  # no pulse of this lock is so short
    (200.0, None, True),  # said again within the first pulse, and held
])
def test_a_second_try_after_a_lost_end_makes_no_long_time(again_ms, sag_ms, known):
    place = venue(latch("a"))
    rows = told_again(energised(*pulses_of("a"), ("a", 5000, 4_000.0, None)), "a", again_ms)
    row = commands(outcome="no-release", pulse_ms=4_000.0, sag_ms=sag_ms, sample_ms=5.0)
    row = row.with_columns(command_time=pl.lit(START + timedelta(seconds=5000)).cast(
        pl.Datetime("us", "UTC")))
    found = on_times(rows, place, row).tail(1)
    assert found["end_lost"].to_list() == [not known]
    assert found["on_ms"].to_list() == [4_000.0 if known else None]


@pytest.mark.parametrize(("lost", "loaded", "lasting"), [
    (True, False, False), (True, True, True), (False, False, True)])
def test_an_end_that_never_comes_was_lost_where_the_controller_loses_ends(lost, loaded, lasting):
    place = venue(latch("a"), latch("b"))
    rows = energised(*pulses_of("a", "b"), ("a", 6000, None, None),
                     *([("b", 5000, 900_250.0, None)] if lost else []))
    rows = told_again(rows, "b", 900_000.0)
    last = ACTUATIONS.conform(pl.DataFrame({
        "lock": ["a"] * 3, "command_time": [START + timedelta(seconds=at) for at in (
            0, 120, 6000)], "sag_volts": [0.4, 0.4, None],
        "end_sag_volts": [None, None, 0.4 if loaded else 0.0]},
        schema_overrides={"command_time": pl.Datetime("us", "UTC")}))
    found = on_times(rows, place, last, until=START + timedelta(hours=4))
    assert found.filter(pl.col("lock") == "a")["lasting"].to_list()[-1] is lasting
