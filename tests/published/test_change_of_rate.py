"""Dating a change of a rate, against the best-known series with one."""

from datetime import date

import numpy as np

from remanence.analytics.statistics.level_change import change_of_level
from remanence.analytics.statistics.rates import change_of_rate


def test_the_coal_mine_disasters_grew_rarer():
    # Jarrett, Biometrika 66 (1979), 191, British coal mine disasters per year, 1851-1962 (from
    # memory, re-keyed as years with at least one): Carlin, Gelfand and Smith, Appl. Statist. 41
    # (1992), 389, and others put the change at about 1890. Turned round in time it is a rise.
    counts = [
        4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4,
        2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2,
        0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2,
        4, 2, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1, 0,
    ]
    assert (len(counts), sum(counts)) == (112, 191)
    days = np.array([date(1851 + year, 1, 1).toordinal() for year in range(112)])
    busy = np.array(counts) >= 2
    found = change_of_rate(days, busy[::-1])
    # In reversed time the position of 1890 is 1962 - 1890 = 72 from the end.
    changed = 1962 - found.index + 1
    assert 1885 <= changed <= 1895
    assert change_of_rate(days, busy) is None or change_of_rate(days, busy).log_odds < 0


def test_a_level_that_never_moved_is_not_dated_with_conviction():
    rng = np.random.default_rng(28)
    days = np.arange(730_000, 730_120)
    odds = [change_of_level(days, rng.normal(60, 5, 120)).log_odds for _ in range(300)]
    # Bayes factors over 20 in favour of a change that is not there come in under 1 in 20 cases.
    assert np.mean(np.array(odds) > np.log(20)) < 0.05
