"""What is known of a lock's timing, as plain numbers that an answer can be computed from.

The fit (:mod:`remanence.analytics.timing.fit`) is done once; the answers
(:mod:`remanence.analytics.timing.answer`) follow from these numbers by simple arithmetic, which the
page repeats in the browser.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from remanence.analytics.timing.misses import MissRate

TIMING_QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 0.995)
"""Latency quantiles that the sheet prints."""

TARGETS = (0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 0.999, 0.9995, 0.9999)
"""Release probabilities that a pulse is worked out for."""

CURVE = (0.1, 0.25, 0.5, 0.75)
"""Further shares at which the bound is taken, for the drawn curve alone."""

RISKS = (0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005, 0.0001)
"""Chances of a false alarm that a wait is worked out for."""

POINTS = 200
"""Equally likely values that stand for a lock's distribution."""

FOLDS, FOLD_POINTS = 5, 25
"""Stretches of days that a cue is judged on in turn, and equally likely values of each (five folds:
common practice, no source)."""


TRIED_WITHIN = 0.1
"""A pulse counts as tried where the log holds pulses within this share of it (common practice)."""


def key(share: float) -> str:
    """How a share is written as a key: ``0.999``."""
    return f"{share:g}" if share >= 0.0005 else f"{share:.4f}"


@dataclass(frozen=True)
class Quantile:
    """One latency quantile with its 95 % interval.

    Attributes
    ----------
    share : float
        Of commands answered, between 0 and 1.
    value_ms, low_ms, high_ms : float or None
        None: not reached in the data.
    """

    share: float
    value_ms: float | None
    low_ms: float | None
    high_ms: float | None


@dataclass(frozen=True)
class PulseGroup:
    """Commands of nearly one pulse length: the data under the fitted curve.

    Attributes
    ----------
    pulse_ms : float
        Length of the pulse.
    commands, released : int
        How many, and how many of them released.
    """

    pulse_ms: float
    commands: int
    released: int


@dataclass(frozen=True)
class SeenPoint:
    """How many had released by when, as the log shows it.

    Attributes
    ----------
    pulse_ms : float
        By this time,
    share : float
        this share of the first commands had released.
    """

    pulse_ms: float
    share: float


@dataclass(frozen=True)
class TimingRail:
    """What a rail has shown when locks were commanded, and what it may fall to.

    Attributes
    ----------
    supply : str
        Its id.
    rated_volts : float
        Of the supply.
    low_volts, typical_volts, high_volts : float or None
        Median of the commands' readings, and what holds 99 % of them; None with few readings.
    window_volts : float
        The least under load.
    rated_amps : float or None
        Of the supply.
    ohms, ohms_low, ohms_high : float or None
        Drop per ampere with its interval.
    resting_amps : float
        What the locks that rest energised draw, as far as their coils are stated.
    """

    supply: str
    rated_volts: float
    low_volts: float | None
    typical_volts: float | None
    high_volts: float | None
    window_volts: float
    rated_amps: float | None = None
    ohms: float | None = None
    ohms_low: float | None = None
    ohms_high: float | None = None
    resting_amps: float = 0.0


