"""Is the coil's circuit whole? coil-open, coil-current-high, and a coil that never lets go."""

from __future__ import annotations

from datetime import date

import numpy as np

from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.drawn_load import Drawn, drawn_loads, meter_blind
from remanence.analytics.conditions.evidence import (
    chance_shown,
    raised_on_way_out,
    share_evidence,
)
from remanence.analytics.conditions.exits import held_on_way_out
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.conditions.new_locks import FIRST_SIGHT_PRIOR
from remanence.analytics.conditions.own_current import (
    BETWEEN_COILS,
    OwnCurrent,
    above_stated,
    own_currents,
)
from remanence.analytics.conditions.switch_off import stays_on
from remanence.analytics.history import Flags, History
from remanence.analytics.physics.rail_load import RailLoad
from remanence.analytics.statistics.beside import chance_above
from remanence.analytics.statistics.intervals import median_interval, robust_deviation
from remanence.shared.findings import Amount, Evidence, Finding, say

_HIGH_WATCH, _HIGH_PLAN, _HIGH_NOW = np.log([1.10, 1.12, 1.20])
"""Rises of a coil's own current: to be watched, planned for, seen to now. Coils are made to 5 to
10 %."""
_SIBLING_HIGH = float(np.log(1.35))
"""The same of a coil that only its siblings are there to compare with: their tolerances add."""
_SIBLING_INTERVAL = 2.0
"""Deviations to either side that hold about 95 %."""

_BLIND_COMMANDS, _BLIND_DAYS, _BLIND_SHARE = 4, 2, 0.8
"""Commands without current, days and their share, of a coil that cuts itself and has no contact:
it may have been open already, so only a row of commands over days tells. Assumption."""
_PULSED_COMMANDS = 2
"""The same of another pulsed coil: a single one counts only when it is all there was.
Assumption."""
_MAGNET_COMMANDS, _MAGNET_SHARE = 3, 0.5
"""The same of a magnet: one odd reading is not enough. Assumption."""
_MOSTLY_STUCK = 0.5
"""Share of commands, or of the usual sag that the idle volts fell by, that speaks for stuck on."""
_IDLE_DAYS = 14
"""Days before the onset from which the rail's usual idle volts are read. Assumption."""
_FEWEST_IDLE_BEFORE, _FEWEST_IDLE_AFTER = 10, 5
"""Readings of the idle volts before and after the onset for a median. Common practice, no
source."""
_IDLE_SPREADS = 3.0
"""The usual sag must be so many deviations of the idle volts for their fall to tell.
Common practice, no source."""
_SELDOM_COMMANDS, _SELDOM_SHARE = 4, 0.1
"""Fewer and rarer commands without current than this could be readings that went wrong.
Assumption."""
_EMPTY_SEEN, _EMPTY_UNSEEN, _EMPTY_INDIRECT = (1.0, 200.0), (1.0, 60.0), (1.0, 20.0)
"""Beta priors of the share of a sound coil's commands that seem to draw nothing: where a contact
confirms each, where none does, and where none tells whether a coil that cuts itself was open
already, or the usual sag is other locks'. Assumption."""
_ANOTHER_COIL = 1 / 30
"""Chance that the usual sag which others' sags and the stated coil give is not this coil's: as many
commands as there may be do not make that surer. Assumption."""
_WHOLLY_OPEN = 0.9
"""From this share of commands on the circuit is open always, below it at times.
Assumption."""


# No sag when commanded.


def no_sag(history: History) -> list[Finding]:
    """Coils that drew nothing when commanded: open, or (the rail never unloaded) stuck on.

    A latch that is commanded while it shows locked, without sag and without release, has
    an open coil, wire or driver. One that shows open, on a rail that idles lower by just
    what its coil takes, has been on all the time. A magnet that is cut, does not unload
    the rail and does not let go is stuck on; if it shows open it holds nothing.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week; ``sag_volts`` of its actuations tells.

    Returns
    -------
    list of Finding
        ``coil-open`` and ``stuck-energised``; none for a lock whose sag was never seen and cannot
        be reckoned from others', nor where the rail's meter saw no coil in that time.

    Notes
    -----
    This program's own rules; common practice, no source.
    """
    drawn = drawn_loads(history)
    found = []
    for loads in (item.only_told() for item in drawn.values()):
        empty = loads.empty & ~_worked(loads)
        stretch = course(loads.rows, empty, history)
        if stretch is None:
            continue
        live = stretch.live
        count, total = stretch.now
        share = stretch.share
        days = np.unique(loads.rows.day[empty & live])
        if not _enough(loads, empty, live, count, share, days.size):
            continue
        if meter_blind(history, drawn, loads.lock, days):
            continue
        stuck = _stuck(loads, empty & live, stretch, drawn, history)
        found.append((_stuck_finding if stuck else _open_finding)(
            loads, stretch, count, total, share))
    return found


