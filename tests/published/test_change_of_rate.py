"""Dating a change of a rate, against the best-known series with one."""

from datetime import date

import numpy as np
import pytest

from remanence.analytics.statistics.level_change import change_of_level
from remanence.analytics.statistics.rates import change_of_rate, rate_that_matters

COUNTS = [
    4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4,
    2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2,
    0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2,
    4, 2, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1, 0,
]
"""Jarrett, Biometrika 66 (1979), 191: British coal mine disasters per year, 1851-1962 (from memory,
re-keyed)."""


def test_the_coal_mine_disasters_grew_rarer():
    # Years with at least two: Carlin, Gelfand and Smith, Appl. Statist. 41
    # (1992), 389, and others put the change at about 1890. Turned round in time it is a rise.
    assert (len(COUNTS), sum(COUNTS)) == (112, 191)
    days = np.array([date(1851 + year, 1, 1).toordinal() for year in range(112)])
    busy = np.array(COUNTS) >= 2
    found = change_of_rate(days, busy[::-1])
    # In reversed time the position of 1890 is 1962 - 1890 = 72 from the end.
    changed = 1962 - found.index + 1
    assert 1885 <= changed <= 1895
    assert change_of_rate(days, busy) is None or change_of_rate(days, busy).log_odds < 0


def test_the_day_of_the_coal_mines_change_has_its_published_posterior():
    """Raftery and Akman, Biometrika 73 (1986), 85 (from memory): the change came in about 1890,
    95 % between 1887 and 1895; 3.1 disasters a year before it and 0.9 after. Turned round in time.
    """
    trials = 50  # A year in parts, with one disaster in a part at most.
    year = np.repeat(np.arange(112.0), trials)
    event = np.concatenate([np.arange(trials) < count for count in COUNTS[::-1]])
    flat = (0.5, 25.0)
    found = rate_that_matters(
        year, event, healthy=flat, faulty=flat, prior=0.5, last_day=111.0)
    first, changed, last = (
        1962 - when for when in (found.since_high, found.since, found.since_low))
    assert 1889 <= changed <= 1892
    assert 1885 <= first <= 1888
    assert 1893 <= last <= 1897  # A year earlier is the last one that is surely before it.
    assert found.log_odds > 10
    assert trials * found.before.level == pytest.approx(0.9, abs=0.1)
    assert trials * found.now.level == pytest.approx(3.1, abs=0.3)


def test_a_level_that_never_moved_is_not_dated_with_conviction():
    rng = np.random.default_rng(28)
    days = np.arange(730_000, 730_120)
    odds = [change_of_level(days, rng.normal(60, 5, 120)).log_odds for _ in range(300)]
    # Bayes factors over 20 in favour of a change that is not there come in under 1 in 20 cases.
    assert np.mean(np.array(odds) > np.log(20)) < 0.05
