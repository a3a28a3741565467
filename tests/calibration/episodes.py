"""Play small venues in which faults, and what only looks like one, stand side by side.

Every lock of a venue has a cause of its own, drawn from :data:`CAUSES`, or none. A cause has the
names that are right for it: none for what no condition of the catalogue is. So each finding of a
lock is either right or wrong, and scores can be held against that.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import CUTTERS, LATCHES, life_of, sound
from tests.calibration import rails
from tests.campaign.mechanics import memory_path
from tests.campaign.scenario import Fault

WEEKS = (9, 11)
"""Judged weeks, counted from the log's first."""
BEGUN = 52, 68
"""Days between which causes begin."""
AT_FAULT = 0.5
"""Share of the locks that something is wrong with."""
HARDER_FROM = 80000
"""Seeds from here on are of harder venues (:mod:`tests.calibration.harder`)."""


@dataclass(frozen=True)
class Cause:
    """What may be wrong with a lock, or only look so.

    ``put_in`` takes (scenario, lock, day, rng) before the venue is played and may hand back what
    is to be done to its log afterwards. ``right`` are the conditions that name it.
    """

    name: str
    locks: tuple[str, ...]
    weight: float
    right: tuple[str, ...]
    put_in: Callable


CAUSES: list[Cause] = []
PULSED = (*LATCHES, *CUTTERS, "bolt-0")
SEEN = (*LATCHES, "cutter-0", "bolt-0")
UNCUT = (*LATCHES, "bolt-0")
MAGNETS = ("magnet-0", "magnet-1", "small-0")


def _cause(name, locks, weight, *right):
    def enter(function):
        CAUSES.append(Cause(name, locks, weight, right, function))
        return function
    return enter


def _fault(name, locks, weight, condition, low, high, *right, shape="step", log=False):
    """A fault that the campaign knows how to play, of a size between two."""
    def put_in(scenario, lock, day, rng):
        size = float(rng.uniform(low, high))
        scenario.faults.append(Fault(
            lock, "lock", condition, day, shape, float(np.log(size)) if log else size,
            grows_days=28))
    CAUSES.append(Cause(name, locks, weight, right or (condition,), put_in))


_fault("sticks", SEEN, 3, "sticking-catch", 1.12, 1.7, log=True)
_fault("sticks more each day", SEEN, 2, "sticking-catch", 1.3, 2.2, shape="ramp", log=True)
_fault("sticks at times", SEEN, 3, "sticking-catch", 0.06, 0.25, shape="mode")
_fault("fails at times", SEEN, 3, "no-release", 0.04, 0.25)
_fault("held by people", SEEN, 2, "loaded-catch", 0.15, 0.5)
_fault("coil open", SEEN, 2, "coil-open", 1.0, 1.0)
_fault("contact still", SEEN, 2, "contact-stuck", 1.0, 1.0)
_fault("contact turned", SEEN, 1, "contact-inverted", 1.0, 1.0)
_fault("turns shorted", PULSED, 2, "coil-current-high", 1.1, 1.5)
_fault("relay sticks", UNCUT, 2, "stuck-energised", 0.1, 0.5)
_fault("held on", UNCUT, 2, "over-long-energising", 0.05, 0.3, "over-long-energising", "hot-coil")
_fault("contact bounces", SEEN, 1, "contact-chatter", 3.0, 12.0)
_fault("opens by itself", SEEN, 2, "opened-unpowered", 0.08, 0.4)
_fault("left open", SEEN, 2, "not-reclosed", 0.06, 0.35)
_fault("pulse too short", SEEN, 1, "short-pulse", 0.95, 1.1)
_fault("not cut", CUTTERS, 5, "self-cut-failed", 1.0, 1.0)
_fault("magnet slower", MAGNETS, 3, "slow-drop", 1.12, 1.6, log=True)
_fault("magnet slower each day", MAGNETS, 2, "slow-drop", 1.3, 1.8, shape="ramp", log=True)
_fault("magnet holds less", MAGNETS, 3, "weakening-hold", 55, 110)
_fault("magnet's contact still", MAGNETS, 1, "contact-stuck", 1.0, 1.0)
_fault("diode open", MAGNETS, 2, "missing-suppression", 0.8, 3.0)


def _later(scenario, lock, log_change, day):
    life = life_of(scenario, lock)
    life.wander = life.wander + log_change * (np.arange(scenario.days) >= day)


@_cause("bad joint", UNCUT, 4, "coil-current-low")
def _joint(scenario, lock, day, rng):
    """Ohms in its wire: it draws less, and is slower for it."""
    draws = float(rng.uniform(0.6, 0.92))
    scenario.faults.append(Fault(lock, "lock", "coil-current-high", day, "step", draws))
    _later(scenario, lock, -1.1 * np.log(draws), day)


@_cause("joint open at times", UNCUT, 2, "coil-open", "no-release")
def _joint_open(scenario, lock, day, rng):
    """Some commands draw nothing."""
    share = float(rng.uniform(0.1, 0.4))
    scenario.faults.append(Fault(lock, "lock", "no-release", day, "step", share))
    return "no sag where unanswered"


@_cause("another part", PULSED, 2)
def _another(scenario, lock, day, rng):
    """It was replaced, and nobody wrote that down."""
    scenario.faults.append(Fault(
        lock, "lock", "coil-current-high", day, "step", float(rng.choice([0.88, 1.12, 1.18]))))
    _later(scenario, lock, float(np.log(rng.choice([0.8, 1.2, 1.3]))), day)
    life_of(scenario, lock).bounce *= float(rng.choice([1.0, 1.0, 3.0]))


