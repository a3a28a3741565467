"""Is a lock's release other than it was, once volts, warmth, season and chance are allowed for?

Every lock's daily latency at rated volts and reference temperature is held
against its own past since it was installed or last serviced, with the common
part of its siblings taken out. See :mod:`remanence.analytics.drift.change_model` for the test.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.drift.change_model import (
    daily_covariance,
    fit_change,
    level_log_likelihood,
    shape_at,
)
from remanence.analytics.drift.clock_course import without_clock_course
from remanence.analytics.drift.common import (
    Wander,
    explained,
    group_of,
    share_scatter,
    usual_volts,
)
from remanence.analytics.drift.daily_series import DAYS_READ, LockDays, lock_days
from remanence.analytics.drift.levels import (
    DailyNoise,
    daily_noise,
    seen_change,
    spans,
    two_levels,
)
from remanence.analytics.drift.neighbours import NeighboursCourse, neighbours_courses
from remanence.analytics.drift.panel import Panel, panel_of
from remanence.analytics.drift.season import CommonCourse, common_course
from remanence.analytics.drift.shared_change import (
    SharedChange,
    shared_changes,
    without_lone_changes,
)
from remanence.analytics.drift.smallest_change import smallest_change
from remanence.analytics.drift.wander import Learned, WanderSeries, learn, usual_wander
from remanence.analytics.history import (
    FIRST_WEEKS,
    History,
    baseline_start,
    last_service,
    once_per_history,
    per_lock,
    since_baseline,
)
from remanence.analytics.physics.rail_load import rail_loads
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.change import Change
from remanence.shared.tables import BASELINE_ACTIONS
from remanence.shared.venue import Lock

HAZARD_PER_DAY = 1e-3
"""Chance that a lock's release begins to change on a given day: one change in three lock-years.
An assumption; it sets how much evidence is asked for."""

LAST_DAY = 6.0
"""The week's Sunday, counted from its Monday."""

RECENT_DAYS = 7
"""This week's level is that of so many days; of twice as many where they hold too few releases."""

LEAST_RECENT = 5
"""Releases that a level of this week needs (common practice, no source: a median of five)."""

BORNE_OUT, BORNE_OUT_BY_FIRST = 0.5, 0.6
"""Shares of the fitted change by which this week must differ from the level before, and from the
first weeks (there as far as the two can be told apart): a change that has half gone is mended."""

LEAST_BEFORE_DAYS = 3
"""Days that a level before a change is taken from, at least (assumption)."""

FACTOR_TELLERS = 2
"""Locks that must show a rail's sag on a day before the others' sags are held against it: one alone
may be its own branch."""

LEAST_RELEASES = 12
"""Fewer releases than this since the baseline's start say nothing of a change."""


@dataclass(frozen=True)
class LockDrift:
    """What is known of the course of one lock's latency; levels at rated volts, in ms.

    Attributes
    ----------
    lock : str
        Its id.
    days : LockDays
        Its daily levels.
    fit : Change or None
        The fitted change; None with fewer than twelve releases.
    change : float
        The fitted change relative to before (+0.12: 12 % slower).
    seen, seen_low, seen_high : float
        The same from this week's level alone, whatever the course in between, with its 95 %
        interval.
    before_ms, before_low_ms, before_high_ms : float
        Level before, with its 95 % interval.
    now_ms, now_low_ms, now_high_ms : float
        Level of this week (two, where it had few releases), likewise.
    since, since_low, since_high : date or None
        Onset of the change, likewise.
    stands : bool
        This week's releases agree with the change, and it differs from the first weeks too.
    detectable_change : float
        Smallest relative step that two weeks of this lock are expected to show nine times in ten.
    releases_now : int
        Releases that this week's level rests on.
    residual : numpy.ndarray
        Daily levels less the level before, on the log scale.
    segment_start : date or None
        When the baseline began; None where nothing marks it.
    wander : Wander
        What the lock wanders by while it is healthy, as a lock that changed or one that did not.
    """

    lock: str
    days: LockDays
    fit: Change | None
    change: float
    seen: float
    seen_low: float
    seen_high: float
    before_ms: float
    before_low_ms: float
    before_high_ms: float
    now_ms: float
    now_low_ms: float
    now_high_ms: float
    since: date | None
    since_low: date | None
    since_high: date | None
    stands: bool
    detectable_change: float
    releases_now: int
    residual: Reals
    segment_start: date | None
    wander: Wander


