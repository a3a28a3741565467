"""How the contact moves, and when nobody asked it to: contact-chatter, opened-unpowered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
from scipy import stats

from remanence.analytics.conditions.condition import PULSED, Condition, failed_repair, finding
from remanence.analytics.conditions.evidence import share_evidence
from remanence.analytics.conditions.fault_course import Course, course, live_rows
from remanence.analytics.drift.change_model import daily_covariance, fit_change
from remanence.analytics.history import Flags, History, Ints, Reals, Rows, rows_by_lock
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.level_change import level_change
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say

_MORE_EDGES = 1.5
"""Further edges a movement, over what it had, that are told."""
_MORE_LOG = 0.45
"""And as a rise of ln(1 + edges)."""
_MOST_EDGES = 30.0
"""One wild movement counts for no more, when the beginning is dated."""
_FLICKER_MS = 300.0
"""An opening shorter than this is the switch, not the door."""
_A_DAY_MOST = 3
"""Openings of one day that count: cleaning opens a lock many times in a row."""


# Bounce.


def contact_chatter(history: History) -> list[Finding]:
    """Contacts that bounce more than they did, over all their settled movements.

    The first edge, and so the latency, is not touched by it. A contact that is polled
    too coarsely to show any bounce gives no finding and needs none.
    """
    found = []
    monday = history.week.monday.toordinal()
    changes = history.contact_changes.filter(pl.col("bounces").is_not_null())
    for rows in rows_by_lock(changes, "time", history).values():
        edges = rows.real("bounces")
        live = live_rows(rows, history)
        if live.sum() < 6 or (~rows.now).sum() < 20 or edges[live].sum() < 4:
            continue
        days, level = _daily_mean(rows.day, np.log1p(edges))
        change = level_change(days, level, monday, floor=0.06)
        if change is None or change.shift < _MORE_LOG or change.z < 5:
            continue
        before, now = edges[rows.day < change.since], edges[live]
        if before.size < 10 or now.mean() - before.mean() < _MORE_EDGES:
            continue
        # Still so after the last work on it?
        if np.log1p(now).mean() - np.log1p(before).mean() < _MORE_LOG:
            continue
        # In edges as they are: what wears adds edges, and adds them evenly.
        _, further = _daily_mean(rows.day, np.minimum(edges, _MOST_EDGES))
        since = _begun(days, further, np.bincount(np.unique(rows.day, return_inverse=True)[1]))
        found.append(_chatter_finding(rows, change, now, before, since))
    wired = [lock.id for lock in history.venue.locks if lock.contact]
    return _of_one_lock(found, wired, say("many-bounce"))


def _of_one_lock(
    found: list[Finding], possible: list[str], together: Sentence
) -> list[Finding]:
    """What shows at many locks in one week is watched: it is no one lock's fault."""
    if len(found) < 4 or len(found) < 0.25 * len(possible):
        return found
    return [
        replace(item, urgency="watch", score=min(item.score, 0.6),
                says=(*item.says, together))
        for item in found
    ]


def _daily_mean(day: Ints, values: Reals) -> tuple[Ints, Reals]:
    days, place = np.unique(day, return_inverse=True)
    return days, np.bincount(place, weights=values) / np.bincount(place)


def _begun(days: Ints, level: Reals, movements: Ints) -> Change | None:
    """When the bounce began to grow, with its interval: a contact wears more often than it breaks.

    The step and the two rises of :mod:`remanence.analytics.drift.change_model` are weighed, so that
    a slow growth is dated by its start and not by its middle.
    """
    number = days.astype(float)
    scatter = robust_deviation(np.diff(level)) / np.sqrt(2)
    each = max(scatter**2 * float(np.median(movements)), 0.02)
    memory = daily_covariance(number, each / movements, 0.3 * scatter, 3.0)
    fit = fit_change(number, level, memory, hazard_per_day=1e-3, shift_prior=5.0)
    return fit if fit is not None and fit.log_odds > 0 and fit.shift > 0 else None


def _chatter_finding(
    rows: Rows, change: Change, now: Reals, before: Reals,
    begun: Change | None,
) -> Finding:
    since, low, high = (begun or change).dates()
    error, past = stats.sem(now), stats.sem(before)
    return finding(
        rows.lock.id, "contact-chatter", "plan", change.score(_MORE_LOG),
        since=since, since_low=low, since_high=high,
        says=[say("switch-bounces", now=Amount(float(now.mean()), "edges"),
                  before=Amount(float(before.mean()), "edges"))],
        evidence=[Evidence(
            "further-edges-a-movement", float(now.mean()), "edges", n=int(now.size),
            now_low=float(now.mean() - 1.96 * error), now_high=float(now.mean() + 1.96 * error),
            before=float(before.mean()), before_low=float(before.mean() - 1.96 * past),
            before_high=float(before.mean() + 1.96 * past))],
        not_excluded=("interference-from-a-coil-nearby",),
    )


# Opened without a command.


def opened_unpowered(history: History) -> list[Finding]:
    """Latches, bolts and strikes that open with no command more often than they did.

    Set aside first: an opening by hand after a command that was not answered; a flicker of
    the switch; an opening that answers another lock's command. What is left is counted
    against the commands given meanwhile and held against the lock's own past, as staff open
    locks by hand now and then; a day counts three times at most.
    """
    commands = rows_by_lock(history.dated("actuations"), "command_time", history)
    openings = rows_by_lock(
        history.openings.filter(~pl.col("energised").fill_null(False)), "time", history)
    played = _played(history)
    found = []
    for name, rows in openings.items():
        lock = rows.lock
        if lock.is_magnet or name not in commands:
            continue
        meant = _by_hand_after_failure(rows, history) | _flicker(rows) | _answers_another(rows)
        forced = rows.take(~meant)
        item = _opened_finding(history, commands[name], forced, played)
        if item is not None:
            found.append(item)
    pulsed = [lock.id for lock in history.venue.locks if lock.contact and not lock.is_magnet]
    return _of_one_lock(found, pulsed, say("many-open"))


