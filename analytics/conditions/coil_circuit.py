"""Is the coil's circuit whole? coil-open, coil-current-high, and a coil that never lets go."""

from __future__ import annotations

from datetime import date

import numpy as np

from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.drawn_load import Drawn, drawn_loads, meter_blind
from remanence.analytics.conditions.evidence import raised_on_way_out, share_evidence
from remanence.analytics.conditions.exits import held_on_way_out
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.conditions.switch_off import stays_on
from remanence.analytics.history import Flags, History
from remanence.analytics.physics.rail_load import RailLoad, logged_currents, rail_loads
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import median_interval, robust_deviation
from remanence.analytics.statistics.level_change import level_change
from remanence.shared.findings import Amount, Evidence, Finding, say

_HIGH_WATCH, _HIGH_PLAN, _HIGH_NOW = np.log([1.10, 1.12, 1.20])
"""Rises of a coil's own current that are told; a coil is made to 5 to 10 %."""
_SIBLING_HIGH = float(np.log(1.35))


# No sag when commanded.


def no_sag(history: History) -> list[Finding]:
    """Coils that drew nothing when commanded: open, or (the rail never unloaded) stuck on.

    A latch that is commanded while it shows locked, without sag and without release, has
    an open coil, wire or driver. One that shows open, on a rail that idles lower by just
    what its coil takes, has been on all the time. A magnet whose cut does not unload the
    rail and does not let go is still held: stuck on; if it shows open it holds nothing.

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
        # It may have been open already: only a string of commands over days tells.
        last = np.flatnonzero(live)[-4:]
        return count >= 4 and days >= 2 and share >= 0.8 and bool(empty[last].all())
    if loads.lock.pulsed:
        return count >= 2 or (count == 1 and share == 1.0)
    # A magnet's sag is read with nobody's pulse in between; a single odd reading is not enough.
    return count >= 3 and share >= 0.5


def _stuck(
    loads: Drawn, empty: Flags, stretch: Course, drawn: dict[str, Drawn], history: History
) -> bool:
    outcome = loads.rows.text("outcome")[empty]
    shut = float(np.mean(outcome == "no-release"))
    opened = float(np.mean(outcome == "already-open"))
    if not loads.lock.pulsed:
        return shut > opened and shut >= 0.5
    if shut > 0.5:
        return False
    fall = _idle_fall(loads, stretch, drawn, history)
    if fall is not None:
        return fall > 0.5
    return opened > 0.5 and not loads.lock.self_cut


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
        before += list(volts[(rows.day < start) & (rows.day >= start - 14)])
        after += list(volts[(rows.day > start) | ((rows.day == start) & rows.now)])
    if len(before) < 10 or len(after) < 5:
        return None
    spread = robust_deviation(np.array(before))
    if loads.usual_volts < 3 * spread:
        return None
    return float((np.nanmedian(before) - np.nanmedian(after)) / loads.usual_volts)


def _open_finding(
    loads: Drawn, stretch: Course, count: int, total: int, share: float
) -> Finding:
    lock = loads.lock
    # Once or twice in a hundred could be a reading that went wrong.
    seldom = (count == 1 and total > 1) or (count < 4 and share < 0.1)
    seen = lock.contact is not None
    days = np.unique(loads.rows.day[loads.empty & stretch.live]).size
    if lock.self_cut and not seen:
        score = 0.96 if count >= 8 and days >= 3 else 0.85
    else:
        score = 0.97 if count >= (2 if seen else 4) else 0.75
    if loads.borrowed:
        score = min(score, 0.96 if count >= 8 and share > 0.9 else 0.85)
    excluded = [] if not (lock.self_cut and not seen) else ["already-open"]
    whole = share >= 0.9
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
        lock.id, "stuck-energised", "now", 0.97 if share >= 0.5 and count >= 3 else 0.85,
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[seen, say("relay-or-driver")], extra=failed_repair(stretch.unhelped),
        evidence=_evidence(loads, stretch), not_excluded=("no-release",) if not lock.pulsed
        else ("coil-open",),
    )


def _empty_sag(loads: Drawn, stretch: Course) -> Amount:
    # Of nothing, noise may be a little less than nothing.
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
    """coil-open and stuck-energised, each at most once a lock: the surer evidence is kept.

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
    """Coils that draw more than they did, the rail's own change taken out; or than siblings do.

    Where the current itself is logged it is judged, per volt; else the sag stands for it.

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
    found = []
    monday = history.week.monday.toordinal()
    logged = logged_currents(history)
    for name, (days, level) in logged.items():
        change = level_change(days, level, monday, floor=0.015)
        if change is not None:
            found += _risen(history, name, change, alone=False)
    for load in rail_loads(history).values():
        for name in dict.fromkeys(name for name, _ in load.coils if name not in logged):
            row = load.latest(name)
            if row is None:
                continue
            floor = max(0.015, float(load.floor[row]))
            change = level_change(load.days, load.own(row), monday, floor=floor)
            if change is not None and _within_a_step(load, row, change):
                continue
            if change is not None:
                found += _risen(history, name, change,
                                alone=bool((load.tellers >= 2).mean() < 0.5))
            elif np.isfinite(load.level[row][load.days >= monday]).sum() >= 2:
                found += _above_siblings(history, load, row)
    return found


def _within_a_step(load: RailLoad, row: int, change: Change) -> bool:
    """Whether the change is no more than two of the meter's own steps."""
    load_share = np.exp(change.before.level + float(np.nanmedian(load.rail)))
    sag_volts = load_share * load.supply.rated_volts
    return bool(sag_volts * abs(np.expm1(change.shift)) < 2.2 * load.step_volts)


