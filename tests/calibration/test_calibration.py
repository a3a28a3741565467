"""The measure of scores by episode, against known figures, and the numbers that it writes."""

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss, roc_auc_score

from remanence.analytics.conditions import calibration
from remanence.analytics.conditions.condition import catalogue
from tests.calibration import measure
from tests.calibration.__main__ import NUMBERS
from tests.calibration.episodes import CAUSES, MAGNETS, play
from tests.calibration.rows import Row


def rows(count=600, seed=5):
    """Names whose chance to be right is known: 1 / (1 + exp(-(1 + 1.5 x votes)))."""
    rng = np.random.default_rng(seed)
    voted = rng.normal(0, 2, count)
    right = rng.random(count) < 1 / (1 + np.exp(-(1.0 + 1.5 * voted)))
    return [Row(number, 9, "latch-1", "lock", "no-release", "week", 1.0, float(vote), 0.5, "", bool(
        true), {}) for number, (vote, true) in enumerate(zip(voted, right, strict=True))]


def test_the_fit_finds_the_numbers_that_made_the_names_right():
    found = measure.fit(rows(4000))
    # What one condition adds is part of the intercept here.
    assert found["intercept"] + found["each"]["no-release"] == pytest.approx(1.0, abs=0.15)
    assert found["vote"] == pytest.approx(1.5, abs=0.15)


def test_the_measures_are_those_of_a_kept_library():
    some = rows()
    score = 1 / (1 + np.exp(-np.array([row.voted for row in some])))
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
        "intercept": 0.25, "vote": 1.5, "each": {"no-release": -0.5, "coil-open": 0.01}}, "1-2")
    made = {}
    exec(compile(text, "numbers", "exec"), made)
    assert (made["INTERCEPT"], made["VOTE_WEIGHT"], made["FITTED_ON"]) == (0.25, 1.5, "1-2")
    assert made["OF_CONDITION"] == {"no-release": -0.5}
    assert set(calibration.OF_CONDITION) <= set(catalogue())


def test_a_played_venue_has_causes_whose_names_are_known():
    log, causes = play(50001)
    assert {cause.name for cause in CAUSES} >= {
        name for subject, (name, *_) in causes.items() if not subject.startswith("rail")}
    assert all(set(right) <= set(catalogue()) for _, _, right in causes.values())
    assert set(causes) <= {lock.id for lock in log.venue.locks} | {"rail-a", "rail-b"}
    assert any(lock in MAGNETS for cause in CAUSES for lock in cause.locks)
