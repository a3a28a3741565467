"""Lives that end of one of two causes, against printed values and a reference library."""

import numpy as np
import pytest

from remanence.analytics.parts.cause_lives import PartLives, part_lives
from remanence.analytics.parts.demand import FUTURES, Place, draw_futures
from remanence.analytics.parts.unit_ends import ADVICE, FAILED, PLANNED, RUNNING, WORN, UnitLife
from remanence.analytics.statistics.life import LifePosterior, Lives
from tests.published.test_life import most_likely

DEVICE_G = """275W 13S 147W 23S 181W 30S 65S 10S 300- 173S 106S 300- 300- 212W 300- 300- 300- 2S
261S 293W 88S 247S 28S 143S 300- 23S 300- 80S 245W 266W"""
"""Thousands of cycles of 30 devices in the field, and why they ended: S a surge, W wear, - still
running (W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data (1998), Device-G
field-tracking data, chapter 15; figures from memory, the fits agree with the printed ones)."""
PRINTED = {"S": (6.11, 1.49, -101.36), "W": (5.83, 0.23, -47.16)}
"""Location, scale (log cycles) and log-likelihood of each cause's Weibull life, same place."""

CYCLES = np.array([float(device[:-1]) for device in DEVICE_G.split()])
CAUSE = np.array([device[-1] for device in DEVICE_G.split()])


@pytest.mark.parametrize("cause", ["S", "W"])
def test_each_cause_has_the_printed_life_where_the_other_counts_as_running(cause):
    found = most_likely(Lives.of(CYCLES, cause == CAUSE))
    location, scale, log_likelihood = PRINTED[cause]
    assert np.log(found.scale) == pytest.approx(location, abs=0.005)
    assert 1 / found.shape == pytest.approx(scale, abs=0.005)
    assert found.log_likelihood == pytest.approx(log_likelihood, abs=0.01)


def known(location: float, scale: float) -> LifePosterior:
    """A life known for certain."""
    return LifePosterior(np.array([np.exp(location)]), np.array([1 / scale]), np.ones(1), 9.0, 9.0,
                         "your data")


def test_of_two_causes_the_first_ends_a_unit():
    # Printed laws: F(t) = 1 - S1(t) S2(t). Wear that shows only as it ends leaves nothing to show.
    surge, wear = (known(*PRINTED[cause][:2]) for cause in "SW")
    lives = PartLives(surge, surge, wear, known(-20.0, 1.0))
    first = draw_futures([Place(0.0, 1.0, np.empty(0), watched=True)], lives, 400.0).first[0]
    for until in (50.0, 150.0, 250.0, 300.0):
        gone = 1 - np.exp(-sum(
            (until / np.exp(PRINTED[c][0])) ** (1 / PRINTED[c][1]) for c in "SW"))
        error = 4 * np.sqrt(gone * (1 - gone) / FUTURES)
        assert np.mean(first <= until) == pytest.approx(gone, abs=error)
    # Today's age counts: what has lived to 200 thousand is not taken to be new.
    aged = draw_futures([Place(200.0, 1.0, np.empty(0), watched=True)], lives, 400.0).first[0]
    share = 1 - np.exp(-sum(
        ((250 / np.exp(PRINTED[c][0])) ** (1 / PRINTED[c][1])
         - (200 / np.exp(PRINTED[c][0])) ** (1 / PRINTED[c][1])) for c in "SW"))
    assert np.mean(aged <= 50) == pytest.approx(share, abs=4 * np.sqrt(share / FUTURES))


