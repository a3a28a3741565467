"""A lock that was bad before its log began: told within two weeks, never since before the log."""

from datetime import date

import numpy as np

from tests.analytics.situations.small_venue import QUIET_START, life_of, sound
from tests.analytics.situations.told import Judged, Told, both, situation
from tests.campaign.scenario import Fault


def _from_first(name, lock, conditions, fault=None, shape=None, weeks=(0, 1, 2)):
    @situation(name=name)
    def played(seed):
        def shaped(scenario):
            if fault is not None:
                condition, form, size = fault
                scenario.faults.append(Fault(lock, "lock", condition, 0, form, size, grows_days=1))
            if shape is not None:
                shape(life_of(scenario, lock))

        judged = Judged.of(sound(seed, weeks=3, shape=shaped), weeks)
        told = Judged(judged.log, judged.weeks[:2]).says(lock, *conditions)
        early = Told(wrong=tuple(
            f"{item.condition} since {day}" for item in judged.findings(lock)
            for day in (item.since, item.since_low)
            if isinstance(day, date) and day < QUIET_START
            and item.condition != "release-test-due"))
        return both(told, early, judged.quiet(besides=[(lock, None)]))


def _slow(factor):
    def shape(life):
        life.base_ms *= factor

    return shape


_from_first("first_day_latch_slow", "latch-1", ("sticking-catch",), shape=_slow(2.2))
_from_first("first_day_latch_very_slow", "latch-4", ("sticking-catch",), shape=_slow(4.0))
_from_first("first_day_magnet_slow", "magnet-0", ("slow-drop",), shape=_slow(2.3))
_from_first("first_day_magnet_quick", "magnet-1", ("missing-suppression", "weakening-hold"),
            shape=_slow(0.1))
_from_first("first_day_sticks_at_times", "latch-2", ("sticking-catch", "no-release"),
            fault=("sticking-catch", "mode", 0.15))
_from_first("first_day_no_release", "latch-5", ("no-release",), fault=("no-release", "step", 0.15))
_from_first("first_day_coil_open", "latch-3", ("coil-open", "contact-stuck", "no-release"),
            fault=("coil-open", "step", 1.0))
_from_first("first_day_coil_draws_more", "latch-0", ("coil-current-high",),
            fault=("coil-current-high", "step", 1.5))
_from_first("first_day_not_cut", "cutter-0", ("self-cut-failed",),
            fault=("self-cut-failed", "step", 1.0))
_from_first("first_day_held_on", "latch-2", ("over-long-energising",),
            fault=("over-long-energising", "step", 0.3))
_from_first("first_day_inverted", "latch-4", ("contact-inverted",),
            fault=("contact-inverted", "step", 1.0))
_from_first("first_day_contact_dead", "latch-1", ("contact-stuck", "no-release"),
            fault=("contact-stuck", "step", 1.0))
_from_first("first_day_left_open", "latch-1", ("not-reclosed",),
            fault=("not-reclosed", "step", 0.35))
_from_first("first_day_opens_alone", "latch-5", ("opened-unpowered",),
            fault=("opened-unpowered", "step", 0.4))
_from_first("first_day_chatter", "latch-0", ("contact-chatter",),
            fault=("contact-chatter", "step", 12.0))


@situation
def first_days_of_a_sound_venue(seed):
    return Judged.of(sound(seed, weeks=4), (0, 1, 2, 3)).quiet()


@situation
def first_days_of_unlike_locks(seed):
    """Locks of one family differ as they do: by a fifth, natural log."""
    rng = np.random.default_rng([seed, 8])

    def shape(scenario):
        for life in scenario.locks:
            life.base_ms *= float(np.exp(rng.normal(0, 0.15)))

    return Judged.of(sound(seed, weeks=4, shape=shape), (0, 1, 2, 3)).quiet()
