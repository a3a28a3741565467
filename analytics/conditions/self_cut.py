"""Does a coil that ought to cut itself stay on? By single pulses, or by the mean of many."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.evidence import chance_shown, share_evidence
from remanence.analytics.conditions.fault_course import Course, course, live_rows
from remanence.analytics.history import Flags, History, Ints, Rows, per_lock, rows_by_lock
from remanence.analytics.physics.on_times import end_slack_ms, loaded_throughout
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import probability
from remanence.analytics.statistics.level_change import level_change
from remanence.shared.findings import Amount, Evidence, Finding, say

_LEAST_PULSE_MS = 250.0
"""``end_sag_volts`` is read in the last 60 % of a pulse; in a shorter one than this a sound latch
may be still on its way then (no catch that works takes longer than 100 ms)."""
_OPEN_BEFORE_SHARE = 0.4
"""The end of a pulse begins after this share of it: a lock that opened before is cut by then."""
_SURE_Z = 5.0
"""Standard errors between the mean loads before and now: many locks, many weeks."""
_CUT_SHARE = 0.35
"""A coil that is cut leaves no more than this share of the load it makes when it is not cut."""
_UNCUT_SHARE = 0.6
"""One that is not cut leaves at least this share of it."""
_LEAST_TELLERS = 2
"""Other locks that must show what an ampere takes off the rail."""
_LEFT_ALONE_SHARE = 0.25
"""Where fewer commands than this share were tried again, people found the lock open: of those that
the game itself does not follow with another one so soon."""
_RATE_PRIOR = 1e-4
"""Chance that this begins in a given week. Assumption."""
_FEWEST_NOT_CUT, _NOT_CUT_SHARE = 2, 0.2
"""Commands not cut, and their share, that are told where a contact saw the lock open.
Assumption."""
_FEWEST_LEFT_ALONE = 5
"""Commands not cut that are told where no contact tells: that people left each of them alone speaks
for the switch, however many others it cut. Assumption."""
_FEWEST_CUT_BEFORE, _NOT_CUT_SHARE_BEFORE = 5, 0.2
"""Commands before, and the most of them not cut, that show that the switch did cut. Assumption."""
_NOT_CUT_SEEN, _NOT_CUT_UNSEEN = (1.0, 60.0), (1.0, 10.0)
"""Beta priors of the share of a sound switch's commands that seem not to be cut, with a contact
that saw the lock open and without: a catch that did not move looks the same. Assumption."""
_SLACKS_AFTER_OPENING = 2
"""A pulse tells only if it goes on for so many slacks of the readings after the lock opened."""
_FEWEST_DAYS_OF_MEAN = 10
"""Days with a mean load for a change of it to be looked for. Common practice, no source."""
_FEWEST_ALONE_PULSES = 5
"""Pulses since the change that a finding rests on. Assumption."""
_SAG_NOISES = 0.3
"""Noise of one sag as a share of a reading's. Assumption: a median of some ten readings less one
of those before."""
_MEAN_MOST_SCORE = 0.95
"""A load that is seen only in a mean is never surer than this. Assumption."""


def not_cut(history: History) -> list[Finding]:
    """Self-cutting coils that stay on to the end of the pulse although the lock has opened.

    Where no contact tells that it opened, a sag as long as the pulse may also be a catch
    that did not move; then nobody would have gone on without trying again, so a string of
    such commands, each left alone, speaks for the switch.
    """
    cutting = [lock.id for lock in history.venue.locks if lock.self_cut]
    frame = history.dated("actuations").filter(
        pl.col("lock").is_in(cutting) & (pl.col("sag_volts") > 0)
    ).with_columns(
        slack_ms=end_slack_ms("sample_ms"),
        to_the_end=loaded_throughout("sag_ms", "pulse_ms", "sample_ms"),
    )
    found = []
    for name, rows in rows_by_lock(frame, "command_time", history).items():
        told, failed = _not_cut(rows)
        part = rows.take(told)
        stretch = course(part, failed[told], history)
        if stretch is None:
            continue
        count, total = stretch.now
        share = stretch.share
        seen = rows.lock.contact is not None
        if seen and (count < _FEWEST_NOT_CUT or share < _NOT_CUT_SHARE):
            continue
        if not seen and not _left_alone(
                part, failed[told] & stretch.live, count, stretch,
                history.venue.limits.retry_within_s):
            continue
        on = float(np.median(part.real("pulse_ms")[failed[told] & stretch.live]))
        found.append(finding(
            name, "self-cut-failed", "week",
            chance_shown(stretch.now, stretch.before, _NOT_CUT_SEEN if seen else _NOT_CUT_UNSEEN),
            since=stretch.since, since_low=stretch.low, since_high=stretch.high,
            says=[say("not-cut-though-open" if seen else "not-cut-and-left-alone",
                      pulse=Amount(on, "ms"), found=count, total=total)],
            extra=failed_repair(stretch.unhelped),
            evidence=[
                share_evidence("commands-that-the-switch-did-not-cut", stretch.now,
                               stretch.before),
                Evidence("time-the-coil-was-on", on, "ms", n=total,
                         before=_usual_cut(part, failed[told])),
            ],
            not_excluded=() if seen else ("no-release",),
        ))
    return found


def _not_cut(rows: Rows) -> tuple[Flags, Flags]:
    """Rows that tell whether the switch cut the coil, and those in which it did not."""
    outcome, pulse = rows.text("outcome"), rows.real("pulse_ms")
    sag_ms, latency = rows.real("sag_ms"), rows.real("latency_ms")
    slack, to_the_end = rows.real("slack_ms"), rows.flag("to_the_end")
    if rows.lock.contact is not None:
        # The contact shows when it opened; the cut ought to have come then.
        told = (outcome == "released") & np.isfinite(sag_ms) & (
            pulse > latency + _SLACKS_AFTER_OPENING * slack)
        return np.asarray(told, dtype=bool), np.asarray(told & to_the_end, dtype=bool)
    told = np.isfinite(sag_ms) & np.isfinite(pulse)
    return told, np.asarray(told & to_the_end & (outcome != "released"), dtype=bool)


def _usual_cut(rows: Rows, failed: Flags) -> float | None:
    good = rows.real("sag_ms")[~failed]
    return float(np.median(good)) if good.size else None


def _left_alone(
    rows: Rows, failed: Flags, count: int, stretch: Course, retry_within_s: float
) -> bool:
    """Whether commands that were not cut were, nearly all of them, not tried again.

    A lock that its game uses twice in some minutes was commanded again as soon when it was sound.
    """
    if count < _FEWEST_LEFT_ALONE:
        return False
    failed_before, commands_before = stretch.before
    if (commands_before < _FEWEST_CUT_BEFORE
            or failed_before > _NOT_CUT_SHARE_BEFORE * commands_before):
        return False
    again = float((rows.real("attempt")[failed] > 1).mean())
    soon = np.diff(rows.time_us) <= 1e6 * retry_within_s
    usual = float(soon[rows.day[1:] < stretch.since.toordinal()].mean())
    return again - usual < _LEFT_ALONE_SHARE * (1.0 - usual)


def loaded_to_the_end(history: History) -> list[Finding]:
    """The same where one pulse's load hides in the rail's noise: by the mean of many pulses.

    The mean of ``end_sag_volts`` is nought while the switch cuts the coil, and the coil's whole
    load once it does not. Where a contact shows that the lock opened, those commands tell;
    without one, all do while nobody tries again: a second try says that the catch has not moved.
    """
    blind = [lock.id for lock in history.venue.locks if lock.self_cut]
    seen = [lock.id for lock in history.venue.locks if lock.contact is not None]
    if not blind:
        return []
    pulses = _pulses(history)
    frame = history.dated("actuations").filter(
        pl.col("lock").is_in(blind) & pl.col("end_sag_volts").is_finite()
        & (pl.col("pulse_ms") >= _LEAST_PULSE_MS)
        & (~pl.col("lock").is_in(seen) | (
            (pl.col("outcome") == "released")
            & (pl.col("latency_ms") < _OPEN_BEFORE_SHARE * pl.col("pulse_ms")))))
    found = []
    for rows in rows_by_lock(frame, "command_time", history).values():
        alone = rows.take(~_among_others(rows, pulses.get(rows.lock.supply, {})))
        days, where = np.unique(alone.day, return_inverse=True)
        if days.size < _FEWEST_DAYS_OF_MEAN:
            continue
        level = np.bincount(where, weights=alone.real("end_sag_volts")) / np.bincount(where)
        change = level_change(days, level, history.week.monday.toordinal(),
                              floor=_noise_of_a_day(alone))
        if change is None:
            continue
        if not _no_longer_cut(change, _expected(history, rows, change.dates()[0])):
            continue
        live = live_rows(alone, history) & (alone.day >= change.since)
        if (live.sum() < _FEWEST_ALONE_PULSES
                or (alone.real("attempt")[live] > 1).mean() > _LEFT_ALONE_SHARE):
            continue
        found.append(_mean_finding(alone, live, change))
    return found


def _noise_of_a_day(rows: Rows) -> float:
    """Deviation of a day's mean that the rail's own noise leaves, for a typical day. [V]"""
    noise = rows.real("volts_noise")
    per_day = rows.size / max(np.unique(rows.day).size, 1)
    usual = float(np.nanmedian(noise)) if np.isfinite(noise).any() else 0.0
    return _SAG_NOISES * usual / float(np.sqrt(max(per_day, 1.0)))


def _expected(history: History, rows: Rows, since: date) -> tuple[float, float]:
    """Sag of this coil if it is not cut, before and since, by the rail's other locks.

    NaN where too few of them tell.
    """
    others = [lock for lock in history.venue.locks_on(rows.lock.supply)
              if lock.id != rows.lock.id and not lock.self_cut and lock.amps]
    own = rows.lock.amps
    if not own or len(others) < _LEAST_TELLERS:
        return float("nan"), float("nan")
    amps = {lock.id: lock.amps for lock in others}
    frame = history.dated("actuations").filter(
        pl.col("lock").is_in(list(amps)) & pl.col("sag_volts").is_finite()
    )
    local = pl.col("command_time").dt.convert_time_zone(history.venue.time_zone)
    frame = frame.with_columns(
        later=local.dt.date() >= since,
        per_ampere=pl.col("sag_volts") / pl.col("lock").replace_strict(
            amps, default=None, return_dtype=pl.Float64),
    ).group_by("lock", "later").agg(pl.col("per_ampere").median())
    found = []
    for later in (False, True):
        part = frame.filter(pl.col("later") == later)["per_ampere"]
        middle = part.median() if part.len() >= _LEAST_TELLERS else None
        found.append(own * middle if isinstance(middle, float) else float("nan"))
    return found[0], found[1]


def _no_longer_cut(change: Change, expected: tuple[float, float]) -> bool:
    """Whether the coil was cut and is no longer, by the sag of a coil that is not cut.

    A softer rail makes every sag deeper, so both are compared with the rail's other locks.
    """
    before, now = expected
    return bool(
        change.shift > 0 and change.z > _SURE_Z and change.before.level < _CUT_SHARE * before
        and change.now.level > _UNCUT_SHARE * now)


def _mean_finding(rows: Rows, live: Flags, change: Change) -> Finding:
    name = rows.lock.id
    since, low, high = change.dates()
    now, before = change.now.level, change.before.level
    # ln odds: half the square of z is the log likelihood ratio of a normal change.
    odds = 0.5 * change.z**2 + np.log(_RATE_PRIOR)
    return finding(
        name, "self-cut-failed", "week", min(probability(float(odds)), _MEAN_MOST_SCORE),
        since=since, since_low=low, since_high=high,
        says=[say("loads-to-the-end", now=Amount(1000 * now, "mV"),
                  before=Amount(1000 * before, "mV"), commands=int(live.sum()))],
        evidence=[Evidence(
            "load-in-the-last-part-of-the-pulse", now, "V", n=int(live.sum()),
            now_low=before + change.shift_low, now_high=before + change.shift_high,
            before=before,
        )],
        not_excluded=("no-release",),
    )


_NO_TIMES: Ints = np.array([], np.int64)


def _pulses(history: History) -> dict[str, dict[str, tuple[Ints, Ints]]]:
    """Begin and end of every pulse of each rail's latches, by rail and latch."""
    out: dict[str, dict[str, tuple[Ints, Ints]]] = {}
    by_lock = per_lock(history.dated("actuations").select("lock", "command_time", "pulse_ms"))
    for lock in history.venue.locks:
        if not lock.pulsed or lock.id not in by_lock:
            continue
        pulse = by_lock[lock.id]["pulse_ms"].to_numpy()
        known = np.isfinite(pulse)
        begin = by_lock[lock.id]["command_time"].dt.epoch("us").to_numpy()[known]
        out.setdefault(lock.supply, {})[lock.id] = begin, begin + (pulse[known] * 1000).astype(
            np.int64)
    return out


