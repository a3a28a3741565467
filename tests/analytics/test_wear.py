"""Remaining life: intervals that hold what they state, and no date where there is no wear."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from analytics.history import History
from analytics.wear import first_passage, fit_path, limit_of, margin_used, remaining_life
from shared.venue_file import parse_venue
from shared.weeks import Week


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
    # (calculated, dependable in shape): equal steps of the margin within 3 points.
    used = margin_used(np.array([23, 25, 28, 31, 36, 44, 82]) / 23)
    assert used == pytest.approx(np.arange(7) / 7, abs=0.05)


def _one(seed: int) -> tuple[float, np.ndarray, float]:
    """A path whose future is known; the true weeks left, the forecast's quantiles, how sure."""
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
    path = fit_path(weeks, level, np.full(level.size, noise), rng)
    left = first_passage(path.level, path.drift, path.walk, 0.95, rng)
    return (
        ahead[0] / 10 if ahead.size else np.inf,
        np.quantile(left, [0.05, 0.25, 0.75, 0.95], method="inverted_cdf"), path.rising,
    )


def test_stated_intervals_hold_the_truth_as_often_as_they_say():
    inside90, inside50 = [], []
    for seed in range(500):
        truth, (low90, low50, high50, high90), rising = _one(seed)
        if rising >= 0.975:
            inside90.append(low90 <= truth <= high90)
            inside50.append(low50 <= truth <= high50)
    assert len(inside90) > 300
    # Within 3 points of what is stated, and 2 standard errors of 350 trials for chance.
    assert np.mean(inside90) == pytest.approx(0.90, abs=0.03 + 2 * (0.9 * 0.1 / 350) ** 0.5)
    assert np.mean(inside50) == pytest.approx(0.50, abs=0.03 + 2 * (0.5 * 0.5 / 350) ** 0.5)


def test_no_wear_gives_no_date():
    called = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        level = 0.04 * rng.standard_normal(30)
        path = fit_path(np.arange(-29, 1.0), level, np.full(30, 0.04), rng)
        called += path.rising >= 0.975
    assert called <= 2


def test_the_lowest_limit_counts(harbour_text):
    drawer, door = parse_venue(harbour_text).locks
    limit, source = limit_of(drawer, 120.0, 25.0)
    assert (limit, source) == (100.0, "pulse")
    limit, source = limit_of(drawer, 2000.0, 25.0)
    assert source == "stall"
    assert limit == pytest.approx(25 * 0.05**-0.54)
    assert limit_of(door, None, 400.0) == (np.inf, "none")


def _worn_locks(count: int, seed: int) -> tuple[History, list[float]]:
    """Actuations of locks whose future is known: margins used up by drift and walk, days with
    moods of their own; and the weeks that each really has left."""
    rng = np.random.default_rng(seed)
    blocks = "".join(
        f'[[lock]]\nid = "d{i}"\nguards = "container"\nmechanism = "latch"\nsupply = "r"\n'
        f'command = "c/q{i}"\ncontact = "c/i{i}"\ncontact_closed_when = "locked"\n'
        for i in range(count))
    venue = parse_venue('[venue]\nid = "v"\ntime_zone = "UTC"\n[[supply]]\nid = "r"\n'
                        f"rated_volts = 12\n{blocks}")
    week = Week.parse("2026-W40")
    end = week.bounds(venue.zone)[1]
    frames, left = [], []
    for i in range(count):
        while True:
            drift, walk = abs(rng.normal(0, 0.05)), rng.choice([0, 0.01, 0.02, 0.04])
            flat, seen = rng.integers(8, 30), rng.integers(6, 22)
            fine = np.cumsum(drift / 10 + walk * rng.standard_normal(4000) / 10**0.5)
            if fine[: 10 * seen].max() < 0.93:
                break
        ahead = np.flatnonzero(fine[10 * seen:] >= 0.95)
        left.append(ahead[0] / 10 if ahead.size else np.inf)
        used = np.concatenate([np.zeros(10 * flat), fine[: 10 * seen]])
        weeks = used.size / 10
        at = np.sort(rng.uniform(0, weeks, int(30 * weeks)))
        mood = 0.015 * rng.standard_normal(int(weeks * 7) + 2)[(at * 7).astype(int)]
        healthy = rng.uniform(20, 40)
        latency = healthy * (1 - used[(at * 10).astype(int)]) ** -0.54 * np.exp(
            0.07 * rng.standard_normal(at.size) + mood)
        frames.append(pl.DataFrame({
            "lock": [f"d{i}"] * at.size, "latency_ms": latency,
            "command_time": [end - timedelta(weeks=float(weeks - t)) for t in at]}))
    rows = pl.concat(frames).with_columns(
        outcome=pl.lit("released"), pulse_ms=pl.lit(5000.0), latency_from=pl.lit("catch"),
        resolution_ms=pl.lit(0.0), attempt=pl.lit(1), waited_ms="latency_ms")
    return History.of(venue, week, actuations=rows), left


def test_forecasts_of_simulated_locks_hold_what_they_state():
    inside90, inside50 = [], []
    for seed in range(6):
        past, left = _worn_locks(60, seed)
        for wear, truth in zip(remaining_life(past), left, strict=True):
            if wear.sign == "wearing":
                (low90, high90), (low50, high50) = wear.interval(0.9), wear.interval(0.5)
                inside90.append(low90 <= truth <= high90)
                inside50.append(low50 <= truth <= high50)
    assert len(inside90) > 200
    # Within 3 points of what is stated, and 2 standard errors of some 250 trials for chance.
    assert np.mean(inside90) == pytest.approx(0.90, abs=0.03 + 2 * (0.9 * 0.1 / 250) ** 0.5)
    assert np.mean(inside50) == pytest.approx(0.50, abs=0.03 + 2 * (0.5 * 0.5 / 250) ** 0.5)
