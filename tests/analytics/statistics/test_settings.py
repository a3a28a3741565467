"""Which setting held when."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import settings as tried
from hypothesis import strategies as st

from remanence.analytics.statistics.settings import settings


def numbers(values, weight=2.0):
    values = np.array(values, dtype=float)
    return settings(values, np.full(values.size, weight)).tolist()


def test_a_setting_that_changes_is_another_from_that_day_on():
    assert numbers([1] * 5 + [50] * 4) == [0] * 5 + [1] * 4


def test_one_odd_day_is_no_setting():
    assert numbers([10, 10, 10, 1, 10, 10]) == [0] * 6


def test_a_setting_that_comes_back_is_a_new_one():
    assert numbers([5, 5, 5, 20, 20, 20, 5, 5]) == [0, 0, 0, 1, 1, 1, 2, 2]


def test_the_last_day_counts_if_it_has_readings_enough():
    assert numbers([1, 1, 1, 50]) == [0, 0, 0, 1]
    assert numbers([1, 1, 1, 50], weight=1.0) == [0, 0, 0, 0]


def test_days_without_a_reading_belong_to_the_setting_before():
    assert numbers([1, np.nan, 1, np.nan, 50, 50]) == [0, 0, 0, 0, 1, 1]


@tried(deadline=None)
@given(st.lists(st.sampled_from([1.0, 1.1, 20.0, 50.0]), min_size=1, max_size=30))
def test_numbers_rise_by_one_from_nought(values):
    found = settings(np.array(values), np.ones(len(values)))
    assert found[0] == 0
    assert set(np.diff(found)) <= {0, 1}
