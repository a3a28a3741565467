"""Load of each coil on its rail, day by day, split into the rail's share and the lock's.

A coil of conductance g on a rail of source resistance R sags it by such an amount that
``sag / loaded volts = R g`` (alone on the rail; others that are on divide it by 1 + R G).
Its logarithm is a sum, ln R + ln g: bad joints of a rail raise it for all its locks alike,
shorted turns of a coil for one lock. A two-way median table (J. W. Tukey, Exploratory Data
Analysis, 1977, chapter 11) splits the two, day by day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.history import History, day_ordinals, once_per_history
from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.table import in_order
from remanence.shared.venue import Supply

NEW_COIL = ("replaced", "rewired")
"""Work after which a coil or its wire is another one; cleaning does not change a current."""
_LEAST_NOISES = 1.5
"""A sag below this many times the rail's noise shows nothing. A sag is the mean of about ten
readings minus the readings before, so its own noise is about a third of that of one reading."""
_LEFT_OUT_SHARE = 0.05
"""Of a coil of whose sags more than this share is left out as too small, the rest are too deep.
Assumption."""
_USUAL_NOISE = 0.02
"""Noise of a rail where it is not known: that of a common meter. [V]"""
_LEAST_LOADED = 0.2
"""A rail that reads less than this with the coil on was switched off. [V]"""
_DEEPER, _DEEPER_NOISES = 1.6, 6.0
"""A rail whose lowest reading lies further below than so many times this coil's sag and so many
times the noise was loaded by another coil meanwhile."""
_ROUNDS, _SETTLED = 12, 1e-6
"""Most rounds of the median polish, and the change below which it ends."""
_DISAGREE = 5.0
"""Robust deviations of their usual difference beyond which two coils disagree on a day."""
_A_MEDIAN = 3
"""From so many coils on, the median leaves out one that is wrong; of two it is their mean."""
_NOISE_OF_A_DAY, _STEP_OF_A_DAY = 0.1, 0.5
"""Shares of one reading's noise, and of the meter's step, that remain in the level of a day."""
_FEWEST_VALUES = 10
"""With fewer different readings than this the step of the meter is not known."""
_VOLTS_RESOLUTION = 1e-4
"""Readings are compared to a tenth of a millivolt. [V]"""
_FEWEST_CURRENTS = 5
"""A lock whose current was logged less often than this is left out."""

ROOM_KELVIN = 5.0
"""Standard deviation of a room's temperature over the year (seasons of 8 K either way): common
practice, no source."""

RESTED_MS = 2300
"""How long after a pulse's end its load may still be in the volts before the next one: two
seconds are looked at, and a magnet's current takes some tenths to build up."""


@dataclass(frozen=True)
class RailLoad:
    """Load of one rail's coils: natural log of (sag / loaded volts).

    ``level`` has a row per coil (a lock between two replacements) and a column per day that
    had any; NaN where there was none. ``rows`` counts the actuations behind each.
    ``rail`` is the rail's share of each day, about 0; zero throughout where fewer than two
    coils are there to tell it from theirs.
    """

    supply: Supply
    coils: tuple[tuple[str, int], ...]
    days: NDArray[np.int64]
    level: Reals
    rows: NDArray[np.int64]
    rail: Reals
    tellers: NDArray[np.int64]
    """Number of coils that the rail's share of each day rests on."""
    floor: Reals
    """Least deviation of each coil's daily levels: what noise and the step of the meter alone
    leave."""
    left_out: NDArray[np.int64]
    """Sags of each coil and day that were left out as too small."""
    step_volts: float
    """The meter's own step: the least difference between two of its readings."""

    def clear(self, coil: int, days: Flags | None = None) -> bool:
        """Whether a coil's sags stand so far out of the noise that hardly any is left out as small.

        On those days, or on all: of others the level is too high, and on another supply by as much
        more as that is stiffer.
        """
        some = slice(None) if days is None else days
        left_out, kept = self.left_out[coil][some].sum(), self.rows[coil][some].sum()
        return bool(kept and left_out <= _LEFT_OUT_SHARE * (left_out + kept))

    def own(self, coil: int) -> Reals:
        """The coil's own share day by day: its level less what the other coils say of the rail.

        The coil itself has no say in that: one that rose would lift the middle of a few.
        """
        out: Reals = self.level[coil] - self.of_rail(coil)
        return out

    def of_rail(self, coil: int) -> Reals:
        """The rail's share day by day as the other coils say it, where there are enough of them."""
        others = np.delete(self.level, coil, axis=0)
        if others.shape[0] < 2:
            return self.rail
        apart = others - _median(others - self.rail, axis=1)[:, None]
        return np.where(self.tellers >= _A_MEDIAN, _of_others(apart, self.rail), self.rail)

    def latest(self, lock: str) -> int | None:
        """Row of the lock's present coil."""
        rows = [row for row, (name, _) in enumerate(self.coils) if name == lock]
        return rows[-1] if rows else None


