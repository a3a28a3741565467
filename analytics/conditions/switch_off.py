"""What happens at switch-off: the coil stays on, or throws a spike."""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.drawn_load import UNKNOWN_NOISE_VOLTS
from remanence.analytics.conditions.evidence import (
    FAULT_PRIOR,
    SHOWS_AT,
    chance_shown,
    share_evidence,
)
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.conditions.from_first_day import quick_from_the_start
from remanence.analytics.conditions.latency import lost_diode
from remanence.analytics.history import (
    Flags,
    History,
    Ints,
    Reals,
    Rows,
    once_per_history,
    per_lock,
    rails_in_lots,
    rows_by_lock,
)
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.rates import chance_of_at_least, chance_of_fault
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Lock

_STAYS_MS = 200.0
"""A load that surely stays this long after its command is no arc and no slow supply. The first
reading that shows it gone comes up to one reading late."""
_UNKNOWN_SAMPLE_MS = 20.0
"""Time between two readings where the log does not tell. Assumption."""
_STAYS_PRIOR = (0.5, 19.5)
"""Commands that stayed on, and that did not, added to the lock's past: one in forty. Assumption."""
_FEWEST_STAYS = 2
"""A load that stayed once may be another coil's. Assumption."""
_STAYS_CHANCE = 1e-3
"""Chance of so many at the usual rate, below which they are told. Assumption."""
_FEWEST_PAST_COMMANDS = 10
"""With fewer commands before, the load may have stayed from the first day on. Assumption."""
_SLOW_SUPPLY_MS = 1000.0
"""A supply that comes back slowly takes no longer than this. Assumption."""
_SLOW_RAIL_COMMANDS, _SLOW_RAIL_SHARE = 5, 0.3
"""Commands of a rail's other locks, and the share of them, that show the rail itself to be slow.
Assumption."""
_PULSE_UNKNOWN_MS = 1e12
"""A pulse without a logged length ends so late that it falls together with nothing."""
_TOGETHER_US = 25_000
"""Switch-offs this close together cannot be told apart on a rail. Assumption."""
_LONGEST_READ_MS = 1500.0
"""Readings go on for about two seconds after a command's end: a load still there may last on."""
_FEWEST_SWITCH_OFFS = 5
"""A lock with fewer switch-offs is not judged. Assumption."""
_SPIKE_BASE_QUANTILE, _SPIKE_BASE_QUANTILE_ALONE = 0.5, 0.25
"""Quantile of the readings that is free of spikes: among other locks, and of a lock alone, which
may spike half of the time. Assumption."""
_SPIKE_SPREADS, _SPIKE_NOISES = 8.0, 6.0
"""Deviations of the readings, and of the meter's noise, above the base at which a spike begins.
Common practice, no source."""
_SPIKE_RATED_SHARE = 0.02
"""A spike is at least this share of the rated volts. Assumption."""
_QUIET_BASES, _QUIET_NOISES = 2.0, 3.0
"""Readings up to so many times the base, or the base at least so many noises high, give the
deviation: what is higher may be spikes. Assumption."""
_FEWEST_OTHERS_MEANWHILE = 10
"""Switch-offs of other locks since then, for their share of spikes to count. Assumption."""
_SPIKE_PRIOR = (0.5, 25.0)
"""Beta prior of the share of switch-offs with a spike of a lock whose suppression is there: one in
fifty. Assumption."""
_OVERSHOOT_SHARE = 0.5
"""Where the others spike this often, as a share of the lock's own, the supply does it.
Assumption."""
_FEWEST_SPIKES, _LEAST_SPIKE_SCORE = 2, 0.5
"""Fewer spikes say nothing: one may be another load's. They are told where a fault is likelier than
not. Assumption."""


