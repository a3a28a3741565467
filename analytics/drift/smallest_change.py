"""The smallest change of a lock's time to release that two more weeks show nine times in ten."""

from __future__ import annotations

import numpy as np

from remanence.analytics.drift.change_model import SHAPES, SHIFT_PRIOR, step_power
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.drift.levels import DailyNoise
from remanence.analytics.drift.polls import least_change_ms
from remanence.analytics.drift.wander import STEP_DAYS, STEPS, Learned
from remanence.shared.limits import Limits

NINE_IN_TEN = 2.8
"""Standard errors that an estimate may fall short by: 1.28 for nine in ten (textbook), and more as
the lock's wander is learned anew with the step in it. Measured: of 60 steps of just that size, of
latches and magnets that wander by 1 to 4 %, 54 are raised within two weeks, and of 198 of other
seeds 180; with 2.6, 140 of 156; with 1.8, 63 of 80 (tests/analytics/drift/measured.py)."""
ONSET_DAYS = 3.0
"""Days on which a step may have come for all that two weeks tell (assumption)."""
MOST_DETECTABLE = float(np.expm1(STEPS[-1]))
"""Said where even the largest step looked at would not surely show."""
LEAST_POWER = 1e-9
"""Keeps an error finite; it decides nothing."""


def smallest_change(
    days: LockDays, noise: DailyNoise, learned: Learned, scale: float, limits: Limits,
    hazard_per_day: float,
) -> float:
    """Smallest step that would be told within two weeks nine times out of ten, as a share.

    The gate, the prior and what asks for hands are in it, and that a lock may wander.

    Parameters
    ----------
    days : LockDays
        The lock's days.
    noise : DailyNoise
        What is uncertain of each.
    learned : Learned
        Its wander.
    scale : float
        How much more the days scatter than that says (variance ratio).
    limits : Limits
        The venue's.
    hazard_per_day : float
        Chance that a lock's release begins to change on a given day.
    """
    step = (days.day > days.day[-1] - STEP_DAYS).astype(float)
    power = scale / max(step_power(noise.total, step), LEAST_POWER)
    error = float(np.sqrt(power))
    chance = NINE_IN_TEN * error
    share = limits.raise_plan_percent / 100
    need = (np.log(share / (1 - share)) + 0.5 * np.log1p((SHIFT_PRIOR / error) ** 2)
            - np.log(hazard_per_day * ONSET_DAYS / len(SHAPES)))
    told = np.maximum(STEPS - chance, 0.0)
    odds = 0.5 * (told / error) ** 2
    if learned.step_odds is not None:
        # Season, volts and the like make it less sure than wander and scatter alone do.
        odds = np.interp(told * learned.step_error / error, STEPS, learned.step_odds, left=0.0)
    gate = np.log1p(limits.drift_gate_percent / 100)
    enough = (odds >= need) & (told >= gate)
    found = float(np.expm1(STEPS[int(np.argmax(enough))])) if enough.any() else MOST_DETECTABLE
    if days.phase_tied and days.deviation * days.reference_ms < days.resolution_ms:
        reference = days.reference_ms
        found = max(found, least_change_ms(reference, days.resolution_ms, found * reference)
                    / reference)
    return found
