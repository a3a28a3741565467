"""Conditions with a second, slow mode: a catch that sticks at times, a catch under load."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.after_work import came_back_after
from remanence.analytics.conditions.condition import (
    PULSED,
    Condition,
    Work,
    failed_repair,
    finding,
)
from remanence.analytics.conditions.evidence import raised_on_way_out, share_evidence
from remanence.analytics.conditions.lost_lines import LOST_WEEKS, lost_shares
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.slow_mode import (
    FAULTY,
    STANDING_PRIOR,
    Counted,
    SlowMode,
    counted,
    healthy_beside,
    slow_mode,
)
from remanence.analytics.history import (
    History,
    actuations_by_lock,
    day_ordinals,
    last_service,
    once_per_history,
    since_baseline,
)
from remanence.analytics.statistics.intervals import probability
from remanence.analytics.statistics.rates import betabinomial, chance_of_at_least
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.venue import Lock

FAILING_SHARE = 0.7
"""A lock fails rather than lags where more than this share of its slow commands have no release.
Assumption."""
LOADED_POSSIBLE, LOADED_CERTAIN = -2.0, 3.0
"""Natural log odds of people leaning: above the first a loaded catch is not excluded, from the
second on a sticking catch is. Assumption."""
LOADED_FAILING_SHARE = 0.05
"""A loaded catch is looked at this week if this share of all its commands have no release: one in
20 games needs help. Assumption."""
LEAST_SLOW_AFTER_REST = 3
"""Fewer slow commands after a rest say nothing. Assumption."""
REST_BY_CHANCE = 1e-3
"""The number of slow commands after a rest must be less likely than this if rest made no
difference. Assumption."""
STEP_LIKELIER = 0.5
"""A change is a step where a step is likelier than a slope (calculated: even odds)."""
WORK_FAILS = 0.2
"""Chance that work on a lock leaves such a fault as it was. Assumption."""
JEFFREYS_COUNT, JEFFREYS_TOTAL = 0.5, 1.0
"""Added to the count and to the total of a share, so that no share is 0 or 1 (Jeffreys's prior,
Beta(1/2, 1/2); textbook)."""


@dataclass(frozen=True)
class Told:
    """A lock's slow mode, and the work that did not help against it, or not for long."""

    mode: SlowMode
    unhelped: Work | None = None


@dataclass(frozen=True)
class _Seen:
    """A stretch of a lock's releases, its rows, and which of its commands were slow."""

    drift: LockDrift
    rows: pl.DataFrame
    count: Counted

    def mode(self, sound: tuple[float, float], **known: float) -> SlowMode | None:
        """The slow mode that stands at the end of the stretch."""
        found = slow_mode(self.drift.days, self.rows, self.count, sound, **known)
        return found if found is not None and found.change.log_odds > 0 else None


@once_per_history
def slow_modes(history: History) -> dict[str, Told]:
    """The slow mode of each lock that has one; computed once per history."""
    by_lock, judged = actuations_by_lock(history), drifts(history)
    lost = lost_shares(history)
    seen = {}
    for name, drift in judged.current.items():
        lock = drift.days.lock
        if lock.latency_kind == "door":
            continue
        rows = since_baseline(by_lock[name], history, name)
        if lost.keys() & {lock.contact_controller, lock.command_controller}:
            # An answer that is not in the log may have been lost: it is no slow one.
            rows = rows.filter((pl.col("outcome") != "no-release")
                               | (pl.col("weeks_ago") >= LOST_WEEKS))
        counts = _seen(drift, rows, history)
        if counts is not None:
            seen[name] = counts
    sound: dict[str, tuple[float, float]] = {}
    for magnets in (False, True):
        alike = {name: one.count.event for name, one in seen.items()
                 if one.drift.days.lock.is_magnet == magnets}
        sound |= healthy_beside(alike)
    found: dict[str, Told] = {}
    for name, one in seen.items():
        work = last_service(history, name)
        earlier = judged.earlier.get(name) if one.count.event.any() else None
        past = None
        if earlier is not None and work is not None:
            past = _before(earlier, work[0], by_lock[name], sound[name], history)
        if past is None or work is None:
            mode = one.mode(sound[name])
            if mode is not None:
                found[name] = Told(mode)
            continue
        mode = one.mode(sound[name], there_before=WORK_FAILS)
        if mode is not None:
            found[name] = _after(past, mode, one.count, work, history)
    return found


def _seen(drift: LockDrift, rows: pl.DataFrame, history: History) -> _Seen | None:
    """Which commands of a stretch were slow; None with too few."""
    fit = drift.fit
    leap = fit is not None and fit.log_odds > 0 and fit.step_share > STEP_LIKELIER
    row_day = (day_ordinals(rows["day"]) - history.week.monday.toordinal()).astype(float)
    count = counted(drift.days, rows, row_day, fit.since if fit and leap else None)
    return None if count is None else _Seen(drift, rows, count)


def _before(
    earlier: LockDrift, worked: date, rows: pl.DataFrame, sound: tuple[float, float],
    history: History,
) -> SlowMode | None:
    """The slow mode that a lock had when it was last worked on."""
    epoch = history.week.monday.toordinal()
    day = day_ordinals(rows["day"])
    past = rows.filter((day >= epoch + earlier.days.day[0]) & (day < worked.toordinal()))
    seen = _seen(earlier, past, history)
    return None if seen is None else seen.mode(
        sound, last_day=float(worked.toordinal() - 1 - epoch))


