"""What a technician meets: weather, busy weeks, useless repairs, slow wear, open windings."""

import numpy as np
import polars as pl

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import LATCHES, life_of, sound
from tests.analytics.situations.told import Judged, Told, both, situation
from tests.campaign.scenario import Fault

SINCE = 58
WEEKS = (8, 9, 10, 11)


def _slower(scenario, name, log_change, first=SINCE):
    life = life_of(scenario, name)
    life.wander = life.wander + log_change * (np.arange(scenario.days) >= first)


def _since_holds(judged, subject, day, *conditions):
    """The interval of its date at its first raised naming holds the true day."""
    start = judged.log.scenario.start
    for number, _, found in judged.weeks:
        for item in found:
            if item.subject == subject and item.condition in conditions and (
                    item.urgency != "watch"):
                low, high = item.since_low or item.since, item.since_high or item.since
                if low is None or low.toordinal() <= start.toordinal() + day <= high.toordinal():
                    return Told()
                return Told(wrong=(f"week {number}: {subject} since {low} to {high}, "
                                   f"true day {day}",))
    return Told()


@situation
def heat_wave(seed):
    """Twelve kelvin more for ten days."""
    def shape(scenario):
        scenario.celsius[SINCE:SINCE + 10] += 12.0

    return Judged.of(sound(seed, shape=shape), WEEKS).quiet()


@situation
def holidays_double_the_games(seed):
    def shape(scenario):
        scenario.games[SINCE:SINCE + 14] *= 2

    return Judged.of(sound(seed, shape=shape), WEEKS).quiet()


@situation
def a_room_is_shut_for_three_weeks(seed):
    """Its locks are not commanded at all, and are as they were after it."""
    log = sound(seed)
    shut = (log.start_of(50) <= log_changes.T) & (log.start_of(71) > log_changes.T)
    mine = [channel for name in LATCHES[:4] for channel in
            (log.lock(name).command, log.lock(name).contact) if channel]
    log.records = log.records.filter(~(shut & pl.col("channel").is_in(mine)))
    return Judged.of(log, (8, 10, 11)).quiet(kinds=("lock", "supply"))


@situation
def lines_come_twice(seed):
    """An at-least-once link: three lines in a hundred are written again, half a second later."""
    log = sound(seed)
    again = log.records.filter(pl.Series(log.rng.random(log.records.height) < 0.03))
    log.records = pl.concat([log.records, again]).sort("time", maintain_order=True)
    return Judged.of(log, WEEKS).quiet()


@situation
def a_repair_did_not_help(seed):
    """It sticks from day 58, is adjusted on day 69, and sticks as before."""
    log = sound(seed, weeks=14, shape=lambda it: _slower(it, "latch-1", np.log(1.6)))
    log.work(69, "latch-1", "adjusted")
    judged = Judged.of(log, range(9, 14))
    return both(judged.says("latch-1", "sticking-catch", least=4),
                judged.quiet(besides=[("latch-1", "sticking-catch")]))


@situation
def slow_before_a_closed_fortnight(seed):
    """It becomes slow two days before nothing is played for a fortnight."""
    def shape(scenario):
        _slower(scenario, "latch-1", np.log(1.5), 61)
        scenario.games[63:77] = 0

    judged = Judged.of(sound(seed, weeks=13, shape=shape), (11, 12))
    return both(judged.says("latch-1", "sticking-catch", least=2, urgency=("week", "plan")),
                _since_holds(judged, "latch-1", 61, "sticking-catch"),
                judged.quiet(kinds=("lock", "supply"), besides=[("latch-1", "sticking-catch")]))


@situation
def wears_by_three_percent_a_week(seed):
    """Named before it is a third slower, and its beginning is held."""
    def shape(scenario):
        day = np.arange(scenario.days)
        life = life_of(scenario, "latch-4")
        life.wander = life.wander + np.log(1.03) / 7 * np.maximum(day - 42, 0)

    judged = Judged.of(sound(seed, weeks=15, shape=shape), (12, 13, 14))
    return both(judged.says("latch-4", "sticking-catch", least=1, urgency=("week", "plan")),
                _since_holds(judged, "latch-4", 42, "sticking-catch"),
                judged.quiet(besides=[("latch-4", None)]))


