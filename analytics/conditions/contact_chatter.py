"""Contacts that bounce, and locks that open with no command: contact-chatter, opened-unpowered."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import PULSED, Condition, failed_repair, finding
from remanence.analytics.conditions.contact_wiring import FLICKER_MS
from remanence.analytics.conditions.evidence import share_evidence
from remanence.analytics.conditions.fault_course import Course, course, live_rows
from remanence.analytics.conditions.in_play import in_play
from remanence.analytics.conditions.new_locks import FIRST_SIGHT_PRIOR
from remanence.analytics.drift.change_model import daily_covariance, fit_change
from remanence.analytics.drift.slow_mode import healthy_beside
from remanence.analytics.history import (
    Flags,
    History,
    Ints,
    Reals,
    Rows,
    commands_by_lock,
    rows_by_lock,
    siblings,
)
from remanence.analytics.statistics.beside import chance_above
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import (
    NORMAL_95_ROUNDED,
    probability,
    robust_deviation,
)
from remanence.analytics.statistics.level_change import level_change
from remanence.analytics.statistics.rates import rate_that_matters
from remanence.shared.findings import Amount, Evidence, Finding, say

_MORE_EDGES = 1.5
"""Further edges a movement, over what it had, that are told. Assumption."""
_MORE_LOG = 0.45
"""And as a rise of ln(1 + edges). Assumption."""
_MOST_EDGES = 30.0
"""One wild movement counts for no more, when the beginning is dated. Assumption."""
_A_DAY_MOST = 3
"""Openings of one day that count: cleaning opens a lock many times in a row."""
_FEWEST_MOVEMENTS, _FEWEST_MOVEMENTS_PAST, _FEWEST_EDGES = 6, 20, 4
"""Movements since the last work, movements before this week, and further edges that are looked
at. Assumption."""
_FEWEST_BEFORE_RISE = 10
"""Movements before the rise, for their mean. Common practice, no source."""
_BOUNCE_FLOOR = 0.06
"""Least deviation of a day's mean ln(1 + edges). Assumption."""
_BOUNCE_SURE_Z = 5.0
"""Standard errors that a rise must be clear by: many locks, many weeks.
Common practice, no source."""
_YOUNG_DAYS, _FEWEST_BESIDE, _BETWEEN_CONTACTS = 28, 2, 0.2
"""A contact whose log is shorter is held against those of the same kind and controller: so many at
least, that differ by about this much when they are sound (ln of 1 + edges). Assumption."""
_SHARED_LOCKS, _SHARED_MORE_THAN = 3, 0.5
"""Contacts that began to bounce about one day, and their share of all that could show it, which
share a cause: their controller's. Assumption."""
_SAME_WEEK_LOCKS, _SAME_WEEK_SHARE = 4, 0.25
"""Locks, and their share, at which one week's findings are no one lock's fault. Assumption."""
_SAME_WEEK_SCORE = 0.6
"""The most that such a finding scores. Assumption."""
_LEAST_EDGE_VARIANCE = 0.02
"""Least variance of one movement's edges; they are whole numbers and often all 0. Assumption."""
_BOUNCE_WANDER, _BOUNCE_MEMORY_DAYS = 0.3, 3.0
"""Wander of the daily level as a share of its scatter, and how many days it lasts. Assumption."""
_BOUNCE_HAZARD_PER_DAY, _BOUNCE_SHIFT_PRIOR = 1e-3, 5.0
"""Chance a day that bounce begins to grow, and the usual size of the growth in edges.
Assumption."""
_ANSWERS_ANOTHER_COMMANDS, _ANSWERS_ANOTHER_SHARE = 3, 0.3
"""Openings after the same other lock's command, and their share, that answer it. Assumption."""
_FEWEST_OPENING_DAYS = 3
"""Days of the telling time with an opening without a command: fewer are what somebody did on one
occasion. Assumption."""
_OPENED_FAULTY = (1.0, 5.0)
"""Beta prior of the share of commands before which a faulty lock has opened by itself: mean one in
six. Assumption."""
_OPENED_PRIOR = 1 / 100
"""Chance, before any data, that a lock opens by itself in a given week: as that of other faults
that show in what it does. Assumption."""
_OPENED_WEEK_RATE = 0.1
"""From so many openings for each command on, it is for the week. Assumption."""
_BY_STAFF = 2.0, 3.0
"""Beta prior of the share of openings out of playing time that staff made, and of the others: where
most are out of it, each speaks for staff. Assumption."""
_IN_PLAY_SHARE = 0.5
"""Below this share of them in playing time, staff may have made the openings. Assumption."""