def _worked(loads: Drawn) -> Flags:
    """Rows in which the lock is known to have been moved by its coil."""
    outcome = loads.rows.text("outcome")
    if loads.lock.is_magnet or not loads.lock.pulsed:
        return np.zeros(outcome.size, dtype=bool)
    return np.asarray(outcome == "released", dtype=np.bool_)


def _enough(
    loads: Drawn, empty: Flags, live: Flags, count: int, share: float, days: int
) -> bool:
    if loads.lock.self_cut and loads.lock.contact is None:
        last = np.flatnonzero(live)[-_BLIND_COMMANDS:]
        return (count >= _BLIND_COMMANDS and days >= _BLIND_DAYS and share >= _BLIND_SHARE
                and bool(empty[last].all()))
    if loads.lock.pulsed:
        return count >= _PULSED_COMMANDS or (count == 1 and share == 1.0)
    # A magnet's sag is read while no latch is pulsed.
    return count >= _MAGNET_COMMANDS and share >= _MAGNET_SHARE


def _stuck(
    loads: Drawn, empty: Flags, stretch: Course, drawn: dict[str, Drawn], history: History
) -> bool:
    outcome = loads.rows.text("outcome")[empty]
    shut = float(np.mean(outcome == "no-release"))
    opened = float(np.mean(outcome == "already-open"))
    if not loads.lock.pulsed:
        return shut > opened and shut >= _MOSTLY_STUCK
    if shut > _MOSTLY_STUCK:
        return False
    fall = _idle_fall(loads, stretch, drawn, history)
    if fall is not None:
        return fall > _MOSTLY_STUCK
    return opened > _MOSTLY_STUCK and not loads.lock.self_cut


def _idle_fall(
    loads: Drawn, stretch: Course, drawn: dict[str, Drawn], history: History
) -> float | None:
    """Fall of the rail's idle volts at the onset, as a share of this coil's usual sag."""
    before: list[float] = []
    after: list[float] = []
    start = stretch.since.toordinal()
    for other in history.venue.locks_on(loads.lock.supply):
        rows = drawn[other.id].rows if other.id in drawn else None
        if rows is None:
            continue
        volts = rows.real("volts_before")
        before += list(volts[(rows.day < start) & (rows.day >= start - _IDLE_DAYS)])
        after += list(volts[(rows.day > start) | ((rows.day == start) & rows.now)])
    if len(before) < _FEWEST_IDLE_BEFORE or len(after) < _FEWEST_IDLE_AFTER:
        return None
    spread = robust_deviation(np.array(before))
    if loads.usual_volts < _IDLE_SPREADS * spread:
        return None
    return float((np.nanmedian(before) - np.nanmedian(after)) / loads.usual_volts)


def _open_finding(
    loads: Drawn, stretch: Course, count: int, total: int, share: float
) -> Finding:
    lock = loads.lock
    seldom = (count == 1 and total > 1) or (
        count < _SELDOM_COMMANDS and share < _SELDOM_SHARE)
    seen = lock.contact is not None
    indirect = loads.borrowed or (lock.self_cut and not seen)
    score = chance_shown(
        (count, total), stretch.before,
        _EMPTY_INDIRECT if indirect else _EMPTY_SEEN if seen else _EMPTY_UNSEEN)
    if loads.borrowed:
        score *= 1 - _ANOTHER_COIL
    excluded = [] if not (lock.self_cut and not seen) else ["already-open"]
    whole = share >= _WHOLLY_OPEN
    return finding(
        lock.id, "coil-open", "watch" if seldom else raised_on_way_out("week", lock), score,
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[
            say("no-current", found=count, total=total, sag=_empty_sag(loads, stretch),
                usual=Amount(loads.usual_volts, "V")),
            *([say("did-not-release-either")] if seen and lock.pulsed else []),
            say("circuit-open" if whole else "circuit-open-at-times"),
        ],
        evidence=_evidence(loads, stretch), extra=failed_repair(stretch.unhelped),
        not_excluded=(*excluded, "dead-driver-or-fuse"),
    )


def _stuck_finding(
    loads: Drawn, stretch: Course, count: int, total: int, share: float
) -> Finding:
    lock = loads.lock
    seen = (say("held-without-command", found=count, total=total) if not lock.pulsed
            else say("on-all-the-time"))
    return finding(
        lock.id, "stuck-energised", "now",
        chance_shown((count, total), stretch.before, _EMPTY_UNSEEN),
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[seen, say("relay-or-driver")], extra=failed_repair(stretch.unhelped),
        evidence=_evidence(loads, stretch), not_excluded=("no-release",) if not lock.pulsed
        else ("coil-open",),
    )


def _empty_sag(loads: Drawn, stretch: Course) -> Amount:
    # Noise can make the sag of a coil that draws nothing a little negative.
    return Amount(max(float(np.median(loads.sag_volts[loads.empty & stretch.live])), 0.0), "V")


def _evidence(loads: Drawn, stretch: Course) -> list[Evidence]:
    sag = loads.sag_volts[stretch.live]
    middle, low, high = median_interval(sag)
    return [
        Evidence("median-sag-at-the-command", middle, "V", n=int(sag.size),
                 now_low=low, now_high=high, before=loads.usual_volts),
        share_evidence("commands-that-drew-no-current", stretch.now, stretch.before),
    ]


