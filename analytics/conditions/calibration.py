"""The numbers that turn the votes of a lock's columns into the probability of a name.

Made by ``python -m tests.calibration --fit``: logistic regression with a ridge, episodes weighed
alike, on its own seeds; judged on others. See docs/campaign.md.
"""

from __future__ import annotations

from collections.abc import Mapping

INTERCEPT, VOTE_WEIGHT = 0.64, 1.18
"""Natural log odds of a name, where something is wrong: so much, plus so much for each of the
columns' votes, which are natural logs of likelihood ratios."""

FITTED_ON = "50000-50057 50059-50060 60000-60027"
"""The seeds."""

OF_CONDITION: Mapping[str, float] = {
    "changed-unnamed": 0.26,
    "coil-current-high": -0.64,
    "coil-open": 0.34,
    "contact-inverted": 0.12,
    "contact-stuck": 0.05,
    "loaded-catch": -0.93,
    "lost-lines": 0.28,
    "low-supply": 2.07,
    "missing-suppression": -0.74,
    "no-release": -0.46,
    "not-reclosed": -1.31,
    "opened-unpowered": 0.47,
    "over-long-energising": 0.64,
    "self-cut-failed": 0.17,
    "short-pulse": 0.12,
    "slow-drop": 0.89,
    "sticking-catch": -0.98,
    "stuck-energised": 0.29,
    "weakening-hold": -0.68,
}
"""What is added for a condition, drawn towards nought by the ridge; a condition that is not here
adds nothing."""
