"""A venue changes and nothing is wrong with it: no finding."""

import numpy as np

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import LATCHES, life_of, sound
from tests.analytics.situations.told import Judged, both, situation
from tests.campaign.scenario import Fault

CHANGED = 60
"""The day of a change: well into a past of eight weeks, in the ninth."""
WEEKS = (8, 9, 11)


def _day(log_or_seed):
    seed = log_or_seed if isinstance(log_or_seed, int) else log_or_seed.scenario.seed
    return CHANGED + seed % 9 - 4


@situation
def nothing_changes(seed):
    return Judged.of(sound(seed), WEEKS).quiet()


def _polls(name, before_ms, after_ms, **keys):
    @situation(name=name)
    def played(seed):
        log = sound(seed)
        day = _day(seed)
        for controller in ("plc0", "plc1"):
            if before_ms > 1:
                log_changes.polled(log, controller, before_ms, 0, day, **keys)
            if after_ms > 1:
                log_changes.polled(log, controller, after_ms, day, **keys)
        return Judged.of(log, WEEKS).quiet()


_polls("polls_1_to_50", 1, 50)
_polls("polls_50_to_1", 50, 1)
_polls("polls_1_to_50_in_step", 1, 50, tied=True)
_polls("polls_50_to_1_in_step", 50, 1, tied=True)
_polls("polls_1_to_20", 1, 20)
_polls("polls_10_to_25_in_step", 10, 25, tied=True)


@situation
def polls_there_and_back(seed):
    log = sound(seed)
    day = _day(seed)
    log_changes.polled(log, "plc0", 30, day, day + 13)
    log_changes.polled(log, "plc1", 20, day, day + 20, tied=True)
    return Judged.of(log, WEEKS).quiet()


def _second_clock(name, offset):
    @situation(name=name)
    def played(seed):
        log = sound(seed)
        rng = np.random.default_rng([seed, 3])
        log_changes.own_controller(log, (*LATCHES, "bolt-0", "magnet-0", "magnet-1"), "remote")
        log_changes.clock_off(log, "remote/", offset(rng, log.scenario.days))
        return Judged.of(log, WEEKS).quiet(besides=[("remote", "clock-fault")])


def _sawtooth(rng, days):
    """It runs off by some milliseconds a day and is set right now and then."""
    slope, every = float(rng.uniform(0.4, 1.5)), int(rng.integers(8, 20))
    sign = float(rng.choice([-1.0, 1.0]))
    return lambda day: 10.0 + sign * slope * (day % every)


def _swings(rng, days):
    """It swings with the warmth of its cupboard."""
    size, period = float(rng.uniform(4.0, 9.0)), float(rng.uniform(15, 60))
    phase = float(rng.uniform(0, 6.28))
    return lambda day: 12.0 + size * np.sin(2 * np.pi * day / period + phase)


def _walks(rng, days):
    path = np.cumsum(rng.normal(0, 1.2, days + 1))
    path = 15.0 + path - np.linspace(0, path[-1], days + 1)
    return lambda day: float(np.clip(path[day], 2.0, 40.0))


def _stepped(rng, days):
    """Two clocks, of which one was set anew."""
    at, size = CHANGED + int(rng.integers(-3, 4)), float(rng.choice([-8.0, 9.0]))
    return lambda day: 12.0 + size * (day >= at)


_second_clock("second_clock_runs_off", _sawtooth)
_second_clock("second_clock_swings", _swings)
_second_clock("second_clock_walks", _walks)
_second_clock("second_clock_stepped", _stepped)


def _clock_gains(name, millionths, since=None, set_each_s=None):
    """Nobody sets it; or somebody does, and between that it runs off by as much as latches take."""
    @situation(name=name)
    def played(seed):
        log = sound(seed)
        log_changes.own_controller(log, (*LATCHES, "bolt-0", "magnet-0", "magnet-1"), "remote")
        log_changes.clock_gains(log, "remote/", millionths, _day(seed) if since is None else since,
                                set_each_s=set_each_s)
        return Judged.of(log, WEEKS).quiet(besides=[("remote", "clock-fault")])


