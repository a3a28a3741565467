"""What may keep people in: every cut on an exit route, and all that the log shows of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from remanence.analytics.conditions.condition import failed_repair, finding
from remanence.analytics.conditions.drawn_load import drawn_loads
from remanence.analytics.conditions.evidence import (
    FAULTY_NO_RELEASE,
    HEALTHY_NO_RELEASE,
    share_evidence,
)
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.conditions.lost_lines import with_lost
from remanence.analytics.history import (
    Flags,
    History,
    Reals,
    Rows,
    commands_by_lock,
    once_per_history,
    since_baseline,
)
from remanence.analytics.statistics.intervals import probability, robust_deviation
from remanence.analytics.statistics.rates import chance_of_fault, rate_that_matters
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Lock

LEAST_HELD = 2
"""One cut may be a reading that went wrong; two in a week close the room (trade practice)."""
HELD_SCORE = 0.9
"""Two cuts that held need no rate; only wrong readings leave a doubt. Assumption."""
HELD_PRIOR = 0.12
"""Where answers are lost from the log, the chance before any data that a lock holds: that at which
two silent cuts of a week's usual 24 have HELD_SCORE while none are lost (calculated)."""

FEWEST_RELIEVED, RELIEF_SPREADS, UNRELIEVED_SHARE = 20, 5.0, 0.3
"""Answered cuts that show by how much the rail rises, how many times their own scatter that rise
must be, and the share of it below which the load stayed on. That a door stays shut at the same cut
says so too, so less is asked of the rail than where it speaks alone. Assumption."""

PAST_ENDS_DAY = -21
"""A door's past ends three weeks before the week's Monday: a fault of the last weeks must not count
as usual. Assumption."""

LATE_QUANTILE, LATE_FACTOR = 0.95, 1.5
"""A door is late if it opens later than this factor times the quantile of its own first weeks.
Assumption."""
LATE_PAST = 20
"""Fewer past openings give no such quantile (calculated: 1 / (1 - 0.95))."""
QUICK_PART, FEWEST_OF_WEEK = 0.25, 8
"""The quantile that shows how quick a week's people are, among openings that are not late, and the
fewest of a week that show it. A door that jams now and then leaves it as it was. Assumption."""
PEOPLE_MOST_MS = 3000.0
"""Quick openings that are all later by more are not put down to people: what may keep people in is
looked at. Assumption."""
PUNCTUAL_DOOR, LATE_DOOR = (1.0, 30.0), (3.0, 9.0)
"""Beta priors of the share of late openings of a sound and a faulty door: people alone are late
one time in 30; one in four is the door. Assumption."""
LATE_DOOR_PRIOR = 1 / 100
"""Chance, before any data, that a door is late in a given week. Assumption."""


@dataclass(frozen=True)
class Cuts:
    """Commands of one lock on an exit route, and what each of them shows.

    ``held`` marks commands without a release, and those after which the rail still carries the
    load where that can be seen; ``told`` marks commands of which either is known; ``unrelieved``
    marks commands that left the load on.
    """

    rows: Rows
    told: Flags
    held: Flags
    unrelieved: Flags


@once_per_history
def cuts_on_way_out(history: History) -> dict[str, Cuts]:
    """Every command of the locks on exit routes, by lock.

    A catch or bond sensor shows whether the lock released. A door that stays shut shows nothing:
    perhaps nobody pulled. Then the rail shows it: a magnet's current stops at the cut. A release
    that was seen counts, whatever the rail shows.
    """
    drawn = drawn_loads(history)
    found = {}
    for name, rows in commands_by_lock(history).items():
        lock = rows.lock
        if not lock.on_way_out:
            continue
        outcome = rows.text("outcome")
        empty = np.zeros(rows.size, dtype=bool)
        seen = empty.copy()
        if name in drawn and not lock.pulsed:
            loads = drawn[name]
            seen = np.isin(rows.time_us, loads.rows.time_us[loads.told])
            empty = np.isin(rows.time_us, loads.rows.time_us[loads.empty])
        sensed = lock.contact is not None and lock.latency_kind != "door"
        unanswered = outcome == "no-release"
        if not lock.pulsed:
            empty = empty | (unanswered & _unrelieved(rows, outcome == "released"))
        # A door that stands open already hides a relay that does not cut as a shut one does.
        shut = unanswered | np.isin(outcome, ("unobserved", "already-open"))
        held = (unanswered & sensed) | (empty & shut)
        told = seen | np.isin(outcome, ("released", *(("no-release",) if sensed else ())))
        found[name] = Cuts(rows, told | held, np.asarray(held, dtype=np.bool_),
                           np.asarray(held & empty, dtype=np.bool_))
    return found


def _unrelieved(rows: Rows, answered: Flags) -> Flags:
    """Cuts after which the rail rose by nothing like its rise at those that were answered."""
    rise = rows.real("sag_volts")
    usual = rise[answered & np.isfinite(rise)]
    if usual.size < FEWEST_RELIEVED:
        return np.zeros(rise.size, dtype=bool)
    middle = float(np.median(usual))
    if middle < RELIEF_SPREADS * robust_deviation(usual):
        return np.zeros(rise.size, dtype=bool)
    return np.asarray(rise < UNRELIEVED_SHARE * middle, dtype=np.bool_)