@dataclass(frozen=True)
class Drifts:
    """All locks' drifts of one week.

    Attributes
    ----------
    current, earlier : mapping of str to LockDrift
        By lock: since its baseline began, and in the past up to its last service.
    wander : mapping of str to Learned
        By lock: what it wanders by while it is healthy.
    common : mapping of str to CommonCourse
        By group (``pulsed``, ``held``): season and weather.
    shared : tuple of SharedChange
        What many locks share and no season explains.
    """

    current: Mapping[str, LockDrift]
    earlier: Mapping[str, LockDrift]
    wander: Mapping[str, Learned]
    common: Mapping[str, CommonCourse]
    shared: tuple[SharedChange, ...]


@once_per_history
def drifts(history: History) -> Drifts:
    """Judge every lock's latency as of the week of ``history``; computed once per history.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week; a baseline of some months is of use.

    Returns
    -------
    Drifts
        Locks without a release since their baseline's start are missing.

    Notes
    -----
    Marginal likelihood of steps and rises that begin on any day, against none
    (:mod:`remanence.analytics.drift.change_model`); textbook, the noise with its memory is this
    program's own.
    """
    rows = per_lock(_with_rail_factor(
        without_clock_course(history.dated("actuations"), history).select(DAYS_READ), history))
    epoch = history.week.monday.toordinal()
    current, starts = _since_baseline(history, rows, epoch)
    earlier = _before_service(history, rows, epoch)
    shared = {days.lock.id: days for days in share_scatter(list(current.values()))}
    shared_past = {days.lock.id: days for days in share_scatter(list(earlier.values()))}
    others = _OtherLocks({}, {}, {}, {}, [], across_clocks(history))
    for group in ("pulsed", "held"):
        members = [
            days for days in shared.values()
            if group_of(days.lock) == group and days.lock.latency_kind != "door"
            and days.time_s.size >= LEAST_RELEASES
        ]
        _learn_group(group, members, history, others)
    return Drifts(
        {name: _judge(days, history, others, starts[name], LAST_DAY)
         for name, days in shared.items()},
        {name: _judge(days, history, others, None, float(days.day[-1]))
         for name, days in shared_past.items()},
        others.wander, others.common, tuple(others.shared),
    )


def _learn_group(
    group: str, members: Sequence[LockDays], history: History, others: _OtherLocks
) -> None:
    """What the locks of a group share: wander, season, changes of many; put into ``others``."""
    panel = panel_of(members) if members else None
    learned, usual = learn([_wander_series(days, panel) for days in members])
    if panel is not None:
        lone = without_lone_changes(group, panel, usual)
        found, whole = shared_changes(
            group, lone, common_course(group, lone), usual, history.venue, _loads(history))
        if whole is not panel:
            panel = whole
            learned, usual = learn([
                _wander_series(days, panel, panel.taken - lone.taken) for days in members])
            others.shared.extend(found)
    others.wander.update(learned)
    others.usual[group] = usual
    others.common[group] = common_course(group, panel)
    if group == "pulsed":
        others.neighbours.update(neighbours_courses(members, others.common[group]))


def _loads(history: History) -> list[tuple[Reals, Reals]]:
    """What the coils of each rail share of their load, day by day: see ``season.thermometers``."""
    monday = history.week.monday.toordinal()
    return [
        (load.days[told].astype(float) - monday, load.rail[told])
        for load in rail_loads(history).values()
        if (told := load.tellers >= FACTOR_TELLERS).any()
    ]


def _wander_series(
    days: LockDays, panel: Panel | None, shared: Reals | None = None
) -> WanderSeries:
    """A lock's levels without what it shares, and the change that the usual wander finds.

    ``shared`` (rows and periods of the panel) is its part in what many locks share.
    """
    level = days.level - explained(days)
    if panel is not None:
        place = panel.place(days.day)
        row = [lock.id for lock in panel.locks].index(days.lock.id)
        level = level - np.nan_to_num(panel.course)[place]
        if shared is not None:
            level = level - shared[row, place]
    told, usual = usual_volts(days), usual_wander()
    day = days.day[told]
    covariance = daily_covariance(
        day, days.noise[told], usual.daily, usual.memory_days, usual.slow, usual.slow_memory_days)
    if days.offset is not None:
        covariance += days.offset[np.ix_(told, told)]
    fit = fit_change(day, level[told], covariance, hazard_per_day=HAZARD_PER_DAY)
    changed, odds = np.zeros(days.day.size), 0.0
    if fit is not None:
        changed = fit.shift * shape_at(fit, days.day, float(day[-1]))
        odds = fit.log_odds
    return WanderSeries(days, np.where(told, level, np.nan), changed, odds, usual)


