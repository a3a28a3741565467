"""A magnet that never had its diode is told for as long as that lasts, and by its model."""

import numpy as np
import pytest

from remanence.analytics.conditions.from_first_day import quick_from_the_start
from tests.analytics.physics.latency_rows import actuations, history_at, lock

MAGNETS = [lock(f"magnet-{n}", kind="magnet") for n in range(4)]


def told(course, week):
    rows = actuations(MAGNETS, weeks=16, seed=5, faults={"magnet-2": course})
    return [(item.subject, item.score > 0.9)
            for item in quick_from_the_start(history_at(MAGNETS, rows, week))]


@pytest.mark.parametrize("week", [1, 3, 5, 15])
def test_a_magnet_that_was_always_quick_is_told_each_week(week):
    assert told(lambda day: np.log(22 / 400) + 0.0 * day, week) == [("magnet-2", True)]


def test_one_that_became_quick_is_its_own_past_s_to_judge():
    assert told(lambda day: np.where(day < 60, 0.0, np.log(22 / 400)), 15) == []
