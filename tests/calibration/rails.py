"""What is wrong with a rail or a controller of a played venue, or only looks so.

A meter has its own scale: what it reads is so many times the truth. A rail is low where its true
volts are, whatever is read.
"""

from dataclasses import replace

import numpy as np
import polars as pl

from tests.analytics.situations import log_changes
from tests.campaign.mechanics import memory_path
from tests.campaign.scenario import Fault

BEGUN = 50, 68
"""Days between which causes begin."""
SCALE = 0.012
"""Standard deviation of a meter's scale, as dividers have."""
FLOOR = 0.9
"""Idle volts under this share of rated are low, as the limit of the program has it."""
RAILS = ("none", "falls", "softer", "low", "battery", "sound battery", "another meter")
CHANCES = (0.36, 0.14, 0.14, 0.14, 0.08, 0.07, 0.07)


def put_in(scenario, rng, causes, scale=SCALE):
    """Draw what each rail has, and what its meter makes of it.

    Returns
    -------
    dict
        By rail: what it is read times, and the day from which that is so.
    """
    read_as = {}
    for name, rail in scenario.rails.items():
        factor, since = float(np.exp(rng.normal(0, scale))), 0
        day, rated = int(rng.integers(*BEGUN)), rail.supply.rated_volts
        late = np.arange(scenario.days) >= day
        match str(rng.choice(RAILS, p=CHANCES)):
            case "falls":
                # A rail that falls makes everything on it slower.
                rail.wander = rail.wander - float(rng.uniform(0.4, 1.6)) * late
                causes[name] = "falls", day, ("low-supply", "supply-sag")
            case "softer":
                scenario.faults.append(Fault(
                    name, "supply", "supply-sag", day, "step", float(rng.uniform(0.3, 3.0))))
                causes[name] = "softer", day, ("supply-sag", "low-supply")
            case "low":
                # From its first day, about where it begins to matter.
                rail.idle_volts = rated * float(rng.uniform(0.86, 0.95))
                low = rail.idle_volts < FLOOR * rated
                # A rail under its window, or one that stands just inside and sags below what
                # locks are tested at, is what it is called.
                causes[name] = ("always low" if low else "nearly low"), 0, (
                    ("low-supply", "supply-sag") if low else ("supply-sag",))
            case "battery":
                _battery(scenario, name)
                scenario.faults.append(Fault(
                    name, "supply", "battery-decline", day, "ramp",
                    float(rng.uniform(0.04, 0.16)), grows_days=max(scenario.days - day, 21)))
                causes[name] = "runs down", day, ("battery-decline", "low-supply")
            case "sound battery":
                _battery(scenario, name)
                rail.wander = memory_path(rng, scenario.days, 0.93, 0.012 * rated)
                causes[name] = "sound battery", 0, ()
            case "another meter":
                factor, since = float(rng.choice([0.94, 0.96, 1.04, 1.06])), day
                causes[name] = "another meter", day, ()
        read_as[name] = factor, since
    return read_as


def _battery(scenario, name):
    rail = scenario.rails[name]
    rail.supply = replace(rail.supply, source="battery")
    scenario.venue = replace(scenario.venue, supplies=tuple(
        rail.supply if one.id == name else one for one in scenario.venue.supplies))


def read(log, read_as):
    """Write every rail as its meter reads it."""
    for name, (factor, since) in read_as.items():
        log_changes.meter_scale(log, name, factor, since)


def controllers(log, rng, causes):
    """Draw what is wrong with the records of each controller."""
    for name in ("plc0", "plc1"):
        day = int(rng.integers(*BEGUN)) + 8
        time, mine = pl.col("time"), pl.col("channel").str.starts_with(name)
        match str(rng.choice(["none", "gap", "lost", "few"], p=[0.6, 0.15, 0.15, 0.1])):
            case "gap":
                begin = log.start_of(min(day, log.scenario.days - 2)) + int(
                    rng.uniform(9, 20) * 3_600e6)
                end = begin + int(rng.uniform(3, 30) * 3_600e6)
                log.records = log.records.filter(~(mine & time.is_between(begin, end)))
                causes[name] = "log gap", day, ("log-gap",)
            case "lost":
                log_changes.lost_at_random(
                    log, float(np.exp(rng.uniform(np.log(0.004), np.log(0.04)))), day - 10, name)
                causes[name] = "lines lost", day, ("lost-lines",)
            case "few":
                # Its rooms are not played for a day or two; its meter logs on.
                begin = log.start_of(min(day, log.scenario.days - 3))
                end = begin + int(rng.integers(1, 3)) * 86_400_000_000
                log.records = log.records.filter(
                    ~(mine & (pl.col("quantity") != "volts") & time.is_between(begin, end)))
                causes[name] = "not played", day, ()