def _risen(history: History, name: str, change: Change, *, alone: bool) -> list[Finding]:
    if change.shift < _HIGH_WATCH or change.z < 5:
        return []
    lock = history.venue.locks_by_id[name]
    score = change.score(float(_HIGH_WATCH))
    urgency = "now" if change.shift >= _HIGH_NOW else "week"
    if change.shift < _HIGH_PLAN:
        urgency = "watch"
    if alone:
        # One coil on the rail: the rail's own joints would look the same.
        score, urgency = min(score, 0.6), "week" if urgency == "now" else urgency
    ratio, bounds = float(np.exp(change.shift)), np.exp([change.shift_low, change.shift_high])
    since, low, high = change.dates()
    return [finding(
        name, "coil-current-high", urgency, score,
        since=since, since_low=low, since_high=high,
        says=[
            say("draws-more", percent=Amount(100 * (ratio - 1), "%")),
            *([say("as-if-ohms", now=Amount(lock.ohms / ratio, "ohm"),
                   stated=Amount(lock.ohms, "ohm"))] if lock.ohms else []),
            say("shorted-turns-hot"),
        ],
        evidence=[Evidence(
            "current-against-its-own-past-rail-s-change-taken-out", 100 * ratio, "%",
            n=change.now.n, now_low=100 * float(bounds[0]), now_high=100 * float(bounds[1]),
            before=100.0)],
        not_excluded=("supply-sag",) if alone else (),
    )]


def _above_siblings(history: History, load: RailLoad, row: int) -> list[Finding]:
    """A coil without a past of its own, held against the stated coils beside it."""
    name = load.coils[row][0]
    own = history.venue.locks_by_id[name]
    if own.amps is None:
        return []
    apart = []
    for other, (lock, _) in enumerate(load.coils):
        stated = history.venue.locks_by_id[lock].amps
        if lock != name and stated and load.latest(lock) == other:
            apart.append(float(np.nanmedian(load.own(other))) - np.log(stated))
    if len(apart) < 4:
        return []
    above = float(np.nanmedian(load.own(row))) - np.log(own.amps) - float(np.median(apart))
    spread = max(robust_deviation(np.array(apart)), 0.05)
    if above < _SIBLING_HIGH or above < 5 * spread:
        return []
    days = load.days[np.isfinite(load.level[row])]
    return [finding(
        name, "coil-current-high", "plan", 0.75, since=date.fromordinal(int(days[0])),
        says=[say("draws-more-than-stated", percent=Amount(100 * (np.exp(above) - 1), "%"))],
        evidence=[Evidence("current-against-the-rail-s-other-locks-as-stated",
                           100 * float(np.exp(above)), "%", n=len(apart), before=100.0,
                           now_low=100 * float(np.exp(above - 2 * spread)),
                           now_high=100 * float(np.exp(above + 2 * spread)))],
        not_excluded=("another-coil-than-the-venue-file-states",),
    )]


COIL_OPEN = Condition(
    "coil-open", (circuit,),
    ("median-sag-at-the-command", "commands-that-drew-no-current"),
    # No current, no release; people then open it by hand.
    explains=(
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
