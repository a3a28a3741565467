"""Is the feedback what it says it is? contact-inverted, contact-stuck, crossed-channels."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.drawn_load import Drawn, drawn_loads
from remanence.analytics.conditions.evidence import (
    chance_shown,
    raised_on_way_out,
    share_evidence,
)
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.history import (
    Flags,
    History,
    Ints,
    Reals,
    Rows,
    commands_by_lock,
    once_per_history,
    rows_by_lock,
)
from remanence.analytics.pairing.hours import HOUR_US
from remanence.analytics.statistics.intervals import median_interval, robust_deviation
from remanence.analytics.statistics.rates import chance_of_fault
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Lock

_AFTER_ALL_US = np.iinfo(np.int64).max
"""A time after every other, for what follows the last command. [us]"""
_AT_LEAST_MS = 250.0
"""A contact that answers within this answers the command, not a person.
Assumption."""
FLICKER_MS = 300.0
"""An opening shorter than this is the switch's, not the lock's or the door's.
Assumption."""
_WIRING_SHARE = 0.7
"""Share of commands that a fault of the wiring shows at; the rest found the lock open.
Assumption."""
_FEWEST_TURNED = 3
"""Commands answered the wrong way round that are told. Assumption."""
_TURNED_BY_CHANCE = (1.0, 100.0)
"""Beta prior of the share of a sound contact's commands at which somebody shuts the lock as soon as
it would have let go: one in a hundred. Assumption."""
_FEWEST_LATENCIES = 10
"""Release latencies for a quantile of them. Common practice, no source."""
_SLOW_LATENCY_QUANTILE, _SLOW_LATENCIES = 0.9, 2.0
"""An answer comes within so many times this quantile of the latencies. Assumption."""
_MAGNET_LATENCY_MS = 1000.0
"""And of a magnet with too few latencies, so many times this. Assumption."""
_FROZEN_COMMANDS, _FROZEN_COMMANDS_ONE_DAY, _FROZEN_DAYS = 5, 10, 2
"""Commands without any movement that are told, on several days or on one. Assumption."""
_STILL_PRIOR, _STILL_PRIOR_DOOR = 0.4, 0.8
"""Part of a still command added to the lock's past, of one command. A door that is often released
and not opened stays still of itself. Assumption."""
_FROZEN_CHANCE = 1e-4
"""Chance of so many still commands in a row at the usual rate, below which they are told.
Assumption."""
_FEWEST_TELLING_VOLTS, _MOSTLY_EMPTY = 2, 0.5
"""Commands whose volts tell, and the share of them without a load at which the coil is taken not
to work. Assumption."""
_HEARD_SHARE = 0.5
"""Share of the commands in whose hour the contact's controller must have logged something.
Assumption."""
_MOSTLY_OPEN = 0.5
"""Above this share of commands that found it open, the contact stands at open."""
_STILL_AT = (50.0, 1.0)
"""Beta prior of the share of commands at which a contact is still that no longer moves.
Assumption."""
_LEFT_DAYS = (1.0, 10.0)
"""The same of days on which a sound lock is left as it is, open or shut, whatever is commanded: one
in eleven, before its own past is counted. Assumption."""
_FROZEN_MAGNET_SCORE = 0.45
"""A magnet that never lets go looks the same, and nothing in the log tells the two apart: less than
even, so that the magnet is said first."""
_FEWEST_CROSSED = 3
"""Openings by one other lock's command that are looked at. Assumption."""
_CAUSE_AFTER_US, _CAUSE_WITHIN_US = 500, 1000
"""Times of commands are rounded to a millisecond: half of one later, one apart at most."""
_CROSSED_COMMANDS, _CROSSED_SHARE, _OWN_RELEASES_SHARE = 3, 0.5, 0.2
"""Commands that open the other lock, their share, and the most of them that open their own too,
where two channels are swapped. Assumption."""
_DOUBLED_COMMANDS, _DOUBLED_SHARE = 5, 0.8
"""The same where a command opens its own lock as well. Assumption."""
_LOCK_PACE_MS = 1500.0
"""A lock answers within this; a person may take longer. Assumption."""
_LOCK_PACE_SPREAD, _LOCK_PACE_SPREAD_MS = 0.35, 15.0
"""And with no more scatter than this share of its delay, or so many milliseconds. Assumption."""
_TOGETHER, _CROSSED, _CROSSED_PRIOR = (1.0, 30.0), (3.0, 1.0), 1 / 500
"""Beta priors of the share of commands after which another lock opens at a lock's pace: of two
that are only used together now and then, and of two that are crossed; and the chance of the latter
before any data. Assumption."""


