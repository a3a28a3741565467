"""A bad batch is named by its days of fitting, and chance makes none."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from remanence.analytics.chain import Unit, bad_batch
from remanence.analytics.chain.batches import BATCH_P, expected_failures
from remanence.analytics.chain.pool import pooled_life
from remanence.analytics.statistics.life import LifePosterior
from tests.analytics.chain.chain_weeks import lock, member

SCALE, SHAPE, PACE = 30_000.0, 2.0, 150.0
FIRST = date(2024, 1, 1)
BAD = (date(2025, 3, 3), date(2025, 4, 4))


def chain(seed: int, *, bad: bool):
    """Thirty venues of eight locks, each place renewed as its units fail until today."""
    rng = np.random.default_rng(seed)
    members = []
    for home in range(30):
        locks = []
        for place in range(8):
            fitted, units = FIRST + timedelta(days=int(rng.integers(700))), []
            while True:
                scale = SCALE / 6 if bad and BAD[0] <= fitted <= BAD[1] else SCALE
                life = float(scale * rng.weibull(SHAPE))
                ends = fitted + timedelta(weeks=life / PACE)
                if ends > date(2026, 11, 22):
                    weeks = (date(2026, 11, 22) - fitted).days / 7
                    units.append(Unit(fitted, weeks * PACE, 0.0, False, True))
                    break
                units.append(Unit(fitted, life, 0.0, True, False))
                fitted = ends
            locks.append(lock(f"l{place}", *units))
        members.append(member(f"v{home}", *locks))
    return members


def named(seed: int, *, bad: bool):
    members = chain(seed, bad=bad)
    return bad_batch("latch", members, pooled_life("latch", [m.week for m in members]).life)


@pytest.mark.parametrize("seed", range(4))
def test_a_bad_batch_is_named_by_its_days_of_fitting(seed):
    found = named(seed, bad=True)
    assert found is not None
    assert found.failed > 2 * found.expected
    inside = (min(found.last, BAD[1]) - max(found.first, BAD[0])).days
    assert inside > 0.5 * (BAD[1] - BAD[0]).days
    assert found.p <= BATCH_P


def test_chance_makes_hardly_any_batch():
    # One in a hundred is allowed; four or more of forty happen once in 1,600 such tests.
    assert sum(named(seed, bad=False) is not None for seed in range(100, 140)) <= 3


def test_units_without_a_day_of_fitting_name_nothing():
    units = [Unit(None, 100.0, 0.0, True, False)] * 6
    members = [member("v", lock("l", *units, Unit(None, 9000.0, 0.0, False, True)))]
    assert bad_batch("latch", members, pooled_life("latch", [members[0].week]).life) is None


def test_expected_failures_are_the_cumulative_hazard():
    # Source: NIST/SEMATECH e-Handbook, 8.1.6.2: Weibull cumulative hazard (t / scale) ** shape.
    one = LifePosterior(np.array([1000.0]), np.array([2.0]), np.array([1.0]), 0.0, 0.0, "")
    units = [Unit(None, 1000.0, 0.0, False, True), Unit(None, 1000.0, 500.0, False, True)]
    assert expected_failures(units, one) == pytest.approx([1.0, 0.75])
