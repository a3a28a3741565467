"""Remaining life: intervals held against known futures, and no date where there is no wear."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from remanence.analytics.history import History, per_lock
from remanence.analytics.parts.arrival import arrival, first_passage
from remanence.analytics.parts.earlier_units import earlier_units
from remanence.analytics.parts.pace import paces
from remanence.analytics.parts.wear import limit_of, remaining_life
from remanence.analytics.parts.wear_path import (
    Weeks,
    drawn_paths,
    fit_path,
    margin_used,
    weigh_path,
)
from remanence.shared.limits import Limits
from remanence.shared.tables import SERVICE
from remanence.shared.venue_file import parse_venue
from tests.analytics.parts.test_orders import history as worn
from tests.analytics.parts.test_orders import venue_text
from tests.forecasts.judge import judge
from tests.forecasts.worlds import STILL, WORLDS


def test_first_passage_is_inverse_gaussian():
    # Textbook: mean distance/drift, variance distance walk^2 / drift^3 (SciPy's invgauss agrees).
    rng = np.random.default_rng(1)
    size = 40_000
    drawn = first_passage(np.zeros(size), np.full(size, 0.05), np.full(size, 0.1), 1.0, rng)
    shape = (1.0 / 0.1) ** 2
    expected = stats.invgauss(mu=(1 / 0.05) / shape, scale=shape)
    assert expected.mean() == pytest.approx(20)
    assert stats.kstest(drawn, expected.cdf).pvalue > 0.001


def test_drift_away_from_the_limit_rarely_meets_it():
    rng = np.random.default_rng(2)
    size = 40_000
    drawn = first_passage(np.zeros(size), np.full(size, -0.05), np.full(size, 0.2), 1.0, rng)
    # exp(2 drift distance / walk^2), textbook.
    assert np.isfinite(drawn).mean() == pytest.approx(np.exp(-2.5), abs=0.005)


def test_margin_follows_the_calculated_table():
    # Friction in equal steps on a 12 V latch: 23, 25, 28, 31, 36, 44, 82 ms, then it stalls
    # (calculated, dependable in shape): the last of six equal steps is just short of the stall.
    used = margin_used(np.array([23, 25, 28, 31, 36, 44, 82]) / 23)
    assert used == pytest.approx(np.arange(7) / 6, abs=0.04)


def _one(seed: int) -> tuple[float, np.ndarray, bool]:
    """A path whose future is known; the true weeks left, the forecast's draws, whether it rises."""
    rng = np.random.default_rng(seed)
    while True:
        drift, walk = abs(rng.normal(0, 0.05)), rng.choice([0, 0.01, 0.02, 0.04])
        noise, flat, seen = rng.uniform(0.01, 0.06), rng.integers(6, 30), rng.integers(6, 22)
        fine = np.cumsum(drift / 10 + walk * rng.standard_normal(6000) / 10**0.5)
        if fine[: 10 * seen].max() < 0.95:
            break
    ahead = np.flatnonzero(fine[10 * seen:] >= 0.95)
    level = np.concatenate([np.zeros(flat), fine[9::10][:seen]])
    level += noise * rng.standard_normal(level.size)
    weeks = np.arange(level.size) - level.size + 1.0
    path = fit_path(Weeks(weeks, level, np.full(level.size, noise), 0.95), rng)
    left = arrival(path, rng)
    return ahead[0] / 10 if ahead.size else np.inf, left, path.rising


def _held(places: list[float], coverage: float) -> None:
    """Within 3 points of what is stated, and 2 standard errors for chance."""
    place, tail = np.array(places), (1 - coverage) / 2
    inside = np.mean((place >= tail) & (place <= 1 - tail))
    chance = 2 * (coverage * (1 - coverage) / place.size) ** 0.5
    assert inside == pytest.approx(coverage, abs=0.03 + chance)


def test_stated_intervals_hold_the_truth_as_often_as_they_say():
    places = []
    for seed in range(250):
        truth, left, rising = _one(seed)
        if rising:
            places.append(float(np.mean(left < truth) + np.mean(left == truth) / 2))
    assert len(places) > 150
    # These paths go straight on, which is only half of what is believed: ranges may hold more.
    place = np.array(places)
    assert np.mean(np.abs(place - 0.5) <= 0.45) >= 0.85
    assert 0.42 <= np.mean(np.abs(place - 0.5) <= 0.25) <= 0.70


def test_no_wear_gives_no_date():
    called = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        level = 0.04 * rng.standard_normal(30)
        called += fit_path(Weeks(np.arange(-29, 1.0), level, np.full(30, 0.04)), rng).rising
    assert called <= 1


def test_the_lowest_limit_counts(harbour_text):
    drawer, door = parse_venue(harbour_text).locks
    limit, source = limit_of(drawer, 130.0, 25.0, Limits())
    assert (limit, source) == (100.0, "pulse")
    limit, source = limit_of(drawer, 2000.0, 25.0, Limits())
    assert source == "stall"
    assert limit == pytest.approx(25 * 5)
    assert limit_of(door, None, 400.0, Limits()) == (np.inf, "none")


def test_forecasts_of_simulated_locks_hold_what_they_state():
    # The long check over all worlds is ``python -m tests.forecasts``.
    some = ("as they come", "quiet", "moods of weeks")
    places = [place for world in WORLDS if world.name in some
              for place in judge(world, 100, 77).place]
    assert len(places) > 220
    _held(places, 0.9)
    # Wear goes straight on here, and more is believed in: half ranges held 60 % of 598 such locks.
    assert 0.42 <= np.mean(np.abs(np.array(places) - 0.5) <= 0.25) <= 0.66


