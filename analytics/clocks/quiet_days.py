"""Polls of days too quiet to show them: what days that lie together show of one controller.

A day of a quiet venue has too few edges for :mod:`remanence.analytics.clocks.polling`, which judges
each day by itself. That no poll shows is no sign there that nothing polls: its latencies would be
taken for instants, and a slower poll for slower locks. A controller keeps its poll until somebody
changes it. So days that lie together are judged as one, and each day on which that poll does not
fit the stamps keeps the step of its clock.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from datetime import date
from typing import Protocol

import numpy as np
import polars as pl
from numpy.lib.stride_tricks import sliding_window_view

from remanence.analytics.clocks.polling import (
    CHANCE,
    FEWEST,
    FITS,
    PERIODS_US,
    chance_of_fit,
    fit_of,
    periods_of,
    totals_of,
)
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.shared.venue import Venue

C = pl.col

WINDOWS = (7, 4, 2, 1)
"""Days with edges that are judged as one: a week, and less where the poll was changed within it."""
CONTRADICTS = 0.35
"""A day's mean fit below which the poll is not that day's: half of what is asked of a poll, where
other stamps give 0 (assumption)."""


NEAR_PERIODS = 5000
"""Stamps further apart than so many periods do not speak against one: by then a crystal that is 50
millionths off is a quarter of a period off (calculated)."""


class Stamped(Protocol):
    """What a history has of how contacts were stamped."""

    @property
    def venue(self) -> Venue:
        """Whose."""

    @property
    def polling(self) -> pl.DataFrame:
        """Schema POLLING."""

    @property
    def contact_changes(self) -> pl.DataFrame:
        """Schema CONTACT_CHANGES."""

    @property
    def actuations(self) -> pl.DataFrame:
        """Schema ACTUATIONS."""


def with_quiet_days(history: Stamped) -> pl.DataFrame:
    """POLLING in which days that were too quiet to show their poll have that of the days beside.

    Parameters
    ----------
    history : Stamped
        Whose tables.

    Returns
    -------
    polars.DataFrame
        The rows of ``polling``; ``resolution_ms`` [ms] is at least what it was.
    """
    polling, stampers = history.polling, _stampers(history.venue)
    # Contacts on a second clock were brought to the first: their stamps are no longer its own.
    unsure = polling.filter((C.resolution_ms <= C.clock_ms) & C.ahead_ms.is_null())
    if unsure.is_empty():
        return polling
    told = pl.concat([
        frame.select(C.lock.replace_strict(stampers, default=None, return_dtype=pl.String)
                     .alias("controller"), ours=pl.lit(ours), day=C(time).dt.date(),
                     time=C(time).dt.epoch("us"))
        for frame, time, ours in ((history.contact_changes, "time", True),
                                  (history.actuations, "command_time", False))])
    told = told.join(unsure.select("controller", "day", "clock_ms"), on=["controller", "day"])
    sure = polling.filter(C.resolution_ms > C.clock_ms)
    found = [(name, day, period) for (name,), own in told.sort(
        "controller", "time", "ours").group_by("controller", maintain_order=True)
        for day, period in _polls(own, dict(sure.filter(C.controller == name).select(
            "day", "resolution_ms").iter_rows())).items()]
    known = pl.DataFrame(found, schema={
        "controller": pl.String, "day": pl.Date, "poll_ms": pl.Float64}, orient="row")
    return polling.join(
        known, on=["controller", "day"], how="left", maintain_order="left").with_columns(
        resolution_ms=pl.coalesce("poll_ms", "resolution_ms")).drop("poll_ms")


def with_known_polls(
    actuations: pl.DataFrame, history: Stamped, known: pl.DataFrame
) -> pl.DataFrame:
    """Actuations with the resolution that the days about theirs show, where that is coarser.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS.
    history : Stamped
        Whose they are.
    known : polars.DataFrame
        What :func:`with_quiet_days` makes of its polling.

    Returns
    -------
    polars.DataFrame
        The same rows; those read off a supply's sag keep their resolution.
    """
    changed = known.filter(known["resolution_ms"] != history.polling["resolution_ms"])
    if changed.is_empty():
        return actuations
    whose = C.lock.replace_strict(
        _stampers(history.venue), default=None, return_dtype=pl.String)
    return actuations.with_columns(
        _controller=pl.when(C.latency_from.ne_missing("supply")).then(whose),
        _day=C.command_time.dt.date(),
    ).join(
        changed.select(_controller="controller", _day="day", _poll_ms="resolution_ms"),
        on=["_controller", "_day"], how="left", maintain_order="left",
    ).with_columns(resolution_ms=pl.max_horizontal("resolution_ms", "_poll_ms")).drop(
        "_controller", "_day", "_poll_ms")


def _stampers(venue: Venue) -> dict[str, str | None]:
    """Which controller stamps each lock's contact."""
    return {lock.id: lock.contact_controller for lock in venue.locks if lock.contact}


