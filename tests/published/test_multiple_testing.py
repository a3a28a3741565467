"""Multiple testing: the library's procedure, and the rule that the diagnosis holds to."""

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.diagnosis import hold_false_share

# Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995), 289-300: 15 p-values of their example.
P_VALUES = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
            0.5719, 0.6528, 0.7590, 1.000]
ADJUSTED = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486,
            0.581182, 0.714875, 0.753231, 0.813214, 1.0]


def test_benjamini_hochberg_reproduces_the_papers_example():
    found = stats.false_discovery_control(P_VALUES)
    np.testing.assert_allclose(found, ADJUSTED, rtol=0, atol=1e-6)
    assert int((found <= 0.05).sum()) == 4


def said(scores):
    return [
        finding(f"lock-{place}", "sticking-catch", "week", score, says=[])
        for place, score in enumerate(scores)
    ]


def test_the_expected_share_of_false_ones_is_held():
    # Newton et al., Biostatistics 5 (2004), 155: the largest set whose mean probability of being
    # false stays below the level. 0.01, 0.03, 0.05, 0.07 -> 0.01, 0.02, 0.03, 0.04; then 0.072.
    held = hold_false_share(said([0.99, 0.97, 0.95, 0.93, 0.80]), 0.05)
    assert [item.urgency for item in held] == ["week"] * 4 + ["watch"]


def test_sure_findings_do_not_carry_any_number_of_doubtful_ones():
    held = hold_false_share(said([0.999] * 50 + [0.6] * 3), 0.05)
    assert [item.urgency for item in held[50:]] == ["watch"] * 3


def test_calibrated_scores_give_the_share_that_is_promised():
    rng = np.random.default_rng(20260304)
    false = total = 0
    for _ in range(400):
        scores = rng.beta(2, 0.3, 20)
        real = rng.random(20) < scores
        held = hold_false_share(said(np.minimum(scores, 0.999)), 0.05)
        kept = [int(item.subject[5:]) for item in held if item.urgency != "watch"]
        total += len(kept)
        false += sum(not real[place] for place in kept)
    assert total > 1000
    assert false / total == pytest.approx(0.03, abs=0.02)