@_cause("a clamp for the diode", MAGNETS, 2)
def _clamp(scenario, lock, day, rng):
    _later(scenario, lock, float(np.log(rng.uniform(0.15, 0.5))), day)


@_cause("people lean", SEEN, 3, "loaded-catch")
def _lean(scenario, lock, day, rng):
    life_of(scenario, lock).leans = float(rng.uniform(0.2, 0.45))


@_cause("wanders", (*PULSED, *MAGNETS), 3)
def _wanders(scenario, lock, day, rng):
    """Sound, and of another speed every few weeks."""
    life_of(scenario, lock).wander = memory_path(
        rng, scenario.days, float(rng.uniform(0.9, 0.96)), float(rng.uniform(0.02, 0.05)))


@_cause("shorter pulse", SEEN, 1)
def _pulse(scenario, lock, day, rng):
    life = life_of(scenario, lock)
    life.new_pulse_ms, life.new_pulse_day = life.pulse_ms * float(rng.uniform(0.4, 0.7)), day


@_cause("off lines lost", UNCUT, 2)
def _off_lost(scenario, lock, day, rng):
    """The line that ends a pulse is missing now and then: the log has it on for hours."""
    return "off lines lost"


@_cause("answers lost", SEEN, 3)
def _answers_lost(scenario, lock, day, rng):
    """The contact's lines are missing now and then: the lock did open."""
    return "answers lost"


def change_log(log, what, lock, day, rng):
    """Change the log of one lock as its cause asks."""
    made = log.lock(lock)
    late = log.start_of(day) <= log_changes.T
    records = log.records
    if what == "off lines lost":
        gone = (pl.col("channel") == made.command) & (pl.col("value") == 0.0) & late
    elif what == "answers lost":
        gone = (pl.col("channel") == made.contact) & late
    else:
        _no_sag(log, made, day)
        return
    rare = float(np.exp(rng.uniform(np.log(0.01), np.log(0.25))))
    log.records = records.filter(~(gone & pl.Series(rng.random(records.height) < rare)))


def _no_sag(log, lock, day):
    """Where its command was not answered, the rail stood still."""
    supply = log.venue.supplies_by_id[lock.supply]
    time = log.records["time"].to_numpy()
    channel = log.records["channel"].to_numpy()
    value = log.records["value"].to_numpy().copy()
    volts = np.flatnonzero(channel == supply.channel)
    shut = time[(channel == lock.contact) & (value == 0.0)]
    ons = time[(channel == lock.command) & (value == 1.0)]
    offs = time[(channel == lock.command) & (value == 0.0)]
    for on in ons[ons >= log.start_of(day)]:
        end = np.searchsorted(offs, on)
        if end >= offs.size:
            continue
        off = offs[end]
        place = np.searchsorted(shut, on)
        if place < shut.size and shut[place] < off + 900_000:
            continue  # It was answered.
        inside = volts[(time[volts] >= on - 2000) & (time[volts] <= off + 300_000)]
        before = volts[(time[volts] < on - 2000) & (time[volts] > on - 500_000)]
        if inside.size and before.size:
            value[inside] = np.resize(value[before], inside.size)
    log.records = log.records.with_columns(value=pl.Series(value))


def causes_of_locks(scenario, rng, at_fault, put_in, after, size=None):
    """Draw what is wrong with a share of the locks, and put it in.

    ``put_in`` becomes a dict by lock of (name of the cause, day, right conditions), ``after`` a
    list of (what, lock, day) that :func:`change_log` takes; ``size(rng, fault)`` may change a
    fault's.
    """
    for life in scenario.locks:
        lock = life.lock.id
        if rng.random() > at_fault:
            continue
        deck = [cause for cause in CAUSES if lock in cause.locks]
        weight = np.array([cause.weight for cause in deck], float)
        cause = deck[rng.choice(len(deck), p=weight / weight.sum())]
        day, known = int(rng.integers(*BEGUN)), len(scenario.faults)
        more = cause.put_in(scenario, lock, day, rng)
        if size is not None:
            for fault in scenario.faults[known:]:
                size(rng, fault)
        put_in[lock] = cause.name, day, cause.right
        if more:
            after.append((more, lock, day))


def play(seed):
    """A venue of that seed with its causes; from :data:`HARDER_FROM` on a harder one.

    Returns
    -------
    (log, causes)
        ``causes`` is a dict by subject of (name of the cause, day, right conditions).
    """
    from tests.calibration import harder

    if seed >= HARDER_FROM:
        return harder.play(seed)
    rng = np.random.default_rng([seed, 0xCA1])
    put_in, after, read_as = {}, [], {}

    def shape(scenario):
        causes_of_locks(scenario, rng, AT_FAULT, put_in, after)
        read_as.update(rails.put_in(scenario, rng, put_in))
        for life in scenario.locks:
            if rng.random() < 0.2:
                life.per_game = 0.35

    log = sound(seed, weeks=max(WEEKS) + 1, shape=shape)
    for what, lock, day in after:
        change_log(log, what, lock, day, rng)
    rails.read(log, read_as)
    rails.controllers(log, rng, put_in)
    # What one log in four does not show, or shows coarsely, tells nothing of names.
    match int(rng.integers(0, 8)):
        case 0 | 1:
            log.records = log.records.filter(pl.col("channel") != "plc1/v1")
        case 2:
            log_changes.polled(log, "plc0", float(rng.choice([5.0, 10.0])), 0)
        case 3:
            log_changes.sampled(log, "rail-a", 20, 0)
    return log, put_in