# Bounce.


def contact_chatter(history: History) -> list[Finding]:
    """Contacts that bounce more than they did, over all their settled movements.

    Bounce leaves the first edge, and so the latency, as it was. A contact that is polled
    too coarsely to show any bounce gives no finding and needs none. What most contacts of one
    controller share from about one day on is said once, of the controller.
    """
    found: list[Finding] = []
    read_by: dict[str, str] = {}
    monday = history.week.monday.toordinal()
    changes = rows_by_lock(
        history.dated("contact_changes").filter(pl.col("bounces").is_not_null()), "time", history)
    for rows in changes.values():
        edges = rows.real("bounces")
        live = live_rows(rows, history)
        if live.sum() < _FEWEST_MOVEMENTS or (~rows.now).sum() < _FEWEST_MOVEMENTS_PAST:
            continue
        read_by[rows.lock.id] = rows.lock.contact_controller or ""
        if edges[live].sum() < _FEWEST_EDGES:
            continue
        days, level = _daily_mean(rows.day, np.log1p(edges))
        change = level_change(days, level, monday, floor=_BOUNCE_FLOOR)
        if change is None or change.shift < _MORE_LOG or change.z < _BOUNCE_SURE_Z:
            continue
        before, now = edges[rows.day < change.since], edges[live]
        if before.size < _FEWEST_BEFORE_RISE or now.mean() - before.mean() < _MORE_EDGES:
            continue
        # Still so after the last work on it?
        if np.log1p(now).mean() - np.log1p(before).mean() < _MORE_LOG:
            continue
        # The beginning is dated in edges, not their logarithm: wear adds edges evenly.
        _, further = _daily_mean(rows.day, np.minimum(edges, _MOST_EDGES))
        since = _begun(days, further, np.bincount(np.unique(rows.day, return_inverse=True)[1]))
        found.append(_chatter_finding(rows, change, now, before, since))
    shared = _of_controllers(found, read_by)
    told = {name for item in shared for name in item.extra["accounts_for"]}
    return [*shared, *(item for item in (*found, *_beside_others(changes, history))
                       if item.subject not in told)]


def _of_controllers(found: Sequence[Finding], read_by: Mapping[str, str]) -> list[Finding]:
    """What most contacts of a controller share; ``read_by`` holds all that could show it.

    First of the whole venue, where all controllers may have been changed alike and each reads too
    few contacts to tell, then of each by itself.
    """
    size = Counter(read_by.values())
    shared: dict[str, Finding] = {}
    for names in (set(size), *({name} for name in sorted(size))):
        among = [item for item in found
                 if read_by[item.subject] in names and read_by[item.subject] not in shared]
        together = _about_one_day(among)
        if (len(together) < _SHARED_LOCKS
                or len(together) <= _SHARED_MORE_THAN * sum(size[name] for name in names)):
            continue
        for name in sorted(names):
            own = [item for item in together if read_by[item.subject] == name]
            if len(own) > _SHARED_MORE_THAN * size[name]:
                shared[name] = _shared_finding(name, own, size[name], _common(together))
    return list(shared.values())


def _about_one_day(found: Sequence[Finding]) -> list[Finding]:
    """The most findings whose beginnings may be one day.

    Where the most intervals overlap they tell together when it was. Each interval misses the true
    day now and then, so what overlaps their middle one is of them too.
    """
    dated = [item for item in found if item.since_low and item.since_high]
    overlapping = [[item for item in dated if _span(item)[0] <= low <= _span(item)[1]]
                   for low, _ in map(_span, dated)]
    if not overlapping:
        return []
    low, high = _common(max(overlapping, key=len))
    return [item for item in dated if _span(item)[0] <= high and low <= _span(item)[1]]


