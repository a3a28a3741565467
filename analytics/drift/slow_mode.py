"""A slow mode beside the normal one: a catch that sticks one time in ten, a drawer leant upon.

The median stays where it is while one release in ten takes twice as long, or
never comes. So the slow ones are counted, and their rate is judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy import special

from remanence.analytics.drift.daily_series import (
    REST_HOURS,
    LockDays,
    by_regime,
    command_volts,
    rolling_median,
)
from remanence.analytics.drift.judge import HAZARD_PER_DAY
from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.change import Change, Side
from remanence.analytics.statistics.intervals import probability
from remanence.analytics.statistics.rates import betabinomial, change_of_rate
from remanence.shared.table import equals, reals

SLOW_FACTOR = 1.45
"""A release this much slower than its neighbours is of another kind, if it is also beyond four
standard deviations: on a catch, the work of about 4 N of side load (calculated)."""

SLOW_DEVIATIONS = 4.0
"""Deviations of the lock's releases that it must also exceed: chance brings one in 30,000 there."""
LEAST_TRIALS = 20
"""Fewer commands than this have no rate (common practice, no source)."""
LEAST_SLOW = 3
"""Slow ones since it began: two may be one person leaning (assumption)."""
TWICE = 2.0
"""A rate that is less than twice what it was before is not said to have risen."""
LEAST_SHARE = 0.03
"""Slow ones rarer than this are within what people do."""
RECENT_DAYS = 14.0
"""The volts of so many last days are those that a rail has now (assumption)."""
ENDS_PER_WEEK = 1 / 10
"""Chance that such a fault has ended in a given week without an entry: it stands for some ten weeks
(assumption, as in :data:`STANDING_PRIOR`)."""
LAST_MODE_DAY = 6.0
"""The week's Sunday, counted from its Monday."""

HEALTHY = (0.5, 60.0)
"""Rate of such releases of a sound lock before anything is known of it: people lean on things."""
FAULTY = (2.0, 14.0)
"""The same of a lock that sticks or is leant upon: one in eight, from one in sixty to one in three
(assumption)."""
SLOW_MODE_PRIOR = 7 * HAZARD_PER_DAY
"""Chance, before any data, that one of these faults begins in a given week: as that of a lasting
change, since a catch that begins to stick shows it in its slowest releases first (trade)."""
UNANSWERED_HEALTHY, UNANSWERED_FAULTY = (0.5, 15.0), (1.0, 4.0)
"""Share of slow ones that are never answered: of a sound lock (people let go in the end) and of one
that sticks or is leant upon (assumption; with the lock's own past added to the first)."""
STANDING_PRIOR = 1 / 60
"""Chance that a lock has one when its log begins: such a fault stands for some ten weeks.
Assumption."""
YOUNG_DAYS = 28
"""A log is at its beginning for so long: its faults may have been there before it. Assumption."""
LIKE_VOLTS = 0.03
"""Commands whose volts differ by less than this (natural log) are of one kind: at lower volts a
sound catch straggles and fails when it is leant upon, as each 2 N of side load costs about 1 V of
its stall voltage (calculated)."""
LEAST_KNOWN_VOLTS = 10
"""Commands with known volts that show what a rail usually has (assumption)."""
LEAST_AT_LOW = 80
"""Releases at a rail that has stayed low, before they are a past to hold others against."""
COIL_DECAY_MS = 40.0
"""How long after a pulse's end a latch's coil may still pull: a few times L/R of 5 to 15 ms
(calculated), and a poll."""
LATE_LOADED, LATE_STICKING = 0.4, 0.05
"""Share of slow releases that come only after the pulse has ended. Assumptions: pushes last about
as long as pulses do; a catch without current is freed by chance alone."""
SIBLING_AT_FAULT = 0.1
"""Chance that another lock, whose rate is to show what is usual, has such a fault itself
(assumption)."""
SOUND_RATES = np.geomspace(1e-4, 0.4, 30)
"""Mean rates of sound locks that are tried."""
SOUND_ALIKE = sum(HEALTHY) * np.geomspace(1 / 30, 30, 13)
"""How much alike they may be, in commands' worth of say that the others have in one's own rate:
from next to none to all, each as likely before any has spoken (assumption)."""
EARLIER_EVENTS, EARLIER_COMMANDS = 0.5, 30.0
"""Slow ones in so many commands that a rate before the change is drawn towards: a healthy rate of
2 % (assumption)."""
LOW_QUARTILE, NORMAL_QUARTILE = 0.25, 0.674
"""The quantile of its neighbours that a release is held against, and how many deviations a normal
distribution's median lies above that (calculated)."""
NEIGHBOURS_EITHER_SIDE = 20
"""Releases on either side that are a release's neighbours (assumption)."""
FIRST_RELEASES, FIRST_PARTS = 60, 3
"""The commands that show a rail's usual volts: so many of the first, or one part of so many."""
LEAST_POSITIVE_VOLTS = 1e-3
"""Least volts of which a logarithm is taken."""
ANY_CHANCE, HIGHEST_CHANCE = 0.002, 0.9
"""Chance of a slow release that every lock has, and the highest that is reckoned with
(assumption)."""
LATER_EVENTS, LATER_COMMANDS = 0.5, 5.0
"""Slow ones in so many commands that the rate of a day's later commands is drawn towards: 10 %
(assumption)."""
FIRST_SHARES_LOADED, FIRST_SHARES_STICKING = (0.2, 1.0), (1.0, 1.5, 3.0)
"""The rate after a rest as a share of the later rate, where people lean and where a catch sticks
(assumption)."""
LEANT_RATE, LEANT_RATE_WIDTH, LEANT_RATE_WEIGHT = 0.18, 0.08, 2.0
"""Rate at which leaning and sticking are alike likely, how far from it they are plainly told apart,
and the natural log odds that the rate may bring (assumption)."""
LEANT_SPREAD, LEANT_SPREAD_WIDTH, LEANT_SPREAD_WEIGHT = 0.8, 0.4, 1.0
"""The same of the distance between the 20 % and 80 % quantiles of the slow ones' log latency:
people lean for any length of time (assumption)."""
SPREAD_PERCENTILES, FEWEST_FOR_SPREAD = (80, 20), 6
"""Those quantiles, and the slow releases that show them."""
MOST_SIGN_ODDS, LEAST_IN_TIME_ODDS = 6.0, -1.0
"""Natural log odds that one sign may bring at most, and that releases within the pulse may take
off: a pulse longer than any push lets none come late (assumption)."""


