"""How long was a coil on at each energising, and what share of the time?

A coil is on from the command's start to its end, with one exception: a self-cutting lock
interrupts its own coil once it has opened. ``cut_ms`` means something only there. On other
locks a sag that ends early is noise of the rail; their coils stay on to the end of the command.
Heat, duty, ratings and loads at the same time all use these on-times.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import polars as pl

from remanence.analytics.history import LOCKS_AT_A_TIME, History, once_per_history, per_lock
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.table import TIMESTAMP, Column, Table, require
from remanence.shared.tables import ACTUATIONS, ENERGISINGS
from remanence.shared.venue import Venue

ON_TIMES = Table(
    "on_times",
    "How long each coil was on at each energising.",
    (
        Column("lock", pl.String(), "", "the lock"),
        Column("start", TIMESTAMP, "UTC", "coil on"),
        Column("on_ms", pl.Float64(), "ms", "how long the coil was on; null where it is not "
               "known: the log broke off, the record of its end was lost, or the cut of a "
               "self-cutting lock was not seen"),
        Column("end_lost", pl.Boolean(), "", "the log shows it off long before the record of its "
               "end: an earlier one was lost"),
        Column("lasting", pl.Boolean(), "", "it was still on at the end of the log"),
        Column("duty", pl.Float64(), "", "share of the duty window before its end that the coil "
               "was on; null with on_ms"),
    ),
    ("lock", "start"),
)

SLACK_SAMPLES = 2.5
"""A sag has lasted to the end of the pulse if it ends within so many readings of it: the reading
that shows its end, the one before, and half a step of the command's own stamp."""

SLACK_LEAST_MS = 10.0
"""The slack is never less than this: the command's own stamp is not exact. [ms]"""

DUTY_DECIMALS = 9
"""Duty is kept to a billionth: stamps are whole microseconds, the rest is noise of the sums."""

USUAL_SAMPLE_MS = 10.0
"""Spacing of the readings where it is not known. [ms]"""

USUAL_PULSES, LEAST_TIMED = (0.025, 0.975), 5
"""Between these quantiles of its lock's pulses a pulse is as usual (95 %); fewer pulses have none
that is usual (assumption)."""

HELD_SHARE, RECENT_ENDS = 1 / 2000, 1000
"""Share of commands that are held for long in an ordinary venue (assumption). Where a greater one
of a controller's last ends is lost, a command without an end was more likely switched off."""

LOADED_SHARE = 0.5
"""A rail that is still down by this share of the lock's usual sag feeds its coil (assumption)."""

END_LOST_MS, END_LOST_TIMES, OPENS_AT_LAST_MS = 10_000.0, 5.0, 600_000.0
"""A latch that is on by its command for so long was switched off before, and the record is lost,
where its rail was loaded for less than one part of so many, where its catch locked again so long
before the end, or where it first opened after the last time: nobody holds a button for ten minutes
until a lock opens. A held button keeps the rail loaded and the catch open (assumption)."""

_CUT_BY = ("lock", "command_time", "outcome", "latency_ms", "pulse_ms", "sag_ms", "sample_ms",
           "relock_ms", "sag_volts", "end_sag_volts")


