"""Multiple testing: the library's procedure, and the rule that the diagnosis holds to."""

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.diagnosis import raised
from remanence.shared.limits import Limits

# Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995), 289-300: 15 p-values of their example.
P_VALUES = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
            0.5719, 0.6528, 0.7590, 1.000]
ADJUSTED = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486,
            0.581182, 0.714875, 0.753231, 0.813214, 1.0]


def test_benjamini_hochberg_reproduces_the_papers_example():
    found = stats.false_discovery_control(P_VALUES)
    np.testing.assert_allclose(found, ADJUSTED, rtol=0, atol=1e-6)
    assert int((found <= 0.05).sum()) == 4


LIMITS = Limits()


def said(scores, urgency="week"):
    return [
        finding(f"lock-{place}", "sticking-catch", urgency, score, says=[])
        for place, score in enumerate(scores)
    ]


@pytest.mark.parametrize("urgency", ["now", "week", "plan"])
def test_calibrated_scores_give_no_larger_a_share_than_the_threshold_leaves(urgency):
    # Bayes decision with a loss for either error (textbook: Berger, Statistical Decision Theory,
    # 2nd ed., 1985, 4.4.3; from memory): raise from t on, a share 1 - t is false just there.
    rng = np.random.default_rng(20260304)
    scores = np.minimum(rng.beta(2, 0.3, 8000), 0.999)
    real = rng.random(scores.size) < scores
    kept = np.array([
        raised(item, LIMITS).urgency == urgency for item in said(scores, urgency)])
    least = {"now": 0.8, "week": 0.9, "plan": 0.95}[urgency]
    np.testing.assert_array_equal(kept, scores >= least)
    at = kept & (scores < least + 0.03)
    assert (~real[at]).mean() <= 1 - least + 0.02
    assert (~real[kept]).mean() < 0.5 * (1 - least)


def test_of_healthy_subjects_no_more_are_raised_than_the_prior_allows():
    # Markov's inequality on a Bayes factor, whose mean is 1 without a fault.
    rng = np.random.default_rng(7)
    prior, shift = 0.01, 2.0
    reading = rng.normal(size=400_000)
    odds = prior / (1 - prior) * np.exp(shift * reading - shift**2 / 2)
    score = odds / (1 + odds)
    for least in (0.8, 0.9, 0.95):
        assert (score >= least).mean() <= prior / (1 - prior) * (1 - least) / least


def test_what_is_raised_does_not_hang_on_what_else_was_found():
    diode = said([0.95])[0]
    assert raised(diode, LIMITS).urgency == "week"
    assert raised(said([0.6])[0], LIMITS).urgency == "watch"


def test_what_may_keep_people_in_is_raised_as_soon_as_it_is_as_likely_as_not():
    item = finding("door", "no-release", "now", 0.55, says=[])
    assert raised(item, LIMITS, {"door"}).urgency == "now"
    assert raised(item, LIMITS).urgency == "watch"
