"""What a rail of the campaign reads and how stiff it is, day by day."""

import numpy as np


def magnets_cut(past, rail, at):
    """Amperes that the magnets of a rail do not draw at each moment, for being cut."""
    total = np.zeros(len(at))
    for life in past.scenario.locks:
        lock = life.lock
        if not lock.is_magnet or lock.supply != rail or lock.id not in past.by_lock:
            continue
        acts = past.by_lock[lock.id].acts
        if acts:
            start, end = (np.array([a[place] for a in acts], np.int64) for place in (0, 1))
            off = np.searchsorted(start, at, "right") - np.searchsorted(end, at, "right")
            total += off * float(np.mean([a[8] for a in acts]))
    return total


def held_amps(scenario, rail):
    """What the magnets of a rail draw at rest."""
    return sum(life.lock.rated_volts / life.lock.coil_ohms for life in scenario.locks
               if life.lock.is_magnet and life.lock.supply == rail.supply.id)


def rail_volts(scenario, rail, days, *, wandering=True):
    """Volts of an idle rail, all its magnets held, by day; ``wandering``: with its moods."""
    days = np.asarray(days)
    volts = np.full(len(days), rail.idle_volts)
    if wandering:
        volts = volts + rail.wander[np.minimum(days, scenario.days - 1)]
    # A source that has become softer loses more of its volts to what is held all the time.
    more = source_ohms(scenario, rail, days) - rail.source_ohms
    volts = volts - more * held_amps(scenario, rail)
    volts = volts - rail.low_volts * ((days >= rail.low_from) & (days < rail.low_until))
    for fault in scenario.faults_of(rail.supply.id, "low-supply", "battery-decline"):
        volts = volts - fault.size * rail.supply.rated_volts * fault.growth(days)
    return volts


def source_ohms(scenario, rail, days):
    """Source resistance of a rail, by day."""
    ohms = np.full(len(days), rail.source_ohms)
    for fault in scenario.faults_of(rail.supply.id, "supply-sag", "battery-decline"):
        more = fault.size if fault.condition == "supply-sag" else 1.0
        ohms = ohms * (1 + more * fault.growth(days))
    return ohms