def _after(
    past: SlowMode, mode: SlowMode, count: Counted, work: tuple[date, str], history: History
) -> Told:
    """A slow mode beside that from before the work: the same one, one that is back, or another.

    Where the work changed nothing it stands since before it, and both stretches tell its name.
    Another one has a rate of its own, and began by chance just when the lock was worked on.
    """
    worked = work[0].toordinal() - history.week.monday.toordinal()
    weeks = came_back_after(count.day - worked, count.event, past.change.now.level)
    if weeks is not None:
        return Told(mode, (*work, weeks))
    (slow, of), (slow_before, of_before) = mode.change.now.count, past.change.now.count
    same = (
        betabinomial(slow, of, FAULTY[0] + slow_before, FAULTY[1] + of_before - slow_before)
        - betabinomial(slow, of, *FAULTY))
    if same + np.log(WORK_FAILS / STANDING_PRIOR) < 0:
        return Told(mode)
    began = past.change
    change = replace(
        mode.change, since=began.since, since_low=began.since_low, since_high=began.since_high,
        before=began.before, log_odds=max(began.log_odds, mode.change.log_odds))
    return Told(replace(mode, change=change, loaded=past.loaded + mode.loaded,
                        from_start=past.from_start), (*work, None))


def slow_at_times(history: History) -> list[Finding]:
    """Latches whose releases are slow at times, but not because people lean on them.

    Also magnets that release late at times: the tail moves before the median does.
    """
    found = []
    for name, told in slow_modes(history).items():
        mode, lock = told.mode, history.venue.locks_by_id[name]
        if mode.loaded > 0 and not lock.is_magnet and not sticks_after_rest(mode):
            continue
        drift = drifts(history).current[name]
        sooner = drift.change < -history.venue.limits.drift_gate_percent / 100
        if sooner and drift.fit is not None and drift.fit.log_odds > 0:
            continue  # it has become quicker: its earlier releases only look slow
        if mode.unanswered > FAILING_SHARE * mode.change.now.count[0]:
            continue  # it fails rather than lags: no-release reports it
        condition = "slow-drop" if lock.is_magnet else "sticking-catch"
        urgency = raised_on_way_out("week", lock)
        unsure = ("loaded-catch",) if mode.loaded > LOADED_POSSIBLE and not lock.is_magnet else ()
        found.append(_finding(
            history, lock, told, condition, urgency, unsure,
            _says("slow-at-times", mode),
        ))
    return found


def sticks_after_rest(mode: SlowMode) -> bool:
    """Whether the first commands after a rest are slow far more often than those that follow.

    People lean in the middle of a game. A catch sticks after its rest, even if people also lean on
    it. One-sided binomial test.
    """
    count, total = mode.change.now.count
    share = (count - mode.first_count + JEFFREYS_COUNT) / (
        total - mode.first_total + JEFFREYS_TOTAL)
    return bool(mode.first_count >= LEAST_SLOW_AFTER_REST and chance_of_at_least(
        mode.first_count, mode.first_total, min(share, 1.0)) < REST_BY_CHANCE)


def loaded_catch(history: History) -> list[Finding]:
    """Latches that people lean on: two humps; the slow releases come when the push ends."""
    found = []
    for name, told in slow_modes(history).items():
        mode, lock = told.mode, history.venue.locks_by_id[name]
        if mode.loaded <= 0 or lock.is_magnet:
            continue
        if mode.unanswered > FAILING_SHARE * mode.change.now.count[0]:
            continue
        failing = mode.unanswered >= LOADED_FAILING_SHARE * mode.change.now.n
        urgency = raised_on_way_out("week" if failing else "plan", lock)
        found.append(_finding(
            history, lock, told, "loaded-catch", urgency,
            ("sticking-catch",) if mode.loaded < LOADED_CERTAIN else (),
            [*_says("people-lean", mode),
             say("after-a-rest", failed=mode.first_count, total=mode.first_total)],
        ))
    return found


def _says(id: str, mode: SlowMode) -> list[Sentence]:
    failed, total = mode.change.now.count
    said = [say(id, failed=failed, total=total)]
    if np.isfinite(mode.slow_ms) and np.isfinite(mode.usual_ms):
        said.append(say("slow-ones-take", slow=Amount(mode.slow_ms, "ms"),
                        usual=Amount(mode.usual_ms, "ms")))
    if mode.unanswered:
        said.append(say("not-answered-of-them", count=mode.unanswered))
    return said


def _finding(
    history: History, lock: Lock, told: Told, condition: str, urgency: str,
    not_excluded: tuple[str, ...], says: list[Sentence],
) -> Finding:
    mode, change = told.mode, told.mode.change
    since, low, high = change.dates(history.week.monday.toordinal())
    return finding(
        lock.id, condition, urgency, probability(change.log_odds), says=says,
        since=since, since_low=low, since_high=high, not_excluded=not_excluded,
        evidence=[
            share_evidence(
                "slow-or-unanswered-commands", change.now.count,
                change.before.count if change.before.n else None,
            ),
            share_evidence("the-same-after-a-rest", (mode.first_count, mode.first_total)),
            Evidence("median-latency-of-the-slow-ones",
                     mode.slow_ms if np.isfinite(mode.slow_ms) else None, "ms",
                     n=change.now.count[0] - mode.unanswered,
                     before=mode.usual_ms if np.isfinite(mode.usual_ms) else None),
        ],
        extra={"course": "slow mode", "from_start": mode.from_start,
               **failed_repair(told.unhelped)},
    )


LOADED_CATCH = Condition(
    "loaded-catch", (loaded_catch,),
    ("slow-or-unanswered-commands", "the-same-after-a-rest", "median-latency-of-the-slow-ones"),
    mechanisms=PULSED, explains=("no-release", "opened-unpowered"),
    takes_urgency_of=("no-release",),
)
