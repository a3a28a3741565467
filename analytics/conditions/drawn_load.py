"""Did the coil draw anything when it was commanded? Row by row, against what it usually draws."""

from __future__ import annotations

from dataclasses import dataclass

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
from remanence.analytics.physics.rail_load import NEW_COIL, rested
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.venue import Lock

_EMPTY = 0.3
"""Below this share of the usual sag a coil drew nothing that matters."""
_STEADY = 2.5
"""The usual sag must stand this many times out of its own scatter."""
_RESOLVED_CUT = 9.0
"""And, of a coil that is cut after a few readings, this many times out of the noise."""
_FEWEST = 5
_COARSE_MS = 50.0
"""Readings further apart than this may have missed the whole load of a coil that cuts itself."""


@dataclass(frozen=True)
class Drawn:
    """Rows of one lock with what its coil drew.

    ``usual_volts`` is the sag that the lock makes when it works, NaN where it is not known
    or not to be told from noise. ``told`` marks rows in which it could have been seen,
    ``empty`` those of them in which there was none.
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
        that was already open tell nothing: its own switch keeps the coil off.
    """
    by_lock = rows_by_lock(
        _drawn(rested(history.dated("actuations")), history).filter(
            pl.col("sag_volts").is_finite()),
        "command_time", history)
    own = {name: _usual(rows, history) for name, rows in by_lock.items()}
    found = {}
    for name, rows in by_lock.items():
        usual, borrowed = own[name], False
        if not np.isfinite(usual):
            usual, borrowed = _from_others(history, rows.lock, own), True
        found[name] = _one(rows, usual, borrowed)
    return found


def _drawn(actuations: pl.DataFrame, history: History) -> pl.DataFrame:
    """The rows with what the coil was seen to draw as ``sag_volts``.

    Of a coil that cuts itself and was not seen loaded, though the rail was read finely enough,
    that is what the rail still carried at the end of the pulse: nothing, unless it hides in noise.
    """
    cutting = [lock.id for lock in history.venue.locks if lock.self_cut]
    watched = pl.col("lock").is_in(cutting) & (pl.col("sample_ms") <= _COARSE_MS)
    return actuations.with_columns(sag_volts=pl.coalesce(
        "sag_volts", pl.when(watched).then("end_sag_volts")))


def _one(rows: Rows, usual: float, borrowed: bool) -> Drawn:
    sag, noise = rows.real("sag_volts"), np.nan_to_num(rows.real("volts_noise"), nan=0.03)
    told = np.isfinite(sag)
    if rows.lock.self_cut and rows.lock.contact:
        told &= rows.text("outcome") != "already-open"
    if np.isfinite(usual):
        level = sag
        # A coil that is cut after a few readings is seen only where each stands out, or where
        # those of a whole day do together.
        if rows.lock.self_cut:
            each = usual >= _RESOLVED_CUT * noise
            by_day, sure = _by_day(rows, sag, usual)
            told &= each | sure
            level = np.where(each, sag, by_day)
        else:
            told &= (0.5 - _EMPTY / 2) * usual >= _sureness(rows.lock) * _sag_error(rows, noise)
        empty = told & (level < _EMPTY * usual)
        # Something did load the rail meanwhile, be it a neighbour: no word on this coil.
        deepest = rows.real("volts_before") - rows.real("volts_min")
        masked = empty & rows.lock.pulsed & (deepest > np.maximum(0.5 * usual, 6.0 * noise))
        told, empty = told & ~masked, empty & ~masked
    else:
        told, empty = np.zeros(rows.size, dtype=bool), np.zeros(rows.size, dtype=bool)
    return Drawn(rows, sag, usual, told, empty, borrowed)


def _by_day(rows: Rows, sag: Reals, usual: float) -> tuple[Reals, Flags]:
    """Each row's day's median, and whether the day has rows enough to tell it from nothing.

    Only of a coil whose days showed its sag at first: one that is cut too soon for a level to
    be read leaves nothing on a sound day either.
    """
    level, sure = np.full(sag.size, np.nan), np.zeros(sag.size, dtype=bool)
    working = sag[sag > 0.5 * usual]
    if working.size < _FEWEST:
        return level, sure
    scatter = robust_deviation(working)
    days = np.unique(rows.day)
    for day in days:
        of_day = (rows.day == day) & np.isfinite(sag)
        count = int(of_day.sum())
        error = 1.25 * scatter / np.sqrt(max(count, 1))
        level[of_day] = np.median(sag[of_day]) if count else np.nan
        sure[of_day] = count >= 3 and (0.5 - _EMPTY / 2) * usual >= _sureness(rows.lock) * error
    first = sure & (rows.day <= days[days.size // 3])
    shown = bool(first.any() and np.mean(level[first] > 0.5 * usual) > 0.9)
    return level, sure & shown


def _sureness(lock: Lock) -> float:
    """Standard errors by which an empty row must be clear; fewer where feedback backs it up."""
    return 2.5 if lock.contact else 4.0


def _sag_error(rows: Rows, noise: Reals) -> Reals:
    """Standard error of a sag: a median of the loaded readings less one of some ten before."""
    count = np.maximum(0.6 * np.nan_to_num(rows.real("volts_samples"), nan=10.0), 1.0)
    out: Reals = 1.25 * noise * np.sqrt(1.0 / count + 0.1)
    return out


def _usual(rows: Rows, history: History) -> float:
    """Median sag of the present coil when it works; NaN with too few rows or unsteady ones."""
    sag, noise = rows.real("sag_volts"), np.nan_to_num(rows.real("volts_noise"), nan=0.03)
    fitted = last_service(history, rows.lock.id, NEW_COIL)
    since = fitted[0].toordinal() if fitted else 0
    working = sag > np.maximum(3.0 * noise, 0.02)
    if rows.lock.pulsed:
        deepest = rows.real("volts_before") - rows.real("volts_min")
        working &= ~(deepest > 1.6 * sag + 6.0 * noise)
    present = working & (rows.day > since)
    # A coil that never drew since it was fitted: its predecessor's level will do.
    use = sag[present] if present.sum() >= _FEWEST else sag[working]
    if use.size < _FEWEST:
        return float("nan")
    usual = float(np.median(use))
    return usual if robust_deviation(use) * _STEADY < usual else float("nan")


def _from_others(history: History, lock: Lock, own: dict[str, float]) -> float:
    """What the stated coil ought to sag, by the volts per amp of the rail's other locks."""
    if lock.amps is None:
        return float("nan")
    per_amp = [
        own[other.id] / other.amps for other in history.venue.locks_on(lock.supply)
        if other.id != lock.id and other.amps and np.isfinite(own.get(other.id, np.nan))
    ]
    return float(np.median(per_amp)) * lock.amps if len(per_amp) >= 2 else float("nan")


def meter_blind(history: History, drawn: dict[str, Drawn], lock: Lock, days: Ints) -> bool:
    """Whether the rail showed no sag of the other locks either on those days.

    Then it is the meter, or the whole rail, and no one lock's coil.
    """
    told = empty = 0
    for other in history.venue.locks_on(lock.supply):
        if other.id == lock.id or other.id not in drawn:
            continue
        same = np.isin(drawn[other.id].rows.day, days) & drawn[other.id].told
        told += int(same.sum())
        empty += int((drawn[other.id].empty & same).sum())
    return told >= 2 and empty > 0.5 * told
