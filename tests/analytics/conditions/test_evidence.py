"""How sure commands make a fault: by their number, their share and the lock's own past."""

from hypothesis import given, settings
from hypothesis import strategies as st

from remanence.analytics.conditions.evidence import chance_shown

SELDOM = (1.0, 100.0)


def test_more_commands_make_it_surer_and_a_past_that_showed_it_less_sure():
    one, two, five = (chance_shown((n, n), (0, 50), SELDOM) for n in (1, 2, 5))
    assert one < 0.6 < 0.9 < two < five
    assert chance_shown((6, 20), (30, 100), SELDOM) < 0.05 < 0.9 < chance_shown(
        (6, 20), (0, 100), SELDOM)


def test_a_long_past_counts_as_no_more_than_a_few_hundred_commands():
    assert chance_shown((2, 10), (10, 1000), SELDOM) == chance_shown(
        (2, 10), (100, 10_000), SELDOM)


@settings(deadline=None)
@given(st.integers(0, 40), st.integers(0, 40), st.integers(0, 500), st.integers(0, 500))
def test_it_is_a_probability_whatever_was_counted(hits, more, before, before_more):
    chance = chance_shown((hits, hits + more), (before, before + before_more), SELDOM)
    assert 0.0 <= chance <= 1.0