def _since_baseline(
    history: History, rows: Mapping[str, pl.DataFrame], epoch: int
) -> tuple[dict[str, LockDays], dict[str, date | None]]:
    """Each lock's days since its baseline began, and when it began."""
    current: dict[str, LockDays] = {}
    starts: dict[str, date | None] = {}
    for lock in history.venue.locks:
        if lock.id not in rows:
            continue
        starts[lock.id] = baseline_start(history, lock.id)
        days = lock_days(lock, since_baseline(rows[lock.id], history, lock.id), epoch)
        if days is not None:
            current[lock.id] = days
    return current, starts


def _before_service(
    history: History, rows: Mapping[str, pl.DataFrame], epoch: int
) -> dict[str, LockDays]:
    """The days of each lock that was worked on, from the baseline that this work ended."""
    earlier: dict[str, LockDays] = {}
    for lock in history.venue.locks:
        serviced = last_service(history, lock.id)
        if serviced is None or lock.id not in rows:
            continue
        past = rows[lock.id].filter(pl.col("day") < serviced[0])
        begun = _segment_before(history, lock.id, serviced[0])
        if begun is not None:
            past = past.filter(pl.col("day") >= begun)
        days = lock_days(lock, past, epoch)
        if days is not None:
            earlier[lock.id] = days
    return earlier


def _with_rail_factor(rows: pl.DataFrame, history: History) -> pl.DataFrame:
    """Add by how much more or less than usual each rail sags under the same loads, day by day."""
    supply = {lock.id: lock.supply for lock in history.venue.locks}
    parts = [
        pl.DataFrame({
            "supply": [name] * int(told.sum()),
            "day": [date.fromordinal(int(day)) for day in load.days[told]],
            "rail_sag_factor": np.exp(load.rail[told]),
        }, schema={"supply": pl.String, "day": pl.Date, "rail_sag_factor": pl.Float64})
        for name, load in rail_loads(history).items()
        if (told := load.tellers >= FACTOR_TELLERS).any()
    ]
    rows = rows.with_columns(
        supply=pl.col("lock").replace_strict(supply, default=None, return_dtype=pl.String)
    )
    if not parts:
        return rows.with_columns(rail_sag_factor=pl.lit(None, dtype=pl.Float64))
    return rows.join(
        pl.concat(parts), on=["supply", "day"], how="left", maintain_order="left"
    ).with_columns(pl.col("rail_sag_factor").forward_fill().over("lock"))


@dataclass(frozen=True)
class _OtherLocks:
    """What the other locks tell of one: season and usual wander by group, the rest by lock."""

    common: dict[str, CommonCourse]
    usual: dict[str, Wander]
    wander: dict[str, Learned]
    neighbours: dict[str, NeighboursCourse]
    shared: list[SharedChange]
    across: set[str]

    def learned(self, lock: Lock) -> Learned:
        usual = self.usual[group_of(lock)]
        return self.wander.get(lock.id) or Learned(usual, usual)

    def noise(self, days: LockDays, wander: Wander) -> DailyNoise:
        lock = days.lock
        # What may keep people in is judged with all that it shows, whoever shares it; so are
        # magnets that let go sooner together, as each of them may hold too weakly.
        shared = [change for change in self.shared
                  if change.kind and lock.id in change.locks and not lock.on_way_out
                  and change.change.shift > 0]
        return daily_noise(
            days, self.common[group_of(lock)], wander,
            self.neighbours.get(lock.id), shared, across_clocks=lock.id in self.across,
        )


def _segment_before(history: History, lock: str, service: date) -> date | None:
    """Start of the baseline that the service on this day ended."""
    rows = history.service.filter(
        (pl.col("lock") == lock) & pl.col("action").is_in(list(BASELINE_ACTIONS))
        & (pl.col("date") < service)
    )
    installed = history.venue.locks_by_id[lock].installed
    days = [d for d in (rows["date"].max(), installed) if isinstance(d, date) and d < service]
    return max(days) + timedelta(days=1) if days else None


