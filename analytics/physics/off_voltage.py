"""Does a coil throw a voltage spike when it is switched off, and could the samples show one?

With no path for a coil's current the volts rise until something gives way, for about a
millisecond or a few. A reading falls into that time with the probability

    p = width / sample spacing

(at most 1), so of n switch-offs ``1 - (1 - p)^n`` show at least one spike. Units: volts,
milliseconds. Source: elementary probability; widths of 1 to 8 ms calculated for 12 V
latches and magnets. Range: instantaneous readings; a reading averaged over
its spacing shows a spike smaller by the factor p.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl

from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Venue

WIDTH_MS = (1.0, 8.0)
"""How long a spike of a bare coil lasts: short and long end (calculated)."""

SPIKE_SIGMAS = 6.0
"""Over this many standard deviations of the rail a reading after switch-off is a spike."""

LEAST_SPIKE_SHARE = 0.03
"""And over this share of rated volts: smaller peaks are seen on any rail."""

SURE = 0.95
"""No spike is evidence where a bare coil would have shown one with this probability."""


@dataclass(frozen=True)
class SwitchOff:
    """What was seen of one lock's switch-offs.

    Attributes
    ----------
    lock : str
        Its id.
    switch_offs : int
        In all.
    looked : int
        Of them sampled finely enough to look (10 ms or finer).
    spikes : int
        Readings that stood out.
    highest_volts : float or None
        Highest over the rail before, spike or not; None where none was looked at.
    sample_ms : float or None
        Median spacing of the readings.
    would_have_shown : tuple of float
        Probability that those looked at together would show at least one spike of a bare coil,
        for a short and a long spike.
    needed : int or None
        Switch-offs that would show one with 95 %, for the short spike; None where the
        spacing is not known.
    """

    lock: str
    switch_offs: int
    looked: int
    spikes: int
    highest_volts: float | None
    sample_ms: float | None
    would_have_shown: tuple[float, float]
    needed: int | None

    @property
    def quiet_means_something(self) -> bool:
        """Whether seeing none would be surprising if the coil were bare."""
        return self.would_have_shown[0] >= SURE


def chance_to_see(width_ms: float, sample_ms: float) -> float:
    """Probability that a spike of this width holds a reading at this spacing.

    Parameters
    ----------
    width_ms, sample_ms : float
        How long the spike lasts, and how far apart the readings are. [ms]

    Returns
    -------
    float
        Width over spacing, at most 1 (elementary probability, phase uniform).
    """
    return min(1.0, width_ms / sample_ms)


def events_needed(width_ms: float, sample_ms: float, confidence: float = SURE) -> int:
    """Switch-offs after which at least one spike was seen, with that confidence.

    Parameters
    ----------
    width_ms, sample_ms : float
        How long a spike lasts, and how far apart the readings are, above 0. [ms]
    confidence : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    int
        1 or more (elementary probability).
    """
    chance = chance_to_see(width_ms, sample_ms)
    return 1 if chance >= 1 else math.ceil(math.log(1 - confidence) / math.log1p(-chance))


_NEEDED = ("lock", "off_spike_volts", "volts_noise", "sample_ms")


def switch_offs(actuations: pl.DataFrame, venue: Venue) -> dict[str, SwitchOff]:
    """What each lock's switch-offs showed; locks without any command are left out.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS, any order. ``off_spike_volts`` is null where the rail was not sampled
        finely enough; such switch-offs count as not looked at, never as quiet. Locks that the
        venue does not know are passed over.
    venue : Venue
        Mechanisms and rated volts.

    Returns
    -------
    dict of str to SwitchOff
        By lock. A spike is a reading over six times the rail's noise and 3 % of rated volts.

    Raises
    ------
    TableError
        A column is missing or has another type.
    """
    require(actuations, ACTUATIONS, _NEEDED)
    noise = float(
        actuations["volts_noise"].median() or 0.0  # type: ignore[arg-type]
    ) if actuations.height else 0.0
    found = {}
    for (name,), rows in actuations.select(_NEEDED).sort("lock").group_by(
            "lock", maintain_order=True):
        lock = venue.locks_by_id.get(str(name))
        if lock is None:
            continue
        looked = rows.filter(pl.col("off_spike_volts").is_not_null())
        own = looked["volts_noise"].drop_nulls()
        level = max(
            SPIKE_SIGMAS * float(own.median() if own.len() else noise),  # type: ignore[arg-type]
            LEAST_SPIKE_SHARE * lock.rated_volts,
        )
        volts = looked["off_spike_volts"].to_numpy()
        spikes = volts[volts > level]
        spacing = looked["sample_ms"].drop_nulls()
        sample = float(spacing.median()) if spacing.len() else None  # type: ignore[arg-type]
        chance = (0.0, 0.0)
        if sample and looked.height:
            chance = (chance_to_see(WIDTH_MS[0], sample), chance_to_see(WIDTH_MS[1], sample))
        shown = tuple(1 - (1 - item) ** looked.height for item in chance)
        found[lock.id] = SwitchOff(
            lock.id, rows.height, looked.height, int(spikes.size),
            float(volts.max()) if volts.size else None,
            sample, (shown[0], shown[1]),
            events_needed(WIDTH_MS[0], sample) if sample else None,
        )
    return found
