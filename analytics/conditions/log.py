"""Conditions of the log and the papers: clock-fault, log-gap, release-test-due."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.conditions.in_play import in_play
from remanence.analytics.conditions.log_gaps import USUAL_QUANTILE, Silence, silences
from remanence.analytics.history import History
from remanence.analytics.statistics.intervals import probability
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.venue import Lock

_TEST_SCORE = 0.99
"""What the service log says of a test is as sure as the log itself: a slip of the pen is left."""
_MANY_RESTARTS, _RESTART_DAYS = 3, 2
"""Restarts of a controller in a week, and days that they lie on, before they are told although the
times were mended: a single restart, or several of one day, may be somebody's work (assumption)."""
_FALSE_EVENT, _BY_SOMEBODY = 1 / 30, 1 / 5
"""Chance that an event of a clock which could not be mended is an odd line of the log, and that the
restarts of one day are somebody's work: each event, and each day, by itself (assumption)."""
_LEAST_PAST_WEEKS = 1
"""Weeks of log before this one that give a weekly rate."""

# Release tests.


def release_test_due(history: History) -> list[Finding]:
    """Locks on a way out without a passed release test in the venue's interval.

    The interval ends with the week's Sunday. A failed test is ``now`` until one is passed; one
    that is overdue, or of which the log does not say how it went, is ``week``: it takes two
    minutes and nobody is locked in by its absence.
    """
    found = []
    tests = history.service.filter(
        (pl.col("action") == "release-tested") & (pl.col("date") <= history.week.sunday)
    ).sort("date", maintain_order=True)
    for lock in history.venue.locks:
        if not lock.on_way_out:
            continue
        rows = tests.filter(pl.col("lock") == lock.id)
        told = rows.drop_nulls("result")
        if told.height and told["result"][-1] == "failed":
            found.append(_failed_test(lock, told))
            continue
        if rows.height and rows["result"][-1] is None:
            found.append(_untold_test(lock, rows["date"][-1], history))
        else:
            found += _overdue_test(history, lock, told["date"][-1] if told.height else None)
    return found


def _failed_test(lock: Lock, tests: pl.DataFrame) -> Finding:
    last = tests["date"][-1]
    passed = [result == "passed" for result in tests["result"]]
    streak = len(passed) - (passed[::-1].index(True) if True in passed else len(passed))
    return finding(
        lock.id, "release-test-due", "now", _TEST_SCORE, since=tests["date"][streak],
        since_low=tests["date"][streak - 1] if streak else None,
        since_high=tests["date"][streak], says=[say("test-failed", day=last)],
        evidence=[Evidence("failed-release-tests-in-a-row", len(passed) - streak, "tests",
                           n=len(passed))],
    )


def _untold_test(lock: Lock, day: date, history: History) -> Finding:
    """A test of which the log says the day and not how it went: it counts as none."""
    return finding(
        lock.id, "release-test-due", "week", _TEST_SCORE,
        since=day, since_low=day, since_high=day,
        says=[say("test-result-untold", day=day)],
        evidence=[Evidence("days-since-the-last-release-test",
                           float((history.week.sunday - day).days), "days", n=0,
                           before=history.venue.release_test_days)],
    )


def _overdue_test(history: History, lock: Lock, last: date | None) -> list[Finding]:
    interval = history.venue.release_test_days
    since: date | None
    if last is not None:
        age = (history.week.sunday - last).days
        if age <= interval:
            return []
        since = history.venue.release_test_due(last) + timedelta(days=1)
        said = say("test-overdue", age=age, day=last, interval=interval)
    else:
        age = None
        first = lock.installed or _first_day(history)
        if first is not None and first > history.week.sunday:
            return []
        since = first
        said = say("test-missing", interval=interval)
    return [finding(
        lock.id, "release-test-due", "week", _TEST_SCORE,
        since=since, since_low=since, since_high=since,
        says=[said],
        evidence=[Evidence("days-since-the-last-release-test", age, "days", n=int(last is not None),
                           before=interval)],
    )]


def _first_day(history: History) -> date | None:
    firsts = [
        frame[column].min() for frame, column in
        ((history.actuations, "command_time"), (history.activity, "hour")) if frame.height
    ]
    moments = [moment for moment in firsts if isinstance(moment, datetime)]
    return min(moments).astimezone(history.venue.zone).date() if moments else None


# Clocks.