@dataclass(frozen=True)
class LockModel:
    """One lock's timing.

    Attributes
    ----------
    lock, room, part, supply : str
        As in the venue file; ``part`` None where none is named.
    magnet, slow_magnet, on_way_out : bool
        What it is; a slow magnet has a diode across its coil.
    kind : str or None
        What tells its release.
    basis : str
        ``own``, ``borrowed`` (from ``siblings``) or ``none``.
    obstacle : str
        Why there is no pulse to recommend: ``door``, ``unobserved``, ``too-few``,
        ``coarse-clock`` or empty.
    siblings, borrowed_releases : tuple of str, int
        From whom was borrowed, and how many releases.
    first_day, last_day, changed : date or None
        They bound the data; the day from which it behaves as it does now.
    commands, released, unanswered, already_open, unobserved, two_clocks : int
        What the data hold.
    independent : float
        How many independent releases the distribution is worth.
    location_factor : float
        How far (as a factor, 95 %) a borrowed distribution may stand off as a whole.
    resolution_ms : float or None
        What clock or polling allows.
    quantiles : tuple of Quantile
        Of the latency, over the volts and seasons met.
    reference_volts : float or None
        Volts that the times below are at; they scale with (volts / reference_volts) ** exponent.
    exponent, exponent_steep, exponent_shallow : float
        Power of volts, and the ends of its interval.
    points_ms, need_points_ms : tuple of float
        Equally likely values of latency and of the pulse needed.
    cue_folds_ms : tuple of tuple of float
        Equally likely latencies of each of several stretches of days: a cue that the others chose
        is judged on each in turn.
    need_ms, late_ms : dict of str to float or None
        Bound of the pulse needed by target, and of the latency by risk (:func:`key`).
    miss, again : MissRate
        Silent first commands, and silent retries.
    slow, slow_ms : MissRate, float or None
        Of a lock that borrows: releases that take far longer than is usual, and how long those take
        at most (:mod:`remanence.analytics.timing.slow`).
    own_need_ms, own_least : tuple of float
        Of a lock that borrows: what its own commands needed, rising, and the share released that
        they promise where 0, 1, ... of them are not released; empty without any.
    silent : tuple of str
        Targets that its silent commands alone put out of reach.
    tried_ms : tuple of float
        Lengths of the pulses that the log holds.
    pulse_groups, seen : tuple of PulseGroup, tuple of SeenPoint
        The data under the curve.
    pulse_now_ms : float or None
        The pulse (a magnet: the off-time) that the program sets now; None where it sets none.
    shorter_for : str
        What asks for a pulse no longer than it need be: ``battery``, ``rail`` (locks fired together
        are more than it bears at once) or empty.
    pulse_least_ms : float or None
        Shortest pulse that the log holds, but for 1 % of them.
    max_on_ms, duty_percent : float or None
        The coil's ratings.
    longest_ms, longest_from : float or None, str
        Longest pulse that they allow, and which of them says so.
    busiest_cycle : int
        The most commands within any duty cycle.
    part_need_ms, mend_first : float or None, bool
        Middle of what the other locks of its part need for 99.9 %; whether this one needs far
        longer.
    amps, sag_volts : float or None
        Rated current, and what the coil takes off the rail: as measured, else by its rating.
    """

    lock: str
    room: str
    part: str | None
    supply: str
    magnet: bool
    slow_magnet: bool
    on_way_out: bool
    kind: str | None
    basis: str = "none"
    obstacle: str = ""
    siblings: tuple[str, ...] = ()
    borrowed_releases: int = 0
    first_day: date | None = None
    last_day: date | None = None
    changed: date | None = None
    commands: int = 0
    released: int = 0
    unanswered: int = 0
    already_open: int = 0
    unobserved: int = 0
    two_clocks: int = 0
    independent: float = 0.0
    location_factor: float = 1.0
    resolution_ms: float | None = None
    quantiles: tuple[Quantile, ...] = ()
    reference_volts: float | None = None
    exponent: float = 0.0
    exponent_steep: float = 0.0
    exponent_shallow: float = 0.0
    points_ms: tuple[float, ...] = ()
    need_points_ms: tuple[float, ...] = ()
    need_ms: dict[str, float | None] = field(default_factory=dict)
    late_ms: dict[str, float | None] = field(default_factory=dict)
    miss: MissRate = field(default_factory=lambda: MissRate(0, 0, 1.0, 1.0))
    slow: MissRate = field(default_factory=lambda: MissRate(0, 0, 0.0, 0.0))
    slow_ms: float | None = None
    own_need_ms: tuple[float, ...] = ()
    own_least: tuple[float, ...] = ()
    cue_folds_ms: tuple[tuple[float, ...], ...] = ()
    silent: tuple[str, ...] = ()
    again: MissRate = field(default_factory=lambda: MissRate(0, 0, 1.0, 1.0))
    tried_ms: tuple[float, ...] = ()
    pulse_groups: tuple[PulseGroup, ...] = ()
    seen: tuple[SeenPoint, ...] = ()
    pulse_now_ms: float | None = None
    shorter_for: str = ""
    pulse_least_ms: float | None = None
    max_on_ms: float | None = None
    duty_percent: float | None = None
    longest_ms: float | None = None
    longest_from: str = ""
    busiest_cycle: int = 0
    part_need_ms: float | None = None
    mend_first: bool = False
    amps: float | None = None
    sag_volts: float | None = None

    @property
    def seen_now(self) -> PulseGroup | None:
        """What the log holds of pulses of about the length in use; None without such."""
        now = self.pulse_now_ms
        near = [group for group in self.pulse_groups
                if now is not None and abs(group.pulse_ms - now) <= TRIED_WITHIN * now]
        return max(near, key=lambda group: group.commands, default=None)

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON; the same numbers, none rounded but the points.

        Returns
        -------
        dict of str to Any
            Every field by its name, dates as text.
        """
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        for name in ("first_day", "last_day", "changed"):
            values[name] = values[name].isoformat() if values[name] else None
        for name in ("miss", "again", "slow"):
            values[name] = dict(vars(values[name]))
        values["seen_now"] = dict(vars(self.seen_now)) if self.seen_now else None
        for name in ("quantiles", "pulse_groups", "seen"):
            values[name] = [dict(vars(item)) for item in values[name]]
        for name in ("siblings", "silent", "tried_ms", "points_ms", "need_points_ms",
                     "own_need_ms", "own_least"):
            values[name] = list(values[name])
        values["cue_folds_ms"] = [list(part) for part in values["cue_folds_ms"]]
        return values


@dataclass(frozen=True)
class Settings:
    """What the answers are asked for, and the habits they keep; from the venue's limits.

    Attributes
    ----------
    target, risk : float
        Share of openings to release at the first try; chance of calling a healthy lock stuck.
    pulse_margin, magnet_margin : float
        Factor on the shortest pulse, and on a magnet's off-time.
    magnet_person_ms : float
        On top of a magnet's off-time: time for a person to push.
    pulse_step_ms, wait_step_ms : float
        Pulses and waits are rounded up to these.
    duty_cycle_ms : float
        The cycle that a coil's duty is a share of.
    usual_pulse_ms : float
        Longer pulses are remarked on.
    retry_least_ms, retries_most : float, int
        Least time to a retry, and most retries.
    cue_share_least : float
        With less than this share a cue starts from the feedback.
    early_ms, late_ms : float
        How far a sound may lead and follow before few notice.
    accept_early_ms, accept_late_ms : float
        The same before few mind.
    spread_ms : float
        Openings no further apart read as one event.
    """

    target: float = 0.999
    risk: float = 0.001
    pulse_margin: float = 1.3
    magnet_margin: float = 1.5
    magnet_person_ms: float = 3000.0
    pulse_step_ms: float = 5.0
    duty_cycle_ms: float = 300_000.0
    usual_pulse_ms: float = 500.0
    retry_least_ms: float = 300.0
    retries_most: int = 3
    wait_step_ms: float = 10.0
    cue_share_least: float = 0.9
    early_ms: float = 45.0
    late_ms: float = 125.0
    accept_early_ms: float = 90.0
    accept_late_ms: float = 185.0
    spread_ms: float = 45.0
