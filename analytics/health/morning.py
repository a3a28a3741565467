"""The morning's round: each lock cycled once before opening, held against its own usual range.

It rests on what the weekly report says of each lock (:class:`Usual`, out of ``findings.json``) and
on the venue's limits, so that a lock is not slow on one page and well on another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from remanence.shared.venue import Lock, Venue

ROUND_STATES = (
    "no-answer", "slower", "waiting", "not-cycled", "already-open", "unobserved", "released",
)
"""How a lock stands in the round, what needs a person first."""

ANSWERED = ("released", "slower")
"""A lock in one of these states opened when it was last commanded."""

ON_ITS_WAY = timedelta(seconds=3)
"""A record may take so long from the controller to the file and to this page: a lock is not said
to have been silent before. (Files are looked at every two seconds.)"""


@dataclass(frozen=True)
class Usual:
    """A lock's usual time to release, as the newest weekly report has it.

    Attributes
    ----------
    latency_from : str or None
        What its times are read off; times of another kind are not held against it.
    median_ms, p95_ms : float or None
        Of the level before; None where there is none yet.
    resolution_ms : float or None
        A time lies up to so much before its stamp.
    """

    latency_from: str | None = None
    median_ms: float | None = None
    p95_ms: float | None = None
    resolution_ms: float | None = None


@dataclass(frozen=True)
class LockRound:
    """One lock in the round.

    Attributes
    ----------
    lock, room : str
        Which, and where.
    state : str
        One of :data:`ROUND_STATES`.
    cycles, unanswered : int
        Commands since the round began, and those of them that it did not answer.
    latency_ms : float or None
        Median time to release of the round.
    usual_ms, limit_ms : float or None
        Its usual time, and from where on it is called slower; None without a usual range.
    last : datetime or None
        Its last command, UTC.
    """

    lock: str
    room: str
    state: str
    cycles: int = 0
    unanswered: int = 0
    latency_ms: float | None = None
    usual_ms: float | None = None
    limit_ms: float | None = None
    last: datetime | None = None


def morning_round(
    venue: Venue, actuations: pl.DataFrame, usual: Mapping[str, Usual], *, since: datetime,
    now: datetime,
) -> tuple[LockRound, ...]:
    """How every lock of a venue stands in the round.

    Parameters
    ----------
    venue : Venue
        Its locks, in the file's order; of the limits ``drift_gate_percent`` is used.
    actuations : polars.DataFrame
        Schema ACTUATIONS, any span.
    usual : mapping of str to Usual
        By lock; one that is missing has no usual range yet.
    since, now : datetime
        Commands from ``since`` to ``now`` count.

    Returns
    -------
    tuple of LockRound

    Notes
    -----
    The last command decides whether a lock answers. It is slower than its own range where the
    median of the round lies above what 95 % of its releases before kept, by more than the gate
    that every sheet uses (of healthy locks with 8 % scatter, 1 in 150 at one cycle); or above the
    designer's ``release_within_ms``; or where it answered only when asked again.
    """
    rows = actuations.filter(pl.col("command_time").is_between(since, now)).sort(
        "lock", "command_time")
    by_lock = {str(key[0]): part for key, part in rows.partition_by(
        "lock", as_dict=True, maintain_order=True).items()}
    return tuple(
        _of_lock(lock, by_lock.get(lock.id), usual.get(lock.id, Usual()), venue, now)
        for lock in venue.locks)


def _of_lock(
    lock: Lock, rows: pl.DataFrame | None, usual: Usual, venue: Venue, now: datetime
) -> LockRound:
    limit = _limit_ms(lock, usual, venue)
    if rows is None:
        return LockRound(lock.id, lock.room, "not-cycled", usual_ms=usual.median_ms, limit_ms=limit)
    outcomes = rows["outcome"].to_list()
    last = rows.row(rows.height - 1, named=True)
    if lock.latency_kind is not None and last["outcome"] in ("unobserved", "no-release"):
        # The log goes no further yet. What has not come when the wait is over, will not.
        outcomes[-1] = "no-release" if _wait_is_over(lock, last, venue, now) else "waiting"
    judged = [outcome for outcome in outcomes if outcome in ("released", "no-release")]
    unanswered = judged.count("no-release")
    times = rows.filter(
        (pl.col("outcome") == "released")
        & pl.col("latency_from").eq_missing(pl.lit(usual.latency_from or lock.latency_kind)))
    median = times["latency_ms"].median()
    latency = float(median) if isinstance(median, float) else None
    if outcomes[-1] == "waiting" or not judged:
        state = outcomes[-1]
    elif judged[-1] == "no-release":
        state = "no-answer"
    elif unanswered or (latency is not None and limit is not None
                        and latency - (usual.resolution_ms or 0.0) > limit):
        state = "slower"
    else:
        state = "released"
    return LockRound(lock.id, lock.room, state, rows.height, unanswered, latency,
                     usual.median_ms, limit, last["command_time"])


def _limit_ms(lock: Lock, usual: Usual, venue: Venue) -> float | None:
    """From where on a release is slower than the lock's own range, or than the designer's limit."""
    gate = 1 + venue.limits.drift_gate_percent / 100
    known = [limit for limit in (usual.p95_ms and usual.p95_ms * gate, lock.release_within_ms)
             if limit is not None]
    return min(known) if known else None


def _wait_is_over(lock: Lock, row: Mapping[str, object], venue: Venue, now: datetime) -> bool:
    """Whether no answer to a command can be on its way any more, by the waits of pairing."""
    begun, pulse = row["command_time"], row["pulse_ms"]
    waits = (venue.limits.door_wait_ms if lock.latency_kind == "door" else venue.limits.coast_ms)
    if isinstance(pulse, float) and lock.pulsed:
        waits += pulse
    assert isinstance(begun, datetime)
    return now >= begun + timedelta(milliseconds=waits) + ON_ITS_WAY
