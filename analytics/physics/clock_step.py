"""Whether a clock counts finely enough for what lasts as long as a command or a release."""

from __future__ import annotations

from collections.abc import Collection

import polars as pl

C = pl.col

FEWEST_TICKS = 10
"""Ticks of the clock that a pulse must last for its times to be told: with fewer, what a tick hides
is more than the tenth by which a fault begins to show. Common practice for the resolution of a
gauge, no source."""

FEWEST_OF_RELEASE = 2
"""The same for a magnet's release: its times vary by a tick and more, so that the mean of many
tells what each hides (assumption)."""


def coarse_clocks(actuations: pl.DataFrame, magnets: Collection[str]) -> dict[str, float]:
    """Locks whose times cannot be measured with the clock that stamps them.

    Parameters
    ----------
    actuations : polars.DataFrame
        Columns ``lock``, ``clock_ms``, ``pulse_ms`` and ``latency_ms`` of ACTUATIONS, any order.
    magnets : collection of str
        Locks whose command lasts for minutes: of these it is the release that must show.

    Returns
    -------
    dict of str to float
        The clock's usual step by lock, of those whose usual pulse is shorter than ten of them, or
        a magnet's usual release shorter than two. [ms]
    """
    told = actuations.group_by("lock").agg(
        step=C.clock_ms.median(), pulse=C.pulse_ms.median(), latency=C.latency_ms.median())
    return {
        lock: step for lock, step, pulse, latency in sorted(told.rows())
        if too_coarse(step, latency if lock in magnets else pulse, magnet=lock in magnets)}


def too_coarse(step: float | None, lasts: float | None, *, magnet: bool) -> bool:
    """Whether a clock's usual step hides how long a magnet's release or a pulse lasts.

    Parameters
    ----------
    step, lasts : float or None
        Medians; None where nothing was told. [ms]
    magnet : bool
        Whether it is a release of a magnet that must show, and no pulse.

    Returns
    -------
    bool
        False where either is unknown.
    """
    ticks = FEWEST_OF_RELEASE if magnet else FEWEST_TICKS
    return step is not None and lasts is not None and step * ticks > lasts