def rested(actuations: pl.DataFrame) -> pl.DataFrame:
    """The rows before which the lock's own coil had been off for long enough.

    A retry right after a pulse is compared with a rail that this pulse may still have loaded;
    its sag would be too small, or zero.
    """
    ended = pl.col("command_time") + pl.duration(
        microseconds=pl.col("pulse_ms").fill_null(0.0) * 1000.0)
    gap = pl.col("command_time") - ended.shift(1).over("lock")
    if not in_order(actuations, ("lock", "command_time")):
        actuations = actuations.sort("lock", "command_time")
    return actuations.filter(
        gap.is_null() | (gap > pl.duration(milliseconds=RESTED_MS)))


@once_per_history
def measured_sags(history: History) -> pl.DataFrame:
    """Actuations with a sag that exceeds the noise, of locks that drew current.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``day``, ``weeks_ago``, ``command_time``, ``sag`` (V), ``loaded`` (V: the rail
        with the coil on), ``noise`` (V), ``volts_min`` and ``load`` = ln(sag / loaded).
        A self-cutting lock that was already open draws nothing and is left out. Where the rail
        is sampled too coarsely for a plateau but was read while the coil was on, that reading
        is used.
    """
    locks = history.venue.locks_by_id
    cutting = [name for name, lock in locks.items() if lock.self_cut]
    held = [name for name, lock in locks.items() if not lock.pulsed]
    cuts, holds = pl.col("lock").is_in(cutting), pl.col("lock").is_in(held)
    glimpsed = (
        pl.when(~cuts & ~holds & (pl.col("volts_samples") >= 1))
        .then(pl.col("volts_before") - pl.col("volts_min"))
    )
    sag = pl.coalesce("sag_volts", glimpsed)
    # A magnet loads the rail until the command, a latch from the command on.
    loaded = pl.when(holds).then(pl.col("volts_before")).otherwise(pl.col("volts_before") - sag)
    noise = pl.col("volts_noise").fill_null(_USUAL_NOISE)
    floor = _LEAST_NOISES * noise
    # A rail that fell much further than this coil's sag was loaded by another one meanwhile.
    deepest = pl.col("volts_before") - pl.col("volts_min")
    alone = holds | deepest.is_null() | (deepest <= _DEEPER * sag + _DEEPER_NOISES * noise)
    return (
        rested(history.dated("actuations").select(
            "lock", "command_time", "day", "weeks_ago", "pulse_ms", "outcome", "sag_volts",
            "volts_before", "volts_min", "volts_noise", "volts_samples"))
        .with_columns(sag=sag, loaded=loaded, noise=noise)
        .filter(
            (pl.col("sag") > floor) & (pl.col("loaded") > _LEAST_LOADED) & alone
            & ~(cuts & (pl.col("outcome") == "already-open"))
        )
        .with_columns(load=(pl.col("sag") / pl.col("loaded")).log())
        .select("lock", "day", "weeks_ago", "command_time", "sag", "loaded", "noise",
                "volts_min", "load")
    )


@once_per_history
def rail_loads(history: History) -> dict[str, RailLoad]:
    """The load table of every rail that shows sags.

    Parameters
    ----------
    history : History
        The venue, its actuations and its service log.
    """
    sags = measured_sags(history)
    daily = sags.group_by("lock", "day").agg(
        pl.col("load", "sag", "noise").median(), pl.len().alias("rows")
    ).sort("lock", "day")
    small = history.dated("actuations").filter(
        pl.col("sag_volts") <= _LEAST_NOISES * pl.col("volts_noise").fill_null(_USUAL_NOISE)
    ).group_by("lock", "day").len()
    changes: dict[str, list[date]] = {}
    for lock, day in history.service.filter(
        pl.col("action").is_in(list(NEW_COIL))
    ).select("lock", "date").iter_rows():
        changes.setdefault(lock, []).append(day)
    found = {}
    for supply in history.venue.supplies:
        names = [lock.id for lock in history.venue.locks_on(supply.id)]
        part = daily.filter(pl.col("lock").is_in(names))
        if part.height:
            readings = sags.filter(pl.col("lock").is_in(names))["volts_min"].drop_nulls()
            found[supply.id] = _table(
                supply, part, small.filter(pl.col("lock").is_in(names)), changes,
                meter_step(readings.to_numpy()))
    return found


def meter_step(readings: Reals) -> float:
    """The least difference between single readings: the meter's step. [V]

    Zero with fewer than ten readings, and where all are one. A coarse meter has few different ones.
    """
    lattice = np.unique(np.round(readings / _VOLTS_RESOLUTION))
    if readings.size < _FEWEST_VALUES or lattice.size < 2:
        return 0.0
    return float(np.diff(lattice).min()) * _VOLTS_RESOLUTION


