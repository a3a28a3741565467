"""The numbers that turn what a lock's columns say into the probability of a name.

Made by ``python -m tests.calibration --fit``: how often each column misleads, then a regression
with a ridge, episodes weighed alike, on its own seeds; judged on others. See docs/campaign.md.
"""

from __future__ import annotations

from collections.abc import Mapping

INTERCEPT, VOTE_WEIGHT, RIVAL = 1.03, 1.00, -2.70
"""Natural log odds of a name against something else, where something is wrong with a lock: so
much, plus so much for each unit that its columns say (at most 1: they are natural logs of
likelihood ratios, and not independent). The third: of every other story of the lock, which its own
judge did not find."""

OTHER_INTERCEPT = 1.76
"""The same log odds of a rail's, a controller's or the venue's condition."""

FITTED_ON = "51000-51119"
"""The seeds."""

MISLEADS_USUALLY = 0.05
"""Share of times in which a column misleads of which no episode has told: the mean of the prior
(assumption)."""

MISLEADS: Mapping[str, float] = {
    "bounces": 0.03,
    "clustered": 0.03,
    "draw": 0.02,
    "empty": 0.04,
    "forced": 0.03,
    "found_open": 0.08,
    "latency": 0.10,
    "loaded": 0.05,
    "not_cut": 0.02,
    "opened": 0.04,
    "outlasts": 0.03,
    "pulse": 0.03,
    "quick": 0.03,
    "rested": 0.06,
    "seen_to": 0.05,
    "slow": 0.03,
    "spike": 0.06,
    "still": 0.03,
    "tried_again": 0.03,
    "unanswered": 0.22,
    "volts": 0.14,
}
"""The same by column, from episodes whose names are known to be right or wrong."""

OF_CONDITION: Mapping[str, float] = {
    "battery-decline": -0.60,
    "coil-current-high": -1.20,
    "coil-open": 1.28,
    "contact-chatter": 0.60,
    "contact-inverted": 0.97,
    "contact-stuck": 0.23,
    "hot-coil": -2.08,
    "loaded-catch": -1.32,
    "log-gap": 0.29,
    "lost-lines": 0.62,
    "low-supply": 0.11,
    "missing-suppression": -1.06,
    "no-release": -1.95,
    "not-reclosed": -2.37,
    "opened-unpowered": 1.38,
    "over-long-energising": 1.90,
    "self-cut-failed": 1.04,
    "short-pulse": 0.69,
    "slow-drop": 2.39,
    "sticking-catch": -0.51,
    "stuck-energised": 1.00,
    "supply-sag": 1.28,
    "weakening-hold": -1.00,
}
"""What is added for a condition, drawn towards nought by the ridge; a condition that is not here
adds nothing."""


def misleads(column: str) -> float:
    """Share of times in which a column shows what another story would have it show."""
    return MISLEADS.get(column, MISLEADS_USUALLY)