@dataclass(frozen=True)
class SlowMode:
    """How often first attempts are slow (or unanswered), since when, and what they look like.

    ``change`` is that of the rate; its ``log_odds`` are for a raised rate that stands now, the
    prior included. ``loaded`` is the natural log of how much likelier they are from people
    leaning on the lock than from a catch that sticks.
    """

    change: Change
    unanswered: int
    loaded: float
    slow_ms: float
    usual_ms: float
    first_count: int
    first_total: int
    from_start: bool


@dataclass(frozen=True)
class Counted:
    """First attempts at the rail's present volts, in order of time, and which of them were slow.

    ``event`` marks those that were slow or ``unanswered``, ``rested`` those after a rest; ``slow``
    marks releases of the lock's :class:`LockDays`. ``lasting``: the rail has stayed low.
    """

    day: Reals
    event: Flags
    unanswered: Flags
    rested: Flags
    slow: Flags
    lasting: bool


def counted(
    days: LockDays, rows: pl.DataFrame, row_day: Reals, step_day: float | None = None
) -> Counted | None:
    """Count the slow and the unanswered first attempts of a lock.

    Parameters
    ----------
    days : LockDays
        The lock's releases.
    rows : polars.DataFrame
        The same lock's actuations since its baseline's start, in order of time.
    row_day : array
        Day of each row, 0 the week's Monday.
    step_day : float, optional
        Day on which all of its releases became slower or quicker at once: what lies on either
        side of it has neighbours of its own, or the step would look like a second hump.

    Returns
    -------
    Counted or None
        None with fewer than twenty attempts.
    """
    if days.time_s.size < LEAST_TRIALS:
        return None
    deviation = np.sqrt(np.maximum(
        _quick_deviation(days) ** 2
        + np.nan_to_num(days.release_variance - days.release_variance[-1]), 0.0))
    # At a rail below the usual a sound catch straggles too: those commands are another
    # series. Where the rail has been so for long, that series has a past of its own.
    row_volts = command_volts(rows)
    lasting, at = _rail_now(days, row_volts, row_day)
    told, row_told = _like(days.command_volts, at), _like(row_volts, at)
    # A release's neighbours are those at like volts: a rail that comes back makes none slow.
    regime = 2 * days.release_regime + told
    if step_day is not None:
        regime = 2 * regime + (days.release_day >= step_day)
    # Where nothing is slow this is the median; a second hump of half the releases leaves it there.
    base = by_regime(_rolling_low, days.value, regime) + NORMAL_QUARTILE * deviation
    excess = days.value - base
    size = np.log(SLOW_FACTOR) if not days.linear else SLOW_FACTOR - 1.0
    slow = excess > np.maximum(size, SLOW_DEVIATIONS * deviation)
    first = (reals(rows["attempt"], 1.0) == 1) & row_told
    missed = first & equals(rows["outcome"], "no-release")
    missed_s = rows["command_time"].dt.epoch("us").to_numpy()[missed].astype(float) / 1e6
    slow &= told
    time_s = np.concatenate([days.time_s[told], missed_s])
    if time_s.size < LEAST_TRIALS:
        return None
    order = np.argsort(time_s, kind="stable")
    return Counted(
        np.concatenate([days.release_day[told], row_day[missed]])[order],
        np.concatenate([slow[told], np.ones(missed_s.size, dtype=bool)])[order],
        np.concatenate([np.zeros(int(told.sum()), dtype=bool),
                        np.ones(missed_s.size, dtype=bool)])[order],
        np.concatenate([days.after_rest[told], _rested(rows)[missed]])[order],
        slow, lasting)


