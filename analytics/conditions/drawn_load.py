"""Did the coil draw anything when it was commanded? Row by row, against what it usually draws."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from remanence.analytics.history import (
    Flags,
    History,
    Ints,
    Reals,
    Rows,
    last_service,
    once_per_history,
    rows_by_lock,
)
from remanence.analytics.physics.idle_volts import OFF_SHARE
from remanence.analytics.physics.rail_load import NEW_COIL, RailLoad, rail_loads, rested
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.venue import Lock

EMPTY_SAG_SHARE = 0.3
"""Below this share of the usual sag a coil drew nothing that matters."""
_STEADY_SPREADS = 2.5
"""The usual sag must stand this many times out of its own scatter."""
_RESOLVED_CUT = 9.0
"""That of a coil cut after a few readings must also stand this many times out of the noise."""
_FEWEST_SAGS_OF_USUAL = 5
"""Sags that make a usual one: with fewer a median says little. Common practice, no source."""
UNKNOWN_NOISE_VOLTS = 0.03
"""The rail's noise where the log does not tell it. Assumption. [V]"""
_EMPTY_ERRORS, _EMPTY_ERRORS_SEEN = 4.0, 2.5
"""Standard errors by which an empty row must be clear; fewer where a contact confirms it.
Common practice, no source."""
_MASKED_SHARE, _MASKED_NOISES = 0.5, 6.0
"""A dip this deep, as a share of the usual sag and in noises, was some coil's load. Assumption."""
_WORKING_SHARE = 0.5
"""Above this share of the usual sag a coil works. Assumption."""
_WORKING_NOISES, _WORKING_VOLTS = 3.0, 0.02
"""And before the usual sag is known: in noises, and in volts at least. Common practice."""
_NEIGHBOUR_DIP, _NEIGHBOUR_NOISES = 1.6, 6.0
"""A dip so many sags and so many noises deep holds a neighbour's load too. Assumption."""
_FEWEST_SAGS_OF_DAY = 3
"""Sags of one day for their median to tell. Assumption."""
_FIRST_PART_OF_DAYS = 3
"""The first third of a lock's days must have shown its sag. Assumption."""
_SHOWN_SHARE = 0.9
"""On this share of those days. Assumption."""
_LIKE_VOLTS = 0.03
"""Volts so much above a day's are like them (share; assumption)."""
_MEDIAN_ERROR_ROUNDED = 1.25
"""Standard error of a median over that of a mean, of normal values (calculated: sqrt(pi / 2))."""
_ROUNDED = float(np.sqrt(2 / 12))
"""Standard error of the difference of two rounded levels, in steps of the meter: where the noise is
less than a step, no number of readings helps (calculated: two uniform distributions)."""
_LOADED_SHARE = 0.6
"""Share of a pulse's readings that its loaded level is a median of. Assumption."""
_UNKNOWN_READINGS = 10.0
"""Readings of a pulse where the log does not tell their number. Assumption."""
_BEFORE_READINGS = 0.1
"""One over the readings before the command: some ten. Assumption."""
_FEWEST_PER_AMPERE = 2
"""Other locks that must tell what an ampere takes off the rail. Assumption."""
_FEWEST_RAIL_TELLERS = 2
"""Coils that must tell of the rail on a day: one alone may have changed itself. Assumption."""
_BLIND_READINGS, _BLIND_METER_SHARE = 2, 0.5
"""Commands of other locks, and the share of them without a sag, that show the meter blind.
Assumption."""
_LOAD_MISSED_MS = 50.0
"""Readings further apart than this may have missed the whole load of a coil that cuts itself."""

_NEEDED = (
    "lock", "command_time", "day", "weeks_ago", "pulse_ms", "outcome", "sag_volts", "end_sag_volts",
    "volts_before", "volts_min", "volts_noise", "volts_samples", "sample_ms")