@once_per_history
def outlasted(history: History) -> dict[str, tuple[Rows, Flags]]:
    """Commands of each lock whose sag was read to its end, and which of them the load outlasts.

    Parameters
    ----------
    history : History
        ``sag_outlasts_ms`` of its actuations tells.

    Returns
    -------
    dict of lock to (Rows, array of bool)
    """
    frame = history.dated("actuations").select(
        "lock", "command_time", "day", "weeks_ago", "sample_ms", "sag_outlasts_ms",
    ).filter(pl.col("sag_outlasts_ms").is_finite())
    flagged: dict[str, tuple[Rows, Flags]] = {}
    for name, rows in rows_by_lock(frame, "command_time", history).items():
        step = np.nan_to_num(rows.real("sample_ms"), nan=_UNKNOWN_SAMPLE_MS)
        outlasts = rows.real("sag_outlasts_ms")
        flagged[name] = rows, outlasts > _STAYS_MS + step
    return flagged


def stays_on(history: History) -> list[Finding]:
    """Coils whose load outlasts many commands: a tack-welded relay or a driver."""
    flagged = outlasted(history)
    found = []
    for name, (rows, stays) in flagged.items():
        stretch = course(rows, stays, history)
        if stretch is None or _rail_is_slow(history, flagged, rows.lock):
            continue
        # A relay that sticks now and then shows it over weeks, where a beginning shows.
        shown = stretch.all_since if stretch.change is not None else stretch.now
        rate = (stretch.before[0] + _STAYS_PRIOR[0]) / (stretch.before[1] + sum(_STAYS_PRIOR))
        if shown[0] < _FEWEST_STAYS or chance_of_at_least(*shown, rate) > _STAYS_CHANCE:
            continue
        count, total = stretch.now
        outlasts = rows.real("sag_outlasts_ms")[stays & stretch.live]
        longest = float(outlasts.max())
        # A short load that was there from the first day on is a supply that comes back slowly.
        if (stretch.before[1] < _FEWEST_PAST_COMMANDS
                and float(np.median(outlasts)) < _SLOW_SUPPLY_MS):
            continue
        found.append(finding(
            name, "stuck-energised", "now",
            chance_shown(shown, stretch.before, _STAYS_PRIOR),
            since=stretch.since, since_low=stretch.low, since_high=stretch.high,
            says=[say("outlasts-command-at-least" if longest > _LONGEST_READ_MS else
                      "outlasts-command", found=count, total=total,
                      longest=Amount(longest / 1000.0, "s")),
                  say("relay-or-driver")],
            extra=failed_repair(stretch.unhelped),
            evidence=[
                share_evidence("commands-that-the-load-outlasts", stretch.now, stretch.before),
                Evidence("longest-load-after-the-command-s-end", longest, "ms", n=total),
            ],
        ))
    return found


def _rail_is_slow(
    history: History, flagged: dict[str, tuple[Rows, Flags]], lock: Lock
) -> bool:
    """Whether the rail's other locks show the same: then the supply comes back slowly."""
    count = total = 0
    for other in history.venue.locks_on(lock.supply):
        if other.id != lock.id and other.id in flagged:
            rows, stays = flagged[other.id]
            total += int(rows.now.sum())
            count += int((stays & rows.now).sum())
    return total >= _SLOW_RAIL_COMMANDS and count > _SLOW_RAIL_SHARE * total


# Over-voltage.


