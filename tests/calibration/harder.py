"""Venues that are harder than those on which scores are fitted, only to judge them.

Here faults have other sizes, begin at any time, and are as rare or as common as the venue's draw
has it; a lock may have two; every lock wanders as measured series of other fields do; and every
log changes in some way: clocks, polls, meters, lines, closures.
"""

import numpy as np

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import sound
from tests.calibration import episodes, rails
from tests.campaign import replay

SPREAD = 0.35
"""Standard deviation of a fault's size against its usual one (natural log)."""


def play(seed):
    """A harder venue with its causes, as :func:`tests.calibration.episodes.play`."""
    rng = np.random.default_rng([seed, 0x4A2D])
    put_in, after, read_as = {}, [], {}

    def shape(scenario):
        share = float(rng.uniform(0.1, 0.8))
        episodes.causes_of_locks(scenario, rng, share, put_in, after, size=_sized)
        if rng.random() < 0.5:
            second = {}
            episodes.causes_of_locks(scenario, rng, 0.15, second, after, size=_sized)
            for lock, (name, day, right) in second.items():
                first, since, also = put_in.get(lock, ("", day, ()))
                put_in[lock] = (f"{first} and {name}" if first else name,
                                min(since, day), (*also, *right))
        read_as.update(rails.put_in(scenario, rng, put_in, scale=0.02))
        for life in scenario.locks:
            life.wander = replay.day_wander(rng, scenario.days, float(rng.uniform(0.01, 0.04)))
            life.scatter *= float(rng.choice([1.0, 1.5, 2.0]))
            life.leans = float(rng.uniform(0.01, 0.25))
            life.forgets = float(rng.uniform(0.002, 0.02))
            life.per_game = float(rng.choice([0.2, 0.35, 0.7, 1.3]))
        if rng.random() < 0.3:
            closed = int(rng.integers(30, 60))
            scenario.games[closed:closed + 10] = 0

    log = sound(seed, weeks=max(episodes.WEEKS) + 1, shape=shape)
    for what, lock, day in after:
        episodes.change_log(log, what, lock, day, rng)
    rails.read(log, read_as)
    rails.controllers(log, rng, put_in)
    _changed(log, rng)
    return log, put_in


def _sized(rng, fault):
    """Another size: a share stays under one, a multiple of the current on its side of one."""
    factor = float(np.exp(rng.normal(0, SPREAD)))
    if fault.condition == "coil-current-high":
        fault.size = fault.size**factor
    elif fault.size != 1.0 and fault.condition != "short-pulse":
        fault.size = min(fault.size * factor, 0.9) if fault.size < 0.9 else fault.size * factor
    fault.grows_days = int(rng.integers(7, 42))


def _changed(log, rng):
    """What happens to the log, whatever happens to the locks."""
    day = int(rng.integers(10, 70))
    match int(rng.integers(0, 7)):
        case 0:
            log_changes.polled(log, "plc0", float(rng.choice([5.0, 10.0, 20.0])), day)
        case 1:
            log_changes.polled(log, "plc1", float(rng.choice([5.0, 20.0])), 0, tied=True)
        case 2:
            log_changes.meter_step(log, "rail-a", float(rng.choice([0.05, 0.1])), day)
        case 3:
            log_changes.sampled(log, "rail-b", 20, day)
        case 4:
            log_changes.fires_twice(log, "latch-0", 60.0, day)
        case 5:
            contacts = {lock.id for lock in log.venue.locks if lock.contact}
            names = [name for name in ("latch-1", "latch-3", "magnet-0") if name in contacts]
            log_changes.own_controller(log, names, "plc7")
            drift = float(rng.uniform(-1.0, 1.0))
            log_changes.clock_off(log, "plc7/", lambda at: drift * at)
        case _:
            channel = log.venue.supplies_by_id["rail-b"].channel
            log.records = log.records.filter(log.records["channel"] != channel)
