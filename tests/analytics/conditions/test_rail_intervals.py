"""A few of the rails of ``python -m tests.analytics.conditions.rail_truth``, and their parts."""

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.physics.rail_load import rail_loads
from remanence.analytics.statistics.seasoned import seasoned_shift, shift_since
from tests.analytics.conditions.rail_truth import COPPER, RAIL_WORLDS, drawn_rail, told


@pytest.mark.parametrize("fault", ["rail", "coil"])
def test_intervals_of_rails_hold_what_was_drawn(fault):
    found = [item for world in RAIL_WORLDS for seed in range(500, 506)
             if (item := told(world, seed, fault)) is not None]
    assert len(found) >= 8
    # Seldomer than once in a thousand by chance, were each held 95 times in 100.
    assert sum(item.held for item in found) >= stats.binom.ppf(0.001, len(found), 0.95)
    assert np.median([(item.high - item.low) / item.now for item in found]) < 0.12


def test_a_coil_has_no_say_in_what_the_rail_did():
    # Of three coils one draws more: the middle of all three would rise with it.
    off = []
    for seed in range(40, 120):
        history, truth = drawn_rail(RAIL_WORLDS[0], seed, "coil")
        load = rail_loads(history)["rail"]
        if load.level.shape[0] == 3:
            own = load.own(0)
            rise = np.log(truth / 100)
            off.append(float(np.nanmean(own[-7:]) - np.nanmean(own[:20])) - rise)
    assert len(off) >= 5
    assert abs(np.mean(off)) < 3 * np.std(off, ddof=1) / len(off) ** 0.5 + 0.004


def test_a_season_is_not_taken_for_a_change():
    rng = np.random.default_rng(3)
    days, held = np.arange(200), []
    for _ in range(200):
        season = COPPER * 8 * np.cos(2 * np.pi * (days / 365.25 + rng.random()))
        values = season + 0.01 * rng.standard_normal(days.size) + 0.2 * (days >= 150)
        shift, half = shift_since(days, values, 150.0, 193, season=COPPER * 5, floor=0.001)
        held.append(abs(shift - 0.2) <= half)
    # 0.93 to 0.97 asked for; the standard error of 200 is 0.015.
    assert 0.90 <= np.mean(held) <= 0.995


def test_without_a_season_it_is_the_two_sample_interval():
    # White noise, no memory: Student's interval of a difference of means (textbook).
    rng = np.random.default_rng(4)
    halves, expected = [], []
    for _ in range(30):
        before, now = rng.standard_normal(60), rng.standard_normal(7) + 1
        shift, half = seasoned_shift(np.arange(60), before, np.arange(60, 67), now, season=0.0,
                                     floor=0.0)
        assert shift == pytest.approx(now.mean() - before.mean(), abs=0.25)
        halves.append(half)
        expected.append(1.98 * np.sqrt(1 / 60 + 1 / 7))
    assert np.mean(halves) == pytest.approx(np.mean(expected), rel=0.3)
