"""Mann-Kendall and Theil-Sen against published worked examples."""

import numpy as np
import pytest

from remanence.analytics.statistics.trend import mann_kendall, trend

# US EPA, Statistical Analysis of Groundwater Monitoring Data at RCRA Facilities: Unified Guidance
# (EPA 530/R-09-007, 2009), Example 17-6, p. 17-33: sulfate, ppm, unevenly spaced, with ties.
EPA_TIME = [89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6,
            94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8]
EPA_SULFATE = [480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570,
               610, 650, 620, 830, 720, 590]


def test_the_epa_sulfate_example():
    found = trend(EPA_TIME, EPA_SULFATE)
    assert (found.s, found.variance) == (194, 1428.0)
    assert found.z == pytest.approx(5.107322, abs=1e-6)
    assert found.p == pytest.approx(3.267574e-07, rel=1e-5)
    assert found.slope == pytest.approx(26.6666667, abs=1e-6)
    # The guidance interpolates ranks: 20.00000 and 35.71182. Whole ranks give 35.8491 above.
    assert found.slope_low == pytest.approx(20.0, abs=1e-6)
    assert found.slope_high == pytest.approx(35.8491, abs=1e-4)
    assert found.p_memory < 0.01


def test_the_nile_trend_is_weaker_once_its_memory_is_allowed_for():
    # Nile flow at Aswan 1871-1970 (Cobb, Biometrika 65 (1978), 243): S -1387, z -4.12807,
    # p 3.658e-05 plain; Hamed-Rao's correction leaves z -2.81998, p 0.0048.
    nile = pytest.importorskip("statsmodels.datasets").nile.load_pandas().data["volume"]
    s, _, z, p = mann_kendall(nile.to_numpy())
    assert (s, z) == (-1387, pytest.approx(-4.12807, abs=1e-5))
    assert p == pytest.approx(3.658e-05, rel=1e-3)
    found = trend(np.arange(100), nile.to_numpy())
    assert p < found.p_memory < 0.05


def test_series_with_memory_and_no_trend_are_seldom_called_trends():
    rng = np.random.default_rng(20260303)
    plain, allowed = 0, 0
    for draw in range(120):
        values = np.zeros(26)
        for step in range(1, 26):
            values[step] = 0.5 * values[step - 1] + rng.standard_normal()
        found = trend(np.arange(26), values, seed=draw)
        plain += found.p < 0.05
        allowed += (found.p_memory or 1.0) < 0.05
    # The plain test is fooled far oftener than one time in twenty; the other stays near it.
    assert plain > 20
    assert allowed <= 16


def test_too_few_values_carry_no_p_value_with_memory():
    assert trend(range(7), range(7)).p_memory is None
    with pytest.raises(ValueError, match="three"):
        trend([1, 2], [1, 2])