def clock_fault(history: History) -> list[Finding]:
    """Controllers whose clock did this week what could not be mended, or restart again and again.

    Jumps that were mended are said beside those that were not, with what was done.
    Unmended events make ``plan``; a doubled or missing hour that could not be
    resolved is ``watch``. Restarts in play on two days or more, three in all, are said
    even where the times were mended: a unit that restarts has a supply fault or a bad
    program, and forgets which locks it holds. One that restarts before the first command
    of a day or after the last was switched off for the night, or does so by its clock.
    """
    found = []
    week = history.this_week(history.clock_events, "time")
    for (controller,), rows in week.group_by("controller", maintain_order=True):
        zone = history.venue.zone
        days = rows["time"].dt.convert_time_zone(history.venue.time_zone).dt.date()
        rows = rows.with_columns(day=days).sort("time")
        broken = rows.filter(~pl.col("mended").fill_null(False) & (pl.col("kind") != "restart"))
        restarts = rows.filter(pl.col("kind") == "restart")
        lost = restarts.filter(~pl.col("mended").fill_null(False))
        during = in_play(restarts, history)
        many = (during.height >= _MANY_RESTARTS
                and during["day"].n_unique() >= _RESTART_DAYS)
        if broken.is_empty() and lost.is_empty() and not many:
            continue
        past = history.clock_events.filter(
            (pl.col("controller") == controller) & (pl.col("time") < history.start)
        )
        seconds = broken["seconds"].abs().max()
        grave = many or lost.height or broken.filter(pl.col("kind") != "missing-hour").height
        first = rows["day"].min()
        found.append(finding(
            str(controller), "clock-fault", "plan" if grave else "watch",
            1 - _FALSE_EVENT ** (broken.height + lost.height)
            * (_BY_SOMEBODY ** during["day"].n_unique() if many else 1.0),
            since=first if isinstance(first, date) else None,
            says=[
                say("clock-untrusted", moment=_local(rows["time"][0], zone)),
                *_counted(broken, restarts if many else lost),
                *([say("restarts-forget")] if many else []), *_mended(rows),
            ],
            evidence=[
                Evidence("clock-events-that-could-not-be-mended", broken.height + lost.height,
                         "events", n=rows.height, before=_weekly(past.filter(
                             ~pl.col("mended").fill_null(False)), history)),
                Evidence("restarts", restarts.height, "restarts", n=restarts.height,
                         before=_weekly(past.filter(pl.col("kind") == "restart"), history)),
                *([Evidence("largest-jump", float(seconds), "s", n=broken.height)]
                  if isinstance(seconds, int | float) else []),
                *_mended_jumps(rows),
            ],
            not_excluded=("log-gap",) if lost.height or many else (),
            subject_kind="controller",
        ))
    return found


def _mended_jumps(rows: pl.DataFrame) -> list[Evidence]:
    jumps = rows.filter(pl.col("mended").fill_null(False) & (pl.col("kind") == "step"))
    return [Evidence("jumps-that-were-mended", jumps.height, "events", n=jumps.height)] if (
        jumps.height) else []


def _mended(rows: pl.DataFrame) -> list[Sentence]:
    """What was mended of the week's jumps, by how much and why: the first few."""
    jumps = rows.filter(pl.col("mended").fill_null(False) & (pl.col("kind") == "step"))
    said = [say("jump-mended", seconds=Amount(seconds, "s"), file=str(file), line=str(line))
            for seconds, file, line in jumps.head(_MENDED_SHOWN).select(
                "seconds", "file", "line").iter_rows()]
    more = jumps.height - _MENDED_SHOWN
    return said + ([say("jumps-mended-more", count=more)] if more > 0 else [])


_MENDED_SHOWN = 3
"""So many mended jumps are told one by one; the table of clock events holds them all."""


def _counted(broken: pl.DataFrame, restarts: pl.DataFrame) -> list[Sentence]:
    counts = broken.group_by("kind", maintain_order=True).len()
    said = [say(f"clock-{kind}", count=count) for kind, count in counts.rows()]
    if restarts.height:
        said.append(say("clock-restart", count=restarts.height))
    return said


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.astimezone(zone)


def _weekly(past: pl.DataFrame, history: History) -> float | None:
    if history.activity.is_empty():
        return None
    first = history.activity["hour"].min()
    assert isinstance(first, datetime)
    weeks = (history.start - first).total_seconds() / (7 * 86_400)
    return past.height / weeks if weeks >= _LEAST_PAST_WEEKS else None


# Gaps.