def logged_currents(history: History) -> dict[str, tuple[NDArray[np.int64], Reals]]:
    """Days and daily medians of ln(amps per volt), of locks whose coil current is logged.

    Rows before the present coil was fitted are left out. A lock with fewer than five
    readings is not in it.
    """
    rated = {lock.id: lock.rated_volts for lock in history.venue.locks}
    fitted = history.service.filter(pl.col("action").is_in(list(NEW_COIL))).group_by("lock").agg(
        fitted=pl.col("date").max())
    daily = (
        history.dated("actuations")
        .filter((pl.col("amps") > 0) & pl.col("lock").is_in(list(rated)))
        .join(fitted, on="lock", how="left")
        .filter(pl.col("fitted").is_null() | (pl.col("day") > pl.col("fitted")))
        .with_columns(volts=pl.col("volts_before").fill_null(
            pl.col("lock").replace_strict(rated, default=None, return_dtype=pl.Float64)))
        .filter(pl.col("volts") > 0)
        .group_by("lock", "day")
        .agg((pl.col("amps") / pl.col("volts")).log().median().alias("level"),
             pl.len().alias("rows"))
        .sort("lock", "day")
    )
    found = {}
    for key, part in daily.partition_by("lock", as_dict=True).items():
        if part["rows"].sum() >= _FEWEST_CURRENTS:
            found[str(key[0])] = day_ordinals(part["day"]), part["level"].to_numpy()
    return found


def _table(
    supply: Supply, part: pl.DataFrame, small: pl.DataFrame, changes: dict[str, list[date]],
    step_volts: float,
) -> RailLoad:
    def era_of(lock: str, day: date) -> int:
        return sum(day > change for change in changes.get(lock, ()))

    era = [era_of(lock, day) for lock, day in part.select("lock", "day").iter_rows()]
    part = part.with_columns(era=pl.Series(era, dtype=pl.Int64))
    coils = sorted(set(part.select("lock", "era").iter_rows()))
    row_of = {coil: row for row, coil in enumerate(coils)}
    days, column = np.unique(day_ordinals(part["day"]), return_inverse=True)
    row = np.array([row_of[coil] for coil in part.select("lock", "era").iter_rows()])
    level = np.full((len(coils), days.size), np.nan)
    rows = np.zeros(level.shape, dtype=np.int64)
    level[row, column] = part["load"].to_numpy()
    rows[row, column] = part["rows"].to_numpy()
    rail, tellers = _rail_share(level)
    unsure = _NOISE_OF_A_DAY * part["noise"] + _STEP_OF_A_DAY * step_volts
    coarse = (unsure / part["sag"]).to_numpy()
    floor = np.array([np.median(coarse[row == one]) for one in range(len(coils))])
    left_out = np.zeros(level.shape, dtype=np.int64)
    column_of = {int(day): place for place, day in enumerate(days)}
    for lock, day, count in small.select("lock", "day", "len").iter_rows():
        coil, place = row_of.get((lock, era_of(lock, day))), column_of.get(day.toordinal())
        if coil is not None and place is not None:
            left_out[coil, place] = count
    return RailLoad(
        supply, tuple(coils), days, level, rows, rail, tellers, floor, left_out, step_volts)


def _rail_share(level: Reals) -> tuple[Reals, NDArray[np.int64]]:
    """Median polish: what the rail did on each day, in common to its coils."""
    tellers = np.isfinite(level).sum(axis=0)
    rail = np.zeros(level.shape[1])
    if level.shape[0] < 2:
        return rail, tellers
    for _ in range(_ROUNDS):
        base = _median(level - rail, axis=1)
        apart = level - base[:, None]
        step = _median(apart, axis=0)
        # Two coils that disagree: what both of them show is the smaller of the two.
        two = np.where(np.isfinite(apart), apart, np.inf)
        least = np.take_along_axis(two, np.abs(two).argmin(axis=0)[None, :], axis=0)[0]
        same = _same_sign(apart)
        new = np.where(tellers >= _A_MEDIAN, step, np.where((tellers == 2) & same, least, 0.0))
        new = np.where(np.isfinite(new), new, 0.0)
        if np.allclose(new, rail, atol=_SETTLED):
            break
        rail = new
    return rail, tellers


def _of_others(apart: Reals, rail: Reals) -> Reals:
    """What coils say of the rail day by day: their middle; of two that disagree the likelier."""
    middle = _median(apart, axis=0)
    if apart.shape[0] == 2:
        gap = apart[0] - apart[1]
        usual = robust_deviation(gap[np.isfinite(gap)])
        torn = np.abs(gap) > _DISAGREE * usual
        near = np.abs(apart - rail).argmin(axis=0)
        middle = np.where(torn, apart[near, np.arange(near.size)], middle)
    return middle


def _median(values: Reals, axis: int) -> Reals:
    """Medians without what is not known; NaN where nothing is.

    (NumPy's own takes ten times as long for tables as small as these.)
    """
    rows = np.sort(values if axis == 1 else values.T, axis=1)  # NaN come last
    count = rows.shape[1] - np.isnan(rows).sum(axis=1)
    each, some = np.arange(len(rows)), np.isfinite(rows).any(axis=1)
    middle = (rows[each, np.maximum(count - 1, 0) // 2] + rows[each, np.minimum(
        count // 2, rows.shape[1] - 1)]) / 2
    return np.where(some, middle, np.nan)


def _same_sign(apart: Reals) -> NDArray[np.bool_]:
    known = np.isfinite(apart)
    above = np.all(~known | (apart > 0), axis=0)
    below = np.all(~known | (apart < 0), axis=0)
    return np.asarray(above | below, dtype=np.bool_)