@dataclass(frozen=True)
class ContactCourse:
    """Commands of one lock with feedback, and its contact's settled changes.

    ``opens_ms`` and ``shuts_ms`` are the times from each command to the first change to
    open and to locked before the next command; NaN where there was none. ``moves``
    counts the changes of either kind before the next command.
    """

    rows: Rows
    change_us: Ints
    opens_ms: Reals
    shuts_ms: Reals
    moves: Ints


@once_per_history
def contact_courses(history: History) -> dict[str, ContactCourse]:
    """Every lock with feedback that was commanded, by lock.

    Commands whose outcome could not be observed are left out.
    """
    changes = rows_by_lock(history.dated("contact_changes"), "time", history)
    found = {}
    for name, rows in commands_by_lock(history).items():
        observed = (rows.frame["outcome"] != "unobserved").fill_null(False).to_numpy()
        if not rows.lock.contact or not observed.any():
            continue
        if not observed.all():
            rows = rows.take(observed)
        change = changes.get(name)
        times = change.time_us if change is not None else np.array([], dtype=np.int64)
        opens = change.flag("open") if change is not None else np.array([], dtype=bool)
        following = np.append(rows.time_us[1:], _AFTER_ALL_US)
        found[name] = ContactCourse(
            rows, times, _first_ms(rows.time_us, following, times[opens]),
            _first_ms(rows.time_us, following, times[~opens]),
            np.searchsorted(times, following) - np.searchsorted(times, rows.time_us),
        )
    return found


def _first_ms(start: Ints, until: Ints, times: Ints) -> Reals:
    if not times.size:
        return np.full(start.size, np.nan)
    place = np.searchsorted(times, start)
    first = times[np.minimum(place, times.size - 1)]
    inside = (place < times.size) & (first < until)
    out: Reals = np.where(inside, (first - start) / 1000.0, np.nan)
    return out


# Inverted.


def contact_inverted(history: History) -> list[Finding]:
    """Contacts that show open at rest and turn to locked when the lock is released.

    A lock that was left open shows open too, but nobody shuts it as soon after its command
    as the lock would have let go.
    """
    found = []
    for name, seen in contact_courses(history).items():
        outcome = seen.rows.text("outcome")
        within = _answer_within_ms(seen, outcome)
        turned = (outcome == "already-open") & (seen.shuts_ms <= within)
        stretch = course(seen.rows, np.asarray(turned, dtype=bool), history)
        if stretch is None:
            continue
        count, total = stretch.now
        if count < _FEWEST_TURNED or stretch.share < _WIRING_SHARE:
            continue
        answer = float(np.median(seen.shuts_ms[turned & stretch.live]))
        usual = seen.rows.real("latency_ms")
        before = float(np.nanmedian(usual)) if np.isfinite(usual).any() else None
        found.append(finding(
            name, "contact-inverted", "week",
            chance_shown(stretch.now, stretch.before, _TURNED_BY_CHANCE),
            since=stretch.since, since_low=stretch.low, since_high=stretch.high,
            says=[say("feedback-inverted", answer=Amount(answer, "ms"), found=count, total=total)],
            evidence=[
                share_evidence("commands-answered-by-a-change-to-locked", stretch.now,
                               stretch.before),
                Evidence("median-time-to-that-change", answer, "ms", n=count, before=before),
            ],
            extra=failed_repair(stretch.unhelped),
        ))
    return found


