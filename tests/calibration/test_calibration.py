"""The measure of scores by episode, against known figures, and the numbers that it writes."""

from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss, roc_auc_score

from remanence.analytics.conditions import calibration
from remanence.analytics.conditions.condition import catalogue
from tests.calibration import measure
from tests.calibration.__main__ import NUMBERS
from tests.calibration.episodes import CAUSES, HARDER_FROM, MAGNETS, play
from tests.calibration.rows import Row


def rows(count=600, seed=5):
    """Names whose chance to be right is known: 1 / (1 + exp(-(1 + 0.8 x what a column says)))."""
    rng = np.random.default_rng(seed)
    voted = rng.normal(0, 2, count)
    right = rng.random(count) < 1 / (1 + np.exp(-(1.0 + 0.8 * voted)))
    return [Row(number, 9, "latch-1", "lock", "no-release", "week", 1.0, 0.5, "", bool(true),
                {"draw": float(vote)}, ())
            for number, (vote, true) in enumerate(zip(voted, right, strict=True))]


def misled(share, count=4000, seed=6):
    """Names of which half are right, by one column that misleads in a share of times."""
    rng = np.random.default_rng(seed)
    right = rng.random(count) < 0.5
    says = np.where(right ^ (rng.random(count) < share), 5.0, -5.0) + rng.normal(0, 0.5, count)
    return [Row(number, 9, "latch-1", "lock", "no-release", "week", 1.0, 0.5, "", bool(true),
                {"draw": float(one)}, ())
            for number, (one, true) in enumerate(zip(says, right, strict=True))]


@pytest.mark.parametrize("share", [0.03, 0.15])
def test_the_fit_finds_how_often_a_column_misleads(share):
    found = measure.fit(misled(share))
    assert found["misleads"]["draw"] == pytest.approx(share, abs=0.02)
    measured = measure.judged(misled(share, seed=7), found["scores"])
    assert measured["auc"] > 0.4


def test_a_column_that_repeats_another_is_not_counted_twice():
    """By themselves both mislead once in seven times; together they know no more than one."""
    twice = [replace(row, said={**row.said, "latency": row.said["draw"]}) for row in misled(0.15)]
    found = measure.fit(twice)
    assert min(found["misleads"][name] for name in ("draw", "latency")) > 0.2
    measured = measure.judged(twice, found["scores"])
    assert all(abs(mean - share) < 0.04 for _, mean, share, _, _ in measured["bins"])


def test_the_fit_is_calibrated_on_what_it_was_fitted_on():
    some = rows(4000)
    found = measure.judged(some, measure.fit(some)["scores"])
    assert all(abs(mean - share) < 0.06 for _, mean, share, _, _ in found["bins"])


def test_the_measures_are_those_of_a_kept_library():
    some = rows()
    score = 1 / (1 + np.exp(-np.array([row.said["draw"] for row in some])))
    right = np.array([row.right for row in some])
    found = measure.judged(some, score)
    assert found["auc"] == pytest.approx(roc_auc_score(right, score))
    assert found["brier"] == pytest.approx(brier_score_loss(right, score))
    assert sum(count for count, *_ in found["bins"]) == pytest.approx(len(some))
    assert all(low <= share <= high for _, _, share, low, high in found["bins"])


def test_an_episode_counts_once_however_many_weeks_it_has():
    one, other = rows(2)
    assert measure.by_episode([one, one, one, other]) == pytest.approx([1 / 3] * 3 + [1.0])


def test_the_numbers_are_written_as_they_were_fitted():
    text = measure.written(NUMBERS.read_text(encoding="utf-8"), {
        "intercept": 0.25, "rival": -4.0, "other": 2.0, "misleads": {"draw": 0.07},
        "each": {"no-release": -0.5, "coil-open": 0.01}}, "1-2")
    made = {}
    exec(compile(text, "numbers", "exec"), made)
    assert (made["INTERCEPT"], made["RIVAL"]) == (0.25, -4.0)
    assert (made["OTHER_INTERCEPT"], made["FITTED_ON"]) == (2.0, "1-2")
    assert made["MISLEADS"] == {"draw": 0.07}
    assert made["OF_CONDITION"] == {"no-release": -0.5, "coil-open": 0.01}
    assert made["misleads"]("nothing known") == made["MISLEADS_USUALLY"]
    assert set(calibration.OF_CONDITION) <= set(catalogue())


@pytest.mark.parametrize("seed", [50001, HARDER_FROM + 1])
def test_a_played_venue_has_causes_whose_names_are_known(seed):
    log, causes = play(seed)
    locks = {lock.id for lock in log.venue.locks}
    assert {cause.name for cause in CAUSES} >= {
        name for subject, (both, *_) in causes.items() if subject in locks
        for name in both.split(" and ")}
    assert all(set(right) <= set(catalogue()) for _, _, right in causes.values())
    assert set(causes) <= locks | {"rail-a", "rail-b", "plc0", "plc1"}
    assert any(lock in MAGNETS for cause in CAUSES for lock in cause.locks)
