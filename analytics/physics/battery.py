"""How many games are left in a battery?

Equation: a robust line through each day's idle volts against the games played since the
battery was last changed; games left = (idle now - idle at which the heaviest latch would pull
the rail under its window) / volts lost per game. Range: the middle of a discharge. Batteries
fall faster near their end than a line says (lead-acid: 12.7 full, 12.0 about a quarter left,
11.8 empty; unverified), so the figure is an upper bound there.

A game is counted as one first-try command of the rail's typical lock (the median of the
locks that were used that day): logs do not say when a game begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.physics.idle_volts import IdleVolts
from remanence.analytics.physics.rail_model import RailModel
from remanence.analytics.statistics.robust import huber_line
from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Venue

CHANGED_PERCENT = 3.0
"""A rise of the day's idle volts by this share of rated means that the battery was changed or
charged (common practice, no source)."""

FEWEST_DAYS = 5
"""Fewer days than this since the change give no line: two days of a new battery fall faster."""


@dataclass(frozen=True)
class BatteryOutlook:
    """Charge left, in games.

    Attributes
    ----------
    supply : str
        The rail's id.
    idle_volts, stop_volts : float
        Idle now, and idle at which the heaviest latch would pull the rail under its window.
    volts_per_game, low_volts_per_game, high_volts_per_game : float or None
        Slope and its 95 % interval; negative for a decline. None with too few days.
    games_left, low_games, high_games : float or None
        With 95 % interval. 0 where the heaviest latch already pulls the rail under its window;
        ``games_left`` is None where the decline may be chance, ``high_games`` where no
        upper limit can be given.
    days : int
        Days since then with an idle reading.
    """

    supply: str
    idle_volts: float
    stop_volts: float
    volts_per_game: float | None
    low_volts_per_game: float | None
    high_volts_per_game: float | None
    games_left: float | None
    low_games: float | None
    high_games: float | None
    days: int


def battery_outlook(
    idle: IdleVolts, actuations: pl.DataFrame, venue: Venue, rail: RailModel
) -> BatteryOutlook | None:
    """Games left in the battery of ``rail``.

    Parameters
    ----------
    idle : remanence.analytics.physics.idle_volts.IdleVolts
        Of this rail.
    actuations : polars.DataFrame
        Schema ACTUATIONS; first attempts of the rail's locks count the games.
    venue : Venue
        Which locks are on the rail; its time zone cuts days.
    rail : remanence.analytics.physics.rail_model.RailModel
        From :func:`remanence.analytics.physics.rail_model.rail_model`.

    Returns
    -------
    BatteryOutlook or None
        None where the rail has no idle reading.

    Raises
    ------
    TableError
        A column of ``actuations`` is missing or has another type.

    Notes
    -----
    Huber's robust line of idle volts against games; see this module for its range. Common
    practice, no source.
    """
    require(actuations, ACTUATIONS)
    days, volts = idle.daily()
    if not days.size:
        return None
    rise = venue.supplies_by_id[rail.supply].rated_volts * CHANGED_PERCENT / 100
    changes = np.flatnonzero(np.diff(volts) > rise) + 1
    since = int(changes[-1]) if changes.size else 0
    volts = volts[since:]
    # A day's idle level is that of the middle of its games.
    by_day = _games(actuations, venue, rail.supply)
    games = np.array([by_day.get(day, 0.0) for day in days[since:].tolist()])
    played = np.cumsum(games) - games / 2
    heaviest = max((rail.siemens[name] for name in rail.pulsed), default=0.0)
    rest = sum(rail.siemens[name] for name in rail.resting)
    stop = rail.window_volts * (1 + rail.ohms * (rest + heaviest)) / (1 + rail.ohms * rest)
    total, count = float(games.sum()), int(volts.size)
    line = huber_line(played, volts) if count >= FEWEST_DAYS else None
    if line is None:
        return BatteryOutlook(
            rail.supply, float(volts[-1]), stop, None, None, None, None, None, None, count
        )
    now = float(line.at(total))
    slopes = (line.slope, line.low, line.high)
    if now <= stop:
        return BatteryOutlook(rail.supply, now, stop, *slopes, 0.0, 0.0, 0.0, count)
    if line.high >= 0:
        least = (now - stop) / -line.low if line.low < 0 else None
        return BatteryOutlook(rail.supply, now, stop, *slopes, None, least, None, count)
    left = [(now - stop) / -slope for slope in slopes]
    return BatteryOutlook(
        rail.supply, now, stop, *slopes, left[0], left[1], left[2], count
    )


def _games(actuations: pl.DataFrame, venue: Venue, supply: str) -> dict[int, float]:
    """Games of each day on a rail, as its typical lock counts them, by ordinal of the day."""
    locks = [lock.id for lock in venue.locks_on(supply)]
    played = (
        actuations.filter(pl.col("lock").is_in(locks) & (pl.col("attempt").fill_null(1) == 1))
        .with_columns(day=pl.col("command_time").dt.convert_time_zone(venue.zone.key).dt.date())
        .group_by("day", "lock").agg(first=pl.len())
        .group_by("day").agg(games=pl.col("first").median())
    )
    return {day.toordinal(): games for day, games in played.iter_rows()}