_clock_gains("second_clock_that_nobody_sets", 20.0)
_clock_gains("second_clock_behind_from_the_first_day", -35.0, since=0)
_clock_gains("second_clock_set_each_hour", 10.0, set_each_s=3600)


@situation
def feedback_moves_to_a_second_clock(seed):
    """The contacts were on the same controller at first."""
    log = sound(seed)
    rng = np.random.default_rng([seed, 4])
    day = _day(seed)
    drift = _walks(rng, log.scenario.days)
    log_changes.own_controller(log, LATCHES, "remote")
    log_changes.clock_off(log, "remote/", lambda n: drift(n) if n >= day else 0.0)
    return Judged.of(log, WEEKS).quiet(besides=[("remote", "clock-fault")])


def _supply(name, ohms_ratio, volts, ripple=1.0, **keys):
    @situation(name=name)
    def played(seed):
        day = _day(seed)

        def shape(scenario):
            rail = scenario.rails["rail-a"]
            scenario.faults.append(Fault(
                "rail-a", "supply", "supply-sag", day, "step", ohms_ratio - 1.0))
            rail.wander = rail.wander + volts * (np.arange(scenario.days) >= day)
            rail.idle_volts += 0.0

        return Judged.of(sound(seed, shape=shape), WEEKS).quiet(**keys)


_supply("supply_stiffer", 0.45, 0.12)
_supply("supply_stiffer_and_lower", 0.6, -0.25)
_supply("supply_softer_and_higher", 1.4, 0.3)
_supply("supply_softer_at_the_same_volts", 1.25, 0.05)


@situation
def meter_of_a_rail_is_replaced(seed):
    log = sound(seed)
    day = _day(seed)
    log_changes.meter_step(log, "rail-a", 0.0147, day)
    log_changes.meter_scale(log, "rail-a", 0.985, day)
    log_changes.meter_step(log, "rail-b", 0.059, day)
    return Judged.of(log, WEEKS).quiet()


@situation
def rail_is_sampled_otherwise(seed):
    log = sound(seed)
    day = _day(seed)
    log_changes.sampled(log, "rail-a", 20, day)
    log_changes.sampled(log, "rail-b", 8, day)
    return Judged.of(log, WEEKS).quiet()


def _pulse(name, factor):
    @situation(name=name)
    def played(seed):
        def shape(scenario):
            for life in scenario.locks:
                life.new_pulse_ms, life.new_pulse_day = life.pulse_ms * factor, _day(seed)

        return Judged.of(sound(seed, shape=shape), WEEKS).quiet()


_pulse("pulse_made_shorter", 0.5)
_pulse("pulse_made_longer", 2.5)


def _part(name, entered, *, slower, draws, bounces):
    @situation(name=name)
    def played(seed):
        day = _day(seed)

        def shape(scenario):
            life = life_of(scenario, "latch-1")
            life.wander = life.wander + np.log(slower) * (np.arange(scenario.days) >= day)
            life.bounce *= bounces
            scenario.faults.append(Fault(
                "latch-1", "lock", "coil-current-high", day, "step", draws))

        log = sound(seed, shape=shape)
        if entered:
            log.work(day, "latch-1", "replaced")
        judged = Judged.of(log, WEEKS)
        if entered:
            return judged.quiet()
        return both(judged.quiet(besides=[("latch-1", None)]), asked(judged, "latch-1"))


def asked(judged, name):
    """Whatever is said of the lock, the bench check asks whether it was replaced."""
    from tests.analytics.situations.told import Told

    return Told(missed=tuple(
        f"{item.condition} {item.urgency} does not ask whether it was replaced"
        for item in judged.findings(name) if not item.extra.get("perhaps_replaced")))