def _span(item: Finding) -> tuple[int, int]:
    """First and last day on which a dated finding may have begun, as ordinals."""
    return item.since_low.toordinal(), item.since_high.toordinal()  # type: ignore[union-attr]


def _common(found: Sequence[Finding]) -> tuple[int, int]:
    """The middle one of the first days on which findings may have begun, and of the last ones."""
    low, high = np.median([_span(item) for item in found], axis=0)
    return int(low), int(np.ceil(high))


def _shared_finding(
    controller: str, found: Sequence[Finding], total: int, span: tuple[int, int]
) -> Finding:
    """The finding of a controller, with the locks that it accounts for.

    Its edges are the mean of theirs; the interval, of theirs too, is no narrower than it ought to
    be.
    """
    told = [item.evidence[0] for item in found]

    def mean(name: str) -> float:
        return float(np.mean([getattr(one, name) for one in told]))

    day = int(np.median([item.since.toordinal() for item in found if item.since]))
    return finding(
        controller, "contact-chatter", "plan", max(item.score for item in found),
        subject_kind="controller",
        since=date.fromordinal(min(max(day, span[0]), span[1])),
        since_low=date.fromordinal(span[0]), since_high=date.fromordinal(span[1]),
        says=[say("switches-bounce-together", found=len(found), total=total,
                  now=Amount(mean("now"), "edges"), before=Amount(mean("before"), "edges"))],
        evidence=[Evidence(
            "further-edges-a-movement", mean("now"), "edges", n=sum(one.n or 0 for one in told),
            now_low=mean("now_low"), now_high=mean("now_high"), before=mean("before"),
            before_low=mean("before_low"), before_high=mean("before_high"))],
        extra={"accounts_for": sorted(item.subject for item in found)},
    )


def _beside_others(by_lock: Mapping[str, Rows], history: History) -> list[Finding]:
    """Contacts that have bounced far more than those beside them since their log began."""
    level = {name: float(np.log1p(rows.real("bounces")).mean())
             for name, rows in by_lock.items() if rows.size >= _FEWEST_MOVEMENTS}
    found = []
    for name, own in level.items():
        rows = by_lock[name]
        beside = [level[other.id] for other in siblings(history.venue, rows.lock)
                  if other.id in level and other.contact_controller == rows.lock.contact_controller]
        live = live_rows(rows, history)
        if (rows.day[-1] - rows.day[0] >= _YOUNG_DAYS or len(beside) < _FEWEST_BESIDE
                or live.sum() < _FEWEST_MOVEMENTS):
            continue
        usual, edges = float(np.median(beside)), rows.real("bounces")[live]
        score = chance_above(
            own, np.array(beside), between=_BETWEEN_CONTACTS, prior=FIRST_SIGHT_PRIOR)
        if (score is None or own - usual < _MORE_LOG
                or edges.mean() - np.expm1(usual) < _MORE_EDGES):
            continue
        error = _mean_error(edges)
        found.append(finding(
            name, "contact-chatter", "plan", score,
            says=[say("bounces-beside-others", now=Amount(float(edges.mean()), "edges"),
                      usual=Amount(float(np.expm1(usual)), "edges"), others=len(beside))],
            evidence=[Evidence(
                "further-edges-a-movement", float(edges.mean()), "edges", n=int(edges.size),
                now_low=float(edges.mean() - NORMAL_95_ROUNDED * error),
                now_high=float(edges.mean() + NORMAL_95_ROUNDED * error),
                before=float(np.expm1(usual)))],
            not_excluded=("interference-from-a-coil-nearby",),
        ))
    return found


def _daily_mean(day: Ints, values: Reals) -> tuple[Ints, Reals]:
    days, place = np.unique(day, return_inverse=True)
    return days, np.bincount(place, weights=values) / np.bincount(place)


