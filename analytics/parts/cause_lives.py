"""What ends a part's units, cause by cause: age, wear that shows, and advice that is followed.

The causes compete: whichever comes first ends the unit, and hides when the others would have. So
each has a life of its own, in which a unit that ended of another cause counts as still running
(cause-specific hazards; Prentice, Kalbfleisch and others, Biometrics 34 (1978) 541). Wear has two
stages: until it shows, and from then to the end. A unit whose wear shows is forecast by its own
drift instead, so that its wear counts once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.parts.unit_ends import ADVICE, FAILED, UnitLife
from remanence.analytics.statistics.life import LifePosterior, Lives, life_posterior

SHAPE = 2.0
"""Weibull shape by which a cause's share of the ends is turned into its life, before its own data:
the middle of what is believed of shapes."""
HALF_AN_END = 0.5
"""Ends that each of the two causes, age and wear, has beforehand (Jeffreys; textbook)."""
SHOWING_WEEKS = 8.0
"""Before any data: nine of ten units whose wear shows last at least so many weeks more, within a
factor of 3. Wear takes two months to years from new to the limit (assumption)."""
ADVISED, ADVISED_WEEKS = 0.1, 10.0
"""Units replaced on advice, in so many weeks of wear that showed, that count beside the venue's
own: little, so that a venue which replaces nothing early soon says so (assumption)."""


@dataclass(frozen=True)
class PartLives:
    """The lives of one part, by cause; all in cycles.

    Attributes
    ----------
    whole : LifePosterior
        Until it fails, of whatever cause. Holds for places whose wear cannot be seen.
    age : LifePosterior or None
        Until it fails without a sign of wear; None where no place of the part is watched.
    sign, showing : LifePosterior or None
        Until wear shows, and from then until the unit is replaced.
    advised, shown_cycles : float
        Units replaced on advice, and cycles done by units whose wear showed, with what is assumed
        beforehand.
    """

    whole: LifePosterior
    age: LifePosterior | None = None
    sign: LifePosterior | None = None
    showing: LifePosterior | None = None
    advised: float = 0.0
    shown_cycles: float = 1.0


def part_lives(
    watched: Sequence[UnitLife], others: Sequence[UnitLife], rated_cycles: float | None,
    pace: float,
) -> PartLives:
    """The lives of one part from its units.

    Parameters
    ----------
    watched : sequence of UnitLife
        Units of places whose releases are observed: wear shows there.
    others : sequence of UnitLife
        Units of all other places.
    rated_cycles : float or None
        The maker's rating.
    pace : float
        Cycles a week of the places, their middle.

    Returns
    -------
    PartLives
    """
    every = [*watched, *others]
    whole = life_posterior(
        Lives.of([u.cycles for u in every], [u.failed for u in every], [u.entry for u in every]),
        rated_cycles)
    if not watched or pace <= 0:
        return PartLives(whole)
    age = Lives.of([u.cycles for u in watched], [u.end == FAILED for u in watched],
                   [u.entry for u in watched])
    # A unit that came under observation with its wear showing says nothing of when that began.
    seen = [(u, u.cycles if u.sign is None else u.sign) for u in watched]
    sign = Lives.of(
        [max(until, u.entry) for u, until in seen],
        [u.sign is not None for u, _ in seen], [u.entry for u, _ in seen])
    shown = [(u.shown, u.wanted and u.end != FAILED) for u in watched if u.shown]
    showing = Lives.of([cycles for cycles, _ in shown], [ended for _, ended in shown])
    # Too few ends of one cause leave the say to what is assumed: all ends together, once there are
    # enough of them, say better than a rating how long units of this venue last.
    rated = whole.life_quantile()[0] if whole.basis == "your data" else rated_cycles
    worn = sum(u.wanted and u.end != FAILED for u in watched)
    every_end = age.failures + worn + 2 * HALF_AN_END

    def alone(lives: Lives, ends: float) -> LifePosterior:
        # Hazards add up: a cause of one end in four lasts twice as long.
        longer = (every_end / (ends + HALF_AN_END)) ** (1 / SHAPE)
        return life_posterior(lives, rated, longer=longer)

    return PartLives(
        whole, alone(age, age.failures), alone(sign, worn),
        life_posterior(showing, SHOWING_WEEKS * pace),
        ADVISED + sum(u.end == ADVICE for u in watched),
        ADVISED_WEEKS * pace + float(np.sum([cycles for cycles, _ in shown])))
