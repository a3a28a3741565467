"""Intervals of shares and counts, robust scatter and percentiles, against published figures."""

import numpy as np
import pytest

from remanence.analytics.statistics.intervals import (
    median_interval,
    poisson_limits,
    robust_deviation,
    wilson,
)

# Newcombe, Statist. Med. 17 (1998), 857-872, Table I, method 3 (Wilson), 95 %.
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("count", "total", "low", "high"), NEWCOMBE)
def test_wilson_interval(count, total, low, high):
    assert wilson(count, total) == pytest.approx((low, high), abs=5e-5)


def test_wilson_one_sided_limit_of_the_handbook():
    # NIST/SEMATECH e-Handbook, sec. 7.2.4.1: 26 defective of 200, lower 95 % limit 0.09577.
    assert wilson(26, 200, 0.90)[0] == pytest.approx(0.09577, abs=5e-6)


def test_nothing_counted_tells_nothing():
    assert wilson(0, 0) == (0.0, 1.0)


# Garwood, Biometrika 28 (1936), exact 95 % limits of a Poisson count, as printed in tables.
@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (2, 0.2422, 7.2247), (3, 0.6187, 8.7673),
     (5, 1.6235, 11.6683), (10, 4.7954, 18.3904)],
)
def test_exact_poisson_limits(count, low, high):
    assert poisson_limits(count) == pytest.approx((low, high), abs=5e-5)


def test_time_censored_rate_of_the_handbook():
    # NIST/SEMATECH e-Handbook, sec. 8.4.5.1: 2 failures in 800 h, two-sided 90 %: mean time
    # between failures at least 127.0690 h and at most 2251.229 h (from 2 failures, not 3).
    assert 800 / poisson_limits(2, 0.90)[1] == pytest.approx(127.0690, abs=5e-4)
    assert 800 / poisson_limits(2, 0.90)[0] == pytest.approx(2251.229, abs=5e-4)


def test_robust_deviation_sees_the_outlier_of_the_grubbs_example():
    # NIST/SEMATECH e-Handbook, sec. 1.3.5.17.1: with eight values no z can exceed 2.4749, so
    # three standard deviations never catch 245.57; its robust z is 29.963 (0.6745 / MAD; this
    # program's 1.4826 differs from 1 / 0.6745 in the fifth digit).
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    plain = (values[-1] - values.mean()) / values.std(ddof=1)
    assert plain == pytest.approx(2.46876, abs=5e-5)
    robust = (values[-1] - np.median(values)) / robust_deviation(values)
    assert robust == pytest.approx(29.963, abs=0.002)


@pytest.mark.parametrize(("count", "rank"), [(6, 1), (10, 2), (20, 6), (30, 10)])
def test_median_interval_takes_the_ranks_of_the_sign_test(count, rank):
    # Conover, Practical Nonparametric Statistics, 3rd ed. (1999), table A3 with p = 0.5.
    assert median_interval(np.arange(1.0, count + 1)) == (
        (count + 1) / 2, rank, count + 1 - rank)


def test_numbers_far_from_zero_keep_their_scatter():
    # NIST Statistical Reference Datasets, NumAcc4: 10000000.2, then 10000000.1 and
    # 10000000.3 alternating, 1001 values, standard deviation 0.1 by design. The one-pass
    # formula gives a negative variance there.
    values = np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)])
    assert robust_deviation(values) == pytest.approx(0.14826, rel=1e-6)  # MAD is 0.1 exactly
    assert median_interval(values)[0] == pytest.approx(10000000.2, abs=1e-8)