def _begun(days: Ints, level: Reals, movements: Ints) -> Change | None:
    """When the bounce began to grow, with its interval.

    A contact wears more often than it breaks. So the step and the two rises of
    :mod:`remanence.analytics.drift.change_model` are weighed, and a slow growth is dated by
    its start and not by its middle.
    """
    number = days.astype(float)
    scatter = robust_deviation(np.diff(level)) / np.sqrt(2)
    each = max(scatter**2 * float(np.median(movements)), _LEAST_EDGE_VARIANCE)
    memory = daily_covariance(
        number, each / movements, _BOUNCE_WANDER * scatter, _BOUNCE_MEMORY_DAYS)
    fit = fit_change(number, level, memory, hazard_per_day=_BOUNCE_HAZARD_PER_DAY,
                     shift_prior=_BOUNCE_SHIFT_PRIOR)
    return fit if fit is not None and fit.log_odds > 0 and fit.shift > 0 else None


def _mean_error(values: Reals) -> float:
    """Standard error of a mean."""
    return float(np.std(values, ddof=1) / np.sqrt(values.size))


def _chatter_finding(
    rows: Rows, change: Change, now: Reals, before: Reals,
    begun: Change | None,
) -> Finding:
    since, low, high = (begun or change).dates()
    error, past = _mean_error(now), _mean_error(before)
    return finding(
        rows.lock.id, "contact-chatter", "plan", change.score(_MORE_LOG),
        since=since, since_low=low, since_high=high,
        says=[say("switch-bounces", now=Amount(float(now.mean()), "edges"),
                  before=Amount(float(before.mean()), "edges"))],
        evidence=[Evidence(
            "further-edges-a-movement", float(now.mean()), "edges", n=int(now.size),
            now_low=float(now.mean() - NORMAL_95_ROUNDED * error),
            now_high=float(now.mean() + NORMAL_95_ROUNDED * error),
            before=float(before.mean()),
            before_low=float(before.mean() - NORMAL_95_ROUNDED * past),
            before_high=float(before.mean() + NORMAL_95_ROUNDED * past))],
        not_excluded=("interference-from-a-coil-nearby",),
    )


# Opened without a command.


def opened_unpowered(history: History) -> list[Finding]:
    """Latches, bolts and strikes that open with no command more often than they did.

    Three kinds are set aside first: an opening by hand after a command that was not answered,
    a flicker of the switch, and an opening that answers another lock's command. The rest are
    counted for each command given meanwhile, and that rate is compared with the lock's own
    past, because staff open locks by hand now and then. Three of a day count at most.
    """
    commands = commands_by_lock(history)
    openings = rows_by_lock(
        history.openings.filter(~pl.col("energised").fill_null(False)), "time", history)
    pulsed = [lock.id for lock in history.venue.locks if lock.contact and not lock.is_magnet]
    forced, opened = {}, {}
    for name in pulsed:
        if name not in commands:
            continue
        opened[name] = np.zeros(commands[name].size, dtype=np.bool_)
        if name in openings:
            rows = openings[name]
            meant = _by_hand_after_failure(rows, history) | _flicker(rows) | _answers_another(rows)
            forced[name] = rows.take(~meant)
            opened[name] = _opened_since_the_last(commands[name], forced[name])
    # Staff open locks by hand, all of them or one: the others show how often.
    usual = healthy_beside(opened, _OPENED_PRIOR)
    found = [
        item for name, rows in forced.items() if rows.size
        and (item := _opened_finding(history, commands[name], opened[name], rows, usual[name]))
    ]
    return _of_one_lock(found, pulsed)


def _of_one_lock(found: list[Finding], possible: list[str]) -> list[Finding]:
    """Findings of many locks in one week become watched: they are no one lock's fault."""
    if len(found) < _SAME_WEEK_LOCKS or len(found) < _SAME_WEEK_SHARE * len(possible):
        return found
    return [
        replace(item, urgency="watch", score=min(item.score, _SAME_WEEK_SCORE),
                says=(*item.says, say("many-open")))
        for item in found
    ]


def _by_hand_after_failure(rows: Rows, history: History) -> Flags:
    soon = rows.real("since_command_ms") <= history.venue.limits.retry_within_s * 1000.0
    out: Flags = (rows.text("last_outcome") == "no-release") & soon
    return out