def across_clocks(history: History) -> set[str]:
    """Locks whose commands and answers are stamped by two clocks: of what passes between them only
    changes are known, and not how long it is.

    Parameters
    ----------
    history : History
        ``actuations`` are used.

    Returns
    -------
    set of str
        By name.
    """
    frame = history.actuations.filter(pl.col("across_clocks").fill_null(False))
    return set(frame["lock"].unique().to_list())


def _judge(
    days: LockDays, history: History, others: _OtherLocks, start: date | None, last_day: float,
) -> LockDrift:
    learned = others.learned(days.lock)
    noise = others.noise(days, learned.changed)
    fit = None
    if days.time_s.size >= LEAST_RELEASES:
        fit = fit_change(days.day, noise.level, noise.total, hazard_per_day=HAZARD_PER_DAY)
    if fit is not None and fit.log_odds > 0 and learned.still != learned.changed:
        # A lock that did not change may have wandered further than one that did.
        still = others.noise(days, learned.still)
        fit = replace(fit, log_odds=fit.log_odds + learned.log_odds_more + level_log_likelihood(
            noise.level, noise.total, fit.scale,
        ) - level_log_likelihood(still.level, still.total, fit.scale))
    # Where it rather wandered than changed, that is how far it wanders.
    wander = learned.changed if fit is not None and fit.log_odds > 0 else learned.still
    scale = fit.scale if fit else 1.0
    recent = np.flatnonzero(days.day > last_day - RECENT_DAYS)
    if recent.size and days.releases[recent].sum() < LEAST_RECENT:
        recent = np.flatnonzero(days.day > last_day - 2 * RECENT_DAYS)
    if fit is not None and recent.size:
        recent = _since_onset(days, fit, recent)
    # A lasting change must differ from the first weeks too.
    weeks = np.unique(np.floor_divide(days.day, 7))
    early_end = 7.0 * (weeks[min(FIRST_WEEKS, weeks.size) - 1] + 1)
    if fit is not None:
        early_end = min(early_end, max(fit.since, days.day[0] + 1))
    early = np.flatnonzero(days.day < early_end)
    from_first = two_levels(noise, early, recent, scale)
    detectable = smallest_change(days, noise, learned, scale, history.venue.limits, HAZARD_PER_DAY)
    releases_now = int(days.releases[recent].sum())
    if fit is None:
        return LockDrift(
            days.lock.id, days, None, 0.0, np.nan, np.nan, np.nan,
            *spans(days, from_first), None, None, None, False, detectable, releases_now,
            noise.level - (from_first.before if from_first else float(np.median(noise.level))),
            start, wander,
        )
    shift = fit.shift
    levels = two_levels(noise, _before_onset(days, fit, recent), recent, scale) or from_first
    stands = bool(
        levels is not None and from_first is not None
        and shift * levels.change > BORNE_OUT * shift**2
        # As far as the first weeks can be told from now: their rail may have been another.
        and shift * from_first.change + abs(shift) * from_first.change_deviation
        > BORNE_OUT_BY_FIRST * shift**2
    )
    return LockDrift(
        days.lock.id, days, fit, days.as_share(shift), *seen_change(days, levels),
        *spans(days, levels),
        *fit.dates(history.week.monday.toordinal()),
        stands, detectable, releases_now, noise.level - fit.before.level, start,
        wander,
    )


def _before_onset(days: LockDays, fit: Change, recent: np.ndarray) -> np.ndarray:
    """Days that the change had not begun on, as surely as can be told."""
    for until in (fit.since_low, fit.since):
        before = np.flatnonzero(days.day < (until or 0.0))
        if before.size >= LEAST_BEFORE_DAYS:
            return np.setdiff1d(before, recent)
    return np.setdiff1d(np.arange(days.day.size), recent)[:LEAST_BEFORE_DAYS]


def _since_onset(days: LockDays, fit: Change, recent: np.ndarray) -> np.ndarray:
    """The week's days since a change that came in it, where there are enough of them."""
    since = recent[days.day[recent] >= fit.since]
    return since if since.size and days.releases[since].sum() >= LEAST_RECENT else recent
