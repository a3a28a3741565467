"""One beside those that are like it: held against the normal and the t distribution."""

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.statistics.beside import (
    BETWEEN_WEIGHT,
    FAULTY_DEVIATIONS,
    chance_above,
)


def test_it_is_the_bayes_factor_of_a_uniform_and_a_t_distribution():
    others = np.log([20.0, 21.0, 22.0, 23.0, 24.0])
    spread = float(np.sqrt((BETWEEN_WEIGHT * 0.2**2 + 4 * 0.1**2) / (BETWEEN_WEIGHT + 4) * 1.2))
    off = (np.log(60.0) - np.log(22.0)) / spread
    odds = (1 / FAULTY_DEVIATIONS) / stats.t.pdf(off, BETWEEN_WEIGHT + 4) / 59
    found = chance_above(float(np.log(60.0)), others, between=0.2, prior=1 / 60)
    assert found == pytest.approx(odds / (1 + odds), rel=0.05)


def test_few_that_lie_together_say_less_than_many():
    few, many = (chance_above(1.2, np.zeros(count), between=0.25, prior=0.02) for count in (2, 20))
    assert 0.1 < few < 0.8 < many


def test_what_lies_among_the_others_is_as_they_are():
    rng = np.random.default_rng(3)
    told = [chance_above(float(rng.normal(0, 0.2)), rng.normal(0, 0.2, 9), between=0.2,
                         prior=1 / 30) for _ in range(2000)]
    assert sum(chance is not None for chance in told) < 40
    assert sum(chance is not None and chance > 0.9 for chance in told) <= 2
    assert chance_above(float("nan"), np.zeros(5), between=0.2, prior=0.02) is None


def test_an_error_of_its_own_figure_makes_it_less_sure():
    others = np.random.default_rng(3).normal(0, 0.05, 9)
    sure, unsure, none = (
        chance_above(0.8, others, between=0.1, prior=0.02, error=error) for error in (0, 0.2, 0.5))
    assert sure is not None
    assert unsure is not None
    assert sure > 0.9 > unsure
    assert none is None