def _among_others(rows: Rows, pulses: Mapping[str, tuple[Ints, Ints]]) -> Flags:
    """Commands while another latch of the rail was pulsed as well."""
    others = [ends for name, ends in pulses.items() if name != rows.lock.id]
    begin, end = (np.sort(np.concatenate([_NO_TIMES, *(ends[side] for ends in others)]))
                  for side in (0, 1))
    stop = rows.time_us + (rows.real("pulse_ms") * 1000).astype(np.int64)
    begun = np.searchsorted(begin, stop, "right")
    over = np.searchsorted(end, rows.time_us, "left")
    out: Flags = begun > over
    return out


def self_cut_failed(history: History) -> list[Finding]:
    """Self-cutting coils that stay on to the end of the pulse although the lock has opened."""
    single = not_cut(history)
    told = {item.subject for item in single}
    return single + [item for item in loaded_to_the_end(history) if item.subject not in told]


SELF_CUT_FAILED = Condition(
    "self-cut-failed", (self_cut_failed,),
    ("commands-that-the-switch-did-not-cut", "time-the-coil-was-on",
     "load-in-the-last-part-of-the-pulse"),
    # Read off the rail, a coil that is not cut looks like a lock that did not open.
    # A load that lasts to the pulse's end is read deeper than one that is cut.
    explains=(
        "over-long-energising", "stuck-energised", "not-reclosed", "no-release",
        "sticking-catch", "short-pulse", "coil-current-high",
    ),
    needs_part=True,
)