"""What tells whether a coil drew anything."""
_KEPT = ("lock", "command_time", "day", "weeks_ago", "outcome", "volts_before")
"""What others look at afterwards. The rows are kept for all who ask, and no other column with
them."""


@dataclass(frozen=True)
class Drawn:
    """Rows of one lock with what its coil drew.

    ``usual_volts`` is the sag that the lock makes when it works and its rail is as usual, NaN
    where it is not known or not to be told from noise. ``told`` marks rows in which it could
    have been seen as the rail was that day, ``empty`` those of them in which there was none.
    """

    rows: Rows
    sag_volts: Reals
    usual_volts: float
    told: Flags
    empty: Flags
    borrowed: bool
    """``usual_volts`` comes from the rail's other locks and the stated coils."""

    @property
    def lock(self) -> Lock:
        """The lock."""
        return self.rows.lock

    def only_told(self) -> Drawn:
        """The rows that tell whether the coil drew anything."""
        return Drawn(
            self.rows.take(self.told), self.sag_volts[self.told], self.usual_volts,
            self.told[self.told], self.empty[self.told], self.borrowed,
        )


@once_per_history
def drawn_loads(history: History) -> dict[str, Drawn]:
    """What every lock on a sampled rail drew, command by command.

    Parameters
    ----------
    history : History
        ``actuations`` and ``service``.

    Returns
    -------
    dict of str to Drawn
        By lock; locks without any measured sag are left out. Rows of a self-cutting lock
        that was already open tell nothing: its own switch keeps the coil off. Nor do rows
        before which the rail was off: no coil draws then.
    """
    off = {lock.id: OFF_SHARE * supply.rated_volts
           for supply in history.venue.supplies for lock in history.venue.locks_on(supply.id)}
    by_lock = rows_by_lock(
        _drawn(rested(history.dated("actuations").select(_NEEDED)), history).filter(
            pl.col("sag_volts").is_finite()
            & ~(pl.col("volts_before") < pl.col("lock").replace_strict(
                off, default=0.0, return_dtype=pl.Float64)).fill_null(False)),
        "command_time", history)
    loads = rail_loads(history)
    seen = {name: _seen(rows, loads.get(rows.lock.supply)) for name, rows in by_lock.items()}
    own = {name: _usual(item, history) for name, item in seen.items()}
    found = {}
    for name, item in seen.items():
        usual, borrowed = own[name], False
        if not np.isfinite(usual):
            usual, borrowed = _from_others(history, item.rows.lock, own), True
        found[name] = _one(item, usual, borrowed)
    return found


@dataclass(frozen=True)
class _Seen:
    """What the volts show of each row, as they would on the rail as it usually is.

    A rail that is made twice as stiff halves the sags of all its coils, and leaves the noise.
    ``rounding`` is what the meter's step leaves unknown of a sag.
    """

    rows: Rows
    sag: Reals
    noise: Reals
    deepest: Reals
    rounding: Reals


def _seen(rows: Rows, load: RailLoad | None) -> _Seen:
    noise = np.nan_to_num(rows.real("volts_noise"), nan=UNKNOWN_NOISE_VOLTS)
    deepest = rows.real("volts_before") - rows.real("volts_min")
    rail = np.exp(_rail_share(rows, load))
    step = 0.0 if load is None else load.step_volts
    return _Seen(rows, rows.real("sag_volts") / rail, noise / rail, deepest / rail,
                 _ROUNDED * step / rail)


def _rail_share(rows: Rows, load: RailLoad | None) -> Reals:
    """Natural log of what the rail's other coils say of it on each row's day, 0 as usual.

    A day that too few of them tell of is as the last one before it that they do.
    """
    coil = None if load is None else load.latest(rows.lock.id)
    if load is None:
        return np.zeros(rows.size)
    share = load.rail if coil is None else load.of_rail(coil)
    told = np.flatnonzero(load.tellers >= _FEWEST_RAIL_TELLERS)
    if not told.size:
        return np.zeros(rows.size)
    at = np.searchsorted(load.days[told], rows.day, side="right") - 1
    out: Reals = share[told[np.maximum(at, 0)]]
    return out


