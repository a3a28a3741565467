"""The product-limit estimate against published tables."""

import numpy as np
import pytest
from scipy import stats
from scipy.stats import binomtest

from remanence.analytics.statistics.survival import bound_of_quantile, product_limit

# NIST/SEMATECH e-Handbook of Statistical Methods, sec. 8.2.1.5, "Empirical model fitting -
# distribution free (Kaplan-Meier) approach": 20 units, six failures, four removed unfailed,
# ten still running at 200 h.
NIST_FAILED = [10, 32, 56, 98, 122, 181]
NIST_REMOVED = [50, 100, 125, 150] + [200] * 10
NIST_FACTORS = [(19, 20), (18, 19), (16, 17), (15, 16), (13, 14), (10, 11)]
NIST_RELIABILITY = [0.950000, 0.900000, 0.847059, 0.794118, 0.737395, 0.670359]


def survival_at(curve, times):
    """Share still waiting just after each of ``times``."""
    return np.append(1.0, curve.survival)[np.searchsorted(curve.times, times, side="right")]


def test_nist_reliability_is_reproduced():
    curve = product_limit(
        NIST_FAILED + NIST_REMOVED, [True] * 6 + [False] * 14
    )
    found = survival_at(curve, NIST_FAILED)
    # The page gives the factors as fractions: exact but for rounding in doubles.
    exact = np.cumprod([top / bottom for top, bottom in NIST_FACTORS])
    np.testing.assert_allclose(found, exact, rtol=0, atol=1e-12)
    # ... and prints six decimals.
    np.testing.assert_allclose(found, NIST_RELIABILITY, rtol=0, atol=5e-7)


# Freireich et al., Blood 21 (1963), 699, the 6-MP arm of 21 patients: remission in weeks.
# Re-keyed; + marks remission still lasting.
SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
TABLE = {  # week: at risk, survival (3 decimals), Greenwood standard error (4 decimals)
    6: (21, 0.857, 0.0764), 7: (17, 0.807, 0.0869), 10: (15, 0.753, 0.0963),
    13: (12, 0.690, 0.1068), 16: (11, 0.627, 0.1141), 22: (7, 0.538, 0.1282),
    23: (6, 0.448, 0.1346),
}


def six_mp(**options):
    weeks = [float(item.rstrip("+")) for item in SIX_MP.split()]
    return product_limit(weeks, [not item.endswith("+") for item in SIX_MP.split()], **options)


def test_freireich_survival_and_greenwood_errors():
    curve = six_mp()
    for week, (at_risk, survival, error) in TABLE.items():
        row = int(np.flatnonzero(curve.times == week)[0])
        assert curve.at_risk[row] == at_risk
        assert curve.survival[row] == pytest.approx(survival, abs=0.0005)
        assert curve.standard_error[row] == pytest.approx(error, abs=0.00005)


def test_freireich_medians():
    # 23 weeks with treatment, 8 without (quoted wherever the study is; recomputed).
    assert six_mp().quantile(0.5)[0] == 23
    assert product_limit(CONTROL, [True] * 21).quantile(0.5)[0] == 8


def test_lung_median_and_both_published_intervals():
    lifelines = pytest.importorskip("lifelines.datasets")
    lung = lifelines.load_lung()
    died = lung["status"].to_numpy() > lung["status"].min()
    time = lung["time"].to_numpy()
    assert (len(lung), int(died.sum())) == (228, 165)
    # R survival prints 310 (285-363) with its default, log-transformed limits; log-log limits
    # give 284-361.
    assert product_limit(time, died, limits="log").quantile(0.5) == (310, 285, 363)
    assert product_limit(time, died, limits="log-log").quantile(0.5) == (310, 284, 361)
    # Beta-product limits must agree about a sample of this size: within one death or two.
    value, low, high = product_limit(time, died).quantile(0.5)
    assert value == 310
    assert low == pytest.approx(285, abs=5)
    assert high == pytest.approx(361, abs=5)


# Newcombe, Statist. Med. 17 (1998), 857-872, Table I, method 5 (Clopper and Pearson), 95 %.
CLOPPER_PEARSON = {
    (81, 263): (0.2527, 0.3676), (15, 148): (0.0578, 0.1617),
    (0, 20): (0.0000, 0.1684), (1, 29): (0.0009, 0.1776),
}