def circuit(history: History) -> list[Finding]:
    """coil-open and stuck-energised, each at most once a lock; of two the surer is kept.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    list of Finding
        ``coil-open`` or ``stuck-energised``.
    """
    best: dict[tuple[str, str], Finding] = {}
    for item in (*no_sag(history), *stays_on(history)):
        key = item.subject, item.condition
        if key not in best or item.score > best[key].score:
            best[key] = item
    return list(best.values())


# Too much current.


def coil_current_high(history: History) -> list[Finding]:
    """Coils that draw more than they did, less the rail's own change; or more than siblings do.

    Where the current itself is logged, its amperes per volt are judged; elsewhere the sag is.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week; ``amps`` and ``sag_volts`` of its
        actuations tell.

    Returns
    -------
    list of Finding
        ``coil-current-high``: from 10 % up; coils are made to 5 to 10 %.

    Notes
    -----
    Change against the coil's own past: :mod:`remanence.analytics.statistics.level_change`. The
    figures from which it is told: common practice, no source.
    """
    currents = own_currents(history)
    found = [risen for item in currents.changed for risen in _risen(item)]
    return found + [above for load, row in currents.as_ever
                    for above in _above_siblings(history, load, row)]


def _risen(item: OwnCurrent) -> list[Finding]:
    change, lock = item.change, item.lock
    if item.more < _HIGH_WATCH:
        return []
    score = item.score(float(_HIGH_WATCH))
    urgency = "now" if item.more >= _HIGH_NOW else "week"
    if item.more < _HIGH_PLAN:
        urgency = "watch"
    if item.alone and urgency == "now":
        urgency = "week"
    ratio = float(np.exp(item.against[0]))
    since, low, high = change.dates()
    return [finding(
        lock.id, "coil-current-high", urgency, score,
        since=since, since_low=low, since_high=high,
        says=[
            say("draws-more", percent=Amount(100 * (ratio - 1), "%")),
            *([say("as-if-ohms", now=Amount(lock.ohms / ratio, "ohm"),
                   stated=Amount(lock.ohms, "ohm"))] if lock.ohms else []),
            say("shorted-turns-hot"),
        ],
        evidence=[item.evidence()], not_excluded=("supply-sag",) if item.alone else (),
    )]


def _above_siblings(history: History, load: RailLoad, row: int) -> list[Finding]:
    """Compare a coil whose own past shows nothing with the stated coils beside it."""
    stated = above_stated(history, load, row)
    if stated is None:
        return []
    name, above = load.coils[row][0], stated.above
    score = chance_above(stated.own, stated.apart, between=BETWEEN_COILS,
                         prior=FIRST_SIGHT_PRIOR, error=stated.reading)
    if above < _SIBLING_HIGH or score is None:
        return []
    margin = _SIBLING_INTERVAL * stated.error
    days = load.days[np.isfinite(load.level[row])]
    return [finding(
        name, "coil-current-high", "plan", score, since=date.fromordinal(int(days[0])),
        says=[say("draws-more-than-stated", percent=Amount(100 * (np.exp(above) - 1), "%"))],
        evidence=[Evidence("current-against-the-rail-s-other-locks-as-stated",
                           100 * float(np.exp(above)), "%", n=stated.apart.size, before=100.0,
                           now_low=100 * float(np.exp(above - margin)),
                           now_high=100 * float(np.exp(above + margin)))],
        not_excluded=("another-coil-than-the-venue-file-states",),
    )]


COIL_OPEN = Condition(
    "coil-open", (circuit,),
    ("median-sag-at-the-command", "commands-that-drew-no-current"),
    # No current, no release; people then open it by hand.
    explains=(
        "coil-current-low",
        "no-release", "contact-stuck", "sticking-catch", "loaded-catch", "short-pulse",
        "opened-unpowered", "not-reclosed", "slow-drop", "self-cut-failed",
    ),
    takes_urgency_of=("no-release",), needs_part=True, keeps_in=True,
)
STUCK_ENERGISED = Condition(
    "stuck-energised", (circuit, held_on_way_out),
    ("commands-that-the-load-outlasts", "longest-load-after-the-command-s-end",
     "median-sag-at-the-command", "commands-that-drew-no-current"),
    explains=(
        "over-long-energising", "self-cut-failed", "hot-coil", "slow-drop", "no-release",
        "not-reclosed", "contact-stuck",
    ),
    takes_urgency_of=("hot-coil", "no-release"), keeps_in=True,
)
COIL_CURRENT_HIGH = Condition(
    "coil-current-high", (coil_current_high,),
    ("current-against-its-own-past-rail-s-change-taken-out",
     "current-against-the-rail-s-other-locks-as-stated"),
    # Turns that are shorted pull less, and later.
    explains=("sticking-catch", "short-pulse"), needs_part=True,
)
