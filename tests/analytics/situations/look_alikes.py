"""Faults that look alike: each is said by its right name."""

import numpy as np
import polars as pl

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import life_of, sound
from tests.analytics.situations.told import Judged, Told, both, situation
from tests.campaign.scenario import Fault

SINCE = 58
WEEKS = (9, 11)


def _fault(subject, condition, size, form="step", kind="lock", **keys):
    return Fault(subject, kind, condition, SINCE, form, size, **keys)


def _never(judged, subject, *conditions):
    return Told(wrong=tuple(f"{subject}: {item.condition} {item.urgency} {item.score:.2f}"
                            for item in judged.findings(subject) if item.condition in conditions))


@situation
def bad_joint_of_one_latch(seed):
    """Four ohms in its wire: it draws less, and is slower for it."""
    def shape(scenario):
        scenario.faults.append(_fault("latch-1", "coil-current-high", 0.71))
        life = life_of(scenario, "latch-1")
        life.wander = life.wander + 0.35 * (np.arange(scenario.days) >= SINCE)
    judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
    return both(judged.says("latch-1", "coil-current-low"),
                judged.quiet(besides=[("latch-1", "coil-current-low")]))


@situation
def opens_by_itself_and_is_found_open(seed):
    """It falls open after the reset, and nobody shuts it before its next command."""
    log = sound(seed, weeks=12)
    lock = log.lock("latch-2")
    rng = np.random.default_rng([seed, 9])
    edges = log.records.filter(
        (pl.col("channel") == lock.contact) & (log.start_of(SINCE) <= log_changes.T))
    commands = log.records.filter(
        (pl.col("channel") == lock.command) & (pl.col("value") == 1.0))["time"].to_numpy()
    shut = edges.filter(pl.col("value") == 1.0)["time"].to_numpy()
    gone, more = [], []
    for at in shut[rng.random(shut.size) < 0.25]:
        later = commands[commands > at]
        if later.size and later[0] - at > 200e6:
            falls = int(rng.uniform(at + 60e6, later[0] - 60e6))
            more.append(falls)
            gone.append((falls, int(later[0]) + 3_000_000))
    keep = np.ones(log.records.height, bool)
    time = log.records["time"].to_numpy()
    mine = (log.records["channel"] == lock.contact).to_numpy()
    value = log.records["value"].to_numpy()
    for begin, end in gone:  # the release of that command shows nothing: it is open already
        keep &= ~(mine & (time > begin) & (time < end) & (value == 0.0))
    log.records = pl.concat([log.records.filter(pl.Series(keep)), pl.DataFrame({
        "time": pl.Series(more, dtype=pl.Int64), "channel": [lock.contact] * len(more),
        "quantity": ["contact"] * len(more), "value": [0.0] * len(more)},
    )]).sort("time", maintain_order=True)
    judged = Judged.of(log, WEEKS)
    return both(_never(judged, "latch-2", "not-reclosed"),
                judged.says("latch-2", "opened-unpowered"),
                judged.quiet(besides=[("latch-2", None)]))


def _not_cut(name, lock, ohms=None, noise=None):
    @situation(name=name)
    def played(seed):
        def shape(scenario):
            scenario.faults.append(_fault(lock, "self-cut-failed", 1.0))
            rail = scenario.rails["rail-a" if lock == "cutter-0" else "rail-b"]
            if ohms:
                rail.source_ohms, rail.noise_volts = ohms, noise

        judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
        return both(judged.says(lock, "self-cut-failed"),
                    judged.quiet(besides=[(lock, "self-cut-failed")]))


_not_cut("not_cut_with_a_contact", "cutter-0")
_not_cut("not_cut_with_a_contact_in_noise", "cutter-0", 0.03, 0.03)
_not_cut("not_cut_without_a_contact", "cutter-1")


def _sticks(name, leans, mode):
    @situation(name=name)
    def played(seed):
        def shape(scenario):
            life_of(scenario, "latch-1").leans = leans
            scenario.faults.append(_fault("latch-1", "sticking-catch", mode, "mode"))

        judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
        return both(judged.says("latch-1", "sticking-catch"),
                    judged.quiet(besides=[("latch-1", None)]))


_sticks("sticks_though_people_lean", 0.3, 0.15)
_sticks("sticks_though_few_people_lean", 0.1, 0.12)


@situation
def people_lean_and_nothing_sticks(seed):
    def shape(scenario):
        life_of(scenario, "latch-1").leans = 0.35

    return Judged.of(sound(seed, weeks=12, shape=shape), WEEKS).quiet(
        besides=[("latch-1", "loaded-catch")])


