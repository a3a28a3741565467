"""Locks with few releases: a part of ``python -m tests.analytics.timing.few_truth``."""

import numpy as np
import pytest

from remanence.analytics.timing.borrow import Pool
from remanence.analytics.timing.slow import least_shares, slow_mode
from tests.analytics.timing.few_truth import FEW_WORLDS, few

WORLD = {world.name: world for world in FEW_WORLDS}


@pytest.mark.parametrize("name", ["3 % slow among sound", "10 % slow among sound"])
def test_a_slow_lock_among_sound_ones_is_promised_no_more_than_it_does(name):
    rows = [few(WORLD[name], seed, count) for seed in (31, 32) for count in (20, 50, 95)]
    assert all(row is not None and row.stated is not None for row in rows)
    assert sum(row.true >= row.stated for row in rows) >= 5  # P(4 or fewer of 6 | 0.95) = 0.03


def test_without_a_command_of_its_own_nothing_is_promised_and_the_model_says_what_to_expect():
    row = few(WORLD["sound among sound"], 33, 0)
    assert row is not None
    assert row.stated is None
    assert row.expected == pytest.approx(row.true, abs=0.01)


def pool(scatter: float = 0.1, locks: int = 4, releases: int = 240) -> Pool:
    rng = np.random.default_rng(5)
    apart = tuple(scatter * rng.standard_normal(releases) for _ in range(locks))
    need = np.exp(np.concatenate(apart) + np.log(30.0))
    day = np.zeros(need.size, dtype=np.int64)
    return Pool(need, np.ones(need.size, dtype=bool), need, day, day, 0.0, 0.1, float(np.log(30.0)),
                apart)


def test_a_lock_has_a_share_of_slow_releases_of_its_own():
    rng = np.random.default_rng(6)
    usual = 30 * np.exp(0.1 * rng.standard_normal(48))
    sound, slow = slow_mode(usual, pool()), slow_mode(np.append(usual, [66.0, 70.0]), pool())
    assert (sound.seen, slow.seen) == (False, True)
    assert sound.rate.mean < 0.01 < slow.rate.mean
    assert slow.bound_ms is not None
    assert 75 < slow.bound_ms < 110


def test_what_a_locks_own_commands_promise():
    # Rule of three (Hanley and Lippman-Hand, JAMA 249 (1983) 1743): none in n, at most 3 / n.
    assert 1 - least_shares(100)[0] == pytest.approx(0.03, abs=0.001)
    # Clopper and Pearson's limits as usually tabulated: 1 in 20, one-sided 95 %: 0.216.
    assert 1 - least_shares(20)[1] == pytest.approx(0.2161, abs=1e-4)
    assert least_shares(20)[-1] == 0.0
    assert list(least_shares(30)) == sorted(least_shares(30), reverse=True)
    assert least_shares(0) == ()


def test_the_share_of_a_cue_is_judged_on_days_that_did_not_choose_it():
    rows = [few(WORLD["wide scatter"], seed, 30) for seed in range(6)]
    cues = [cue for row in rows if row is not None for cue in row.cues]
    # By the days that chose it the share was 0.04 too high here; the others' scatter is not wholly
    # this lock's, so that a bound may miss by a little.
    assert np.mean([share - true for share, _, true, _ in cues]) < 0.06
    assert all(true >= low - 0.05 for _, low, true, _ in cues)
