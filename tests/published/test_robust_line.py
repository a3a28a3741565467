"""The straight line against certified and independent results."""

import numpy as np
import pytest

from remanence.analytics.statistics.robust import huber_line

# NIST Statistical Reference Datasets, linear least squares, Norris (certified values at
# www.itl.nist.gov/div898/strd/lls/data/Norris.shtml): y, x.
NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
]


def test_without_robustness_the_line_is_the_certified_one():
    y, x = np.array(NORRIS).T
    line = huber_line(x, y, tuning=np.inf)
    assert line is not None
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope_error == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.intercept_error == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.freedom == 34


@pytest.mark.parametrize("intercept", [True, False])
def test_agrees_with_another_program_where_some_points_are_wild(intercept):
    models = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(4)
    x = rng.uniform(0, 5, 80)
    y = 0.3 * x + rng.normal(0, 0.05, 80)
    y[::9] += 2.0
    line = huber_line(x, y, intercept=intercept, rounds=500)
    design = models.add_constant(x) if intercept else x
    other = models.RLM(y, design, M=models.robust.norms.HuberT()).fit(
        scale_est="mad", cov="H1", tol=1e-12, maxiter=500,
    )
    # statsmodels centres its MAD, which moves the scale a little: three digits.
    assert line.slope == pytest.approx(other.params[-1], rel=5e-3)
    assert line.slope == pytest.approx(0.3, abs=0.02 if intercept else 0.05)


def test_wild_points_do_not_bend_it():
    x = np.linspace(0, 5, 50)
    y = 0.2 * x + np.sin(np.arange(50)) * 0.01
    wild = y.copy()
    wild[::10] += 50
    clean, bent = huber_line(x, y, intercept=False), huber_line(x, wild, intercept=False)
    assert bent.slope == pytest.approx(clean.slope, rel=0.02)
    plain = huber_line(x, wild, intercept=False, tuning=np.inf)
    assert abs(plain.slope - 0.2) > 0.5  # ordinary least squares is bent: the test can fail


def test_rows_of_one_group_count_once():
    # Eight coils whose true resistance is 5 % off at random: a thousand pulses of each do not
    # make the slope better known than eight coils can.
    rng = np.random.default_rng(8)
    inside = 0
    for _ in range(200):
        coil = np.repeat(np.arange(8), 60)
        amps = np.repeat(rng.uniform(0.5, 2.0, 8), 60)
        off = np.repeat(rng.normal(1, 0.05, 8), 60)
        sag = 0.2 * amps * off + rng.normal(0, 0.01, 480)
        line = huber_line(amps, sag, groups=coil, intercept=False)
        inside += line.low <= 0.2 <= line.high
        assert line.freedom == 7
    assert inside / 200 > 0.88  # sandwich with 8 groups is a little short of 95 %
    narrow = huber_line(amps, sag, intercept=False)
    assert line.high - line.low > 3 * (narrow.high - narrow.low)


def test_too_little_is_no_line():
    assert huber_line([], []) is None
    assert huber_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]) is None
    assert huber_line([1.0], [2.0], intercept=False) is None
