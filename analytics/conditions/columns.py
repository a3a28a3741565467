"""What a lock's own columns show since a day: each a shift or a share, with its standard error.

A finding's story ought to fit everything that the log holds of its lock, not only the column that
raised it. These are the columns that tell causes apart; :mod:`remanence.analytics.conditions.cause`
holds each story against them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.drawn_load import drawn_loads
from remanence.analytics.conditions.in_play import openings_of_locks
from remanence.analytics.conditions.own_current import above_stated
from remanence.analytics.drift.common import VOLTS_EXPONENT
from remanence.analytics.drift.daily_series import REST_HOURS
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.together import TOGETHER_DAYS
from remanence.analytics.history import (
    Flags,
    History,
    Reals,
    Rows,
    actuations_by_lock,
    rows_by_lock,
    since_baseline,
)
from remanence.analytics.pairing.hours import HOUR_US
from remanence.analytics.physics.on_times import loaded_throughout
from remanence.analytics.physics.rail_load import rail_loads
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.venue import Lock

FEWEST_READINGS = 3
"""A column with fewer readings on either side of the day says nothing (common practice)."""
MEDIAN_VARIANCE = np.pi / 2
"""Variance of a median over that of a mean (calculated: normal distribution)."""
SLOW_FACTOR = 1.45
"""A release so many times slower than the median before is a slow one, as in the slow mode."""
QUICK_QUANTILE = 0.15
"""The quick releases are those of this quantile: a second, slow hump leaves them as they were."""
FEWEST_BESIDE = 2
"""Other locks of a rail that show what it does to all (assumption): one alone may be at fault."""
LOW_QUARTILE = 0.25
"""A second hump of up to half the releases leaves this quantile where it is."""
LEAST_DEVIATION = 0.01
"""Natural logarithms scatter by no less (assumption): steps of clocks and meters."""
OUTLASTS_MS = 200.0
"""A load that stays this long after its command is no arc and no slow supply (assumption)."""
LONG_PULSE = 2.0
"""A time on of so many usual pulses is a long one (assumption)."""
STILL_LOADED = 0.5
"""The load of a coil that is on lasts for at least this share of its time on, or is at its end at
least this share of the usual (assumption)."""


@dataclass(frozen=True)
class Column:
    """What one column shows.

    Attributes
    ----------
    value : float
        A shift of natural logarithms, or a share on the scale of its variance, from 0 to pi.
    error : float
        Its standard error, from the readings' own scatter and number.
    """

    value: float
    error: float


def share(count: float, total: float) -> Column:
    """A share on the scale on which its variance depends on its number alone.

    Twice the arc sine of its root: from 0 (none) to pi (all), standard error 1 / sqrt(n). With
    Anscombe's 3/8 (Biometrika 35 (1948) 246).
    """
    return Column(float(2 * np.arcsin(np.sqrt((count + 0.375) / (total + 0.75)))),
                  float(1 / np.sqrt(total + 0.5)))


def on_scale(part: float) -> float:
    """A share, 0 to 1, on the scale of :func:`share`."""
    return float(2 * np.arcsin(np.sqrt(part)))


def _rows(history: History, lock: Lock) -> Rows | None:
    frame = actuations_by_lock(history).get(lock.id)
    if frame is None:
        return None
    frame = since_baseline(frame, history, lock.id).with_columns(
        to_the_end=loaded_throughout("sag_ms", "pulse_ms", "sample_ms"))
    return rows_by_lock(frame, "command_time", history).get(lock.id)


def columns(history: History, lock: Lock, begun: date) -> Mapping[str, Column]:
    """What the lock's columns show since a day, against before it.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.
    lock : Lock
        Which.
    begun : date
        When the story begins.

    Returns
    -------
    mapping of str to Column
        Shifts of natural logarithms: ``draw`` (the coil's load, without the rail's part; from
        the first day on against what is stated of it),
        ``volts`` (the rail before a command), ``latency`` (of coils that pull at the same volts;
        without what the rail's others show), ``quick`` (its quickest releases), ``bounces``,
        ``spike``, ``pulse``. Shares since then: ``unanswered``, ``empty`` (of those: drew
        nothing), ``seen_to`` (of those: tried again, or opened by hand), ``tried_again`` (of
        second tries: released), ``still`` (no edge of the contact), ``found_open``, ``slow``,
        ``rested`` (of the slow and the unanswered: the first after a rest), ``outlasts`` (the
        load stayed after the command), ``loaded`` (of long times on: the load lasted),
        ``not_cut`` (loaded to the pulse's end), ``clustered`` (of commands after one that was not
        answered: not answered either), ``opened`` and ``forced`` (openings without a command,
        unenergised or energised, of commands). What too few readings tell is left out.
    """
    rows = _rows(history, lock)
    if rows is None:
        return {}
    late = np.asarray(rows.day >= begun.toordinal())
    latency = _releases(rows, late, _beside(history, lock, begun))
    found: dict[str, Column | None] = {
        **_levels(rows, late, latency), **_shares(rows, late, latency),
        "draw": _draw(history, lock, begun),
        **_openings_of(history, lock, begun, int(late.sum())),
        "empty": _empty(history, lock, begun), "seen_to": _seen_to(history, rows, late),
    }
    return {name: column for name, column in found.items() if column is not None}


def _shift(values: Reals, late: Flags) -> Column | None:
    """Shift of the median."""
    known = np.isfinite(values)
    now, before = values[known & late], values[known & ~late]
    if min(now.size, before.size) < FEWEST_READINGS:
        return None
    spread = max(robust_deviation(before), robust_deviation(now), LEAST_DEVIATION)
    return Column(float(np.median(now) - np.median(before)),
                  float(spread * np.sqrt(MEDIAN_VARIANCE * (1 / now.size + 1 / before.size))))


def _mean_shift(values: Reals, late: Flags) -> Column | None:
    known = np.isfinite(values)
    now, before = values[known & late], values[known & ~late]
    if min(now.size, before.size) < FEWEST_READINGS:
        return None
    spread = max(float(np.std(before)), float(np.std(now)), LEAST_DEVIATION)
    return Column(float(now.mean() - before.mean()),
                  float(spread * np.sqrt(1 / now.size + 1 / before.size)))


def _log(values: Reals) -> Reals:
    with np.errstate(divide="ignore", invalid="ignore"):
        out: Reals = np.where(values > 0, np.log(values), np.nan)
    return out


def _beside(history: History, lock: Lock, begun: date) -> float:
    """Shift of the time to release that the rail's other locks of its kind show, 0 of too few.

    What they all show is the rail's, or the warmth's, whether its volts are logged or not.
    """
    until = (begun - history.week.monday).days
    shifts = []
    for other in history.venue.locks_on(lock.supply):
        drift = drifts(history).current.get(other.id)
        if other.id == lock.id or drift is None or other.is_magnet != lock.is_magnet:
            continue
        if _on_a_day_of_its_own(drift, begun):
            continue
        days = drift.days
        late = days.release_day >= until
        if min(int(late.sum()), int((~late).sum())) >= FEWEST_READINGS:
            shift = float(np.median(days.value[late]) - np.median(days.value[~late]))
            shifts.append(float(np.log1p(shift)) if days.linear and shift > -1 else shift)
    return float(np.median(shifts)) if len(shifts) >= FEWEST_BESIDE else 0.0


def _on_a_day_of_its_own(drift: LockDrift, begun: date) -> bool:
    """Whether a lock has changed, and not when the story begins: then it shows nothing of that."""
    if drift.fit is None or drift.fit.log_odds <= 0 or not drift.stands:
        return False
    if drift.since_low is None or drift.since_high is None:
        return False
    about = timedelta(days=TOGETHER_DAYS)
    return not drift.since_low - about <= begun <= drift.since_high + about


def _releases(rows: Rows, late: Flags, beside: float) -> Reals:
    """Natural log of the time to release of first tries, less the rail's part; NaN for others."""
    first = (rows.text("outcome") == "released") & ~(rows.real("attempt") > 1)
    latency: Reals = np.where(first, _log(rows.real("latency_ms")), np.nan)
    volts = _log(rows.real("volts_before"))
    if rows.lock.pulsed and np.isfinite(volts).any():
        # A coil that pulls is slower on a lower rail, which is the rail's story.
        latency = latency - VOLTS_EXPONENT * np.nan_to_num(volts - np.nanmedian(volts))
    return latency - np.where(late, beside, 0.0)


def _levels(rows: Rows, late: Flags, latency: Reals) -> dict[str, Column | None]:
    released = rows.text("outcome") == "released"
    volts = _log(rows.real("volts_before"))
    found = {
        "latency": _shift(latency, late), "volts": _shift(volts, late),
        "bounces": _mean_shift(
            np.where(released, np.log1p(rows.real("bounces")), np.nan), late),
        "spike": _shift(np.log1p(np.maximum(rows.real("off_spike_volts"), 0.0)), late),
    }
    if rows.lock.pulsed:
        found["pulse"] = _shift(_log(rows.real("pulse_ms")), late)
    known = np.isfinite(latency)
    now, before = latency[known & late], latency[known & ~late]
    if min(now.size, before.size) >= 2 * FEWEST_READINGS:
        moved = found["latency"]
        assert moved is not None
        shift = np.quantile(now, QUICK_QUANTILE) - np.quantile(before, QUICK_QUANTILE)
        found["quick"] = Column(float(shift), 1.3 * moved.error)
    return found


def _shares(rows: Rows, late: Flags, latency: Reals) -> dict[str, Column | None]:
    outcome = rows.text("outcome")
    released, unanswered = outcome == "released", outcome == "no-release"
    told = released | unanswered | (outcome == "already-open")
    again = rows.real("attempt") > 1
    edges = rows.real("contact_edges")
    timed = np.isfinite(latency)
    usual = _usual(latency[timed], late[timed])
    slow = latency > np.log(SLOW_FACTOR) + usual
    rested = np.diff(rows.time_us, prepend=np.iinfo(np.int64).min // 2) > REST_HOURS * HOUR_US
    outlasts = rows.real("sag_outlasts_ms")
    pulse, sag_ms = rows.real("pulse_ms"), rows.real("sag_ms")
    usual_pulse = float(np.nanmedian(pulse)) if np.isfinite(pulse).any() else np.nan
    sag, end_sag = rows.real("sag_volts"), rows.real("end_sag_volts")
    usual_sag = float(np.nanmedian(sag)) if np.isfinite(sag).any() else np.nan
    loaded = np.where(np.isfinite(sag_ms), sag_ms > STILL_LOADED * pulse,
                      end_sag > STILL_LOADED * usual_sag)
    long = (pulse > LONG_PULSE * usual_pulse) & (
        np.isfinite(sag_ms) | np.isfinite(end_sag - usual_sag))

    def of(which: Flags, among: Flags) -> Column | None:
        total = int((among & late).sum())
        return share(int((which & among & late).sum()), total) if total else None

    found = {
        "unanswered": of(unanswered, told & ~again),
        "tried_again": of(released, told & again),
        "still": of(edges == 0, told & np.isfinite(edges)),
        "found_open": of(outcome == "already-open", told & ~again),
        "slow": of(slow, timed),
        "rested": of(rested, (slow & timed) | (unanswered & told & ~again)),
        "outlasts": of(outlasts > OUTLASTS_MS, np.isfinite(outlasts)),
    }
    if rows.lock.pulsed:
        found["loaded"] = of(loaded, long)
        found["clustered"] = _clustered(unanswered[told & ~again & late])
    if rows.lock.self_cut:
        found["not_cut"] = of(rows.flag("to_the_end"), np.isfinite(sag_ms) & np.isfinite(pulse))
    return found


def _usual(latency: Reals, late: Flags) -> float:
    """The usual one: before the day, or the quick ones' where there is no before."""
    past = latency[~late]
    if past.size >= FEWEST_READINGS:
        return float(np.median(past))
    return float(np.quantile(latency, LOW_QUARTILE)) if latency.size else np.nan


def _clustered(unanswered: Flags) -> Column | None:
    """Of the commands after one that was not answered: the share that were not answered either."""
    after = unanswered[1:][unanswered[:-1]]
    return share(int(after.sum()), after.size) if after.size else None


def _draw(history: History, lock: Lock, begun: date) -> Column | None:
    load = rail_loads(history).get(lock.supply)
    row = load.latest(lock.id) if load is not None else None
    if load is None or row is None:
        return None
    own, late = load.own(row), np.asarray(load.days >= begun.toordinal())
    column = _shift(own, late)
    if column is None:
        # Without a before the coils beside it tell what is usual.
        stated = None if np.isfinite(own[~late]).any() else above_stated(history, load, row)
        return None if stated is None else Column(stated.above, stated.error)
    return Column(column.value, float(np.hypot(column.error, load.floor[row] / 3)))


def _empty(history: History, lock: Lock, begun: date) -> Column | None:
    """Of the commands not answered whose volts tell: the share that drew nothing."""
    drawn = drawn_loads(history).get(lock.id)
    if drawn is None:
        return None
    use = drawn.told & (drawn.rows.day >= begun.toordinal()) & (
        drawn.rows.text("outcome") != "released")
    return share(int((drawn.empty & use).sum()), int(use.sum())) if use.any() else None


def _seen_to(history: History, rows: Rows, late: Flags) -> Column | None:
    """Of the commands not answered: the share after which somebody tried again or opened it.

    Who opens a lock without a contact by hand leaves no line.
    """
    if not rows.lock.contact:
        return None
    unanswered = late & (rows.text("outcome") == "no-release")
    if not unanswered.any():
        return None
    opened = history.openings.filter(pl.col("lock") == rows.lock.id)["time"].sort()
    times = opened.dt.epoch("us").to_numpy()
    following = np.append(rows.time_us[1:], np.iinfo(np.int64).max)
    by_hand = np.searchsorted(times, following) > np.searchsorted(times, rows.time_us, "right")
    again = np.append(rows.real("attempt")[1:] > 1, False)
    return share(int(((by_hand | again) & unanswered).sum()), int(unanswered.sum()))


def _openings_of(
    history: History, lock: Lock, begun: date, commands: int
) -> dict[str, Column | None]:
    if not commands or not lock.contact:
        return {}
    rows = openings_of_locks(history).filter(
        (pl.col("lock") == lock.id) & (pl.col("day") >= begun))
    energised = int(rows["energised"].fill_null(False).sum())
    return {"opened": share(min(rows.height - energised, commands), commands),
            "forced": share(min(energised, commands), commands)}
