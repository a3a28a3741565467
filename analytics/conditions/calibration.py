"""The numbers that turn what a lock's columns say into the probability of a name.

Made by ``python -m tests.calibration --fit``: how often each column misleads, then a regression
with a ridge, episodes weighed alike, on its own seeds; judged on others. See docs/campaign.md.
"""

from __future__ import annotations

from collections.abc import Mapping

INTERCEPT, VOTE_WEIGHT, RIVAL = 0.64, 1.00, -6.00
"""Natural log odds of a name against something else, where something is wrong with a lock: so
much, plus so much for each unit that its columns say (at most 1: they are natural logs of
likelihood ratios, and not independent). The third: of every other story of the lock, which its own
judge did not find."""

OTHER_INTERCEPT = 1.50
"""The same log odds of a rail's, a controller's or the venue's condition."""

FITTED_ON = "none"
"""The seeds."""

MISLEADS_USUALLY = 0.1
"""Share of times in which a column misleads of which no episode has told: the mean of the prior
(assumption)."""

MISLEADS: Mapping[str, float] = {
}
"""The same by column, from episodes whose names are known to be right or wrong."""

OF_CONDITION: Mapping[str, float] = {
}
"""What is added for a condition, drawn towards nought by the ridge; a condition that is not here
adds nothing."""


def misleads(column: str) -> float:
    """Share of times in which a column shows what another story would have it show."""
    return MISLEADS.get(column, MISLEADS_USUALLY)
