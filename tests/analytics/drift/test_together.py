"""One cause, or each lock's own: told by when each began and by how much."""

import numpy as np

from remanence.analytics.drift.together import one_cause
from remanence.analytics.statistics.change import Change, Side

EVERY = np.ones(5, dtype=bool)


def own(days, sizes=(0.25,) * 5, width=2.0):
    """What five locks show by themselves."""
    return [Change("level", 9.0, day, day - width, day + width, Side(0.0), Side(size), 0.03)
            for day, size in zip(days, sizes, strict=True)]


def test_one_day_and_one_size_are_one_cause():
    odds, joined = one_cause(own((60, 60, 61, 60, 62)), EVERY, 4)
    assert odds > 5
    assert joined.all()


def test_days_of_their_own_are_none_however_many_they_are():
    odds, _ = one_cause(own((44, 55, 64, 72, 80)), EVERY, 4)
    assert odds < 0


def test_a_day_that_is_hardly_known_speaks_for_neither():
    sharp, _ = one_cause(own((60,) * 5), EVERY, 4)
    vague, _ = one_cause(own((50, 55, 60, 65, 70), width=20.0), EVERY, 4)
    assert 0 < vague < sharp


def test_one_with_a_fault_of_its_own_is_told_apart_and_does_not_undo_the_rest():
    odds, joined = one_cause(own((60, 60, 61, 60, 75), (0.25, 0.25, 0.24, 0.26, 0.8)), EVERY, 4)
    assert odds > 3
    assert joined.tolist() == [True] * 4 + [False]


def test_sizes_far_apart_are_less_likely_one_cause():
    alike, _ = one_cause(own((60,) * 5), EVERY, 4)
    unlike, _ = one_cause(own((60,) * 5, (0.06, 0.7, 0.07, 0.8, 0.5)), EVERY, 4)
    assert unlike < alike - 3


def test_nothing_to_compare_is_no_objection():
    odds, joined = one_cause([None, *own((60,) * 5)[:1], None, None, None], EVERY, 4)
    assert np.isposinf(odds)
    assert joined.all()
