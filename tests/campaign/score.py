"""Hold the findings of a venue, week by week, against what was put in."""

from dataclasses import asdict, dataclass, field
from datetime import date, timedelta

import numpy as np

from remanence.shared.venue import controller_of
from tests.campaign.as_tables import gaps_of
from tests.campaign.faults import change_of_median
from tests.campaign.rails import rail_volts
from tests.campaign.scenario import FIRST_SCORED_WEEK

COUNTED = ("now", "week", "plan")
"""A finding of these urgencies asks somebody to do something."""

FIRST_FULL_WEEK = {
    "coil-open", "contact-stuck", "contact-inverted", "self-cut-failed", "missing-suppression",
    "coil-current-high", "unsafe-fitting", "release-test-due", "log-gap", "clock-fault",
    "crossed-channels",
}
"""Step faults that are to be named in the first full week; the others within two weeks."""

STATED = {"unsafe-fitting", "release-test-due", "log-gap", "clock-fault"}
"""Read off a file, not estimated: left out of the calibration of scores, and of what is watched."""

LATER_WEEK = ("named", "another", "silent")
"""What a week may say of a fault that was named before: its condition, another, or nothing."""
WEEKS_FOR_A_RELAPSE = 3
"""Weeks from a repair that did not help in which the log has yet to show that it did not."""


@dataclass
class Said:
    """One finding as one week's analysis made it."""

    week: int
    rank: int
    subject: str
    subject_kind: str
    condition: str
    urgency: str
    score: float
    since: date | None
    since_low: date | None
    since_high: date | None
    evidence: list = field(default_factory=list)


@dataclass
class FaultScore:
    """How one fault fared."""

    seed: int
    subject: str
    condition: str
    shape: str
    since_day: int
    reached_day: int
    per_week: float
    counted: bool
    why_not: str
    named_day: int | None
    named_in_time: bool
    first_condition: str | None
    since_error_days: int | None
    since_covered: bool | None
    rail_failing: bool = False
    """Whether the rail of this lock failed as well, within three weeks of it."""
    lasted: list = field(default_factory=list)
    """Of each full week after its first naming: (week, one of :data:`LATER_WEEK`)."""


@dataclass
class VenueScore:
    """What one venue's campaign came to; plain data, so that it travels between processes."""

    seed: int
    healthy: bool
    replay: bool
    weeks: int
    lock_weeks: int
    healthy_lock_weeks: int
    false: list
    faults: list
    scores: list
    intervals: list
    after_repair: list
    seconds_per_week: float
    watch_lock_weeks: int = 0


def score(scenario, past, said, seconds):
    """Score one venue.

    Parameters
    ----------
    scenario, past
        What was drawn and what happened.
    said : list of Said
        All findings of all scored weeks.
    seconds : float
        What the analysis took per week.
    """
    locks = [life.lock.id for life in scenario.locks]
    weeks = range(FIRST_SCORED_WEEK, scenario.weeks)
    healthy = sum(
        not _faulty(scenario, lock, "lock", week) for lock in locks for week in weeks
    )
    false = [
        {"seed": scenario.seed, "replay": scenario.replay, **_plain(one)} for one in said
        if one.urgency in COUNTED and not _faulty(scenario, one.subject, one.subject_kind, one.week)
    ]
    watched = {
        (one.subject, one.week) for one in said if one.urgency == "watch"
        and one.subject_kind == "lock" and one.condition not in STATED
        and not _faulty(scenario, one.subject, one.subject_kind, one.week)
    }
    return VenueScore(
        scenario.seed, scenario.healthy, scenario.replay, len(weeks), len(locks) * len(weeks),
        healthy, false, [asdict(_one(scenario, past, fault, said)) for fault in scenario.faults],
        [(one.score, _true(scenario, one), one.condition, one.urgency) for one in said
         if one.condition not in STATED],
        _intervals(scenario, past, said), _after_repair(scenario, said), seconds, len(watched),
    )


def _plain(one):
    plain = asdict(one)
    plain["evidence"] = [
        f"{e['id']}: {e['now']} ({e['now_low']}..{e['now_high']}), before {e['before']} "
        f"{e['unit']}, n {e['n']}" for e in one.evidence
    ]
    return {k: str(v) if isinstance(v, date) else v for k, v in plain.items()}


