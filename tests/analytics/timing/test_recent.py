"""Since when has a lock behaved as it does now? Changes that were put in, and locks without any."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.timing.gather import timing
from tests.analytics.timing.timing_venue import START, Truth, commands, history_of, latch, venue_of

BEFORE = 90


def _changed(now: Truth, seed: int, *, after: int = 28, was: Truth | None = None):
    rng = np.random.default_rng(seed)
    rows = pl.concat([
        commands("d", was or Truth(), rng, days=BEFORE),
        commands("d", now, rng, days=after, at=START + timedelta(days=BEFORE)),
    ])
    result = timing(history_of(venue_of(latch("d", 1)), rows))
    return result.models[0], result.answers[0]


@pytest.mark.parametrize("now", [
    Truth(silent=0.12), Truth(median_ms=36), Truth(median_ms=24), Truth(slow_share=0.2)],
    ids=["silent", "slower", "faster", "slow mode"])
def test_a_change_is_found_and_only_what_came_after_counts(now):
    for seed in (1, 2, 3):
        model, answer = _changed(now, seed)
        true_day = (START + timedelta(days=BEFORE)).date()
        assert model.changed is not None
        assert -3 <= (model.changed - true_day).days <= 14
        assert model.basis == "own"
        assert model.commands <= 28 * 6 * 1.4 + 18
        assert answer.pulse.recommended_ms is not None


def test_the_venue_s_own_gate_decides_which_shift_counts():
    # 10 % slower, all days alike: told at the usual gate of 7 %, not in a venue that sets 20 %.
    rng = np.random.default_rng(8)
    rows = pl.concat([
        commands("d", Truth(wander=0.005), rng, days=BEFORE),
        commands("d", Truth(median_ms=33, wander=0.005), rng, days=28,
                 at=START + timedelta(days=BEFORE)),
    ])
    venue = venue_of(latch("d", 1))
    patient = replace(venue, limits=replace(venue.limits, drift_gate_percent=20.0))
    assert timing(history_of(venue, rows)).models[0].changed is not None
    assert timing(history_of(patient, rows)).models[0].changed is None


def test_the_stated_share_is_that_of_today():
    # 12 % silent for four weeks after a good quarter: over the whole log it would be 3 %.
    _, answer = _changed(Truth(silent=0.12), 4)
    assert answer.pulse.stated <= 0.88
    assert answer.pulse.falls_short == "misses"


def test_a_lock_that_became_faster_is_not_held_to_its_past():
    model, answer = _changed(Truth(median_ms=24), 5)
    _, past = _changed(Truth(median_ms=40), 5, was=Truth(median_ms=40))
    assert answer.pulse.shortest_ms < past.pulse.shortest_ms
    assert np.median(model.points_ms) == pytest.approx(24, abs=2)


def test_sound_locks_are_not_cut():
    # Forty locks, days with a memory, some with a slow mode or misses that were always there.
    cut = 0
    for seed in range(40):
        rng = np.random.default_rng(100 + seed)
        truth = Truth(scatter=rng.uniform(0.05, 0.2), silent=float(rng.choice([0.0, 0.002, 0.03])),
                      wander=float(rng.choice([0.02, 0.05])),
                      slow_share=float(rng.choice([0.0, 0.03])))
        rows = commands("d", truth, rng, days=120, a_day=4)
        cut += timing(history_of(venue_of(latch("d", 1)), rows)).models[0].changed is not None
    assert cut <= 1


def test_a_rail_that_falls_is_no_change_of_the_lock():
    rng = np.random.default_rng(6)
    rows = pl.concat([
        commands("d", Truth(), rng, days=BEFORE, volts=(12.2, 12.6)),
        commands("d", Truth(), rng, days=28, volts=(11.4, 11.8),
                 at=START + timedelta(days=BEFORE)),
    ])
    (model,) = timing(history_of(venue_of(latch("d", 1)), rows)).models
    assert model.changed is None


def test_the_step_of_a_polled_switch_is_seen_in_the_latencies_themselves():
    rows = commands("d", Truth(), np.random.default_rng(3), days=40, step_ms=5.0)
    venue = venue_of(latch("d", 1))
    stamped = rows.with_columns(resolution_ms=pl.lit(1.0))
    for resolution, table in ((5.0, rows), (5.0, stamped)):
        assert timing(history_of(venue, table)).models[0].resolution_ms == resolution
    fine = commands("d", Truth(), np.random.default_rng(3), days=40)
    assert timing(history_of(venue, fine)).models[0].resolution_ms == 1.0


def test_a_median_that_goes_from_one_step_to_the_next_is_no_change():
    # 2.6 % slower: polled every 5 ms the median goes from one step to the next all the same.
    rng = np.random.default_rng(9)
    rows = pl.concat([
        commands("d", Truth(median_ms=34.5, scatter=0.06), rng, days=BEFORE, step_ms=5.0),
        commands("d", Truth(median_ms=35.4, scatter=0.06), rng, days=28, step_ms=5.0,
                 at=START + timedelta(days=BEFORE)),
    ])
    assert timing(history_of(venue_of(latch("d", 1)), rows)).models[0].changed is None


def test_a_pulse_programmed_too_short_is_no_change_of_the_lock():
    rng = np.random.default_rng(10)
    rows = pl.concat([
        commands("d", Truth(), rng, days=BEFORE),
        commands("d", Truth(), rng, days=28, pulse_ms=29.0, at=START + timedelta(days=BEFORE)),
    ])
    model, answer = (getattr(timing(history_of(venue_of(latch("d", 1)), rows)), n)[0]
                     for n in ("models", "answers"))
    assert model.changed is None
    assert answer.pulse.shortest_ms > 40
