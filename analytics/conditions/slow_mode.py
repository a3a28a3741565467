"""Conditions with a second, slow mode: a catch that sticks at times, a catch under load."""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import PULSED, Condition, finding
from remanence.analytics.conditions.evidence import raised_on_way_out, share_evidence
from remanence.analytics.conditions.lost_lines import LOST_WEEKS, lost_shares
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.slow_mode import (
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
    once_per_history,
    since_baseline,
)
from remanence.analytics.statistics.intervals import probability
from remanence.analytics.statistics.rates import chance_of_at_least
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
JEFFREYS_COUNT, JEFFREYS_TOTAL = 0.5, 1.0
"""Added to the count and to the total of a share, so that no share is 0 or 1 (Jeffreys's prior,
Beta(1/2, 1/2); textbook)."""


@once_per_history
def slow_modes(history: History) -> dict[str, SlowMode]:
    """The slow mode of each lock that has one; computed once per history."""
    by_lock = actuations_by_lock(history)
    epoch = history.week.monday.toordinal()
    lost = lost_shares(history)
    seen: dict[str, tuple[LockDays, pl.DataFrame, Counted]] = {}
    for name, drift in drifts(history).current.items():
        lock = drift.days.lock
        if lock.latency_kind == "door":
            continue
        rows = since_baseline(by_lock[name], history, name)
        if lost.keys() & {lock.contact_controller, lock.command_controller}:
            # An answer that is not in the log may have been lost: it is no slow one.
            rows = rows.filter((pl.col("outcome") != "no-release")
                               | (pl.col("weeks_ago") >= LOST_WEEKS))
        row_day = (day_ordinals(rows["day"]) - epoch).astype(float)
        fit = drift.fit
        leap = fit is not None and fit.log_odds > 0 and fit.step_share > STEP_LIKELIER
        count = counted(drift.days, rows, row_day, fit.since if fit and leap else None)
        if count is not None:
            seen[name] = drift.days, rows, count
    sound: dict[str, tuple[float, float]] = {}
    for magnets in (False, True):
        alike = {name: count for name, (days, _, count) in seen.items()
                 if days.lock.is_magnet == magnets}
        sound |= healthy_beside(alike) if alike else {}
    found: dict[str, SlowMode] = {}
    for name, (days, rows, count) in seen.items():
        mode = slow_mode(days, rows, count, sound[name])
        if mode is not None and mode.change.log_odds > 0:
            found[name] = mode
    return found


def slow_at_times(history: History) -> list[Finding]:
    """Latches whose releases are slow at times, but not because people lean on them.

    Also magnets that release late at times: the tail moves before the median does.
    """
    found = []
    for name, mode in slow_modes(history).items():
        lock = history.venue.locks_by_id[name]
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
            history, lock, mode, condition, urgency, unsure,
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
    for name, mode in slow_modes(history).items():
        lock = history.venue.locks_by_id[name]
        if mode.loaded <= 0 or lock.is_magnet:
            continue
        if mode.unanswered > FAILING_SHARE * mode.change.now.count[0]:
            continue
        failing = mode.unanswered >= LOADED_FAILING_SHARE * mode.change.now.n
        urgency = raised_on_way_out("week" if failing else "plan", lock)
        found.append(_finding(
            history, lock, mode, "loaded-catch", urgency,
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
    history: History, lock: Lock, mode: SlowMode, condition: str, urgency: str,
    not_excluded: tuple[str, ...], says: list[Sentence],
) -> Finding:
    change = mode.change
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
        extra={"course": "slow mode", "from_start": mode.from_start},
    )


LOADED_CATCH = Condition(
    "loaded-catch", (loaded_catch,),
    ("slow-or-unanswered-commands", "the-same-after-a-rest", "median-latency-of-the-slow-ones"),
    mechanisms=PULSED, explains=("no-release", "opened-unpowered"),
    takes_urgency_of=("no-release",),
)