def missing_suppression(history: History) -> list[Finding]:
    """Locks with an over-voltage at switch-off that the rail does not show otherwise.

    A spike is much shorter than the time between two readings, so only some are caught.
    The share of switch-offs with a spike is compared with that of the rail's other locks and
    of this lock's own past. A lock that is stated to have no suppression is left out.
    """
    venue, ends = history.venue, _switch_offs(history)
    held = [lock.id for lock in venue.locks if not lock.pulsed]
    # Cutting a magnet unloads its rail: the rise that follows is no spike.
    relief = pl.when(pl.col("lock").is_in(held)).then(pl.col("sag_volts")).otherwise(0.0)
    looked_at = history.dated("actuations").select(
        "lock", "command_time", "day", "weeks_ago", "pulse_ms", "volts_noise", "off_spike_volts",
        "sag_volts")
    found = []
    for of_rails in rails_in_lots(looked_at, venue):
        frame = of_rails.with_columns(off_spike_volts=pl.col("off_spike_volts") - relief).filter(
            pl.col("off_spike_volts").is_finite())
        by_lock = {
            name: rows.take(~_coincident(rows, *ends.get(rows.lock.supply, _NO_ENDS)))
            for name, rows in rows_by_lock(frame, "command_time", history).items()
        }
        found += [item for rows in by_lock.values()
                  if (item := _of_lock(rows, by_lock, history)) is not None]
    return found


def _of_lock(rows: Rows, by_lock: dict[str, Rows], history: History) -> Finding | None:
    """What one lock's switch-offs show, beside those of its rail's other locks."""
    lock = rows.lock
    if lock.suppression == "none" or rows.size < _FEWEST_SWITCH_OFFS:
        return None
    height, others = _height(history, by_lock, lock)
    spikes = rows.real("off_spike_volts") > height
    stretch = course(rows, spikes, history)
    if stretch is None:
        return None
    meanwhile = _others_meanwhile(history, by_lock, lock, height, stretch)
    return _spike_finding(rows, spikes, stretch, height, others, meanwhile)


def _height(
    history: History, by_lock: dict[str, Rows], lock: Lock
) -> tuple[float, tuple[int, int]]:
    """Volts above which a reading is a spike, and how often others of the rail are above."""
    quiet = [
        by_lock[other.id].real("off_spike_volts")
        for other in history.venue.locks_on(lock.supply)
        if other.id in by_lock and other.id != lock.id and other.suppression != "none"
    ]
    own = by_lock[lock.id]
    values = np.concatenate([*quiet, own.real("off_spike_volts")])
    noise = float(np.nanmedian(own.real("volts_noise"))) if np.isfinite(
        own.real("volts_noise")).any() else UNKNOWN_NOISE_VOLTS
    base = float(np.quantile(
        values, _SPIKE_BASE_QUANTILE if quiet else _SPIKE_BASE_QUANTILE_ALONE))
    spread = robust_deviation(
        values[values <= _QUIET_BASES * max(base, _QUIET_NOISES * noise)])
    rated = history.venue.supplies_by_id[lock.supply].rated_volts
    height = max(base + _SPIKE_SPREADS * (spread if np.isfinite(spread) else 0.0),
                 base + _SPIKE_NOISES * noise, _SPIKE_RATED_SHARE * rated)
    rest = np.concatenate(quiet) if quiet else np.array([])
    return height, (int((rest > height).sum()), int(rest.size))


def _others_meanwhile(
    history: History, by_lock: dict[str, Rows], lock: Lock, height: float, stretch: Course
) -> float:
    """Share of spikes at the switch-offs of the rail's other locks since this lock's began."""
    count = total = 0
    for other in history.venue.locks_on(lock.supply):
        if other.id == lock.id or other.id not in by_lock or other.suppression == "none":
            continue
        rows = by_lock[other.id]
        since = rows.day >= stretch.since.toordinal()
        total += int(since.sum())
        count += int((rows.real("off_spike_volts")[since] > height).sum())
    return count / total if total >= _FEWEST_OTHERS_MEANWHILE else 0.0