@situation
def one_winding_of_a_magnet_opens(seed):
    """It draws half, and lets go in little more than half the time."""
    def shape(scenario):
        _slower(scenario, "magnet-0", np.log(0.57))

    def happen(past):
        acts = past.by_lock["magnet-0"].acts
        for place, act in enumerate(acts):
            if act[13] >= SINCE:
                acts[place] = (*act[:8], act[8] / 2, *act[9:])

    judged = Judged.of(sound(seed, shape=shape, happen=happen), WEEKS)
    return both(judged.says("magnet-0", "weakening-hold", "coil-open", "coil-current-low",
                            least=3, urgency=("now", "week", "plan")),
                judged.quiet(besides=[("magnet-0", None)]))


@situation
def a_magnet_opens_while_energised(seed):
    """One game in ten, for six weeks."""
    def happen(past):
        rng = np.random.default_rng([seed, 24])
        happened = past.by_lock["magnet-0"]
        for this, after in zip(happened.acts[:-1], happened.acts[1:], strict=True):
            if this[13] >= SINCE and rng.random() < 0.1 and after[0] - this[1] > 300e6:
                at = int(rng.uniform(this[1] + 30e6, after[0] - 60e6))
                happened.moves += [(at, True, False, 0), (at + 2_000_000, False, False, 0)]
        happened.moves.sort()

    judged = Judged.of(sound(seed, weeks=14, happen=happen), range(9, 14))
    return both(judged.says("magnet-0", "weakening-hold", least=5,
                            urgency=("now", "week", "plan")),
                judged.quiet(besides=[("magnet-0", "weakening-hold")]))


@situation
def a_catch_sticks_one_time_in_twelve(seed):
    """Named within four weeks, at some fifty commands a week."""
    def shape(scenario):
        life_of(scenario, "latch-1").per_game = 1.0
        scenario.faults.append(Fault(
            "latch-1", "lock", "sticking-catch", SINCE, "mode", 1 / 12))

    judged = Judged.of(sound(seed, weeks=13, shape=shape), (9, 10, 11, 12))
    return both(judged.says("latch-1", "sticking-catch", "loaded-catch",
                            urgency=("now", "week", "plan")),
                judged.quiet(besides=[("latch-1", None)]))


@situation
def polls_change_and_a_catch_sticks(seed):
    """Inputs go from 1 to 20 ms on the very day on which a catch becomes slow."""
    log = sound(seed, weeks=13, shape=lambda it: _slower(it, "latch-1", np.log(2.2)))
    for controller in ("plc0", "plc1"):
        log_changes.polled(log, controller, 20, SINCE)
    judged = Judged.of(log, (9, 10, 11, 12))
    return both(judged.says("latch-1", "sticking-catch", least=2,
                            urgency=("now", "week", "plan")),
                judged.quiet(besides=[("latch-1", None)]))


@situation
def stiffer_supply_and_a_coil_opens(seed):
    def shape(scenario):
        scenario.faults.append(Fault("rail-a", "supply", "supply-sag", SINCE, "step", -0.5))
        scenario.faults.append(Fault("latch-3", "lock", "coil-open", SINCE + 3, "step", 1.0))

    judged = Judged.of(sound(seed, shape=shape), WEEKS)
    return both(judged.says("latch-3", "coil-open", least=3, urgency=("now", "week", "plan")),
                judged.quiet(besides=[("latch-3", None)]))


@situation
def wander_of_weeks_on_every_lock(seed):
    """Three percent, remembered for a month: nothing is wrong."""
    from tests.campaign.mechanics import memory_path

    def shape(scenario):
        rng = np.random.default_rng([seed, 25])
        for life in scenario.locks:
            life.wander = life.wander + memory_path(
                rng, scenario.days, float(np.exp(-1 / 30)), 0.03)

    return Judged.of(sound(seed, weeks=15, shape=shape), (8, 10, 12, 14)).quiet()