def _there(fault, week):
    """Whether it was there at any time of that week."""
    first, last = 7 * week, 7 * week + 6
    return fault.since_day <= last and (fault.mended_day is None or fault.mended_day > first)


def _low_spell(scenario, subject, week):
    """Whether this is the rail, and this the spell, that every venue has: low, in its window."""
    rail = scenario.rails.get(subject)
    return bool(rail and rail.low_volts > 0 and rail.low_from <= 7 * week + 6
                and rail.low_until > 7 * week)


def _faulty(scenario, subject, kind, week):
    if kind == "supply" and _low_spell(scenario, subject, week):
        return True
    if kind == "venue":
        return any(f.subject_kind == "controller" and _there(f, week) for f in scenario.faults)
    return any(f.subject == subject and _there(f, week) for f in scenario.faults)


def _true(scenario, one):
    if one.condition == "low-supply" and _low_spell(scenario, one.subject, one.week):
        return True
    return any(f.subject == one.subject and f.condition == one.condition and _there(f, one.week)
               for f in scenario.faults)


def deadline_week(fault):
    """The week by whose end it ought to be named."""
    if fault.condition in FIRST_FULL_WEEK:
        return -(-fault.reached_day // 7)
    return (fault.reached_day + 14) // 7


def _per_week(scenario, past, fault):
    if fault.subject not in past.by_lock:
        return 0.0
    acts = [a for a in past.by_lock[fault.subject].acts if a[6] == 1]
    return len(acts) / scenario.weeks


def _little_was_due(scenario, past, fault):
    """Whether the silence fell where that controller would have said little anyway."""
    if any(controller_of(rail.supply.channel) == fault.subject
           for rail in scenario.rails.values()):
        return False
    [(start, until)] = [(a, b) for name, a, b in gaps_of(past) if name == fault.subject]
    due = sum(
        start <= act[0] <= until for life in scenario.locks
        if life.lock.command_controller == fault.subject
        for act in past.by_lock[life.lock.id].acts
    )
    return due < 10


def _one(scenario, past, fault, said):
    due = max(deadline_week(fault), FIRST_SCORED_WEEK)
    if fault.mended_day is not None and fault.subject_kind == "controller":
        due = fault.since_day // 7
    per_week = _per_week(scenario, past, fault)
    why_not = ""
    if due >= scenario.weeks:
        why_not = "log ends before"
    elif fault.mended_day is not None and fault.subject_kind == "lock" and (
            fault.mended_day <= 7 * due + 6):
        why_not = "mended before"
    elif fault.condition == "log-gap" and _little_was_due(scenario, past, fault):
        why_not = "hardly a record was due"
    elif not fault.visible:
        why_not = "polled too coarsely"
    elif fault.subject_kind == "lock" and per_week < 25 and fault.condition not in STATED:
        why_not = "used too little"
    about = sorted((one for one in said if one.subject == fault.subject
                    and one.urgency in COUNTED and _there(fault, one.week)),
                   key=lambda one: (one.week, one.rank))
    # Two faults of one lock, such as a held button and the hot coil it makes: each has its own.
    others = {f.condition for f in scenario.faults if f.subject == fault.subject
              and f.condition != fault.condition and f.since_day <= fault.since_day}
    about = [one for one in about if one.condition not in others]
    named = next((one for one in about if one.condition == fault.condition), None)
    # A venue-wide gap may be said of the venue instead.
    if named is None and fault.condition == "log-gap":
        named = next((one for one in said if one.subject_kind == "venue"
                      and one.condition == "log-gap" and _there(fault, one.week)), None)
        about = about or ([named] if named else [])
    truth = scenario.start + timedelta(days=fault.since_day)
    error = covered = None
    if named and named.since and fault.condition != "unsafe-fitting":
        error = (named.since - truth).days
        if named.since_low and named.since_high:
            covered = named.since_low <= truth <= named.since_high
    return FaultScore(
        scenario.seed, fault.subject, fault.condition, fault.shape, fault.since_day,
        fault.reached_day, round(per_week, 1), not why_not, why_not,
        None if named is None else 7 * named.week + 6,
        named is not None and named.week <= due, about[0].condition if about else None,
        error, covered, _rail_failing(scenario, fault),
        [] if why_not or named is None else _lasted(scenario, fault, said, named),
    )


def _lasted(scenario, fault, said, named):
    """What each full week after the first naming says of a fault that goes on."""
    weeks = range(named.week + 1, scenario.weeks)
    if fault.mended_day is not None:
        weeks = [week for week in weeks if 7 * week + 6 < fault.mended_day]
    if fault.useless_repair_day is not None:
        work = fault.useless_repair_day // 7
        weeks = [week for week in weeks if not work <= week < work + WEEKS_FOR_A_RELAPSE]
    told = {}
    for one in said:
        if one.subject == named.subject and one.urgency in COUNTED:
            told.setdefault(one.week, set()).add(one.condition)
    return [
        (week, LATER_WEEK[0 if fault.condition in told.get(week, ()) else 1 if week in told
                            else 2]) for week in weeks
    ]


def _rail_failing(scenario, fault):
    """Two faults at once: what a lock shows then is its rail's doing as well."""
    lock = scenario.venue.locks_by_id.get(fault.subject)
    if lock is None or not lock.pulsed:
        return False
    rail = scenario.rails[lock.supply]
    starts = [f.since_day for f in scenario.faults_of(lock.supply)]
    starts += [rail.low_from] if rail.low_volts else []
    return any(abs(day - fault.since_day) <= 21 for day in starts)


def _after_repair(scenario, said):
    """Per mended fault: weeks in which it was still said, from the first full one on."""
    rows = []
    for fault in scenario.faults:
        if fault.subject_kind != "lock":
            continue
        day = fault.mended_day if fault.mended_day is not None else fault.useless_repair_day
        if day is None:
            continue
        first = -(-day // 7)
        weeks = list(range(first, scenario.weeks))
        still = {one.week for one in said if one.subject == fault.subject
                 and one.condition == fault.condition and one.urgency in COUNTED
                 and one.week >= first}
        rows.append((fault.condition, fault.mended_day is not None, len(weeks), len(still),
                     bool(still & set(weeks[:3]))))
    return rows


def _intervals(scenario, past, said):
    """(what, covered, false) for the evidence whose truth is known.

    Only findings that are true count: a false finding's interval misses by its nature.
    """
    rows = []
    for one in said:
        if not _true(scenario, one):
            continue
        for e in one.evidence:
            truth = _truth(scenario, past, one, e)
            if truth is not None and None not in (e["now_low"], e["now_high"]):
                rows.append((e["id"], bool(e["now_low"] <= truth <= e["now_high"]),
                             e["now_low"], truth, e["now_high"], one.subject, one.week))
    return rows


def _truth(scenario, past, one, e):
    """What the figure would be if chance had no part in it; None where that is not known."""
    days = np.arange(7 * one.week, 7 * one.week + 7)
    days = days[scenario.games[days] > 0]
    if not days.size:
        return None
    life = next((life for life in scenario.locks if life.lock.id == one.subject), None)
    fault = next((f for f in scenario.faults
                  if f.subject == one.subject and f.condition == one.condition), None)
    what = e["id"]
    if what == "median-latency":
        return past.true_medians.get((one.subject, one.week))
    if what == "median-latency-at-rated-volts":
        return past.true_at_rated.get((one.subject, one.week))
    if what == "change-since-then" and life:
        change = change_of_median(scenario, life, days)
        return 100.0 * float(np.expm1(np.median(change)))
    if what.startswith("idle-volts"):
        # The rail's level while it was at fault, its moods of days left out.
        rail, week = scenario.rails[one.subject], np.arange(7 * one.week, 7 * one.week + 7)
        at_fault = [d for d in week if (fault and fault.there(d))
                    or (rail.low_volts > 0 and rail.low_from <= d < rail.low_until)]
        return float(np.median(rail_volts(
            scenario, rail, at_fault or list(week), wandering=False)))
    if what.startswith("hottest-the-coil-was"):
        return past.hottest.get((one.subject, one.week))
    if fault is None:
        return None
    if what.startswith("current-against-its-own-past"):
        # What the coil and its cable draw at the rail.
        lock = life.lock
        cable = 2 * 0.0175 * lock.cable_metres / lock.cable_mm2
        return 100.0 * (lock.coil_ohms + cable) / (lock.coil_ohms / fault.size + cable)
    if what.startswith("sag-per-ampere-against-before"):
        return 100.0 * (1.0 + fault.size)
    return None
