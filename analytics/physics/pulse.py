"""Which pulse is a lock given now? One answer for every sheet.

A pulse is a setting of the program: it changes at once, on the day on which somebody changes it.
What counts is therefore the newest week in which the lock was commanded, not the median of half a
year. Some pulses are no setting: a magnet that is switched off until the room is reset stays off
for as long as the game lasts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.history import History, actuations_by_lock, once_per_history

LEAST_PULSES = 5
"""A newest week with fewer pulses is joined by the weeks before it (common practice)."""

TIMED_SHARE = 0.5
"""Share of the pulses that must be nearly equal before their length counts as a setting."""

TIMED_WITHIN, TIMED_WITHIN_MS = 0.02, 20.0
"""Nearly equal: within this share of the median, or within this many milliseconds, whichever is
more. Programs and pollers hold a time to about 20 ms; the length of a game varies by minutes."""


@dataclass(frozen=True)
class PresentPulse:
    """The releasing commands of one lock as they are now.

    Attributes
    ----------
    median_ms : float
        Median length; of a magnet, the time that it is switched off.
    count : int
        Pulses that it rests on.
    timed : bool
        Whether the program sets the length: half of the pulses or more are nearly equal.
    """

    median_ms: float
    count: int
    timed: bool

    @property
    def setting_ms(self) -> float | None:
        """The length that the program sets; None where it sets none."""
        return self.median_ms if self.timed else None


def present_pulse(rows: pl.DataFrame) -> PresentPulse | None:
    """The pulse that one lock is given now.

    Parameters
    ----------
    rows : polars.DataFrame
        One lock's actuations: ``pulse_ms`` [ms] and ``weeks_ago`` (0 in the week that is judged).
        First tries and retries count alike; pulses that still last are passed over.

    Returns
    -------
    PresentPulse or None
        Of the newest week with pulses, and of as many weeks before it as five pulses take. None
        where there is no pulse.
    """
    known = rows.filter(pl.col("pulse_ms") > 0).select("pulse_ms", "weeks_ago")
    if known.is_empty():
        return None
    ago = known["weeks_ago"].to_numpy()
    back = np.sort(ago)[min(LEAST_PULSES, ago.size) - 1]
    pulse = known["pulse_ms"].to_numpy()[ago <= back]
    median = float(np.median(pulse))
    near = np.abs(pulse - median) <= max(TIMED_WITHIN * median, TIMED_WITHIN_MS)
    return PresentPulse(median, pulse.size, bool(near.mean() >= TIMED_SHARE))


@once_per_history
def present_pulses(history: History) -> dict[str, PresentPulse]:
    """:func:`present_pulse` of every lock, by lock id.

    Parameters
    ----------
    history : History
        Up to the week that is judged.

    Returns
    -------
    dict of str to PresentPulse
        A lock without pulses is not in it. The service log does not matter: who changes a lock
        leaves the program's pulse as it is.
    """
    found = {name: present_pulse(rows) for name, rows in actuations_by_lock(history).items()}
    return {name: pulse for name, pulse in found.items() if pulse is not None}