def _answer_within_ms(seen: ContactCourse, outcome: np.ndarray) -> float:
    latency = seen.rows.real("latency_ms")
    latency = latency[(outcome == "released") & np.isfinite(latency)]
    enough = latency.size >= _FEWEST_LATENCIES
    usual = float(np.quantile(latency, _SLOW_LATENCY_QUANTILE)) if enough else 0.0
    if not usual and seen.rows.lock.is_magnet:
        usual = _MAGNET_LATENCY_MS
    return max(_AT_LEAST_MS, _SLOW_LATENCIES * usual)


# Stuck.


def contact_stuck(history: History) -> list[Finding]:
    """Contacts that no longer move, although the coil draws its current.

    People open a jammed catch by hand, and that moves a sound contact. So a contact
    without a single change over many commands is itself at fault. Where the volts show
    that the coil draws nothing, the coil is at fault.
    """
    drawn = drawn_loads(history)
    found = []
    for name, seen in contact_courses(history).items():
        # A release that the contact told is a movement, even where its changes are missing.
        told = (seen.rows.text("outcome") == "released") & (
            seen.rows.text("latency_from") != "supply")
        still = np.asarray((seen.moves == 0) & ~told, dtype=bool)
        stretch = course(seen.rows, still, history)
        if not seen.change_us.size and not told.any():
            continue  # It was never heard: a wire, or a wrong name in the venue file.
        if stretch is None or not _frozen(seen, still, stretch):
            continue
        if not _contact_controller_heard(history, seen.rows, stretch.live):
            continue
        works = _coil_works(drawn.get(name), stretch)
        if works is False:
            continue
        found.append(_stuck_finding(seen, still, stretch, works))
    return found


def _frozen(seen: ContactCourse, still: Flags, stretch: Course) -> bool:
    """Whether every one of the latest commands moved nothing, and whether they are enough."""
    moved = np.flatnonzero(~still)
    run = np.arange(still.size) > (moved[-1] if moved.size else -1)
    run &= stretch.live
    days = np.unique(seen.rows.day[run]).size
    count = int(run.sum())
    if count < _FROZEN_COMMANDS or (
            count < _FROZEN_COMMANDS_ONE_DAY and days < _FROZEN_DAYS):
        return False
    on_door = seen.rows.lock.contact_senses == "door"
    doubt = _STILL_PRIOR_DOOR if on_door else _STILL_PRIOR
    rate = (stretch.before[0] + doubt) / (stretch.before[1] + 1.0)
    return bool(rate**count < _FROZEN_CHANCE)


def _coil_works(drawn: Drawn | None, stretch: Course) -> bool | None:
    """Whether the volts show the coil working since the onset; None where they cannot tell."""
    if drawn is None:
        return None
    part = drawn.told & drawn.rows.now & (drawn.rows.day >= stretch.since.toordinal())
    if part.sum() < _FEWEST_TELLING_VOLTS:
        return None
    return bool(drawn.empty[part].mean() < _MOSTLY_EMPTY)


