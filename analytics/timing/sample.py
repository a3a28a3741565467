"""Which actuations say something about a lock's timing as it is now, and what they say."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import polars as pl

from remanence.analytics.drift.common import VOLTS_EXPONENT
from remanence.analytics.history import History, day_ordinals, since_baseline, with_weeks
from remanence.analytics.physics.clock_step import too_coarse
from remanence.analytics.physics.pulse import present_pulses
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.timing.recent import present_since
from remanence.analytics.timing.tail import within_step
from remanence.shared.table import equals, reals
from remanence.shared.venue import Lock

_EPOCH = date(1970, 1, 1)

STEPS_MS = (100.0, 50.0, 40.0, 25.0, 20.0, 10.0, 5.0, 4.0, 2.0)
"""Periods that programs poll at, longest first."""

FEWEST_ON_STEPS, ON_STEPS = 40, 0.97
"""So many latencies, nearly all multiples of one step, are no chance: at 2 ms, once in 10^10."""

FEWEST_SAMPLE_SAGS = 5
"""Fewer sags than this say nothing of what the coil takes off the rail."""

LEAST_MS = 0.1
"""No time is taken for shorter: its logarithm is needed."""

AMPLE_PULSE = 2.0
"""A pulse of so many usual latencies is long enough, whatever the lock's scatter."""


@dataclass(frozen=True)
class Sample:
    """One lock's commands since it was last worked on, oldest first; arrays of one length.

    Attributes
    ----------
    lock : Lock
        Whose.
    kind : str or None
        What tells its release (``catch``, ``armature``, ``door``, ``supply``).
    released : numpy.ndarray of bool
        Whether each command was answered.
    latency_ms : numpy.ndarray
        The latency where ``released``, else how long was waited.
    need_ms : numpy.ndarray
        The shortest pulse known to have been enough (``released``) or the longest known not to
        be: a lock that let go while its pulse lasted needed no more than its latency, one that
        let go after the pulse had ended needed no more than the pulse, one that never did needed
        more.
    pulse_ms, volts : numpy.ndarray
        Pulse given, and rail volts before it; NaN where the rail was not read.
    day, attempt : numpy.ndarray of int
        Days since 1970, and 1 for first attempts.
    resolution_ms : float or None
        What clock or polling allows.
    coarse_clock : bool
        Whether the clock counts too coarsely for any of its times to be used.
    commands, already_open, unobserved, two_clocks : int
        All commands, and those that are counted but not in the arrays.
    first_day, last_day : date or None
        They bound the commands.
    sag_volts : float or None
        Median of what the coil takes off the rail; None with fewer than five readings.
    pulse_now_ms : float or None
        The pulse (a magnet: the off-time) that the program sets now; None where it sets none.
    busiest_cycle : int
        The most commands within any duty cycle (limit ``duty_window_s``).
    changed : date or None
        Day from which the lock behaves as it does now, where it did not before: nothing earlier
        is in the sample.
    """

    lock: Lock
    kind: str | None
    released: Flags
    latency_ms: Reals
    need_ms: Reals
    pulse_ms: Reals
    volts: Reals
    day: Ints
    attempt: Ints
    resolution_ms: float | None
    commands: int
    already_open: int
    unobserved: int
    two_clocks: int
    coarse_clock: bool
    first_day: date | None
    last_day: date | None
    sag_volts: float | None
    pulse_now_ms: float | None
    busiest_cycle: int
    changed: date | None = None

    @cached_property
    def pulses_at(self) -> dict[tuple[float | None, float], tuple[Reals, Ints]]:
        """What was asked of its first pulses so far, see :mod:`remanence.analytics.timing.fit`."""
        return {}

    @cached_property
    def missed_again(self) -> tuple[int, int]:
        """Silent commands among those after the first attempt, and all of these."""
        use = self.attempt >= 2
        return int((use & ~self.released).sum()), int(use.sum())

    @cached_property
    def first(self) -> Flags:
        """First attempts."""
        return np.asarray(self.attempt == 1, dtype=np.bool_)

    @property
    def releases(self) -> int:
        """How many commands were answered."""
        return int(self.released.sum())


SAMPLE_READS = (
    "lock", "command_time", "outcome", "latency_ms", "waited_ms", "latency_from", "resolution_ms",
    "pulse_ms", "volts_before", "sag_volts", "attempt", "across_clocks", "clock_ms",
)
"""Columns of ACTUATIONS that :func:`lock_sample` looks at."""