def on_times(
    energisings: pl.DataFrame, venue: Venue, actuations: pl.DataFrame | None = None,
    until: datetime | Mapping[str, datetime] | None = None,
) -> pl.DataFrame:
    """How long every coil was on at each of its energisings.

    Parameters
    ----------
    energisings : polars.DataFrame
        Schema ENERGISINGS, any order; rows of locks that the venue does not know are passed over.
    venue : Venue
        The locks, and ``duty_window_s``.
    actuations : polars.DataFrame, optional
        Columns ``lock``, ``command_time``, ``outcome``, ``latency_ms``, ``pulse_ms``, ``sag_ms``,
        ``sample_ms``, ``relock_ms``, ``sag_volts`` and ``end_sag_volts`` of ACTUATIONS. They show
        when a self-cutting lock opened where its cut was not seen (without them the length of such
        an energising is unknown), and which commands ended although the record of it was lost.
    until : datetime or mapping of str to datetime, optional
        Where a lock's last energising has no end, it is taken to last until then: for all
        locks, or for those named (:func:`lasting_until`).

    Returns
    -------
    polars.DataFrame
        Schema ON_TIMES: ``lock``, ``start``, ``on_ms``, ``lasting``, ``end_lost`` and ``duty``; a
        row per energising, sorted by lock and start.

    Raises
    ------
    TableError
        A column of either table is missing or has another type.

    Notes
    -----
    A self-cutting coil was on until its cut was seen. Where no cut was seen: to the end of the
    command if the rail was loaded that long or the lock did not release; until the release if
    there was one; not at all if the lock was already open. Otherwise the length is unknown.
    """
    require(energisings, ENERGISINGS)
    if actuations is None:
        actuations = ACTUATIONS.empty()
    require(actuations, ACTUATIONS, _CUT_BY)
    names, tables = sorted(venue.locks_by_id), []
    for first in range(0, len(names), LOCKS_AT_A_TIME):
        some = pl.col("lock").is_in(names[first : first + LOCKS_AT_A_TIME])
        tables.append(_lengths(energisings.filter(some), actuations.select(_CUT_BY).filter(some),
                               venue, until))
    if not tables:
        return ON_TIMES.empty()
    frame = pl.concat(tables)
    frame = _without_likely_lost(frame, venue)
    window = venue.limits.duty_window_s
    duties = [_duty(part, window) for part in per_lock(frame).values()]
    return ON_TIMES.conform(frame.with_columns(
        duty=pl.Series(np.concatenate(duties)).fill_nan(None))) if duties else ON_TIMES.empty()


def _lengths(
    energisings: pl.DataFrame, actuations: pl.DataFrame, venue: Venue,
    until: datetime | Mapping[str, datetime] | None,
) -> pl.DataFrame:
    """What each energising's own lock tells of its length, sorted by lock and start."""
    cutting = [lock.id for lock in venue.locks if lock.self_cut]
    frame = energisings.sort("lock", "start")
    catches = [lock.id for lock in venue.locks
               if lock.pulsed and lock.contact and lock.contact_senses == "catch"]
    pulled = [lock.id for lock in venue.locks if lock.pulsed]
    opened = actuations.filter(pl.col("lock").is_in(pulled)).select(
        "lock", "outcome", "latency_ms", start="command_time",
        _off=END_LOST_TIMES * pl.col("sag_ms"),
        _locked=pl.when(pl.col("lock").is_in(catches)).then(
            pl.col("latency_ms") + pl.col("relock_ms") + END_LOST_MS),
        _whole=loaded_throughout("sag_ms", "pulse_ms", "sample_ms"),
        _loaded=(pl.col("end_sag_volts") > LOADED_SHARE * pl.col("sag_volts").median().over(
            "lock")).fill_null(False),
    ).unique(["lock", "start"], keep="first", maintain_order=True)
    frame = frame.join(opened, on=["lock", "start"], how="left", maintain_order="left")
    commanded = pl.coalesce("on_ms", _span_until(until))
    outcome = pl.col("outcome")
    cut = (
        pl.when(pl.col("cut_ms").is_not_null()).then(pl.min_horizontal("cut_ms", commanded))
        .when(pl.col("_whole") | (outcome == "no-release")).then(commanded)
        .when(outcome == "already-open").then(0.0)
        .when(pl.col("latency_ms").is_not_null())
        .then(pl.min_horizontal("latency_ms", commanded))
    )
    lost = (commanded > END_LOST_MS).fill_null(False) & (
        (commanded > pl.col("_off")).fill_null(False)
        | (commanded > pl.col("_locked")).fill_null(False)
        | (pl.col("latency_ms") > OPENS_AT_LAST_MS).fill_null(False)
    ) | (_two_commands() & ~pl.col("_whole").fill_null(False))
    cuts = pl.col("lock").is_in(cutting)
    on = pl.when(~lost | (cuts & pl.col("cut_ms").is_not_null())).then(
        pl.when(cuts).then(cut).otherwise(commanded))
    return frame.select(
        "lock", "start", on_ms=on, end_lost=lost, loaded=pl.col("_loaded").fill_null(False),
        lasting=(pl.col("on_ms").is_null() & (on >= commanded)).fill_null(False),
    )


