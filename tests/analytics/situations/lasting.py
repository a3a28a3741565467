"""Faults that last, come back, come together, meet closed weeks: every week is judged."""

import numpy as np

from tests.analytics.situations.exits import door_of
from tests.analytics.situations.small_venue import LATCHES, life_of, sound
from tests.analytics.situations.told import Judged, Told, both, situation
from tests.campaign.scenario import Fault

SINCE = 58
WEEKS = tuple(range(9, 15))
SLOWER = float(np.log(1.6))


def _slower(scenario, name, first=SINCE, until=None, log_change=SLOWER):
    day = np.arange(scenario.days)
    there = (day >= first) & (day < (scenario.days if until is None else until))
    life = life_of(scenario, name)
    life.wander = life.wander + log_change * there


def _named_in(judged, subject, conditions, weeks):
    """Named in each of these weeks."""
    return Told(missed=tuple(
        f"{subject} week {number}: {'/'.join(conditions)} not said"
        for number, _, found in judged.weeks if number in weeks and not any(
            item.subject == subject and item.condition in conditions for item in found)))


def _not_in(judged, subject, weeks):
    """Nothing but a watch is said of it in these weeks."""
    return Told(wrong=tuple(
        f"{subject} week {number}: {item.condition} {item.urgency}"
        for number, _, found in judged.weeks if number in weeks
        for item in found if item.subject == subject and item.urgency != "watch"))


@situation
def one_fault_alone_lasts(seed):
    judged = Judged.of(sound(seed, weeks=15, shape=lambda it: _slower(it, "latch-1")), WEEKS)
    return both(_named_in(judged, "latch-1", ("sticking-catch",), WEEKS),
                judged.quiet(besides=[("latch-1", "sticking-catch")]))


@situation
def four_faults_at_once_last(seed):
    def shape(scenario):
        _slower(scenario, "latch-1")
        _slower(scenario, "magnet-0", log_change=np.log(1.5))
        scenario.faults.append(Fault("latch-3", "lock", "contact-stuck", SINCE, "step", 1.0))
        scenario.faults.append(Fault("latch-5", "lock", "no-release", SINCE, "step", 0.25))

    judged = Judged.of(sound(seed, weeks=15, shape=shape), WEEKS)
    told = {"latch-1": ("sticking-catch",), "magnet-0": ("slow-drop",),
            "latch-3": ("contact-stuck",), "latch-5": ("no-release",)}
    return both(*(_named_in(judged, name, conditions, WEEKS)
                  for name, conditions in told.items()),
                judged.quiet(besides=[(name, None) for name in told]))


@situation
def a_fault_meets_a_closed_fortnight(seed):
    """Nothing is played in weeks 10 and 11: named before it, and again after it."""
    def shape(scenario):
        _slower(scenario, "latch-1")
        scenario.games[70:84] = 0

    judged = Judged.of(sound(seed, weeks=15, shape=shape), WEEKS)
    return both(_named_in(judged, "latch-1", ("sticking-catch",), (9, 12, 13, 14)),
                judged.quiet(kinds=("lock", "supply"),
                             besides=[("latch-1", "sticking-catch")]))


@situation
def a_closed_fortnight_and_nothing_wrong(seed):
    def shape(scenario):
        scenario.games[70:84] = 0

    return Judged.of(sound(seed, weeks=15, shape=shape), WEEKS).quiet(kinds=("lock", "supply"))


@situation
def mended_and_comes_back(seed):
    """Slow from day 58, adjusted on day 72, slow again from day 88."""
    def shape(scenario):
        _slower(scenario, "latch-1", SINCE, 72)
        _slower(scenario, "latch-1", 88)

    log = sound(seed, weeks=16, shape=shape)
    log.work(72, "latch-1", "adjusted")
    judged = Judged.of(log, range(9, 16))
    return both(_named_in(judged, "latch-1", ("sticking-catch",), (9, 14, 15)),
                _not_in(judged, "latch-1", (11,)),
                judged.quiet(besides=[("latch-1", None)]))


@situation
def all_latches_of_a_venue_slow_together(seed):
    def shape(scenario):
        for name in LATCHES:
            _slower(scenario, name, log_change=np.log(1.25))

    judged = Judged.of(sound(seed, weeks=15, shape=shape), WEEKS)
    said = Told(missed=tuple(
        f"week {number}: no shared slowing" for number, _, found in judged.weeks
        if number >= 10 and not any(item.condition == "shared-slowing" for item in found)))
    return both(said, judged.quiet(besides=[(None, "shared-slowing")]))


@situation
def one_of_them_sticks_besides(seed):
    """All latches slow together for good; a fortnight later one has a fault of its own."""
    def shape(scenario):
        for name in LATCHES:
            _slower(scenario, name, log_change=np.log(1.25))
        _slower(scenario, "latch-2", first=SINCE + 14)

    judged = Judged.of(sound(seed, weeks=16, shape=shape), range(9, 16))
    said = Told(missed=tuple(
        f"week {number}: no shared slowing" for number, _, found in judged.weeks
        if number >= 10 and not any(item.condition == "shared-slowing" for item in found)))
    return both(said, _named_in(judged, "latch-2", ("sticking-catch",), range(11, 16)),
                judged.quiet(besides=[(None, "shared-slowing"), ("latch-2", None)]))


@situation
def latches_slow_one_after_another(seed):
    """Most latches fall slow, each on a day of its own: nothing is shared."""
    firsts = dict(zip(LATCHES[:5], (44, 55, 64, 72, 80), strict=True))

    def shape(scenario):
        for name, first in firsts.items():
            _slower(scenario, name, first)

    judged = Judged.of(sound(seed, weeks=15, shape=shape), WEEKS)
    return both(*(_named_in(judged, name, ("sticking-catch",), range(9, 15) if first < 58
                            else range((first // 7) + 2, 15))
                  for name, first in firsts.items()),
                judged.quiet(besides=[(name, "sticking-catch") for name in firsts]))


@situation
def exit_with_a_door_contact(seed):
    """People open it when they come to it: late, and no fault of the magnet."""
    log = sound(seed, weeks=12)
    door_of(log, seed)
    return Judged.of(log, (9, 10, 11)).quiet()
