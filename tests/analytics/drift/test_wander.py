"""Wander and memory are learned: healthy locks that wander far are not called changed."""

import pytest

from remanence.analytics.conditions.latency import slow_drop, sticking_catch, weakening_hold
from remanence.analytics.drift.judge import drifts
from tests.analytics.physics.latency_rows import actuations, history_at, lock

MAGNETS = [lock(f"magnet-{n}", kind="magnet") for n in range(10)]


def rows_of(seed, deviation, memory, **more):
    return actuations(
        MAGNETS, weeks=24, seed=seed, day_wander=deviation, memory=memory, **more)


@pytest.mark.parametrize(("deviation", "memory"), [(0.03, 20), (0.05, 60)])
def test_healthy_magnets_that_wander_far_and_long_give_next_to_nothing(deviation, memory):
    rows = rows_of(41, deviation, memory)
    false = 0
    for week in range(9, 24, 2):
        history = history_at(MAGNETS, rows, week)
        false += sum(item.score >= 0.95 for judge in (slow_drop, weakening_hold, sticking_catch)
                     for item in judge(history))
    assert false <= 1  # of 80 lock-weeks; 6 and 18 of them when memories ended at twelve days


def test_quiet_magnets_and_wandering_ones_are_told_apart():
    def learned(*wander):
        found = drifts(history_at(MAGNETS, rows_of(42, *wander), 23)).wander.values()
        return sorted(item.still.slow for item in found)[5]

    assert learned(0.01, 2) < 0.015 < learned(0.05, 40)


def test_a_step_that_would_just_show_is_a_larger_one_where_locks_wander():
    quiet, far = (drifts(history_at(MAGNETS, rows_of(43, *wander), 23)).current["magnet-3"]
                  for wander in ((0.01, 2), (0.04, 20)))
    assert 0.05 < quiet.detectable_change < far.detectable_change < 0.6


def test_a_lock_that_did_not_change_wanders_as_far_as_its_days_show():
    """Taken for one that changed, it would wander less, and a slope be claimed of it too often."""
    judged = drifts(history_at(MAGNETS, rows_of(44, 0.03, 31), 23))
    found = [(drift, judged.wander[name]) for name, drift in judged.current.items()]
    assert all(drift.wander == learned.still for drift, learned in found)
    assert any(learned.changed.slow < learned.still.slow for _, learned in found)