def _two_commands() -> pl.Expr:
    """Whether an energising was told on again after a usual pulse, and lasted one more from there.

    The end of the first is not known. A program that only repeats what is on does not switch off
    just a pulse after it.
    """
    plain = pl.when(pl.col("again_ms").is_null()).then("on_ms")
    shortest, longest = (plain.quantile(one).over("lock") for one in USUAL_PULSES)
    many = plain.count().over("lock") > LEAST_TIMED
    # Both stamps are whole microseconds: their difference is too.
    after = (pl.col("on_ms") - pl.col("again_ms")).round(3)
    usual = after.is_between(shortest.round(3), longest.round(3))
    return (many & usual & (pl.col("again_ms") > longest)).fill_null(False)


def _without_likely_lost(frame: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """On-times without those of commands that lasted to the end of the log while nothing shows a
    coil on, where the record of their end was likelier lost: by the share of ends that the
    controller is known to lose.
    """
    # (A controller at a time: of hundreds of locks no more is put in order than what is looked at.)
    by_lock = per_lock(frame.select("lock", "start", "end_lost"))
    lossy: list[str] = []
    for controller in venue.controllers:
        own = [lock.id for lock in venue.locks
               if lock.command_controller == controller and lock.id in by_lock]
        if own:
            ends = pl.concat(by_lock[name] for name in own).sort("start")["end_lost"]
            lost = ends.tail(RECENT_ENDS).to_numpy()
            lossy += own if lost.mean() > HELD_SHARE else []
    unknown = pl.col("lasting") & ~pl.col("loaded") & (pl.col("on_ms") > END_LOST_MS) & (
        pl.col("lock").is_in(lossy))
    return frame.with_columns(
        on_ms=pl.when(~unknown.fill_null(False)).then("on_ms"),
        lasting=pl.col("lasting") & ~unknown.fill_null(False)).drop("loaded")


@once_per_history
def times_of(history: History) -> pl.DataFrame:
    """Every on-time of a history: :func:`on_times` of all its energisings.

    Parameters
    ----------
    history : History
        ``energisings``, ``actuations``, ``activity`` and ``clock_events``.

    Returns
    -------
    polars.DataFrame
        Schema ON_TIMES: ``lock``, ``start``, ``on_ms``, ``lasting``, ``end_lost`` and ``duty``.
    """
    return on_times(
        history.energisings, history.venue, history.actuations, lasting_until(history)
    )


def lasting_until(history: History) -> dict[str, datetime]:
    """The last record of each lock's controller, where its coil was on until then.

    A log that breaks off after an energising does not show when it ended, and neither does a
    controller that restarted after it. Those locks are not in the result, so that a gap in the
    log never reads as a hot coil.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week; ``energisings``, ``activity`` and
        ``clock_events`` are used.

    Returns
    -------
    dict of str to datetime
        By lock, only for those whose last energising has no end; UTC.
    """
    if history.energisings.is_empty() or history.activity.is_empty():
        return {}
    open_ends = (
        history.energisings.filter(pl.col("start") == pl.col("start").max().over("lock"))
        .filter(pl.col("end").is_null() & pl.col("on_ms").is_null())
    )
    found = {}
    for name, start in open_ends.select("lock", "start").iter_rows():
        lock = history.venue.locks_by_id.get(name)
        if lock is None:
            continue
        controller = history.activity.filter(pl.col("controller") == lock.command_controller)
        since = pl.lit(start, dtype=TIMESTAMP)
        restarts = history.clock_events.filter(
            (pl.col("controller") == lock.command_controller) & (pl.col("kind") == "restart")
            & (pl.col("time") > since)
        )
        seen = controller["last"].max()
        runs = controller.filter((pl.col("runs") > 1) & (pl.col("last") > since))
        if isinstance(seen, datetime) and seen > start and not restarts.height and not runs.height:
            found[name] = seen
    return found


def loaded_throughout(sag_ms: str, pulse_ms: str, sample_ms: str) -> pl.Expr:
    """Whether a coil loaded the rail to the end of its pulse: nothing cut it.

    Parameters
    ----------
    sag_ms, pulse_ms, sample_ms : str
        Columns: how long the sag lasted, how long the pulse, and the spacing of the readings. [ms]

    Returns
    -------
    polars.Expr
        True or false; null where the sag was not resolved or the pulse has no end.
    """
    return pl.col(sag_ms) >= pl.col(pulse_ms) - end_slack_ms(sample_ms)


def end_slack_ms(sample_ms: str) -> pl.Expr:
    """How far from the end of a pulse the end of its sag may be read although they coincide.

    Parameters
    ----------
    sample_ms : str
        Column of the spacing of the readings; null where not known. [ms]

    Returns
    -------
    polars.Expr
        Milliseconds.
    """
    spacing = pl.col(sample_ms).fill_null(USUAL_SAMPLE_MS)
    return (SLACK_SAMPLES * spacing).clip(lower_bound=SLACK_LEAST_MS)


def duty_share(start_s: Reals, on_s: Reals, window_s: float) -> Reals:
    """Share of the window before the end of each on-time that the coil was on.

    Parameters
    ----------
    start_s, on_s : numpy.ndarray, shape (n,)
        Starts, rising, and lengths. [s] One that overlaps the next ends where the next begins.
    window_s : float
        Length of the window. [s]

    Returns
    -------
    numpy.ndarray, shape (n,)
        Between 0 and 1.
    """
    if not start_s.size:
        return np.zeros(0)
    on = np.minimum(on_s, np.append(np.diff(start_s), np.inf))
    ends = start_s + on
    total = np.cumsum(on)
    moments = np.column_stack([start_s, ends]).ravel()
    so_far = np.column_stack([total - on, total]).ravel()
    share: Reals = (total - np.interp(ends - window_s, moments, so_far, left=0.0)) / window_s
    rounded: Reals = np.clip(share, 0.0, 1.0).round(DUTY_DECIMALS)
    return rounded


def _span_until(until: datetime | Mapping[str, datetime] | None) -> pl.Expr:
    """From the start of each lock's last energising to the end of the log; null for others. [ms]"""
    if isinstance(until, datetime):
        end = pl.lit(until, TIMESTAMP)
    elif until:
        end = pl.col("lock").replace_strict(dict(until), default=None, return_dtype=TIMESTAMP)
    else:
        return pl.lit(None, pl.Float64)
    span = (end - pl.col("start")).dt.total_microseconds() / 1000.0
    last = pl.col("start") == pl.col("start").max().over("lock")
    return pl.when(last).then(span.clip(lower_bound=0.0))


def _duty(rows: pl.DataFrame, window_s: float) -> Reals:
    """The duty of one lock's rows; NaN where the on-time is not known."""
    known = rows["on_ms"].is_not_null().to_numpy()
    start = (rows["start"] - rows["start"][0]).dt.total_microseconds().to_numpy() / 1e6
    on = rows["on_ms"].to_numpy() / 1e3
    share: Reals = np.full(rows.height, np.nan)
    share[known] = duty_share(start[known], on[known], window_s)
    return share