def healthy_beside(
    every: Mapping[str, Flags], at_fault: float = SIBLING_AT_FAULT
) -> dict[str, tuple[float, float]]:
    """Shapes of the beta prior of each sound lock's rate, by what the others of its kind show.

    People may lean on all of them alike, or on one far more than on another; a catch that sticks
    is one lock's own. How much alike they are is learned with their mean rate.

    Parameters
    ----------
    every : mapping of str to array of bool
        Which first attempts of each lock of one kind, sound or not, were slow or unanswered.
    at_fault : float, optional
        Chance that another lock is at fault itself.

    Returns
    -------
    dict of str to tuple of (float, float)
        By name; of a lock without others about those of :data:`HEALTHY`.

    Notes
    -----
    Empirical Bayes for binomial rates (textbook): each other lock's count is beta-binomial about a
    common mean, or, with ``at_fault``, that of a faulty one.
    """
    if not every:
        return {}
    mean, alike = (part.ravel() for part in np.meshgrid(SOUND_RATES, SOUND_ALIKE))
    prior = HEALTHY[0] * np.log(mean) + (HEALTHY[1] - 1.0) * np.log1p(-mean)
    count = np.array([[float(one.sum())] for one in every.values()])
    total = np.array([[float(one.size)] for one in every.values()])
    shows = np.logaddexp(
        np.log1p(-at_fault)
        + betabinomial(count, total, mean * alike, (1.0 - mean) * alike),
        np.log(at_fault) + betabinomial(count, total, *FAULTY))
    weight = special.softmax(prior + shows.sum(axis=0) - shows, axis=1)
    usual, worth = weight @ mean, np.exp(weight @ np.log(alike))
    return {name: (float(rate * say), float((1.0 - rate) * say))
            for name, rate, say in zip(every, usual, worth, strict=True)}


def slow_mode(
    days: LockDays, rows: pl.DataFrame, seen: Counted, healthy: tuple[float, float] = HEALTHY,
    *, there_before: float = STANDING_PRIOR, last_day: float = LAST_MODE_DAY,
) -> SlowMode | None:
    """Look for a slow mode that stands on the last day asked for.

    Parameters
    ----------
    days : LockDays
        The lock's releases.
    rows : polars.DataFrame
        The same lock's actuations since its baseline's start, in order of time.
    seen : Counted
        What :func:`counted` makes of them.
    healthy : tuple of (float, float), optional
        Shapes of the beta prior of a sound lock's rate.
    there_before : float, optional
        Chance that the lock has one when these rows begin.
    last_day : float, optional
        The last day of the rows, counted as theirs.

    Returns
    -------
    SlowMode or None
        None where fewer than three commands were slow or unanswered since it began.
    """
    day, event, unanswered, rested = seen.day, seen.event, seen.unanswered, seen.rested
    if event.sum() < LEAST_SLOW:
        return None
    change = change_of_rate(day, event, healthy, FAULTY) or _all_along(day)
    before, after = day < change.since, day >= change.since
    if seen.lasting and before.sum() < LEAST_AT_LOW / 2:
        return None
    young = day[-1] - day[0] < YOUNG_DAYS
    # It may have begun in any of the weeks that the series was looked at.
    weeks = max((float(day[-1]) - float(day[0]) + 1.0) / 7.0, 1.0)
    log_odds = change.log_odds + float(np.log(
        STANDING_PRIOR if young else SLOW_MODE_PRIOR * weeks))
    share = float(event[after].mean()) if after.any() else 0.0
    share_before = (event[before].sum() + EARLIER_EVENTS) / (before.sum() + EARLIER_COMMANDS)
    always = float(
        betabinomial(int(event.sum()), event.size, *FAULTY)
        - betabinomial(int(event.sum()), event.size, *healthy) + np.log(there_before))
    from_start = bool(not seen.lasting and always > 0 and (
        always > log_odds or share < TWICE * share_before))
    if from_start:
        change, log_odds = _all_along(day), always
        before, after = day < change.since, day >= change.since
        share = float(event.mean())
    elif share < TWICE * share_before:
        return None
    if share < LEAST_SHARE or event[after].sum() < LEAST_SLOW:
        return None
    hit = after & event
    log_odds += _by_unanswered(unanswered, event, before, after)
    log_odds = _and_stands(log_odds, day[after], event[after], (
        healthy[0] + float(event[before].sum()), healthy[1] + float((~event[before]).sum())),
        last_day)
    late = _after_pulse(days, rows, seen.slow, change.since)
    change = replace(
        change, log_odds=log_odds, before=_side(event[before]), now=_side(event[after]))
    return SlowMode(
        change, int((after & unanswered).sum()),
        _loaded(days, seen.slow, change.since, event, rested, after, late),
        _typical(days.latency_ms[seen.slow & (days.release_day >= change.since)]),
        _typical(days.latency_ms[~seen.slow & (days.release_day >= change.since)]),
        int((hit & rested).sum()), int((after & rested).sum()), from_start,
    )