def _contact_controller_heard(history: History, rows: Rows, live: Flags) -> bool:
    """Whether the controller that reads the contact logged anything while it was commanded."""
    lock = rows.lock
    if lock.contact_controller == lock.command_controller or history.activity.is_empty():
        return True
    hours = history.activity.filter(pl.col("controller") == lock.contact_controller)
    spoken = set((hours["hour"].dt.epoch("us") // HOUR_US).to_list())
    asked = rows.time_us[live] // HOUR_US
    return float(np.mean([hour in spoken for hour in asked])) > _HEARD_SHARE


def _chance_stuck(lock: Lock, still: tuple[int, int], before: tuple[int, int]) -> float:
    """Probability that a contact which is still at so many commands no longer moves."""
    doubt = _STILL_PRIOR_DOOR if lock.contact_senses == "door" else _STILL_PRIOR
    return chance_shown(still, before, (doubt, 1.0 - doubt), _STILL_AT)


def _chance_not_left(rows: Rows, still: Flags, since: date) -> float:
    """Probability that days without any movement are no days on which the lock was left as it is.

    Commands of one day are one choice of people, who leave it open or shut for that day.
    """
    days, place = np.unique(rows.day, return_inverse=True)
    whole = np.bincount(place, weights=~still) == 0
    late = days >= since.toordinal()
    return chance_shown(
        (int(whole[late].sum()), int(late.sum())), (int(whole[~late].sum()), int((~late).sum())),
        _LEFT_DAYS, _STILL_AT)


def _stuck_finding(
    seen: ContactCourse, still: Flags, stretch: Course, works: bool | None
) -> Finding:
    lock = seen.rows.lock
    outcome = seen.rows.text("outcome")[stretch.live]
    state = "open" if np.mean(outcome == "already-open") > _MOSTLY_OPEN else "locked"
    sure = works is True and (state == "locked" or lock.self_cut)
    score = _chance_stuck(lock, (stretch.standing[0],) * 2, stretch.before)
    if not sure:
        score = min(score, _chance_not_left(seen.rows, still, stretch.since))
    if lock.is_magnet and works is None:
        score = min(score, _FROZEN_MAGNET_SCORE)
    return finding(
        lock.id, "contact-stuck", raised_on_way_out("week", lock),
        score,
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[say(f"feedback-still-{state}", found=stretch.standing[0]),
              say("coil-works" if works else "coil-unknown")],
        evidence=[
            share_evidence("commands-without-any-change-of-the-contact", stretch.now,
                           stretch.before),
            Evidence("changes-of-the-contact-since-then", 0.0, "changes",
                     n=stretch.standing[1]),
        ],
        not_excluded=("not-reclosed",) if state == "open" and not sure else
        ("no-release",) if works else ("no-release", "coil-open"),
        extra=failed_repair(stretch.unhelped),
    )


# Crossed.


def crossed_channels(history: History) -> list[Finding]:
    """Locks that open on another's command, many times and as fast as a lock does.

    Both locks get the finding: the one that is commanded and the one that opens.
    """
    openings = history.openings.filter(
        pl.col("other_lock").is_not_null() & (pl.col("other_lock") != pl.col("lock"))
        # A flicker of the contact at another coil's switching is interference.
        & ~(pl.col("open_ms") < FLICKER_MS).fill_null(False))
    if openings.is_empty():
        return []
    commands = commands_by_lock(history)
    found: dict[str, Finding] = {}
    pairs = openings.group_by("lock", "other_lock").len().filter(
        pl.col("len") >= _FEWEST_CROSSED)
    for opens, commanded, _ in pairs.sort("lock", "other_lock").iter_rows():
        rows = commands.get(commanded)
        if rows is None or opens not in history.venue.locks_by_id:
            continue
        part = openings.filter((pl.col("lock") == opens) & (pl.col("other_lock") == commanded))
        for item in _crossed_pair(history, rows, history.venue.locks_by_id[opens], part):
            if item.subject not in found or item.score > found[item.subject].score:
                found[item.subject] = item
    return list(found.values())


def _crossed_pair(
    history: History, rows: Rows, opens: Lock, openings: pl.DataFrame
) -> list[Finding]:
    after_ms = openings["other_ms"].cast(pl.Float64).to_numpy()
    caused = openings["time"].dt.epoch("us").to_numpy() - np.round(after_ms * 1000).astype(np.int64)
    place = np.searchsorted(rows.time_us, caused + _CAUSE_AFTER_US, "right") - 1
    apart = np.abs(rows.time_us[np.maximum(place, 0)] - caused)
    good = (place >= 0) & (apart <= _CAUSE_WITHIN_US)
    answered = np.zeros(rows.size, dtype=bool)
    answered[place[good]] = True
    delay = np.full(rows.size, np.nan)
    delay[place[good]] = after_ms[good]
    stretch = course(rows, answered, history)
    if stretch is None:
        return []
    hits = answered & stretch.live
    count, share = stretch.standing[0], stretch.share
    own = rows.text("outcome")[hits] == "released"
    if not _at_a_lock_s_pace(delay[hits], opens):
        return []
    swapped = (count >= _CROSSED_COMMANDS and share >= _CROSSED_SHARE
               and float(own.mean()) <= _OWN_RELEASES_SHARE)
    also = (count >= _DOUBLED_COMMANDS and share >= _DOUBLED_SHARE
            and opens.contact_senses != "door" and opens.pulsed)
    if not (swapped or also):
        return []
    return [
        _crossed_finding(subject, rows.lock, opens, stretch, delay[hits], swapped)
        for subject in (rows.lock, opens)
    ]


def _at_a_lock_s_pace(delay_ms: Reals, opens: Lock) -> bool:
    middle = float(np.median(delay_ms))
    if opens.contact_senses == "door":
        return True
    most = max(_LOCK_PACE_SPREAD * middle, _LOCK_PACE_SPREAD_MS)
    return middle <= _LOCK_PACE_MS and robust_deviation(delay_ms) <= most


def _crossed_finding(
    subject: Lock, commanded: Lock, opens: Lock, stretch: Course, delay_ms: Reals, swapped: bool
) -> Finding:
    count, total = stretch.standing
    middle, low, high = median_interval(delay_ms)
    return finding(
        subject.id, "crossed-channels", raised_on_way_out("week", subject),
        chance_of_fault(count, total, healthy=_TOGETHER, faulty=_CROSSED, prior=_CROSSED_PRIOR),
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[say("opens-another", commanded=commanded.id, opens=opens.id,
                  delay=Amount(middle, "ms"), found=count, total=total),
              *([say("does-not-open-itself", commanded=commanded.id)] if swapped else [])],
        evidence=[
            share_evidence("commands-that-open-the-other-lock",
                           stretch.standing, stretch.before),
            Evidence("median-time-from-the-one-s-command-to-the-other-s-opening",
                     middle, "ms", n=int(delay_ms.size), now_low=low, now_high=high),
        ],
        not_excluded=("contacts-crossed-instead-of-commands",),
        extra={"other": opens.id if subject is commanded else commanded.id},
    )


CONTACT_INVERTED = Condition(
    "contact-inverted", (contact_inverted,),
    ("commands-answered-by-a-change-to-locked", "median-time-to-that-change"),
    # A feedback that says the opposite makes every outcome wrong.
    explains=(
        "no-release", "not-reclosed", "contact-stuck", "sticking-catch", "slow-drop",
        "weakening-hold", "opened-unpowered", "loaded-catch", "short-pulse", "coil-open",
        "crossed-channels",
    ),
)
CONTACT_STUCK = Condition(
    "contact-stuck", (contact_stuck,),
    ("commands-without-any-change-of-the-contact", "changes-of-the-contact-since-then"),
    # The lock works; only its feedback does not.
    explains=(
        "no-release", "not-reclosed", "sticking-catch", "slow-drop", "loaded-catch",
        "short-pulse", "weakening-hold", "opened-unpowered",
    ),
    needs_part=True,
)
CROSSED_CHANNELS = Condition(
    "crossed-channels", (crossed_channels,),
    ("commands-that-open-the-other-lock",
     "median-time-from-the-one-s-command-to-the-other-s-opening"),
    # Its command moves another lock: it seems dead, and opens by itself.
    explains=(
        "no-release", "opened-unpowered", "contact-stuck", "not-reclosed", "weakening-hold",
        "sticking-catch", "slow-drop", "loaded-catch", "short-pulse", "coil-open",
        # Each command drives the other's coil, which may draw more, or less.
        "coil-current-high", "coil-current-low",
    ),
    takes_urgency_of=("no-release",),
)