def test_locks_that_do_not_wear_are_given_no_date():
    assert sum(judge(world, 20, 77).place.size for world in STILL) <= 1


def _gone(history: History, weeks: range) -> History:
    """The same log with a stretch of weeks in which the venue was shut."""
    week = (pl.lit(history.end) - pl.col("command_time")).dt.total_days() // 7
    earlier = pl.col("command_time") - pl.duration(weeks=len(weeks))
    rows = history.actuations.with_columns(
        command_time=pl.when(week >= weeks.start).then(earlier).otherwise("command_time"))
    return History.of(history.venue, history.week, actuations=rows)


def test_a_month_without_games_wears_nothing():
    past = worn(venue_text(), worn={2: 0.055})
    shut = _gone(past, range(6, 10))
    before, after = (remaining_life(h)[2] for h in (past, shut))
    assert before.sign == after.sign == "wearing"
    assert after.median_weeks == pytest.approx(before.median_weeks, rel=0.15)
    assert after.games_per_week == before.games_per_week
    # Shut until today: the wear that was there is still there, not older by a month.
    closed = remaining_life(_gone(past, range(0, 4)))[2]
    assert closed.median_weeks == pytest.approx(before.median_weeks, rel=0.15)


def test_a_sinking_rail_is_no_wear():
    past = worn(venue_text())
    age = (pl.lit(past.end) - pl.col("command_time")).dt.total_days() / 7
    volts = 12.0 - 1.4 * (1 - age / 30)
    rows = past.actuations.with_columns(
        volts_before=volts, latency_ms=pl.col("latency_ms") * (volts / 12.0) ** -2.2)
    sinking = History.of(past.venue, past.week, actuations=rows)
    assert {wear.sign for wear in remaining_life(sinking)} == {"no sign of wear"}
    # The same latencies without the volts to explain them do look like wear.
    blind = History.of(past.venue, past.week, actuations=rows.drop("volts_before"))
    assert "wearing" in {wear.sign for wear in remaining_life(blind)}


def _seen(seed: int, power: float) -> Weeks:
    """A magnet's logarithm of latency that went with a power of time for 20 weeks, half its way."""
    rng = np.random.default_rng(seed)
    weeks = np.arange(-34, 1.0)
    level = 0.3 * np.clip((weeks + 20) / 20, 0, None) ** power + 0.02 * rng.standard_normal(35)
    return Weeks(weeks, level, np.full(35, 0.02), limit=0.6)


def test_locks_of_one_kind_teach_each_other_how_they_wear():
    def widths(fits):
        chances = [np.random.default_rng(i) for i in range(len(fits))]
        paths = drawn_paths(fits, chances)
        left = [arrival(path, chance) for path, chance in zip(paths, chances, strict=True)]
        return np.array([np.subtract(*np.quantile(one, [0.95, 0.05])) for one in left])

    fits = [weigh_path(_seen(i, 1.0), np.random.default_rng(i)) for i in range(8)]
    alone = np.concatenate([widths([fit]) for fit in fits])
    # All go straight on: ranges are narrower where the others are known.
    assert np.median(widths(fits)) < 0.9 * np.median(alone)


def test_a_path_that_leapt_may_leap_again():
    rng = np.random.default_rng(3)
    weeks = np.arange(-39, 1.0)
    level = 0.2 * ((weeks > -25).astype(float) + (weeks > -14) + (weeks > -5))
    seen = Weeks(weeks, level + 0.01 * rng.standard_normal(40), np.full(40, 0.01), limit=0.9)
    path = fit_path(seen, rng)
    assert path.rising
    assert np.mean(path.rate > 0) > 0.8
    # Between leaps it stood still, so that it may meet its limit any week.
    assert np.quantile(arrival(path, rng), 0.1) < 8


def test_a_pace_that_doubled_is_gone_on_with():
    rng = np.random.default_rng(4)
    steady = paces(np.tile([28.0, 32.0], 13), rng, 4000)
    assert np.quantile(steady, [0.05, 0.95]) == pytest.approx([28, 32], abs=2.5)
    doubled = np.concatenate([[62.0, 58.0], np.tile([28.0, 32.0], 12)])
    assert np.median(paces(doubled, rng, 4000)) == pytest.approx(60, abs=8)


def test_a_lock_of_which_few_sets_have_hope_is_tried_again_all_the_same():
    fit = weigh_path(_seen(1, 1.0), np.random.default_rng(1))
    few = np.where(np.arange(fit.moves.size) < 10, 0.0, -np.inf)
    # It once looked without end for sixty sets where there were ten.
    assert fit.tried_again(few, np.random.default_rng(2)).moves.size > fit.moves.size


def test_a_unit_that_was_replaced_is_found_from_the_last_work_on_it_to_its_end():
    newest = worn(venue_text()).week.sunday
    adjusted, replaced = newest - timedelta(weeks=20), newest - timedelta(weeks=5)
    service = SERVICE.conform(pl.DataFrame(
        [(adjusted, "d0", "adjusted", None), (replaced, "d0", "replaced", "catch"),
         (adjusted, "d1", "adjusted", None)],
        schema={"date": pl.Date, "lock": pl.String, "action": pl.String, "part": pl.String},
        orient="row"))
    past = worn(venue_text(), service=service)
    found = earlier_units(past, per_lock(past.dated("actuations")))
    assert [lock.id for lock, _ in found] == ["d0"]
    days = found[0][1]["day"]
    assert days.min() > adjusted
    assert days.max() < replaced
    assert days.n_unique() > 50