def _by_hand_after_failure(rows: Rows, history: History) -> Flags:
    soon = rows.real("since_command_ms") <= history.venue.limits.retry_within_s * 1000.0
    out: Flags = (rows.text("last_outcome") == "no-release") & soon
    return out


def _flicker(rows: Rows) -> Flags:
    out: Flags = rows.real("open_ms") < _FLICKER_MS
    return out


def _answers_another(rows: Rows) -> Flags:
    """Openings that follow one and the same other lock's command, again and again."""
    other, after = rows.text("other_lock"), rows.real("other_ms")
    out = np.zeros(rows.size, dtype=bool)
    names = [name for name in other if name is not None]
    for name in set(names):
        same = (other == name) & np.isfinite(after)
        if same.sum() >= 3 and same.sum() >= 0.3 * rows.size:
            out |= same
    return out


def _played(history: History) -> dict[int, tuple[int, int]]:
    """First and last command of each day, by day ordinal: what lies outside is staff's time."""
    spans: dict[int, tuple[int, int]] = {}
    for rows in rows_by_lock(history.dated("actuations"), "command_time", history).values():
        days, first = np.unique(rows.day, return_index=True)
        last = np.append(first[1:], rows.size) - 1
        for day, low, high in zip(days, rows.time_us[first], rows.time_us[last], strict=True):
            known = spans.get(int(day), (int(low), int(high)))
            spans[int(day)] = min(known[0], int(low)), max(known[1], int(high))
    return spans


def _opened_finding(
    history: History, commands: Rows, forced: Rows, played: dict[int, tuple[int, int]]
) -> Finding | None:
    if not forced.size:
        return None
    place = np.searchsorted(commands.time_us, forced.time_us, "right") - 1
    after = np.zeros(commands.size, dtype=bool)
    counted = _thinned(forced.day) & (place >= 0)
    after[place[counted]] = True
    stretch = course(commands, after, history, event=True)
    if stretch is None:
        return None
    count, total = stretch.all_since
    before = stretch.before
    if np.unique(commands.day[after & (commands.day >= stretch.since.toordinal())]).size < 3:
        return None
    if count < 3 or total < 3 or (stretch.change is None and before[1] > 0):
        return None
    # The lock's past counts for 300 commands at most: habits of people change.
    weight = min(1.0, 300.0 / max(before[1], 1))
    hits, misses = 1.0 + weight * before[0], 40.0 + weight * (before[1] - before[0])
    chance = float(stats.betabinom.sf(count - 1, total, hits, misses))
    rate = count / total
    # Where to begin was chosen from the same rows: as many chances as weeks to choose from.
    chance = min(1.0, chance * max(1.0, commands.size / max(total, 1)))
    if chance > 2e-5 or rate < 0.04 or rate < 3 * hits / (hits + misses):
        return None
    if stretch.standing[0] < max(1.0, 0.25 * rate * stretch.standing[1]):
        return None
    if stretch.change is not None and stretch.change.log_odds < 3.5:
        return None
    inside = _in_play(forced, played)
    return _opened_words(commands, stretch, forced, inside, chance, rate)


def _thinned(day: Ints) -> Flags:
    """The first few of each day."""
    _, first = np.unique(day, return_index=True)
    rank = np.arange(day.size) - first[np.searchsorted(day[first], day)]
    out: Flags = rank < _A_DAY_MOST
    return out


def _in_play(forced: Rows, played: dict[int, tuple[int, int]]) -> float:
    """Share of the week's openings between the day's first and last command of the venue."""
    week = forced.take(forced.now)
    inside = [
        played.get(int(day), (1, 0))[0] <= time <= played.get(int(day), (1, 0))[1]
        for day, time in zip(week.day, week.time_us, strict=True)
    ]
    return float(np.mean(inside)) if inside else 0.0


def _opened_words(
    commands: Rows, stretch: Course, forced: Rows, inside: float, chance: float, rate: float
) -> Finding:
    name, count, total = commands.lock.id, *stretch.now
    urgency, where = "week" if rate >= 0.1 else "plan", "opened-in-games"
    score = 0.97 if chance < 1e-6 else 0.96
    if inside < 0.5:
        urgency, where, score = "watch", "opened-out-of-games", 0.6
    return finding(
        name, "opened-unpowered", urgency, score,
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[say("opened-by-itself", found=count, total=total), say(where)],
        evidence=[
            share_evidence("commands-followed-by-an-opening-without-one", stretch.standing,
                           stretch.before),
            Evidence("of-them-in-playing-time", 100 * inside, "%", n=int(forced.now.sum())),
        ],
        not_excluded=("opened-by-staff",), extra=failed_repair(stretch.unhelped),
    )


CONTACT_CHATTER = Condition(
    "contact-chatter", (contact_chatter,), ("further-edges-a-movement",), needs_part=True,
)
OPENED_UNPOWERED = Condition(
    "opened-unpowered", (opened_unpowered,),
    ("commands-followed-by-an-opening-without-one", "of-them-in-playing-time"),
    mechanisms=PULSED, needs_part=True,
)