def _drawn(actuations: pl.DataFrame, history: History) -> pl.DataFrame:
    """The rows with what the coil was seen to draw as ``sag_volts``.

    A coil that cuts itself may not be seen loaded though the rail was read finely enough. Then
    the sag at the end of the pulse is taken: nothing, unless it hides in noise.
    """
    cutting = [lock.id for lock in history.venue.locks if lock.self_cut]
    watched = pl.col("lock").is_in(cutting) & (pl.col("sample_ms") <= _LOAD_MISSED_MS)
    return actuations.with_columns(sag_volts=pl.coalesce(
        "sag_volts", pl.when(watched).then("end_sag_volts")))


def _one(seen: _Seen, usual: float, borrowed: bool) -> Drawn:
    rows, sag, noise = seen.rows, seen.sag, seen.noise
    told = np.isfinite(sag)
    if rows.lock.self_cut and rows.lock.contact:
        told &= rows.text("outcome") != "already-open"
    if np.isfinite(usual):
        level = sag
        # A coil that is cut after a few readings is seen only where each stands out, or where
        # those of a whole day do together.
        if rows.lock.self_cut:
            each = usual >= _RESOLVED_CUT * np.hypot(noise, seen.rounding)
            by_day, sure = _by_day(rows, sag, usual)
            told &= (each | sure) & _loads_show(rows, sag, usual)
            level = np.where(each, sag, by_day)
        else:
            error = np.hypot(_sag_error(rows, noise), seen.rounding)
            told &= _apart(usual) >= _sureness(rows.lock) * error
        empty = told & (level < EMPTY_SAG_SHARE * usual)
        # Some coil loaded the rail meanwhile, perhaps a neighbour's: the row tells nothing.
        masked = empty & rows.lock.pulsed & (
            seen.deepest > np.maximum(_MASKED_SHARE * usual, _MASKED_NOISES * noise))
        told, empty = told & ~masked, empty & ~masked
    else:
        told, empty = np.zeros(rows.size, dtype=bool), np.zeros(rows.size, dtype=bool)
    kept = replace(rows, frame=rows.frame.select(_KEPT))
    return Drawn(kept, rows.real("sag_volts"), usual, told, empty, borrowed)