def _and_stands(
    log_odds: float, day: Reals, event: Flags, sound: tuple[float, float], last_day: float
) -> float:
    """Natural log odds that it began and has not ended since, by itself, in any of the last weeks.

    A week in which nothing is slow is no proof that it has ended: the rates on either side of
    each week's beginning tell how likely that is.
    """
    ended = 0.0
    for first in np.arange(last_day - 6.0, day[0], -7.0):
        late = day >= first
        count, total = int(event[late].sum()), int(late.sum())
        past = FAULTY[0] + float(event[~late].sum()), FAULTY[1] + float((~event[~late]).sum())
        ended += ENDS_PER_WEEK * float(np.exp(
            betabinomial(count, total, *sound) - betabinomial(count, total, *past)))
    began = probability(log_odds)
    stands = began / (1.0 + ended)
    return float(np.log(stands) - np.log1p(-stands)) if 0.0 < stands < 1.0 else log_odds


def _by_unanswered(
    unanswered: np.ndarray, event: np.ndarray, before: np.ndarray, after: np.ndarray
) -> float:
    """Natural log odds for a fault by how many of the slow ones are never answered."""
    past, past_n = int((unanswered & before).sum()), int((event & before).sum())
    count, total = int((unanswered & after).sum()), int((event & after).sum())
    own = UNANSWERED_HEALTHY[0] + past, UNANSWERED_HEALTHY[1] + past_n - past
    odds = betabinomial(count, total, *UNANSWERED_FAULTY) - betabinomial(count, total, *own)
    # That none is unanswered is no sign of health: a pulse may be longer than any delay.
    return max(float(odds), 0.0)


def _all_along(day: Reals) -> Change:
    """A rate that was what it is from the first day on."""
    first = float(day[0])
    return Change("rate", -np.inf, first, first, first, Side(0.0), Side(0.0))


def _side(event: np.ndarray) -> Side:
    return Side(float(event.mean()) if event.size else 0.0, n=event.size)


