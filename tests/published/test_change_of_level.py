"""The dating of a level's change, against the flow of the Nile at Aswan.

Source: G. W. Cobb, Biometrika 65 (1978) 243: the level changed after 1898. 95 % interval of the
break, 1895 to 1902: reference output of the R package strucchange 1.5-4 for one break.
Data: statsmodels.datasets.nile.
"""

import numpy as np
import statsmodels.api as sm

from remanence.analytics.statistics.level_change import change_of_level


def test_the_nile_fell_after_1898():
    data = sm.datasets.nile.load_pandas().data
    flow = data["volume"].to_numpy(float)
    assert (flow.size, flow.sum()) == (100, 91935)
    change = change_of_level(np.arange(1, 101), flow)
    assert change is not None
    assert change.index == 28
    # As an ordinal: the first year of the new level is observation 29; the year before the
    # interval's first possible change is its lower bound.
    assert change.since == 29
    assert 25 <= change.since_low <= 29 <= change.since_high <= 33
    assert change.log_odds > 5  # 17 if the years were independent of each other
