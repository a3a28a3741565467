"""How long each lock has left where its measures drift, as a distribution, or no date at all.

A lock wears along a path. For a spring latch the path is the share of its force margin that
friction has used up: latency hardly shows it at first and then all at once, so the path is read
from the latency through the margin, never by a straight line through the latency itself. For a
magnet it is about the logarithm of its latency. How the path
(:mod:`remanence.analytics.parts.wear_path`) goes on is told from the lock's own weeks and from how
the other locks of its kind wear; when it meets its limit is drawn
(:mod:`remanence.analytics.parts.arrival`). It runs in use, not by the calendar: a month without
games wears nothing, and a pace that has changed is gone on with
(:mod:`remanence.analytics.parts.pace`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.drift.common import VOLTS_EXPONENT
from remanence.analytics.history import LOCKS_AT_A_TIME, History, per_lock, since_baseline
from remanence.analytics.parts.arrival import arrival
from remanence.analytics.parts.earlier_units import EARLIER_UNITS, earlier_units
from remanence.analytics.parts.pace import (
    PACE_LOOK,
    PACE_WEEKS,
    games_per_week,
    paces,
    weeks_with_games,
)
from remanence.analytics.parts.unanswered import LEAST_WEAR_WEEKS, LONGEST_WEEKS, unanswered_wear
from remanence.analytics.parts.wear_path import (
    DRAWS,
    Path,
    PathFit,
    Weeks,
    drawn_paths,
    weigh_path,
)
from remanence.analytics.parts.weekly_level import (
    RISEN_WEEKS,
    healthy_latency,
    risen_since,
    weekly_levels,
)
from remanence.analytics.physics.pulse import present_pulses
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.limits import Limits
from remanence.shared.venue import Lock

STALLING = 5.0
"""A latch counts as about to stall when it takes so many times its healthy latency (trade practice:
past the bend of its curve nothing is left to plan with)."""
LONGEST_LOOK = 2.0
"""No date is told that most likely lies beyond so many times the weeks seen (trade practice)."""
LEAST_VOLTS_SPREAD = 0.003
"""Weekly volts that vary by less (log scale) teach nothing of how the lock answers them."""
UNSIGNED_LOCKS, UNSIGNED_FAILED = 717, 48
"""Of so many simulated locks that were wearing and showed no sign of it, so many met their limit
within 13 weeks all the same (docs/forecasts.md, all worlds together)."""
PRESENT_WEEKS = 2
"""Weeks that the present latency is read from."""


@dataclass(frozen=True)
class LockWear:
    """What drift says of one lock's remaining life.

    Attributes
    ----------
    lock : str
        Its id.
    sign : str
        ``wearing``, ``at its limit``, ``no sign of wear``, ``not enough data``,
        ``not observed`` or ``explained`` (it drifts, but a finding says that it needs no part).
    latency_ms, healthy_ms, limit_ms : float or None
        Median latency now, when healthy, and where it no longer does; None where not known.
    limit_from : str
        What sets the limit: ``designer``, ``pulse``, ``stall``, ``no-release`` or ``none``.
    games_per_week, actuations_per_week : float
        The venue's pace and the lock's.
    weeks : numpy.ndarray
        Draws of the weeks left (infinite where the path does not meet the limit); empty unless
        it is wearing or at its limit.
    since_weeks : float or None
        How long ago it began; None unless it is wearing.
    shown_cycles : float or None
        First attempts since its latency rose by the least change that matters; None where it has
        not.
    """

    lock: str
    sign: str
    latency_ms: float | None
    healthy_ms: float | None
    limit_ms: float | None
    limit_from: str
    games_per_week: float
    actuations_per_week: float
    weeks: Reals
    since_weeks: float | None = None
    shown_cycles: float | None = None

    def interval(self, coverage: float) -> tuple[float, float]:
        """Weeks between which the limit is met with ``coverage``.

        Parameters
        ----------
        coverage : float
            Between 0 and 1.

        Returns
        -------
        tuple of float
            Low and high, infinite where it may never be met. Only for a lock that has ``weeks``.
        """
        tail = (1 - coverage) / 2
        low, high = np.quantile(self.weeks, [tail, 1 - tail], method="inverted_cdf")
        return float(low), float(high)

    @property
    def median_weeks(self) -> float:
        """Middle of the weeks left; infinite where it may never be.

        Only for a lock that has ``weeks``.
        """
        return float(np.quantile(self.weeks, 0.5, method="inverted_cdf"))

    def chance_within(self, weeks: float) -> float:
        """Probability that the limit is met within so many weeks.

        Parameters
        ----------
        weeks : float
            From the end of the week that was judged.

        Returns
        -------
        float
            0 where nothing wears.
        """
        return float(np.mean(self.weeks <= weeks)) if self.weeks.size else 0.0


def pulse_margin(lock: Lock, limits: Limits) -> float:
    """How many times a release a pulse (a magnet's off-time) is to be: the venue's limit.

    Parameters
    ----------
    lock : Lock
        Whose pulse.
    limits : Limits
        The venue's.

    Returns
    -------
    float
        ``pulse_margin``, or ``magnet_margin`` for what is released by cutting its current.
    """
    return limits.pulse_margin if lock.pulsed else limits.magnet_margin


def limit_of(
    lock: Lock, pulse_ms: float | None, healthy_ms: float, limits: Limits
) -> tuple[float, str]:
    """The latency at which a lock is at its end, and what sets it.

    Parameters
    ----------
    lock : Lock
        Whose.
    pulse_ms : float or None
        The pulse that the program sets; None where it sets none.
    healthy_ms : float
        Its healthy latency.
    limits : Limits
        The venue's: the margin of a pulse, and the least change that matters.

    Returns
    -------
    limit_ms : float
        The lowest of the designer's limit, what the pulse leaves room for, and (latches)
        the latency shortly before stalling. Infinite where a magnet has none of them.
    limit_from : str
        ``"designer"``, ``"pulse"``, ``"stall"`` or ``"none"``.

    Notes
    -----
    Stalling: :data:`STALLING`. A pulse that leaves a healthy lock no room is a mistake
    in the program, not an end of the lock: it sets no limit.
    """
    found = [(np.inf, "none")]
    if lock.pulsed:
        found.append((healthy_ms * STALLING, "stall"))
    if pulse_ms is not None:
        room = pulse_ms / pulse_margin(lock, limits)
        if room > healthy_ms * (1 + limits.drift_gate_percent / 100):
            found.append((room, "pulse"))
    if lock.release_within_ms is not None:
        found.append((lock.release_within_ms, "designer"))
    return min(found)


_LOOKED_AT = ("lock", "day", "weeks_ago", "attempt", "outcome", "latency_ms", "resolution_ms",
              "pulse_ms", "volts_before", "sag_volts")
"""Columns that are looked at lock by lock: each small step costs by the columns it carries."""


def remaining_life(history: History, *, seed: int = 20260301) -> list[LockWear]:
    """What each lock's drift says of its remaining life.

    Parameters
    ----------
    history : History
        Up to the week asked for; a year or more is of use.
    seed : int, default 20260301
        The draws' source of chance: the same data give the same figures.

    Returns
    -------
    list of LockWear
        One a lock, in the venue file's order. A lock whose latency rests on a door contact
        holds a person's time and is ``"not observed"``.

    Notes
    -----
    First passage of the fitted path (:func:`fit_path`, :func:`arrival`), or of the share of
    unanswered commands where that meets its limit sooner.
    """
    dated = history.dated("actuations")
    games = games_per_week(history)
    open_weeks = weeks_with_games(dated, PACE_LOOK)
    every = per_lock(dated.select(_LOOKED_AT))
    rows_of = {name: since_baseline(rows, history, name) for name, rows in every.items()}
    pulsed = [lock.id for lock in history.venue.locks if lock.pulsed]
    levels: dict[str, pl.DataFrame] = {}
    parts = list(rows_of.values())
    for first in range(0, len(parts), LOCKS_AT_A_TIME):
        lot = pl.concat(parts[first : first + LOCKS_AT_A_TIME])
        levels |= per_lock(weekly_levels(lot, pulsed))
    gathered = [
        _gathered(history, lock, rows_of.get(lock.id), levels.get(lock.id), open_weeks, [seed, i])
        for i, lock in enumerate(history.venue.locks)
    ]
    paths = _paths(history, every, [one for one in gathered if isinstance(one, _Gathered)], seed)
    return [
        _lock_wear(history, one, paths.get(one.lock.id), games) if isinstance(one, _Gathered)
        else LockWear(lock.id, one[0], None, None, None, "none", games, one[1], np.empty(0))
        for lock, one in zip(history.venue.locks, gathered, strict=True)
    ]


@dataclass(frozen=True)
class _Gathered:
    """What one lock's log gives a forecast, before other locks are asked.

    ``span`` (from the first week seen to the last) and ``passed`` (what was done since the middle
    of the last week that a median stands for) are weeks at its present ``pace``; ``commands`` are
    those of each week with games, newest first. ``fit`` is None where nothing rose, or no limit is
    known. ``shown`` counts first attempts since it rose.
    """

    lock: Lock
    rows: pl.DataFrame
    pace: float
    commands: Reals
    healthy: float
    recent: float
    limit: float
    limit_from: str
    span: float
    passed: float
    shown: float | None
    fit: PathFit | None
    chance: np.random.Generator
    chance_missed: np.random.Generator


def _gathered(
    history: History, lock: Lock, rows: pl.DataFrame | None, weekly: pl.DataFrame | None,
    open_weeks: list[int], seed: list[int],
) -> _Gathered | tuple[str, float]:
    """One lock's side of it; where it can have no date, why not, and its pace."""
    if lock.latency_kind in (None, "door"):
        return "not observed", 0.0
    if rows is None or rows.is_empty():
        return "not enough data", 0.0
    within = [week for week in open_weeks if week <= int(rows["weeks_ago"].to_numpy().max())]
    first = rows.filter(pl.col("attempt") == 1)
    number = dict(first.group_by("weeks_ago").len().iter_rows())
    commands = np.array([number.get(week, 0) for week in within], dtype=np.float64)
    pace = float(commands[:PACE_WEEKS].sum()) / max(len(within[:PACE_WEEKS]), 1)
    if weekly is None or weekly.height < LEAST_WEAR_WEEKS or not pace:
        return "not enough data", pace
    latency = weekly["latency_ms"].to_numpy()
    healthy = healthy_latency(latency)
    limits = history.venue.limits
    pulse = present_pulses(history).get(lock.id)
    limit, limit_from = limit_of(lock, pulse.setting_ms if pulse else None, healthy, limits)
    chance, chance_missed = np.random.default_rng(seed).spawn(2)
    path_weeks = _path_weeks(lock, weekly, pace, limits, limit)
    fit = (weigh_path(path_weeks, chance)
           if path_weeks is not None and np.isfinite(limit) else None)
    passed = (first.height - float(weekly["use"][-1])) / pace
    since = risen_since(weekly, limits)
    span = float(weekly["use"][-1] - weekly.tail(LONGEST_WEEKS)["use"][0]) / pace
    return _Gathered(
        lock, rows, pace, commands, healthy, float(np.median(latency[-PRESENT_WEEKS:])), limit,
        limit_from, span, passed, None if since is None else first.height - since, fit, chance,
        chance_missed)


def _path_weeks(
    lock: Lock, weekly: pl.DataFrame, pace: float, limits: Limits, limit: float
) -> Weeks | None:
    """One unit's weeks for a path to be held against; None where it has not risen."""
    healthy = healthy_latency(weekly["latency_ms"].to_numpy())
    late = weekly.tail(LONGEST_WEEKS)
    volts = late["log_volts"].to_numpy()
    seen = np.log(late["latency_ms"].to_numpy() / healthy) - VOLTS_EXPONENT * volts
    # A smaller change is within what seasons and moods do: no wear is told of it.
    if float(np.median(seen[-RISEN_WEEKS:])) < np.log1p(limits.drift_gate_percent / 100):
        return None
    return Weeks(
        late["use"].to_numpy() / pace, seen, late["deviation"].to_numpy(),
        float(np.log(limit / healthy)), latch=lock.pulsed,
        volts=volts if float(np.std(volts)) > LEAST_VOLTS_SPREAD else None,
        calendar=-late["weeks_ago"].to_numpy().astype(np.float64))


def _paths(
    history: History, rows_of: Mapping[str, pl.DataFrame], gathered: list[_Gathered], seed: int
) -> dict[str, Path]:
    """By lock; latches learn from latches, magnets from magnets, and from units before them."""
    out: dict[str, Path] = {}
    for pulsed in (True, False):
        kind = [(one, one.fit) for one in gathered
                if one.fit is not None and one.lock.pulsed == pulsed]
        if not kind:
            continue
        ended = _ended_fits(history, rows_of, pulsed, np.random.default_rng([seed, 1 + pulsed]))
        drawn = drawn_paths([fit for _, fit in kind], [one.chance for one, _ in kind], ended)
        out |= {one.lock.id: path for (one, _), path in zip(kind, drawn, strict=True)}
    return out


def _ended_fits(
    history: History, rows_of: Mapping[str, pl.DataFrame], pulsed: bool, rng: np.random.Generator
) -> list[PathFit]:
    """Of the newest units of a kind that had risen when they were replaced."""
    fits: list[PathFit] = []
    for lock, rows in earlier_units(history, rows_of):
        if lock.pulsed != pulsed:
            continue
        weekly = weekly_levels(rows, (lock.id,) if lock.pulsed else ())
        if weekly.height < LEAST_WEAR_WEEKS:
            continue
        pace = rows.filter(pl.col("attempt") == 1).height / rows["weeks_ago"].n_unique()
        weeks = _path_weeks(lock, weekly, pace, history.venue.limits, np.inf)
        if weeks is not None:
            fits.append(weigh_path(weeks, rng))
        if len(fits) == EARLIER_UNITS:
            break
    return fits


def _lock_wear(
    history: History, one: _Gathered, path: Path | None, games: float
) -> LockWear:
    limits, none = history.venue.limits, np.empty(0)
    # The path knows weeks at the pace of late; the pace from now on may be another.
    stretch = one.pace / paces(one.commands, one.chance, DRAWS)
    missed = unanswered_wear(
        one.rows, limits.no_release_worn_percent / 100, one.pace, one.chance_missed,
        least_pulse_ms=pulse_margin(one.lock, limits) * one.healthy)
    weeks, sign, limit_from = none, "no sign of wear", one.limit_from
    if path is not None and path.rising:
        sign = "wearing"
        weeks = np.maximum(arrival(path, one.chance) - one.passed, 0.0) * stretch
        if one.recent >= one.limit:
            sign, weeks = "at its limit", np.zeros(DRAWS)
        elif np.median(weeks) > LONGEST_LOOK * one.span:
            sign, weeks = "no sign of wear", none
    since = path.since_weeks if path is not None and sign == "wearing" else None
    if missed is not None and sign != "at its limit":
        # Whichever limit is met first ends the life.
        left = missed[0] * stretch
        if not weeks.size or np.median(left) < np.median(weeks):
            limit_from, since = "no-release", missed[1]
        weeks = np.minimum(weeks, left) if weeks.size else left
        sign = "wearing" if weeks.any() else "at its limit"
    return LockWear(
        one.lock.id, sign, one.recent, one.healthy,
        one.limit if np.isfinite(one.limit) else None, limit_from, games, one.pace, weeks,
        since if sign == "wearing" else None, one.shown,
    )