@pytest.mark.filterwarnings("ignore::Warning")
def test_drawn_ends_agree_with_the_incidence_that_a_reference_library_counts():
    # Aalen and Johansen's estimate by lifelines, on lives drawn from two known laws; its standard
    # error is about 0.01 with 2,000 units.
    lifelines = pytest.importorskip("lifelines")
    surge, wear = (known(*PRINTED[cause][:2]) for cause in "SW")
    rng = np.random.default_rng(7)
    both = np.array([life.scale[0] * rng.weibull(life.shape[0], 2000) for life in (surge, wear)])
    cause, ended = both.argmin(axis=0) + 1, both.min(axis=0)
    seen = np.where(ended < 300, cause, 0)
    counted = lifelines.AalenJohansenFitter(calculate_variance=False).fit(
        np.minimum(ended, 300), seen, event_of_interest=2)
    lives = PartLives(surge, surge, wear, known(-20.0, 1.0))
    mine = draw_futures([Place(0.0, 1.0, np.empty(0), watched=True)], lives, 400.0).first[0]
    surges = lifelines.AalenJohansenFitter(calculate_variance=False).fit(
        np.minimum(ended, 300), seen, event_of_interest=1)
    for until in (100.0, 200.0, 290.0):
        either = sum(float(f.cumulative_density_.loc[:until].iloc[-1, 0])
                     for f in (counted, surges))
        assert np.mean(mine <= until) == pytest.approx(either, abs=0.04)


def unit(cycles: float, end: str, sign: float | None = None) -> UnitLife:
    return UnitLife(cycles, end, 0.0, sign)


def test_what_ends_a_unit_counts_for_its_own_cause_alone():
    watched = [*(unit(1000.0 + 50 * i, WORN, 800.0) for i in range(6)),
               *(unit(900.0, RUNNING) for _ in range(6))]
    by_wear = part_lives(watched, [], None, 100.0)
    assert by_wear.age is not None
    assert by_wear.sign is not None
    assert by_wear.age.failures == 0
    assert by_wear.sign.failures == by_wear.whole.failures == 6
    # Replaced on advice: it did not fail, it wants a new unit all the same, and its wear had shown.
    advised = part_lives([*watched, *(unit(900.0, ADVICE, 800.0) for _ in range(5)),
                          unit(900.0, PLANNED)], [], None, 100.0)
    assert advised.whole.failures == 6
    assert advised.sign is not None
    assert advised.showing is not None
    assert advised.sign.failures == advised.showing.failures == 11
    assert advised.advised - by_wear.advised == 5
    # A unit that failed without a sign is a matter of age, whatever its neighbours did.
    aged = part_lives([*watched, unit(700.0, FAILED)], [], None, 100.0)
    assert aged.age is not None
    assert aged.age.failures == 1
    # Where nothing is observed there is one life for all causes.
    assert part_lives([], [unit(700.0, FAILED)], None, 100.0).age is None


def test_a_unit_whose_wear_is_followed_is_not_worn_out_a_second_time_by_its_age():
    watched = [*(unit(1000.0 + 20 * i, WORN, 800.0) for i in range(10)),
               unit(1000.0, RUNNING, 900.0)]
    lives = part_lives(watched, [], None, 100.0)
    # By its own drift it has a year; by the life of all causes it would be gone within weeks.
    followed = Place(1100.0, 100.0, np.full(100, 52.0), watched=True)
    alone = Place(1100.0, 100.0, np.full(100, 52.0))
    once, twice = (draw_futures([place], lives, 60.0).first[0] for place in (followed, alone))
    assert np.mean(once <= 8) < 0.1
    assert np.mean(twice <= 8) > 0.5


def test_a_unit_whose_wear_shows_without_a_date_is_nearer_its_end_than_one_that_shows_none():
    watched = [*(unit(1000.0 + 20 * i, WORN, 800.0) for i in range(10)),
               unit(700.0, RUNNING, 600.0)]
    lives = part_lives(watched, [], None, 100.0)
    shows, hidden = (
        draw_futures([Place(700.0, 100.0, np.empty(0), watched=True, shown=shown)], lives, 60.0)
        .first[0] for shown in (100.0, None))
    # Of ten, each went 200 to 380 cycles after its wear began to show.
    assert np.mean(shows <= 4) > np.mean(hidden <= 4) + 0.3


def test_a_cause_of_which_no_unit_ended_is_not_forgotten_and_not_made_much_of():
    watched = [unit(1000.0 + 20 * i, WORN, 800.0) for i in range(10)]
    age = part_lives(watched, [], None, 100.0).age
    assert age is not None
    # Nothing is known of it but that it ended none of ten within 1,000 cycles.
    assert 2_000 < age.life_quantile()[0] < 20_000