def _spike_finding(
    rows: Rows, spikes: Flags, stretch: Course, height: float, others: tuple[int, int],
    meanwhile: float,
) -> Finding | None:
    # All rows since the onset count, because a week's readings catch few spikes.
    since = rows.day >= stretch.since.toordinal()
    count, total = int((spikes & since).sum()), int(since.sum())
    usual = (others[0] + stretch.before[0], others[1] + stretch.before[1])
    if meanwhile > _OVERSHOOT_SHARE * count / max(total, 1):
        # All locks of the rail show it: the supply overshoots, whatever is switched off.
        return None
    if count < _FEWEST_SPIKES:
        return None
    # The beginning was chosen from the same rows: it may have been at any of this week's as well.
    weekly = max(int(rows.now.sum()), 1)
    score = chance_of_fault(
        count, total, healthy=(_SPIKE_PRIOR[0] + usual[0], _SPIKE_PRIOR[1] + usual[1] - usual[0]),
        faulty=SHOWS_AT, prior=FAULT_PRIOR / weekly)
    if score < _LEAST_SPIKE_SCORE:
        return None
    tall = float(np.median(rows.real("off_spike_volts")[spikes & since]))
    lock = rows.lock
    return finding(
        lock.id, "missing-suppression", "week", score,
        since=stretch.since, since_low=stretch.low, since_high=stretch.high,
        says=[say("spikes", volts=Amount(tall, "V"), found=count, total=total),
              say(f"suppression-{lock.suppression}")],
        extra=failed_repair(stretch.unhelped),
        evidence=[
            share_evidence("switch-offs-with-a-spike", (count, total),
                           (stretch.before[0], stretch.before[1])),
            Evidence("median-of-those-spikes-as-caught", tall, "V", n=count),
            share_evidence("the-same-other-locks-of-the-rail", others),
        ],
    )


def _coincident(rows: Rows, ends: Ints, whose: Ints, names: list[str]) -> Flags:
    """Rows whose switch-off falls together with that of another lock on the rail."""
    off = rows.time_us.astype(np.float64)
    if rows.lock.pulsed:
        off = off + 1000.0 * np.nan_to_num(rows.real("pulse_ms"), nan=_PULSE_UNKNOWN_MS)
    if rows.lock.id in names:
        ends = ends[whose != names.index(rows.lock.id)]
    if not ends.size:
        return np.zeros(rows.size, dtype=bool)
    place = np.searchsorted(ends, off)
    left: Reals = np.abs(off - ends[np.maximum(place - 1, 0)])
    right: Reals = np.abs(ends[np.minimum(place, ends.size - 1)] - off)
    out: Flags = np.minimum(left, right) <= _TOGETHER_US
    return out


_NO_ENDS: tuple[Ints, Ints, list[str]] = np.array([], np.int64), np.array([], np.int64), []


def _switch_offs(history: History) -> dict[str, tuple[Ints, Ints, list[str]]]:
    """Times at which coils of each rail were switched off, in order, whose each was, and names."""
    by_rail: dict[str, dict[str, Ints]] = {}
    for name, rows in per_lock(history.energisings.select("lock", "end")).items():
        lock = history.venue.locks_by_id.get(name)
        if lock is not None:
            by_rail.setdefault(lock.supply, {})[name] = rows["end"].drop_nulls().cast(
                pl.Int64).to_numpy()
    found = {}
    for rail, by_lock in by_rail.items():
        ends = np.concatenate(list(by_lock.values()))
        order = np.argsort(ends, kind="stable")
        whose = np.repeat(np.arange(len(by_lock)), [own.size for own in by_lock.values()])
        found[rail] = ends[order], whose[order], list(by_lock)
    return found


MISSING_SUPPRESSION = Condition(
    "missing-suppression", (missing_suppression, lost_diode, quick_from_the_start),
    ("switch-offs-with-a-spike", "median-of-those-spikes-as-caught",
     "the-same-other-locks-of-the-rail", "median-latency", "median-latency-at-rated-volts",
     "median-latency-beside-its-siblings", "change-since-then",
     "smallest-change-two-weeks-would-show", "cusum-of-weekly-levels-alarm-at-5",
     "slope-since-then"),
    # Without its diode a magnet lets go sooner; its spikes tell.
    explains=("weakening-hold", "slow-drop"),
)