def _rail_now(days: LockDays, row_volts: Reals, row_day: Reals) -> tuple[bool, float]:
    """Whether the rail has stayed below its usual volts, and the volts that commands have now.

    NaN where too few are known.
    """
    known = np.isfinite(row_volts)
    if known.sum() < LEAST_KNOWN_VOLTS:
        return False, float("nan")
    first = row_volts[known]
    usual = float(np.median(first[: max(FIRST_RELEASES, first.size // FIRST_PARTS)]))
    recent = row_volts[known & (row_day > LAST_MODE_DAY - RECENT_DAYS)]
    now = float(np.median(recent)) if recent.size else usual
    if now >= np.exp(-LIKE_VOLTS) * usual:
        return False, now if now > np.exp(LIKE_VOLTS) * usual else usual
    lasting = int((_like(days.command_volts, now) & np.isfinite(days.command_volts)).sum())
    return (True, now) if lasting >= LEAST_AT_LOW else (False, usual)


def _like(volts: Reals, at: float) -> np.ndarray:
    """Which commands had about those volts; all of which nothing is known count as such."""
    if not np.isfinite(at):
        return np.ones(volts.size, dtype=bool)
    known = np.maximum(volts, LEAST_POSITIVE_VOLTS)
    out: np.ndarray = ~(np.abs(np.log(known / max(at, LEAST_POSITIVE_VOLTS))) > LIKE_VOLTS)
    return out


def _rolling_low(value: Reals, half_width: int = NEIGHBOURS_EITHER_SIDE) -> Reals:
    """The lower quartile of the neighbours: out of a second hump's reach."""
    window = min(2 * half_width + 1, value.size)
    views = np.lib.stride_tricks.sliding_window_view(value, window)
    place = int(LOW_QUARTILE * (window - 1))
    low = np.partition(views, place, axis=1)[:, place]
    starts = np.clip(np.arange(value.size) - window // 2, 0, value.size - window)
    out: Reals = low[starts]
    return out


def _quick_deviation(days: LockDays) -> float:
    """How far the releases scatter, by those on the quick side: slow ones do not widen it.

    As far as their poll shows it: no less than a poll, and no more than all of them scatter.
    """
    mine = days.release_regime == days.release_regime[-1]
    below = rolling_median(days.value[mine]) - days.value[mine]
    below = below[below > 0]
    if not below.size:
        return days.deviation
    quick = float(np.median(below)) / NORMAL_QUARTILE
    return min(days.deviation, max(quick, days.resolution_ms / days.reference_ms))


def _rested(rows: pl.DataFrame) -> np.ndarray:
    time_s = rows["command_time"].dt.epoch("us").to_numpy().astype(float) / 1e6
    return np.diff(time_s, prepend=-np.inf) > REST_HOURS * 3600.0


def _typical(values: Reals) -> float:
    return float(np.median(values)) if values.size else float("nan")


def _after_pulse(days: LockDays, rows: pl.DataFrame, slow: np.ndarray, onset: float) -> int:
    """Slow releases that came only when the pulse had ended: the push ended, the catch let go."""
    answered = rows.filter(pl.col("latency_ms") > pl.col("pulse_ms") + COIL_DECAY_MS)
    late = set((answered["command_time"].dt.epoch("us").to_numpy() / 1e6).tolist())
    chosen = days.time_s[slow & (days.release_day >= onset)]
    return sum(1 for moment in chosen.tolist() if moment in late)


def _log_chance(count: int, total: int, rate: float) -> float:
    """Log of the chance of so many in so many, less the term that all rates share."""
    p = min(rate + ANY_CHANCE, HIGHEST_CHANCE)
    return float(count * np.log(p) + (total - count) * np.log1p(-p))


def _loaded(
    days: LockDays, slow: np.ndarray, onset: float, event: np.ndarray, rested: np.ndarray,
    after: np.ndarray, late: int,
) -> float:
    """Log odds that the slow ones come from people leaning, by what tells the two apart.

    After a rest (often the empty room's first test) few lean, and a sticking
    catch is at its worst. People lean often and for any length of time; a catch
    sticks now and then. Without current a catch that sticks does not open any
    more; one that is leant on opens when the push ends (``late`` of them).
    """
    first_k, first_n = int((after & event & rested).sum()), int((after & rested).sum())
    later = after & ~rested
    later_k, later_n = int((later & event).sum()), int(later.sum())
    rate = (later_k + LATER_EVENTS) / (later_n + LATER_COMMANDS)
    # After a rest as a share of the later rate. Whether the day's first command is a test in an
    # empty room or a game's, no log says: both are possible.
    loaded, sticking = (
        special.logsumexp([_log_chance(first_k, first_n, share * rate) for share in shares])
        - np.log(len(shares)) for shares in (FIRST_SHARES_LOADED, FIRST_SHARES_STICKING)
    )
    by_first = float(loaded - sticking)
    by_share = LEANT_RATE_WEIGHT * np.tanh((rate - LEANT_RATE) / LEANT_RATE_WIDTH)
    chosen = days.latency_ms[slow & (days.release_day >= onset)]
    by_width = 0.0
    if chosen.size >= FEWEST_FOR_SPREAD:
        spread = np.subtract(*np.percentile(np.log(chosen), SPREAD_PERCENTILES))
        by_width = LEANT_SPREAD_WEIGHT * np.tanh(
            (spread - LEANT_SPREAD) / LEANT_SPREAD_WIDTH)
    within = int((slow & (days.release_day >= onset)).sum()) - late
    by_end = (
        late * np.log(LATE_LOADED / LATE_STICKING)
        + within * np.log((1 - LATE_LOADED) / (1 - LATE_STICKING))
    )
    return float(
        np.clip(by_first, -MOST_SIGN_ODDS, MOST_SIGN_ODDS) + by_share + by_width
        + np.clip(by_end, LEAST_IN_TIME_ODDS, MOST_SIGN_ODDS)
    )
