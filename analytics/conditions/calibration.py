"""The numbers that turn what a lock's columns say into the probability of a name.

Made by ``python -m tests.calibration --fit``: how often each column misleads and what is added for
conditions, together, episodes weighed alike, on its own seeds; judged on others. See
docs/campaign.md.
"""

from __future__ import annotations

from collections.abc import Mapping

INTERCEPT, RIVAL = 1.27, -2.19
"""Natural log odds of a name against something else, where something is wrong with a lock: so
much, plus what its columns say. The second: of every other story of the lock, which its own judge
did not find."""

OTHER_INTERCEPT = 2.14
"""The same log odds of a rail's, a controller's or the venue's condition."""

FITTED_ON = "51000-51119"
"""The seeds."""

MISLEADS_USUALLY = 0.05
"""Share of times in which a column misleads of which no episode has told: the mean of the prior
(assumption)."""

MISLEADS: Mapping[str, float] = {
    "bounces": 0.04,
    "clustered": 0.04,
    "draw": 0.01,
    "empty": 0.13,
    "forced": 0.02,
    "found_open": 0.05,
    "latency": 0.07,
    "loaded": 0.06,
    "not_cut": 0.04,
    "opened": 0.07,
    "outlasts": 0.05,
    "pulse": 0.04,
    "quick": 0.05,
    "rested": 0.06,
    "seen_to": 0.01,
    "slow": 0.04,
    "spike": 0.03,
    "still": 0.03,
    "tried_again": 0.05,
    "unanswered": 0.05,
    "volts": 0.10,
}
"""The same by column, from episodes whose names are known to be right or wrong."""

OF_CONDITION: Mapping[str, float] = {
    "battery-decline": -0.95,
    "coil-current-high": -1.32,
    "coil-open": 1.70,
    "contact-chatter": 0.66,
    "contact-inverted": 0.78,
    "contact-stuck": 0.24,
    "hot-coil": -2.22,
    "loaded-catch": -1.30,
    "log-gap": -0.04,
    "lost-lines": 0.28,
    "low-supply": -0.26,
    "missing-suppression": -1.17,
    "no-release": -1.73,
    "not-reclosed": -2.48,
    "opened-unpowered": 1.38,
    "over-long-energising": 1.87,
    "self-cut-failed": 1.29,
    "short-pulse": 0.78,
    "slow-drop": 2.33,
    "sticking-catch": -0.49,
    "stuck-energised": 0.96,
    "supply-sag": 0.98,
    "weakening-hold": -1.28,
}
"""What is added for a condition, drawn towards nought by the ridge; a condition that is not here
adds nothing."""


def misleads(column: str) -> float:
    """Share of times in which a column shows what another story would have it show."""
    return MISLEADS.get(column, MISLEADS_USUALLY)