def _loads_show(rows: Rows, sag: Reals, usual: float) -> bool:
    """Whether a load of the coil would show in its row: nearly each of its first commands did.

    A coil that cuts itself between two readings leaves nothing, and draws all the same. Where a
    contact says that it did not move, it was on for the whole pulse; one that never showed
    anything, however often commanded, draws nothing.
    """
    shown = np.isfinite(sag) & (sag > _WORKING_SHARE * usual)
    if rows.lock.contact or not shown.any():
        return True
    days = np.unique(rows.day)
    first = np.isfinite(sag) & (rows.day <= days[days.size // _FIRST_PART_OF_DAYS])
    return bool(first.any() and shown[first].mean() > _SHOWN_SHARE)


def _by_day(rows: Rows, sag: Reals, usual: float) -> tuple[Reals, Flags]:
    """Each row's day's median, and whether the day has rows enough to tell it from nothing.

    Only a coil whose days showed its sag at first, at volts like the day's or lower, is judged so:
    one that is cut too soon for a level to be read leaves nothing on a sound day either.
    """
    level, sure = np.full(sag.size, np.nan), np.zeros(sag.size, dtype=bool)
    working = sag[sag > _WORKING_SHARE * usual]
    if working.size < _FEWEST_SAGS_OF_USUAL:
        return level, sure
    scatter = robust_deviation(working)
    days, place = np.unique(rows.day, return_inverse=True)
    at = np.full(days.size, np.nan)
    for number, day in enumerate(days):
        of_day = (rows.day == day) & np.isfinite(sag)
        count = int(of_day.sum())
        error = _MEDIAN_ERROR_ROUNDED * scatter / np.sqrt(max(count, 1))
        level[of_day] = np.median(sag[of_day]) if count else np.nan
        sure[of_day] = (count >= _FEWEST_SAGS_OF_DAY
                        and _apart(usual) >= _sureness(rows.lock) * error)
        at[number] = np.median(rows.real("volts_before")[of_day]) if count else np.nan
    first = sure & (rows.day <= days[days.size // _FIRST_PART_OF_DAYS])
    volts, shown = at[place], level > _WORKING_SHARE * usual
    for number in range(days.size):
        # A rail that stands lower takes off less, and a sag just over what is read goes under it.
        like = first & ~(volts > (1 + _LIKE_VOLTS) * at[number])
        sure[place == number] &= bool(like.any() and shown[like].mean() > _SHOWN_SHARE)
    return level, sure


def _apart(usual: float) -> float:
    """Half the way from the share that is empty to the usual sag. [V]"""
    return (0.5 - EMPTY_SAG_SHARE / 2) * usual


def _sureness(lock: Lock) -> float:
    """Standard errors by which an empty row must be clear."""
    return _EMPTY_ERRORS_SEEN if lock.contact else _EMPTY_ERRORS


def _sag_error(rows: Rows, noise: Reals) -> Reals:
    """Standard error of a sag: a median of the loaded readings less one of some ten before."""
    readings = np.nan_to_num(rows.real("volts_samples"), nan=_UNKNOWN_READINGS)
    count = np.maximum(_LOADED_SHARE * readings, 1.0)
    out: Reals = _MEDIAN_ERROR_ROUNDED * noise * np.sqrt(1.0 / count + _BEFORE_READINGS)
    return out


def _usual(seen: _Seen, history: History) -> float:
    """Median sag of the present coil when it works; NaN with too few rows or unsteady ones."""
    rows, sag, noise = seen.rows, seen.sag, seen.noise
    fitted = last_service(history, rows.lock.id, NEW_COIL)
    since = fitted[0].toordinal() if fitted else 0
    working = sag > np.maximum(_WORKING_NOISES * noise, _WORKING_VOLTS)
    if rows.lock.pulsed:
        working &= ~(seen.deepest > _NEIGHBOUR_DIP * sag + _NEIGHBOUR_NOISES * noise)
    present = working & (rows.day > since)
    # A coil that has drawn nothing since it was fitted is given its predecessor's level.
    use = sag[present] if present.sum() >= _FEWEST_SAGS_OF_USUAL else sag[working]
    if use.size < _FEWEST_SAGS_OF_USUAL:
        return float("nan")
    usual = float(np.median(use))
    return usual if robust_deviation(use) * _STEADY_SPREADS < usual else float("nan")


def _from_others(history: History, lock: Lock, own: dict[str, float]) -> float:
    """What the stated coil ought to sag, by the volts per amp of the rail's other locks."""
    if lock.amps is None:
        return float("nan")
    per_amp = [
        own[other.id] / other.amps for other in history.venue.locks_on(lock.supply)
        if other.id != lock.id and other.amps and np.isfinite(own.get(other.id, np.nan))
    ]
    if len(per_amp) < _FEWEST_PER_AMPERE:
        return float("nan")
    return float(np.median(per_amp)) * lock.amps


def meter_blind(history: History, drawn: dict[str, Drawn], lock: Lock, days: Ints) -> bool:
    """Whether the rail showed no sag of the other locks either on those days.

    Then the meter or the whole rail is at fault, and no one lock's coil.
    """
    told = empty = 0
    for other in history.venue.locks_on(lock.supply):
        if other.id == lock.id or other.id not in drawn:
            continue
        same = np.isin(drawn[other.id].rows.day, days) & drawn[other.id].told
        told += int(same.sum())
        empty += int((drawn[other.id].empty & same).sum())
    return told >= _BLIND_READINGS and empty > _BLIND_METER_SHARE * told