def log_gap(history: History) -> list[Finding]:
    """Controllers, or the whole venue, that were silent when they ought not to have been.

    One finding for each subject, about its longest silence of the week. A day on
    which the whole venue logged nothing may have been a closed one; it is said as
    ``watch``, unless the venue otherwise logs day and night.
    """
    last = history.activity["last"].max()
    if isinstance(last, datetime) and last < history.start:
        return [_silent_week(history, last)]
    by_subject: dict[str | None, list[tuple[Silence, str, float]]] = {}
    for silence in silences(history):
        judged = _judge(silence, history.start)
        if judged:
            by_subject.setdefault(silence.controller, []).append((silence, *judged))
    found = [_gap_finding(history, subject, gaps) for subject, gaps in by_subject.items()]
    return found + _never_heard(history)


_BUSY_ELSEWHERE = 100
"""Commands and contact changes of other controllers meanwhile: no quiet hour, and no short one."""
_NATS = 2.2
"""A silence this much more surprising than its past is e times likelier to be a lost log. The
habits are those of rooms that share their games, so a factor e in chance counts for less."""
_LEAST_SURPRISE, _BEYOND_USUAL = 6.0, 2.0
"""Nats of a silence that is looked at (once in 400 by chance: calculated), and how many times its
usual measure it must exceed (assumption)."""
_ALONE_SURPRISE, _ALONE_BEYOND_USUAL = 12.0, 3.0
"""The same of a controller that is often silent, before it is more than a matter to watch: its room
may not have been played (assumption)."""
_LOST_PRIOR = 1 / 20
"""Chance, before any data, that a silence which surpasses all earlier ones is a lost log: of its
controller, or of the venue (assumption)."""
_STEADY_DEAD_HOURS, _PLAYED_DEAD_HOURS = 12.0, 24.0
"""Hours from which a silence that lasts to the log's end is looked at this week: of a controller
that logs day and night, and of one that logs while its room is played (assumption)."""
_LEAST_STEADY_HOURS = 0.5
"""Hours of silence of a steady log that ask for more than to be watched: a shorter one is a restart
or a network that was away (assumption)."""
_HABIT_WEEKS = 4
"""Weeks of habits before a silence of a log with breaks is taken for more than a free week: a
monthly pattern has shown by then (assumption)."""
_CLOSED_ODDS, _PARTLY_CLOSED_ODDS = 1.0, 3.0
"""Odds that a venue without any record lost its log and was not closed, for whole days and for
parts of days: nothing in the log can raise them (assumption)."""
_SILENT_WEEK_SCORE = 0.95
"""Probability that a whole week without log is to be asked about (assumption)."""
_NEVER_HEARD_DAYS = 7
"""Days of log before a controller without any record is told of: a room may not be in use yet
(assumption)."""


def _judge(silence: Silence, week_start: datetime) -> tuple[str, float] | None:
    """Urgency and score of one silence, or None where it is nothing unusual."""
    surprise, usual = silence.surprise, silence.usual
    if surprise < max(_LEAST_SURPRISE, _BEYOND_USUAL * usual):
        return None
    score = _chance_lost(silence)
    if silence.controller is None:
        return _judge_venue(silence, score)
    if silence.steady:
        if silence.ongoing and silence.hours >= _STEADY_DEAD_HOURS:
            return "week", score
        return ("plan" if silence.hours >= _LEAST_STEADY_HOURS else "watch"), score
    if silence.all_play and not (silence.ongoing and silence.start < week_start):
        return "watch", _not_closed(silence, score)
    # Where the others were as busy as ever, half the surprise suffices.
    busy = silence.edges_elsewhere >= _BUSY_ELSEWHERE
    least = _LEAST_SURPRISE if busy else _ALONE_SURPRISE
    if silence.weeks_known < _HABIT_WEEKS or surprise < max(least, _ALONE_BEYOND_USUAL * usual):
        return "watch", score
    if silence.ongoing and silence.hours >= _PLAYED_DEAD_HOURS:
        return "week", score
    return "plan", score


def _chance_lost(silence: Silence) -> float:
    """Probability that a silence is a lost log and no habit that had not shown yet.

    Notes
    -----
    Of n + 1 weeks of one habit the last one is the most surprising once in n + 1 times (they are
    exchangeable, textbook), and one in ten is more so than the usual measure, which is that
    quantile; it goes beyond by so many nats e times as seldom for each :data:`_NATS` (an
    exponential tail). A lost log does either always.
    """
    seldom = max(1.0 / (1.0 + silence.weeks_known), 1.0 - USUAL_QUANTILE)
    beyond = (silence.surprise - silence.usual) / _NATS - math.log(seldom)
    return probability(beyond + math.log(_LOST_PRIOR / (1 - _LOST_PRIOR)))