@pytest.mark.parametrize(("case", "printed"), CLOPPER_PEARSON.items(), ids=str)
def test_limits_without_censoring_are_clopper_and_pearsons(case, printed):
    # Fay, Brittain and Proschan (2013) prove this of the beta product; the table is
    # published elsewhere. x of n have ended after time x.
    ended, count = case
    times = np.arange(1, count + 1, dtype=float)
    curve = product_limit(times, [True] * count)
    if ended == 0:
        low, high = 0.0, 1 - curve.lower_at_start
    else:
        low, high = 1 - curve.upper[ended - 1], 1 - curve.lower[ended - 1]
    assert low == pytest.approx(printed[0], abs=0.00005)
    assert high == pytest.approx(printed[1], abs=0.00005)


def test_agrees_with_two_other_programs_on_random_censored_samples():
    lifelines = pytest.importorskip("lifelines")
    rng = np.random.default_rng(6)
    for size in (3, 17, 200):
        time = np.round(rng.exponential(50, size), 0) + 1  # rounding makes ties
        stop = np.round(rng.exponential(80, size), 0) + 1
        ended = time <= stop
        watched = np.minimum(time, stop)
        curve = product_limit(watched, ended, limits="log-log")
        other = stats.ecdf(stats.CensoredData.right_censored(watched, ~ended)).sf
        np.testing.assert_allclose(curve.survival, other.probabilities, atol=1e-12)
        third = lifelines.KaplanMeierFitter().fit(watched, ended)
        inner = (curve.survival < 1) & (curve.survival > 0)
        limits = third.confidence_interval_survival_function_.loc[curve.times].to_numpy()
        np.testing.assert_allclose(curve.lower[inner], limits[inner, 0], atol=1e-9)
        np.testing.assert_allclose(curve.upper[inner], limits[inner, 1], atol=1e-9)


# Abernethy et al., AFWAL-TR-83-2079 (1983), bearing cage fracture: hours and units of 1703, six
# of them failures. Re-keyed.
CAGES_RUNNING = {
    50: 288, 150: 148, 250: 124, 350: 111, 450: 106, 550: 99, 650: 110, 750: 114, 850: 119,
    950: 127, 1050: 123, 1150: 93, 1250: 47, 1350: 41, 1450: 27, 1550: 11, 1650: 6, 1850: 1,
    2050: 2,
}
CAGES_FAILED = (230, 334, 423, 990, 1009, 1510)


def test_bearing_cages_by_count():
    hours = [*CAGES_RUNNING, *CAGES_FAILED]
    failed = [False] * len(CAGES_RUNNING) + [True] * 6
    units = [*CAGES_RUNNING.values(), *[1] * 6]
    assert sum(units) == 1703
    weighed = product_limit(hours, failed, counts=units)
    repeated = product_limit(np.repeat(hours, units), np.repeat(failed, units))
    np.testing.assert_array_equal(weighed.survival, repeated.survival)
    np.testing.assert_array_equal(weighed.lower, repeated.lower)
    # Few failures in a large fleet: the estimate must not fall far, nor pretend a median.
    assert survival_at(weighed, [1000.0])[0] > 0.99
    assert weighed.quantile(0.5)[0] is None


@pytest.mark.parametrize(("probability", "needed"), [(0.95, 59), (0.99, 299), (0.999, 2995)])
def test_clean_events_needed_for_a_distribution_free_bound(probability, needed):
    # Sample sizes that reliability handbooks print for 95 % confidence ("59 for 95/95").
    assert bound_of_quantile(np.arange(needed - 1), probability) is None
    assert bound_of_quantile(np.arange(needed), probability) == needed - 1


def test_bound_is_an_exact_binomial_one():
    # The k-th value bounds the quantile if P(fewer than k below it) reaches the confidence:
    # the same as Clopper and Pearson's one-sided limit at k - 1 of n.
    values = np.arange(1.0, 101.0)
    rank = int(bound_of_quantile(values, 0.9) or 0)
    limit = binomtest(rank - 1, 100, alternative="greater").proportion_ci(0.95).low
    tighter = binomtest(rank - 2, 100, alternative="greater").proportion_ci(0.95).low
    assert tighter < 0.9
    assert limit <= 0.9 or rank == 100 or stats.binom.cdf(rank - 1, 100, 0.9) >= 0.95
    assert stats.binom.cdf(rank - 2, 100, 0.9) < 0.95 <= stats.binom.cdf(rank - 1, 100, 0.9)