_part("part_replaced_and_entered", True, slower=1.25, draws=1.18, bounces=1.0)
_part("part_replaced_not_entered", False, slower=1.25, draws=1.18, bounces=1.0)
_part("quicker_part_not_entered", False, slower=0.78, draws=1.12, bounces=1.0)


def _diode(name, entered, log_change):
    @situation(name=name)
    def played(seed):
        day = _day(seed)

        def shape(scenario):
            life = life_of(scenario, "magnet-0")
            life.wander = life.wander + log_change * (np.arange(scenario.days) >= day)

        log = sound(seed, shape=shape)
        if entered:
            log.work(day, "magnet-0", "rewired")
            return Judged.of(log, WEEKS).quiet()
        judged = Judged.of(log, WEEKS)
        return both(judged.quiet(besides=[("magnet-0", None)]), asked(judged, "magnet-0"))


_diode("diode_for_a_clamp_entered", True, np.log(60 / 400))
_diode("diode_for_a_clamp_not_entered", False, np.log(60 / 400))
_diode("diode_made_slower_not_entered", False, np.log(1.3))


@situation
def battery_charged_every_monday(seed):
    rng = np.random.default_rng([seed, 5])
    lost = float(rng.uniform(0.4, 0.9))

    def shape(scenario):
        from dataclasses import replace

        rail = scenario.rails["rail-b"]
        rail.supply = replace(rail.supply, source="battery")
        scenario.venue = replace(scenario.venue, supplies=tuple(
            rail.supply if supply.id == "rail-b" else supply
            for supply in scenario.venue.supplies))
        rail.idle_volts = 12.6
        day = np.arange(scenario.days) % 7
        rail.wander = rail.wander - lost * (day / 6.0)

    return Judged.of(sound(seed, shape=shape), WEEKS).quiet(
        besides=[("magnet-1", "unsafe-fitting")])


@situation
def locks_swapped(seed):
    log = sound(seed)
    log_changes.swapped_channels(log, "latch-0", "latch-2", _day(seed))
    return Judged.of(log, WEEKS).quiet()


@situation
def locks_swapped_of_unlike_speed(seed):
    def shape(scenario):
        life_of(scenario, "latch-2").base_ms = life_of(scenario, "latch-0").base_ms * 1.45

    log = sound(seed, shape=shape)
    log_changes.swapped_channels(log, "latch-0", "latch-2", _day(seed))
    return Judged.of(log, WEEKS).quiet()


@situation
def a_lock_is_renamed(seed):
    """Its rows up to then go by a name that the venue file no longer holds."""
    log = sound(seed)
    day = _day(seed)

    class Renamed:
        scenario = log.scenario

        def histories(self, weeks):
            import polars as pl

            for number, history in log.histories(weeks):
                from dataclasses import replace

                frames = {}
                for table, column in (("actuations", "command_time"), ("openings", "time"),
                                      ("energisings", "start"), ("contact_changes", "time")):
                    frame = getattr(history, table)
                    early = frame[column].dt.epoch("us") < log.start_of(day)
                    old = (pl.col("lock") == "latch-3") & pl.lit(early)
                    frames[table] = frame.with_columns(
                        lock=pl.when(old).then(pl.lit("old-latch")).otherwise("lock"))
                yield number, replace(history, **frames)

    return Judged.of(Renamed(), WEEKS).quiet()


def _twice(name, apart_ms, pulse_ms=None):
    @situation(name=name)
    def played(seed):
        def shape(scenario):
            for life in scenario.locks:
                life.program_retries = False

        log = sound(seed, shape=shape)
        for lock in ("latch-0", "latch-4", "bolt-0"):
            log_changes.fires_twice(log, lock, apart_ms, _day(seed), pulse_ms)
        return Judged.of(log, WEEKS).quiet()


_twice("fires_twice_within_a_tenth_of_a_second", 90)
_twice("fires_twice_a_second_apart", 1100, 250)
_twice("fires_twice_half_a_second_apart", 600, 150)