def _judge_venue(silence: Silence, score: float) -> tuple[str, float] | None:
    if silence.ongoing:
        return None
    if silence.steady:
        return ("plan" if silence.hours >= _LEAST_STEADY_HOURS else "watch"), score
    if silence.weeks_known < _HABIT_WEEKS:
        return None
    return "watch", _not_closed(silence, score)


def _not_closed(silence: Silence, score: float) -> float:
    """Closed, or not logged? Nothing in the log can tell the two apart."""
    odds = _CLOSED_ODDS if silence.whole_days else _PARTLY_CLOSED_ODDS
    return min(score, odds / (1 + odds))


def _gap_finding(
    history: History, subject: str | None, gaps: list[tuple[Silence, str, float]]
) -> Finding:
    zone = history.venue.zone
    order = ("week", "plan", "watch")
    gaps.sort(key=lambda gap: (order.index(gap[1]), -gap[0].hours))
    silence, urgency, score = gaps[0]
    hours = sum(gap[0].hours for gap in gaps)
    start, end = _local(silence.start, zone), _local(silence.end, zone)
    says = [say("silent-since", start=start) if silence.ongoing
            else say("silent-between", start=start, end=end)]
    if silence.edges_elsewhere:
        says.append(say("others-logged", records=silence.edges_elsewhere))
    if len(gaps) > 1:
        says.append(say("more-silences", count=len(gaps) - 1))
    if subject is None and not silence.steady:
        says.append(say("closed-or-lost"))
    lost = max(0.0, hours)
    return finding(
        subject if subject is not None else history.venue.id, "log-gap", urgency, score,
        since=silence.start.astimezone(zone).date(),
        since_low=silence.start.astimezone(zone).date(),
        since_high=(silence.start + timedelta(hours=1)).astimezone(zone).date(),
        says=says,
        evidence=[
            Evidence("hours-without-a-record-that-usually-have-some", lost, "h", n=len(gaps),
                     before=0.0 if silence.usual == 0 else None),
            Evidence("surprise-of-the-silence-against-that-of-earlier-weeks",
                     silence.surprise, "nat", n=max(1, silence.weeks_known),
                     before=silence.usual),
        ],
        not_excluded=("closed",) if subject is None and not silence.steady else
                     ("room-not-played",) if not silence.steady else (),
        subject_kind="venue" if subject is None else "controller",
    )


def _silent_week(history: History, last: datetime) -> Finding:
    """A week wholly without log: closed or lost, which only a person can say."""
    moment = _local(last, history.venue.zone)
    return finding(
        history.venue.id, "log-gap", "week", _SILENT_WEEK_SCORE, subject_kind="venue",
        since=moment.date(), since_low=moment.date(), since_high=moment.date(),
        says=[say("week-without-log", last=moment)],
        evidence=[Evidence("hours-without-a-record-that-usually-have-some",
                           (history.end - last).total_seconds() / 3600.0, "h")],
        not_excluded=("closed",),
    )


def _never_heard(history: History) -> list[Finding]:
    """Controllers of the venue file from which there is no record at all."""
    heard = set(history.activity["controller"].to_list())
    first = _first_day(history)
    if not heard or first is None or (history.week.sunday - first).days < _NEVER_HEARD_DAYS:
        return []
    # That a controller of the venue file is in use: of the others so many are (uniform prior).
    others = len(set(history.venue.controllers) | heard) - 1
    in_use = (len(heard) + 1.0) / (others + 2.0)
    return [
        finding(
            controller, "log-gap", "watch", in_use, since=first,
            subject_kind="controller",
            says=[say("never-heard")],
            evidence=[Evidence("records-ever-seen", 0.0, "records", n=len(heard))],
            not_excluded=("log-files-not-named-in-the-venue-file",),
        )
        for controller in history.venue.controllers if controller not in heard
    ]


RELEASE_TEST_DUE = Condition(
    "release-test-due", (release_test_due,),
    ("days-since-the-last-release-test", "failed-release-tests-in-a-row"), certain=True,
)
CLOCK_FAULT = Condition(
    "clock-fault", (clock_fault,),
    ("clock-events-that-could-not-be-mended", "restarts", "largest-jump",
     "jumps-that-were-mended"),
    subject_kinds=("controller",), mechanisms=(),
)
LOG_GAP = Condition(
    "log-gap", (log_gap,),
    ("hours-without-a-record-that-usually-have-some",
     "surprise-of-the-silence-against-that-of-earlier-weeks", "records-ever-seen"),
    subject_kinds=("controller", "venue"), mechanisms=(),
)