def _polls(told: pl.DataFrame, sure: Mapping[date, float]) -> dict[date, float]:
    """The poll of each quiet day of one controller that has one. [ms]

    ``sure``: those of the days that show it by themselves. What some days show holds for the others
    until their stamps speak against it.
    """
    told = told.with_columns(part=C.day.rle_id().cast(pl.Int64))
    parts = told.partition_by("part", maintain_order=True)
    days: list[date] = [part["day"][0] for part in parts]
    clocks = np.array([1000.0 * part["clock_ms"][0] for part in parts])
    totals, counts = totals_of(told, len(parts))
    shown: dict[date, float] = {}
    for length in WINDOWS:
        for first in _promising(totals, counts, clocks, length):
            window = range(first, min(first + length, len(parts)))
            if all(days[one] in shown for one in window):
                continue
            period = periods_of(pl.concat([parts[one] for one in window]).with_columns(
                part=pl.lit(0, pl.Int64)), clocks[first:first + length].max(keepdims=True))[0]
            if period is not None:
                shown |= {days[one]: period for one in window
                          if days[one] not in shown and not _contradicts(parts[one], period)}
    known = {day: 1000 * period for day, period in sure.items()} | shown
    told_days = sorted(known)
    for day, part in zip(days, parts, strict=True):
        if day in known or not told_days:
            continue
        after = bisect_left(told_days, day)
        beside = [known[one] for one in told_days[max(after - 1, 0):after + 1]]
        period = next((one for one in beside if _fits(part, one)), None)
        if period is None and after and len(set(beside)) == 1 and not _contradicts(part, beside[0]):
            period = beside[0]  # Too few stamps to tell, and the days before and after agree.
        if period is not None and period > 1000 * part["clock_ms"][0]:
            shown[day] = period
    return {day: period / 1000 for day, period in shown.items()}


def _promising(totals: Reals, counts: Reals, clocks: Reals, length: int) -> list[int]:
    """First day of each window in which some period fits well enough to be looked at."""
    length = min(length, clocks.size)
    totals, counts = (sliding_window_view(item, length, axis=0).sum(axis=-1)
                      for item in (totals, counts))
    clock = sliding_window_view(clocks, length).max(axis=-1)[:, None, None]
    fits = totals / np.maximum(counts, 1)
    may = (counts >= FEWEST) & (fits >= FITS) & (clock < PERIODS_US) & (
        chance_of_fit(fits, counts, clock, PERIODS_US) <= CHANCE)
    out: list[int] = np.flatnonzero(may.any(axis=(1, 2))).tolist()
    return out


def _contradicts(told: pl.DataFrame, period: float) -> bool:
    """Whether a day's own stamps do not fit a period. [us]"""
    mean = _mean_fit(told, period)
    return mean is not None and mean < CONTRADICTS


def _fits(told: pl.DataFrame, period: float) -> bool:
    """Whether a day's own stamps fit a period. [us]"""
    mean = _mean_fit(told, period)
    return mean is not None and mean >= FITS


def _mean_fit(told: pl.DataFrame, period: float) -> float | None:
    """Mean fit of a day's stamps to a period [us], None where too few lie near enough together."""
    apart: Ints = np.diff(np.unique(told.filter("ours")["time"].to_numpy()))
    near = apart[(apart <= NEAR_PERIODS * period) & (2 * apart >= period)]
    return float(fit_of(near, period).mean()) if near.size >= FEWEST else None
