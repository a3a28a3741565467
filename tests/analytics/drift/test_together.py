"""One cause, or each lock's own: told by when each began, by how much, and by who stood still."""

import numpy as np

from remanence.analytics.drift.change_model import change_likelihood
from remanence.analytics.drift.together import one_cause, side_by_side

DAY = np.arange(-100.0, 7.0)
UNITS = 8
EVERY = np.ones(6, dtype=bool)


def judged(sizes, days=0.0, errors=0.02, rows=EVERY, others=0):
    """Odds that these locks changed by one cause, and who is in it; ``others`` lie outside."""
    rng = np.random.default_rng(5)
    count = len(sizes) + others
    sizes, days, errors = (
        np.concatenate([np.broadcast_to(part, len(sizes)), np.full(others, rest)])
        for part, rest in ((sizes, 0.0), (days, 0.0), (errors, 0.02)))
    own = [
        change_likelihood(
            DAY, size * (day <= DAY) + rng.normal(0, error, DAY.size), np.eye(DAY.size) * error**2)
        for size, day, error in zip(sizes, days, errors, strict=True)]
    inside = np.zeros(count, dtype=bool)
    inside[:len(rows)] = rows
    odds, joined = one_cause(side_by_side(own, DAY), inside, UNITS)
    return odds, joined.tolist()


def test_one_day_and_one_size_are_one_cause():
    odds, joined = judged([0.25] * 6, [-20, -20, -19, -20, -18, -21])
    assert odds > 10
    assert all(joined)


def test_days_of_their_own_are_none_however_many_they_are():
    odds, _ = judged([0.25] * 6, [-60, -50, -40, -31, -22, -11])
    assert odds < 0


def test_two_that_changed_in_one_week_while_the_rest_of_their_room_stood_still_share_nothing():
    odds, joined = judged([0.25, 0.4, 0, 0, 0, 0], [-20, -17, 0, 0, 0, 0])
    assert odds < 0.5
    assert sum(joined) < 4


def test_locks_of_which_nothing_can_be_told_speak_for_neither():
    """One that fell slow by a half beside five whose days scatter too much to tell is one lock."""
    odds, _ = judged([0.5, 0, 0, 0, 0, 0], -20.0, errors=[0.02] + [1.0] * 5)
    assert odds < 0
    plain, joined = judged([0.25] * 6, -20.0, errors=[0.02] * 4 + [1.0] * 2)
    assert plain > 5
    assert all(joined)


def test_one_with_a_fault_of_its_own_is_told_apart_and_does_not_undo_the_rest():
    odds, joined = judged([0.25, 0.25, 0.24, 0.26, 0.25, 0.9], [-20, -20, -19, -20, -20, -60])
    assert odds > 5
    assert joined == [True] * 5 + [False]


def test_who_stood_still_is_not_in_it_though_most_of_its_unit_moved():
    odds, joined = judged([0.25, 0.25, 0.24, 0.26, 0.0, 0.25], -20.0)
    assert odds > 5
    assert joined == [True] * 4 + [False, True]


def test_sizes_far_apart_are_less_likely_one_cause():
    alike, _ = judged([0.25] * 6, -20.0)
    unlike, _ = judged([0.06, 0.7, 0.07, 0.8, 0.5, 0.1], -20.0)
    assert unlike < alike - 3


def test_the_unit_that_holds_all_who_moved_and_few_others_is_likelier():
    sizes = [0.25] * 6
    narrow, _ = judged(sizes, -20.0, others=8)
    wide, _ = judged(sizes, -20.0, rows=np.ones(14, dtype=bool), others=8)
    part, _ = judged(sizes, -20.0, rows=np.arange(6) < 4, others=8)
    assert narrow > wide + 2
    assert narrow > part + 5


def test_where_many_fail_by_themselves_the_same_weeks_say_less():
    """Three of four that begin within two weeks are less of a wonder beside eight that failed."""
    def odds(failing):
        return judged([0.3, 0.3, 0.3, 0.0, *[0.3 * failing] * 8],
                      [-20, -14, -9, 0, *np.linspace(-95, -30, 8)], rows=np.arange(12) < 4)[0]

    assert odds(True) < odds(False) - 1