def _flicker(rows: Rows) -> Flags:
    out: Flags = rows.real("open_ms") < FLICKER_MS
    return out


def _answers_another(rows: Rows) -> Flags:
    """Openings that follow one and the same other lock's command, again and again."""
    other, after = rows.text("other_lock"), rows.real("other_ms")
    out = np.zeros(rows.size, dtype=bool)
    names = [name for name in other if name is not None]
    for name in set(names):
        same = (other == name) & np.isfinite(after)
        if same.sum() >= max(_ANSWERS_ANOTHER_COMMANDS, _ANSWERS_ANOTHER_SHARE * rows.size):
            out |= same
    return out


def _opened_since_the_last(commands: Rows, forced: Rows) -> Flags:
    """Which commands were followed, before the next one, by an opening without one."""
    place = np.searchsorted(commands.time_us, forced.time_us, "right") - 1
    after = np.zeros(commands.size, dtype=np.bool_)
    after[place[_thinned(forced.day) & (place >= 0)]] = True
    return after


def _opened_finding(
    history: History, commands: Rows, opened: Flags, forced: Rows, usual: tuple[float, float]
) -> Finding | None:
    stretch = course(commands, opened, history, event=True)
    if stretch is None:
        return None
    monday = history.week.monday.toordinal()
    begin = stretch.first
    day, event = (commands.day[begin:] - monday).astype(np.float64), opened[begin:]
    rate = rate_that_matters(
        day, event, healthy=usual, faulty=_OPENED_FAULTY, prior=_OPENED_PRIOR)
    if rate is None or rate.log_odds <= 0:
        return None
    telling = event & (day > history.week.sunday.toordinal() - monday - (rate.window_days or 0))
    if np.unique(day[telling]).size < _FEWEST_OPENING_DAYS:
        return None
    return _opened_words(commands, stretch, rate, forced, _in_play(forced, history), monday)


def _thinned(day: Ints) -> Flags:
    """The first few of each day."""
    _, first = np.unique(day, return_index=True)
    rank = np.arange(day.size) - first[np.searchsorted(day[first], day)]
    out: Flags = rank < _A_DAY_MOST
    return out


def _in_play(forced: Rows, history: History) -> float:
    """Share of the week's openings between the day's first and last command of the venue."""
    week = forced.take(forced.now).frame
    return in_play(week, history).height / week.height if week.height else 0.0


def _opened_words(
    commands: Rows, stretch: Course, rate: Change, forced: Rows, inside: float, monday: int
) -> Finding:
    name, count, total = commands.lock.id, *stretch.now
    urgency = "week" if rate.now.level >= _OPENED_WEEK_RATE else "plan"
    where, score = "opened-in-games", probability(rate.log_odds)
    if inside < _IN_PLAY_SHARE:
        urgency, where = "watch", "opened-out-of-games"
        seen = int(forced.now.sum())
        score *= (inside * seen + _BY_STAFF[1]) / (seen + sum(_BY_STAFF))
    since, low, high = rate.dates(monday)
    return finding(
        name, "opened-unpowered", urgency, score,
        since=since, since_low=low, since_high=high,
        says=[say("opened-by-itself", found=count, total=total), say(where)],
        evidence=[
            share_evidence("commands-followed-by-an-opening-without-one", rate.now.count,
                           rate.before.count if rate.before.n else None),
            Evidence("of-them-in-playing-time", 100 * inside, "%", n=int(forced.now.sum())),
        ],
        not_excluded=("opened-by-staff",), extra=failed_repair(stretch.unhelped),
    )


CONTACT_CHATTER = Condition(
    "contact-chatter", (contact_chatter,), ("further-edges-a-movement",),
    subject_kinds=("lock", "controller"), needs_part=True,
)
OPENED_UNPOWERED = Condition(
    "opened-unpowered", (opened_unpowered,),
    ("commands-followed-by-an-opening-without-one", "of-them-in-playing-time"),
    mechanisms=PULSED, needs_part=True,
)
