"""What neighbours on a failing rail tell of a lock: the common answer is taken out, no more."""

import numpy as np
import polars as pl
import pytest

from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.neighbours import LEAST_NEIGHBOURS, answer_to_volts
from tests.analytics.physics.latency_rows import actuations, history_at, lock

LOCKS = [lock(f"latch-{n}") for n in range(9)]
ELSEWHERE = [lock(f"far-{n}", supply="other") for n in range(6)]
WEEKS = 20
FAILS = 80


def fallen(day):
    """A rail that falls by 12 %."""
    return np.log(0.88) * (day >= FAILS)


def judged(faults, locks=LOCKS, seed=2):
    here = actuations(locks, weeks=WEEKS, seed=seed, volts=fallen, faults=faults)
    there = actuations(ELSEWHERE, weeks=WEEKS, seed=seed)  # the same seed has the same season
    history = history_at([*locks, *ELSEWHERE], pl.concat([here, there]), WEEKS - 1)
    found = drifts(history).current
    return {item.id: found[item.id] for item in locks}


def answers(sizes):
    """Latches that answer the fall by so much more than the usual square of volts."""
    return {item.id: (lambda day, size=size: size * (day >= FAILS))
            for item, size in zip(LOCKS, sizes, strict=True)}


def test_a_lock_that_slows_beyond_its_neighbours_is_found_by_what_they_show():
    alike = answers([0.25] * len(LOCKS))

    def growing(day):
        return 0.25 * (day >= FAILS) + np.clip((day - 95) / 40, 0, 1) * 0.3

    found = judged({**alike, "latch-4": growing})
    own = found["latch-4"]
    assert own.fit.log_odds > 8
    assert 0.15 < own.seen < 0.5  # its own 35 %, not the 73 % that it shows with the rail's part
    assert own.seen_low > 0
    assert all(one.fit.log_odds < 0 or abs(one.change) < 0.05
               for name, one in found.items() if name != "latch-4")


def test_what_all_of_them_show_is_no_ones_own():
    found = judged(answers([0.4] * len(LOCKS)))
    for one in found.values():
        assert abs(one.seen) < 0.08
        assert one.seen_low < 0 < one.seen_high


def test_neighbours_that_answer_each_in_its_own_way_excuse_one_that_stands_out():
    sizes = np.linspace(0.0, 0.8, len(LOCKS))
    wide = judged(answers(sizes))["latch-7"]
    narrow = judged(answers([0.3] * 7 + [0.6, 0.3]))["latch-7"]
    width = [np.log1p(one.seen_high) - np.log1p(one.seen_low) for one in (wide, narrow)]
    assert width[0] > 1.5 * width[1]
    assert narrow.seen_low > 0


def test_one_neighbour_that_sticks_does_not_speak_for_all():
    with_one = judged(answers([0.25] * 5 + [1.2] + [0.25] * 3))
    assert abs(with_one["latch-2"].seen) < 0.08
    assert with_one["latch-5"].seen > 0.8


def test_too_few_neighbours_leave_its_answer_to_volts_open():
    few = LOCKS[:LEAST_NEIGHBOURS]
    alike = {item.id: lambda day: 0.25 * (day >= FAILS) for item in LOCKS}
    half = [np.log1p(one.seen_high) - np.log1p(one.seen_low) for one in (
        judged(alike, few)["latch-1"], judged(alike)["latch-1"])]
    assert half[0] > 1.5 * half[1]


def test_nothing_is_open_at_rated_volts_and_ever_more_below():
    volts = np.log(np.array([1.0, 0.97, 0.92, 0.85]))
    open_ = answer_to_volts(volts)
    assert open_[0, 0] == pytest.approx(0.0)
    assert (np.diff(np.diag(open_)) > 0).all()
    assert np.linalg.eigvalsh(open_).min() > -1e-12