def lock_sample(history: History, lock: Lock, rows: pl.DataFrame, weeks: float) -> Sample:
    """What ``rows`` (one lock's actuations) say of its timing as it is now.

    Only what came after the last service that changed the lock counts, of that the last
    ``weeks``, and of that what came after its behaviour last changed. Rows whose command and
    feedback were stamped by two clocks are counted and left out; kinds of feedback other than
    the lock's own are left out.

    Parameters
    ----------
    history : History
        Its week, calendar and service log.
    lock : Lock
        The lock.
    rows : polars.DataFrame
        :data:`SAMPLE_READS` of ACTUATIONS, this lock's rows, any order.
    weeks : float
        How far back from the end of the history's week.

    Returns
    -------
    Sample
        Without usable rows its arrays are empty.

    Notes
    -----
    See :mod:`remanence.analytics.timing.recent` for when behaviour is taken to have changed.
    """
    dated = with_weeks(rows, "command_time", history)
    if not dated["command_time"].is_sorted():
        dated = dated.sort("command_time")
    # In order of time, what is left lies together: slices, which copy nothing.
    dated = dated.slice(int((dated["weeks_ago"].to_numpy() >= weeks).sum()))
    dated = since_baseline(dated, history, lock.id)
    limits = history.venue.limits
    pulse = present_pulses(history).get(lock.id)
    sample = replace(
        _sample(dated, lock), pulse_now_ms=pulse.setting_ms if pulse else None,
        busiest_cycle=busiest(dated["command_time"], timedelta(seconds=limits.duty_window_s)))
    volts = np.nanmedian(sample.volts) if np.isfinite(sample.volts).any() else 1.0
    ratio = np.where(np.isfinite(sample.volts) & (sample.volts > 0), sample.volts / volts, 1.0)
    step = sample.resolution_ms or 0.0
    answered = sample.latency_ms[sample.released]
    usual = float(np.median(answered)) if answered.size else 0.0
    # A pulse that someone programmed too short is no change of the lock.
    use = sample.first & (sample.pulse_ms >= AMPLE_PULSE * usual)
    since = present_since(
        sample.day[use], ~sample.released[use], within_step(sample.latency_ms, step)[use],
        ratio[use] ** (-VOLTS_EXPONENT if lock.pulsed else 0.0),
        least_shift=float(np.log1p(max(
            limits.drift_gate_percent / 100, step / usual if usual else 0.0))),
    )
    if since is None:
        return sample
    changed = since.dates(_EPOCH.toordinal())[0]
    earlier = int((dated["day"].to_numpy() < np.datetime64(changed)).sum())
    now = _sample(dated.slice(earlier), lock)
    return replace(now, changed=changed, pulse_now_ms=sample.pulse_now_ms,
                   busiest_cycle=sample.busiest_cycle)


def _sample(dated: pl.DataFrame, lock: Lock) -> Sample:
    """What the rows say, all of them taken to be of one behaviour."""
    outcome = dated["outcome"]
    answered = equals(outcome, "released")
    known = answered | equals(outcome, "no-release")
    kind, seen_by = lock.latency_kind, dated["latency_from"]
    if kind is None or lock.contact_closed_when == "unknown":
        kinds = seen_by.filter(known).drop_nulls()
        kind = str(kinds[-1]) if kinds.len() else kind
    two = equals(dated["across_clocks"], True)
    coarse = too_coarse(
        _middle(dated["clock_ms"]), _middle(dated["latency_ms" if lock.is_magnet else "pulse_ms"]),
        magnet=lock.is_magnet)
    own = seen_by.is_null().to_numpy() | (kind is not None and equals(seen_by, kind or ""))
    latency, waited = reals(dated["latency_ms"]), reals(dated["waited_ms"])
    use = known & ~two & own & ~np.isnan(np.where(answered, latency, waited))
    if coarse:
        use[:] = False
    released, waited = answered[use], waited[use]
    latency = np.where(released, latency[use], waited)
    pulse = reals(dated["pulse_ms"])[use]
    pulse = np.where(np.isnan(pulse), np.fmax(waited, latency), pulse)
    need = np.where(released, np.minimum(latency, pulse), pulse)
    days = dated["day"]
    sag = dated["sag_volts"]
    return Sample(
        lock=lock, kind=kind, released=released,
        latency_ms=np.maximum(latency, LEAST_MS), need_ms=np.maximum(need, LEAST_MS),
        pulse_ms=np.maximum(pulse, LEAST_MS), volts=reals(dated["volts_before"])[use],
        day=day_ordinals(days)[use] - _EPOCH.toordinal(),
        attempt=reals(dated["attempt"], 1.0)[use].astype(np.int64),
        resolution_ms=_coarser(_middle(dated["resolution_ms"].filter(use)), latency[released]),
        commands=dated.height, already_open=int(equals(outcome, "already-open").sum()),
        unobserved=int(equals(outcome, "unobserved").sum()), two_clocks=int((two & known).sum()),
        coarse_clock=coarse,
        first_day=days[0] if days.len() else None, last_day=days[-1] if days.len() else None,
        sag_volts=_middle(sag) if sag.count() >= FEWEST_SAMPLE_SAGS else None,
        pulse_now_ms=None, busiest_cycle=0,
    )


def _coarser(stated: float | None, latency: Reals) -> float | None:
    """The step of the clock as stated, or as the latencies show it where they all lie on one.

    Stamps of a millisecond say nothing of a program that looks only every five.
    """
    if stated is None or latency.size < FEWEST_ON_STEPS:
        return stated
    whole = np.rint(latency)
    if np.abs(latency - whole).max() > 0.01:
        return stated
    _, often = np.unique(whole, return_counts=True)
    if (often > (1 - ON_STEPS) * whole.size).sum() < 2:
        return stated  # One value alone lies on any step.
    for step in STEPS_MS:
        if step > stated and np.mean(whole % step == 0) > ON_STEPS:
            return step
    return stated


def busiest(times: pl.Series, span: timedelta) -> int:
    """The most of ``times`` (sorted) that fall within any ``span``."""
    if not times.len():
        return 0
    stamps = times.dt.timestamp("us").to_numpy()
    ends = np.searchsorted(stamps, stamps + span // timedelta(microseconds=1), side="left")
    return int((ends - np.arange(stamps.size)).max())


def _middle(values: pl.Series) -> float | None:
    middle = values.median()
    return float(middle) if isinstance(middle, int | float) else None