def held_on_way_out(history: History) -> list[Finding]:
    """Locks on an exit route that stayed held at two or more cuts of the week: urgency now.

    Parameters
    ----------
    history : History
        ``actuations`` and the service log.

    Returns
    -------
    list of Finding
        ``stuck-energised`` where most of those cuts left the load on the rail, else
        ``no-release``; both ``now``.

    Notes
    -----
    Trade practice: a stuck magnet or driver on an exit route closes the room until a competent
    person has cleared it. No published source.
    """
    found = []
    for cuts in cuts_on_way_out(history).values():
        part = cuts.told
        rows = cuts.rows.take(part)
        stretch = course(rows, cuts.held[part], history, event=True)
        if stretch is None or stretch.now[0] < LEAST_HELD:
            continue
        live = stretch.live
        on = int((cuts.unrelieved[part] & live).sum())
        score = _held_score(rows.lock, stretch, on, history)
        found.append(_held_finding(rows.lock, stretch, on, score))
    return found


def _held_score(lock: Lock, stretch: Course, unrelieved: int, history: History) -> float:
    """Probability that the cuts held. An answer that is lost from the log leaves no load on."""
    sound = with_lost(history, lock, HEALTHY_NO_RELEASE)
    if sound != HEALTHY_NO_RELEASE and unrelieved < LEAST_HELD:
        return min(HELD_SCORE, chance_of_fault(
            *stretch.now, healthy=sound, faulty=FAULTY_NO_RELEASE, prior=HELD_PRIOR))
    if stretch.change is None:
        return HELD_SCORE
    return max(HELD_SCORE, probability(stretch.change.log_odds))


def _held_finding(lock: Lock, stretch: Course, unrelieved: int, score: float) -> Finding:
    count, total = stretch.now
    driven = 2 * unrelieved > count
    says = [say("held-on-exit-route", failed=count, total=total)]
    if unrelieved:
        says.append(say("load-stayed-on", found=unrelieved))
    evidence = [share_evidence("commands-without-release", stretch.now, stretch.before)]
    if driven:
        evidence = [share_evidence("commands-that-drew-no-current", stretch.now, stretch.before)]
    return finding(
        lock.id, "stuck-energised" if driven else "no-release", "now", score,
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=says, evidence=evidence,
        not_excluded=("no-release",) if driven else ("contact-stuck",),
        extra=failed_repair(stretch.unhelped),
    )


def late_doors(history: History) -> list[Finding]:
    """Doors on an exit route that open late far more often than before.

    Only a person's push shows when such a lock released, so people may be the cause: somebody
    checks it within the week; it never closes a room. What is late is held against how quick the
    people of that week are: people who are all slower make no door late.
    """
    found = []
    for lock, day, latency in _door_latencies(history):
        past = latency[day <= PAST_ENDS_DAY]
        if past.size < LATE_PAST:
            continue
        usual = past[:max(past.size // 2, LATE_PAST)]
        bound = LATE_FACTOR * float(np.quantile(usual, LATE_QUANTILE))
        late = latency > _bounds(day, latency, usual, bound)
        rate = rate_that_matters(day, late, healthy=PUNCTUAL_DOOR, faulty=LATE_DOOR,
                                prior=LATE_DOOR_PRIOR)
        if rate is None or rate.log_odds <= 0:
            continue
        since, low, high = rate.dates(history.week.monday.toordinal())
        count, total = rate.now.count
        recent = latency[late & (day >= 0)]
        found.append(finding(
            lock.id, "slow-drop" if lock.is_magnet else "sticking-catch", "week",
            probability(rate.log_odds), since=since, since_low=low, since_high=high,
            says=[say("door-late", failed=count, total=total, bound=Amount(bound, "ms")),
                  say("time-from-door")],
            evidence=[
                share_evidence("slow-or-unanswered-commands", rate.now.count,
                               rate.before.count if rate.before.n else None),
                Evidence("median-latency-of-the-slow-ones",
                         float(np.median(recent)) if recent.size else None, "ms",
                         n=recent.size, before=float(np.median(usual))),
            ],
            not_excluded=("slower-people",), extra={"course": "slow mode"},
        ))
    return found


def _bounds(day: Reals, latency: Reals, usual: Reals, bound: float) -> Reals:
    """Beyond which time each opening is late: the bound of its usual people, further off by as
    much as those of its week are slower. The quickest opening of all shows the lock's own part.
    """
    week = (day // 7).astype(np.int64)
    lock = float(usual.min())
    quick = max(float(np.quantile(usual[usual <= bound], QUICK_PART)) - lock, 1.0)
    slower = np.ones(latency.size)
    for one in np.unique(week):
        mine = latency[(week == one) & (latency <= bound)]
        if mine.size >= FEWEST_OF_WEEK:
            now = float(np.quantile(mine, QUICK_PART)) - lock
            slower[week == one] = max(now / quick, 1.0) if now - quick < PEOPLE_MOST_MS else 1.0
    out: Reals = lock + (bound - lock) * slower
    return out


def _door_latencies(history: History) -> Iterator[tuple[Lock, np.ndarray, np.ndarray]]:
    monday = history.week.monday.toordinal()
    for name, cuts in cuts_on_way_out(history).items():
        lock = cuts.rows.lock
        if lock.latency_kind != "door":
            continue
        frame = since_baseline(cuts.rows.frame, history, name)
        own = cuts.rows.take(np.arange(cuts.rows.size) >= cuts.rows.size - frame.height)
        latency = own.real("latency_ms")
        known = (own.text("outcome") == "released") & np.isfinite(latency)
        yield lock, (own.day[known] - monday).astype(float), latency[known]
