"""Life data analysis and spares against published worked examples."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy import optimize, stats

from remanence.analytics.parts.demand import Demand, Place, draw_futures
from remanence.analytics.statistics.life import (
    LifePosterior,
    Lives,
    life_posterior,
    weibull_log_likelihood,
    zero_failure_scale,
)


class Weibull(NamedTuple):
    """The most likely life under the program's likelihood."""

    scale: float
    shape: float
    log_likelihood: float

    def quantile(self, share):
        return self.scale * (-np.log1p(-share)) ** (1 / self.shape)


def most_likely(lives):
    unit = np.log(lives.cycles.max())
    found = optimize.minimize(
        lambda at: -float(weibull_log_likelihood(np.array(at[0] + unit), np.array(at[1]), lives)),
        [0.0, 0.0], method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000})
    return Weibull(float(np.exp(found.x[0] + unit)), float(np.exp(found.x[1])), -float(found.fun))


def poisson(mean):
    return Demand(stats.poisson.pmf(np.arange(stats.poisson.isf(1e-12, mean) + 1), mean))


def fit(failures, censored=(), weights=None):
    times = [*failures, *censored]
    ended = [True] * len(failures) + [False] * len(censored)
    return most_likely(Lives.of(times, ended, weights=weights))


def test_nist_weibull_with_censoring():
    # NIST/SEMATECH e-Handbook of Statistical Methods, sec. 8.4.1.3: ten failures, ten units
    # stopped at 500 h. Printed: scale 606.5280 (limited by the optimiser), shape 1.7208,
    # log-likelihood -75.135.
    found = fit([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
    assert found.scale == pytest.approx(606.528, abs=1e-3)
    assert found.shape == pytest.approx(1.7208, abs=5e-5)
    assert found.log_likelihood == pytest.approx(-75.135, abs=5e-4)
    # The B10 life follows from these two figures: 164.022 h.
    assert found.quantile(0.1) == pytest.approx(164.022, abs=0.01)


def test_ball_bearings():
    # Lieblein and Zelen, J. Res. NBS 57 (1956) 273, doi:10.6028/jres.057.033; maximum likelihood
    # recomputed: shape 2.102, scale 81.87, B10 28.07 (the seventh value circulates in three forms).
    found = fit([17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.40, 51.84, 51.96, 54.12, 55.56,
                 67.80, 68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04,
                 173.40])
    assert found.shape == pytest.approx(2.102, abs=2e-3)
    assert found.scale == pytest.approx(81.87, abs=2e-2)
    assert found.quantile(0.1) == pytest.approx(28.07, abs=2e-2)


def test_abernethy_suspensions():
    # Abernethy, The New Weibull Handbook, app. C.5: shape 2.257, scale 4900.1.
    found = fit([1500, 2250, 4000, 4300, 7000], [1750, 5000])
    assert found.shape == pytest.approx(2.257, abs=5e-4)
    assert found.scale == pytest.approx(4900.1, abs=0.05)
    # Ibid., Fig. 2-5 data; the book's rank regression gives 2.024 and 94.998, maximum likelihood
    # (recomputed) 3.017 and 87.956: this program states that it uses the latter.
    other = fit([30, 49, 82, 90, 96], [10, 45, 100])
    assert other.shape == pytest.approx(3.017, abs=5e-4)
    assert other.scale == pytest.approx(87.956, abs=5e-3)


BEARING_CAGE = [
    # Abernethy et al., AFWAL-TR-83-2079 (1983), bearing cage field data: hours, failed, units.
    (50, 0, 288), (150, 0, 148), (230, 1, 1), (250, 0, 124), (334, 1, 1), (350, 0, 111),
    (423, 1, 1), (450, 0, 106), (550, 0, 99), (650, 0, 110), (750, 0, 114), (850, 0, 119),
    (950, 0, 127), (990, 1, 1), (1009, 1, 1), (1050, 0, 123), (1150, 0, 93), (1250, 0, 47),
    (1350, 0, 41), (1450, 0, 27), (1510, 1, 1), (1550, 0, 11), (1650, 0, 6), (1850, 0, 1),
    (2050, 0, 2),
]


def test_bearing_cage_fleet_with_few_failures():
    # Published fit of these data: scale 11792.178, shape 2.035319; the study's B10 is 3903 h.
    hours, failed, units = zip(*BEARING_CAGE, strict=True)
    found = most_likely(
        Lives.of(hours, np.array(failed, dtype=bool), weights=units))
    assert found.scale == pytest.approx(11792.178, abs=0.05)
    assert found.shape == pytest.approx(2.035319, abs=2e-5)
    assert found.quantile(0.1) == pytest.approx(3903, abs=1)


SHOCK_ABSORBERS_FAILED = [
    6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490,
]
SHOCK_ABSORBERS_RUNNING = [
    6950, 7820, 8790, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12870, 13330, 13470, 14040,
    17540, 17890, 18450, 18960, 18980, 19410, 20100, 20150, 20320, 23490, 27410, 27890, 28100,
]


def test_shock_absorbers_both_modes_pooled():
    # O'Connor, Practical Reliability Engineering (1985); Meeker and Escobar, Statistical Methods
    # for Reliability Data (1998), Table 8.1: 38 units, 11 failures. Weibull mu 10.23, sigma 0.3164
    # (recomputed), that is scale 27,719 km and shape 3.160.
    found = fit(SHOCK_ABSORBERS_FAILED, SHOCK_ABSORBERS_RUNNING)
    assert (len(SHOCK_ABSORBERS_FAILED), len(SHOCK_ABSORBERS_RUNNING)) == (11, 27)
    assert np.log(found.scale) == pytest.approx(10.23, abs=5e-3)
    assert 1 / found.shape == pytest.approx(0.3164, abs=5e-5)
    assert found.scale == pytest.approx(27_719, abs=5)
    assert found.shape == pytest.approx(3.160, abs=5e-4)


GENERATOR_FANS = [
    # Nelson, Applied Life Data Analysis (1982), p. 133: hours, failed, units.
    (450, 1, 1), (460, 0, 1), (1150, 1, 2), (1560, 0, 1), (1600, 1, 1), (1660, 0, 1),
    (1850, 0, 5), (2030, 0, 3), (2070, 1, 2), (2080, 1, 1), (2200, 0, 1), (3000, 0, 4),
    (3100, 1, 1), (3200, 0, 1), (3450, 1, 1), (3750, 0, 2), (4150, 0, 4), (4300, 0, 4),
    (4600, 1, 1), (4850, 0, 4), (5000, 0, 3), (6100, 0, 3), (6100, 1, 1), (6300, 0, 1),
    (6450, 0, 2), (6700, 0, 1), (7450, 0, 1), (7800, 0, 2), (8100, 0, 2), (8200, 0, 1),
    (8500, 0, 3), (8750, 0, 2), (8750, 1, 1), (9400, 0, 1), (9900, 0, 1), (10100, 0, 3),
    (11500, 0, 1),
]


def test_generator_fans_at_constant_rate():
    # 70 fans, 12 failures in 344,440 h: mean life 28,703.3 h at shape 1 (follows from the data).
    hours, failed, units = (np.array(column) for column in zip(*GENERATOR_FANS, strict=True))
    assert (units.sum(), (failed * units).sum(), hours @ units) == (70, 12, 344_440)
    lives = Lives.of(hours, failed.astype(bool), weights=units)
    found = most_likely(lives)
    # The data hardly depart from a constant rate: the shape is near 1, the likelihood flat there.
    assert found.shape == pytest.approx(1.0, abs=0.25)
    # No failure at all in such a time would bound the mean at 344,440 over 2.99573.
    none = Lives.of(hours, np.zeros(len(hours), dtype=bool), weights=units)
    assert zero_failure_scale(none, 1.0) == pytest.approx(344_440 / 2.99573, rel=1e-5)


@pytest.mark.filterwarnings("ignore:Approximating using")
def test_late_entry_and_censoring_agree_with_a_reference_library():
    # lifelines (Davidson-Pilon, J. Open Source Software 4 (2019) 1317) with entry ages and weights.
    lifelines = pytest.importorskip("lifelines")
    rng = np.random.default_rng(20260303)
    life, entry = 5000 * rng.weibull(2.0, 400), rng.uniform(0, 3000, 400)
    seen = life > entry
    life, entry = life[seen], entry[seen]
    leaves = np.minimum(life, entry + 2500)
    weights = rng.integers(1, 4, life.size).astype(float)
    mine = most_likely(
        Lives.of(leaves, life <= leaves, entry=entry, weights=weights))
    theirs = lifelines.WeibullFitter().fit(
        leaves, life <= leaves, entry=entry, weights=weights)
    assert mine.scale == pytest.approx(theirs.lambda_, rel=1e-4)
    assert mine.shape == pytest.approx(theirs.rho_, rel=1e-4)
    assert mine.log_likelihood == pytest.approx(theirs.log_likelihood_, rel=1e-6)


def test_drawn_futures_agree_with_the_renewal_function():
    # A life known for certain: the mean number of new units in a place new today is the renewal
    # function of Weibull lives (two discretisations agree on these values, no publication; the
    # exponential one is exact). Its standard error here is 0.005 to 0.009.
    for shape, until, expected in ((2.0, 1.0, 0.7537), (3.0, 2.0, 1.8011), (1.0, 2.0, 2.0)):
        life = LifePosterior(
            np.array([1000.0]), np.array([shape]), np.ones(1), 9.0, 9.0, "your data")
        place = Place(0.0, 100.0, np.empty(0))
        futures = draw_futures([place], life, 10.0 * until)
        assert futures.within(10.0 * until).mean == pytest.approx(expected, abs=0.03)
        # Half of the time has half of the units at a constant rate, fewer where parts wear out.
        assert futures.within(5.0 * until).mean <= expected / 2 + 0.03


def test_drawn_futures_agree_with_poisson_stock():
    # Many places, each rarely wanting one at a constant rate: the need is Poisson (limit theorem).
    life = LifePosterior(np.array([1e5]), np.array([1.0]), np.ones(1), 9.0, 9.0, "your data")
    places = [Place(500.0 * i, 100.0, np.empty(0)) for i in range(40)]
    need = draw_futures(places, life, 52.0).within(52.0)
    expected = poisson(40 * 52 * 100 / 1e5)
    assert need.mean == pytest.approx(2.08, abs=0.06)
    assert need.quantile(0.95) == expected.quantile(0.95) == 5
    assert need.probability[:5] == pytest.approx(expected.probability[:5], abs=0.02)


def test_zero_failure_bounds():
    # NIST/SEMATECH e-Handbook, sec. 8.4.5.1: T over 2.99573 with 95 %.
    lives = Lives.of([400.0, 400.0], [False, False])
    assert zero_failure_scale(lives, 1.0) == pytest.approx(800 / 2.99573, rel=1e-5)
    # 40 units of 3,000 cycles without failure: reliability at 6,000 cycles of at least 0.86, 0.74
    # and 0.55 for shapes 1, 2, 3 (recomputed; method: Math. Probl. Eng. 2015, 681232).
    fleet = Lives.of([3000.0] * 40, [False] * 40)
    for shape, reliability in ((1, 0.86), (2, 0.74), (3, 0.55)):
        scale = zero_failure_scale(fleet, shape)
        assert np.exp(-((6000 / scale) ** shape)) == pytest.approx(reliability, abs=0.005)


def test_late_entry_is_allowed_for():
    # Units older than their entry age were bound to have lived that long; taking them as seen
    # from new flatters the part. True scale 5000, shape 2; standard error about 2 %.
    rng = np.random.default_rng(20260302)
    life = 5000 * rng.weibull(2.0, 6000)
    entry = rng.uniform(0, 6000, 6000)
    seen = life > entry
    lives = Lives.of(life[seen], np.ones(seen.sum(), dtype=bool), entry=entry[seen])
    naive = Lives.of(life[seen], np.ones(seen.sum(), dtype=bool))
    assert most_likely(lives).scale == pytest.approx(5000, rel=0.06)
    assert most_likely(naive).scale > 5500


def test_poisson_stock_table():
    # Standard Poisson tables: smallest stock that meets the demand with the stated level.
    table = {0.8: [0, 1, 2, 3, 4, 7, 13, 24], 0.9: [0, 1, 2, 4, 5, 8, 14, 26],
             0.95: [1, 2, 3, 5, 6, 9, 15, 28], 0.99: [1, 3, 4, 6, 8, 11, 18, 31]}
    for level, stocks in table.items():
        for mean, stock in zip((0.1, 0.5, 1, 2, 3, 5, 10, 20), stocks, strict=True):
            assert poisson(mean).quantile(level) == stock


def test_published_poisson_answers():
    # A reliability-centre calculator example, mean 2.2: P(2) 0.2681, P(<=2) 0.6227.
    demand = poisson(2.2)
    assert demand.probability[2] == pytest.approx(0.2681, abs=5e-5)
    assert 1 - demand.chance_above(2) == pytest.approx(0.6227, abs=5e-5)
    # Southampton University exercise, mean 104: least n with P(N > n) <= 0.05 is 121.
    assert poisson(104).quantile(0.95) == 121
    # Blanchard, Logistics Engineering and Management: mean 4.32, stock for 95 % is 8.
    assert poisson(4.32).quantile(0.95) == 8
    # OpenStax, Introductory Statistics 2e, 4.6: mean 0.75, P(>1) 0.1734.
    assert poisson(0.75).chance_above(1) == pytest.approx(0.1734, abs=5e-5)


def test_posterior_with_many_failures_agrees_with_maximum_likelihood():
    rng = np.random.default_rng(20260301)
    times = 5000 * rng.weibull(2.0, 400)
    ended = times < 6000
    lives = Lives.of(np.minimum(times, 6000), ended)
    held = life_posterior(lives)
    best = most_likely(lives)
    middle, low, high = held.life_quantile(0.1)
    assert held.basis == "your data"
    assert middle == pytest.approx(best.quantile(0.1), rel=0.05)
    assert low < best.quantile(0.1) < high


def test_a_rating_speaks_only_while_failures_are_few():
    lives = Lives.of([1000.0] * 20, [False] * 20)
    assert life_posterior(lives).basis == "family assumption and your data"
    held = life_posterior(lives, rated_cycles=100_000)
    middle, low, high = held.life_quantile(0.1)
    assert low < 100_000 < high
    assert 50_000 < middle < 250_000
    chance = held.failure_probability([1000.0, 90_000.0], [1000.0, 1000.0])
    assert chance[0] < chance[1] < 0.05


def test_drawn_futures_agree_with_the_exact_sum_of_trials():
    # Places that only drift, or are due: each wants one at most, with a known chance.
    life = LifePosterior(np.array([1e5]), np.array([1.0]), np.ones(1), 9.0, 9.0, "your data")
    places = [Place(0.0, 0.0, np.array([5.0, 5.0, 50.0, np.inf])),
              Place(0.0, 0.0, np.empty(0), 0.9), Place(0.0, 0.0, np.array([1.0, 20.0]), 0.2)]
    exact = np.ones(1)
    for chance in (0.5, 0.9, 0.2 + 0.8 * 0.5):
        exact = np.convolve(exact, [1 - chance, chance])
    drawn = draw_futures(places, life, 52.0).within(10.0)
    assert drawn.probability == pytest.approx(exact, abs=0.02)