@situation
def repeated_within_a_tenth_of_a_second(seed):
    """Always so, at every lock."""
    log = sound(seed, weeks=12)
    for lock in log.venue.locks:
        if lock.pulsed and lock.contact:
            log_changes.fires_twice(log, lock.id, 60 + 5 * (seed % 7), 0)
    return Judged.of(log, WEEKS).quiet()


def _rail(name, fall, own, says_own):
    """A rail falls; one latch on it becomes slower by far more than that, by itself."""
    @situation(name=name)
    def played(seed):
        def shape(scenario):
            late = np.arange(scenario.days) >= SINCE
            rail = scenario.rails["rail-a"]
            rail.wander = rail.wander - fall * 12.0 * late
            life = life_of(scenario, "latch-1")
            life.wander = life.wander + np.log(own) * late

        judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
        own_told = judged.says("latch-1", "sticking-catch") if says_own else (
            _never(judged, "latch-1", "sticking-catch"))
        return both(own_told, judged.quiet(
            kinds=("lock",), besides=[("latch-1", "sticking-catch")]))


_rail("rail_falls_and_a_latch_sticks_too", 0.10, 1.6, True)
_rail("rail_falls_and_nothing_else", 0.13, 1.0, False)


@situation
def magnet_lets_go_sooner_on_a_rail_that_fell(seed):
    def shape(scenario):
        late = np.arange(scenario.days) >= SINCE
        rail = scenario.rails["rail-a"]
        rail.wander = rail.wander - 0.16 * 12.0 * late
        for name in ("magnet-0", "small-0"):
            life = life_of(scenario, name)
            life.wander = life.wander + np.log(0.84) * late

    judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
    return both(_never(judged, "magnet-0", "weakening-hold"),
                _never(judged, "small-0", "weakening-hold"), judged.says("rail-a", "low-supply"))


@situation
def magnet_lets_go_sooner_by_itself(seed):
    def shape(scenario):
        late = np.arange(scenario.days) >= SINCE
        life = life_of(scenario, "magnet-0")
        life.wander = life.wander + np.log(0.75) * late

    judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
    return both(judged.says("magnet-0", "weakening-hold"),
                judged.quiet(besides=[("magnet-0", None)]))


@situation
def coil_without_a_meter_stops_with_its_contact(seed):
    """Nothing shows whether the coil works: not the contact is named, but that nothing opens."""
    def shape(scenario):
        scenario.faults.append(_fault("latch-3", "coil-open", 1.0))

    log = sound(seed, weeks=12, shape=shape)
    log.records = log.records.filter(pl.col("channel") != "plc0/v0")
    judged = Judged.of(log, WEEKS)
    return both(_never(judged, "latch-3", "contact-stuck"),
                judged.says("latch-3", "no-release", "coil-open"))


@situation
def contact_stuck_while_the_coil_works(seed):
    def shape(scenario):
        scenario.faults.append(_fault("latch-3", "contact-stuck", 1.0))

    judged = Judged.of(sound(seed, weeks=12, shape=shape), WEEKS)
    return both(judged.says("latch-3", "contact-stuck"),
                judged.quiet(besides=[("latch-3", "contact-stuck")]))


@situation
def contact_without_records(seed):
    """Its channel is not in the log at all: that is not a contact that stands still."""
    log = sound(seed, weeks=12)
    log.records = log.records.filter(pl.col("channel") != log.lock("latch-3").contact)
    return _never(Judged.of(log, WEEKS), "latch-3", "contact-stuck")


@situation
def crossed_coils_of_unlike_current(seed):
    """Each command drives the other's coil, of which one draws half as much again."""
    def shape(scenario):
        from dataclasses import replace

        for name, ohms in (("latch-4", 8.0), ("latch-5", 12.5)):
            life = life_of(scenario, name)
            life.lock = replace(life.lock, coil_ohms=ohms,
                                command="plc0/q" + life.lock.command.split("q")[1],
                                contact="plc0/i" + life.lock.contact.split("/i")[1])
        scenario.venue = replace(scenario.venue, locks=tuple(
            life.lock for life in scenario.locks))

    log = sound(seed, weeks=12, shape=shape)
    a, b = log.lock("latch-4"), log.lock("latch-5")
    late = log.start_of(SINCE) <= log_changes.T
    # Their commands change places: each moves the other's catch and loads the rail as the other.
    new = {a.command: b.command, b.command: a.command}
    log.change(pl.col("channel").is_in(list(new)) & late, channel=pl.col("channel").replace(new))
    judged = Judged.of(log, WEEKS)
    return both(judged.says("latch-4", "crossed-channels"),
                judged.says("latch-5", "crossed-channels"),
                judged.quiet(besides=[(None, "crossed-channels")]))
