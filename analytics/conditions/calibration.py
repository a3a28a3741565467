"""The numbers that turn what a lock's columns say into the probability of a name.

Made by ``python -m tests.calibration --fit``: how often each column misleads and what is added for
conditions, together, episodes weighed alike, on its own seeds; judged on others. See
docs/campaign.md.
"""

from __future__ import annotations

from collections.abc import Mapping

INTERCEPT, RIVAL = 2.32, -1.09
"""Natural log odds of a name against something else, where something is wrong with a lock: so
much, plus what its columns say. The second: of every other story of the lock, which its own judge
did not find."""

OTHER_INTERCEPT = 2.00
"""The same log odds of a rail's, a controller's or the venue's condition."""

FITTED_ON = "51000-51199"
"""The seeds."""

MISLEADS_USUALLY = 0.05
"""Share of times in which a column misleads of which no episode has told: the mean of the prior
(assumption)."""

MISLEADS: Mapping[str, float] = {
    "bounces": 0.04,
    "clustered": 0.04,
    "draw": 0.01,
    "empty": 0.14,
    "forced": 0.01,
    "found_open": 0.04,
    "latency": 0.11,
    "loaded": 0.07,
    "not_cut": 0.04,
    "opened": 0.08,
    "outlasts": 0.04,
    "pulse": 0.04,
    "quick": 0.09,
    "rested": 0.06,
    "seen_to": 0.01,
    "slow": 0.05,
    "spike": 0.02,
    "still": 0.03,
    "tried_again": 0.05,
    "unanswered": 0.04,
    "volts": 0.10,
}
"""The same by column, from episodes whose names are known to be right or wrong."""

OF_CONDITION: Mapping[str, float] = {
    "battery-decline": -0.79,
    "coil-current-high": -1.72,
    "coil-current-low": 1.13,
    "coil-open": 1.65,
    "contact-chatter": 0.69,
    "contact-inverted": 0.65,
    "contact-stuck": 0.31,
    "hot-coil": -2.16,
    "loaded-catch": -1.36,
    "log-gap": 0.05,
    "lost-lines": 0.80,
    "low-supply": -0.14,
    "missing-suppression": -1.40,
    "no-release": -2.12,
    "not-reclosed": -2.82,
    "opened-unpowered": 1.39,
    "over-long-energising": 1.31,
    "self-cut-failed": 1.45,
    "short-pulse": 0.88,
    "slow-drop": 2.91,
    "sticking-catch": -0.24,
    "stuck-energised": 0.92,
    "supply-sag": 0.08,
    "weakening-hold": -1.49,
}
"""What is added for a condition, drawn towards nought by the ridge; a condition that is not here
adds nothing."""


def misleads(column: str) -> float:
    """Share of times in which a column shows what another story would have it show."""
    return MISLEADS.get(column, MISLEADS_USUALLY)
