"""Exit routes: what may keep people in is said at once, and what only people do is not."""

import numpy as np
import polars as pl

from tests.analytics.situations import log_changes
from tests.analytics.situations.small_venue import sound
from tests.analytics.situations.told import Judged, Told, both, situation
from tests.campaign.play import US

EXIT = "magnet-0"
SINCE = 58
WEEKS = (8, 9, 10, 11)
KEEPS_IN = ("stuck-energised", "no-release")


def _held(seed, past, share, *, current_stays):
    """Some cuts do not let go; the days on which that was so."""
    rng = np.random.default_rng([seed, 21])
    happened, days = past.by_lock[EXIT], []
    for place, act in enumerate(happened.acts):
        if act[13] < SINCE or rng.random() >= share:
            continue
        days.append(act[13])
        amps = 0.0 if current_stays else act[8]
        happened.acts[place] = (*act[:2], np.inf, None, act[1] - act[0], "no-release", act[6],
                                act[7], amps, *act[9:])
        happened.moves = [move for move in happened.moves
                          if not act[0] <= move[0] <= act[1] + 0.3 * US]
    return days


def door_of(log, seed, *, least=0.3, most=3.0, factor=1.0, since=0, jams=0.0):
    """It is the door that is sensed, which people open when they come to it.

    From the day ``since`` on all take so many times as long, and a share ``jams`` four seconds
    more.
    """
    log.relock(EXIT, contact_senses="door")
    rng = np.random.default_rng([seed, 22])
    late = np.exp(rng.uniform(np.log(least), np.log(most), log.records.height)) * 1e6
    time = log.records["time"].to_numpy()
    late *= np.where(time >= log.start_of(since), factor, 1.0)
    late += 4e6 * ((rng.random(time.size) < jams) & (time >= log.start_of(since)))
    mine = np.flatnonzero((log.records["channel"] == log.lock(EXIT).contact).to_numpy())
    opens = log.records["value"].to_numpy()[mine] == 0.0
    until_next = np.diff(time[mine], append=np.iinfo(np.int64).max)
    moved = time.copy()
    moved[mine] += np.where(opens, np.minimum(late[mine], 0.8 * until_next), 0).astype(np.int64)
    log.change(log_changes.T > 0, time=pl.lit(pl.Series(moved)))


def _now_where_two_held(judged, days):
    """``now`` in each week in which two cuts or more did not let go."""
    weeks = [day // 7 for day in days]
    return Told(missed=tuple(
        f"week {number}: {weeks.count(number)} cuts held, not said"
        for number, _, found in judged.weeks
        if weeks.count(number) >= 2 and not any(
            item.subject == EXIT and item.condition in KEEPS_IN and item.urgency == "now"
            for item in found)))


def _fails(name, share, *, current_stays, door, lost=0.0):
    @situation(name=name)
    def played(seed):
        days = []
        log = sound(seed, happen=lambda past: days.extend(
            _held(seed, past, share, current_stays=current_stays)))
        if door:
            door_of(log, seed)
        if lost:
            log_changes.lost_at_random(log, lost, 0, "plc0")
        judged = Judged.of(log, WEEKS)
        return both(_now_where_two_held(judged, days), judged.quiet(
            kinds=("lock", "supply"), besides=[(EXIT, None)]))


_fails("exit_relay_sticks_and_a_door_contact", 0.08, current_stays=True, door=True)
_fails("exit_relay_sticks_and_lines_are_lost", 0.08, current_stays=True, door=True, lost=0.01)
_fails("exit_bond_unanswered_now_and_then", 0.08, current_stays=False, door=False)
_fails("exit_bond_unanswered_and_lines_are_lost", 0.08, current_stays=False, door=False, lost=0.01)


@situation
def exit_sound_and_lines_are_lost(seed):
    log = sound(seed)
    door_of(log, seed)
    log_changes.lost_at_random(log, 0.02, 0, "plc0")
    return Judged.of(log, WEEKS).quiet(kinds=("lock", "supply"))


@situation
def exit_bond_sound_and_lines_are_lost(seed):
    log = sound(seed)
    log_changes.lost_at_random(log, 0.02, 30, "plc0")
    return Judged.of(log, WEEKS).quiet(kinds=("lock", "supply"))


@situation
def exit_people_are_slower(seed):
    """From a day on people take half as long again to come to the door."""
    log = sound(seed)
    door_of(log, seed, factor=1.5, since=SINCE)
    judged = Judged.of(log, WEEKS)
    return both(judged.quiet(besides=[(EXIT, None)]), Told(wrong=tuple(
        f"{item.condition} {item.urgency}" for item in judged.findings(EXIT)
        if item.urgency == "now")))


@situation
def exit_door_jams_one_time_in_four(seed):
    """It comes seconds late: somebody looks at it within the week."""
    log = sound(seed)
    door_of(log, seed, most=2.0, since=SINCE, jams=0.25)
    judged = Judged.of(log, WEEKS)
    return both(judged.says(EXIT, "slow-drop", least=3, urgency=("week", "plan")),
                judged.quiet(besides=[(EXIT, "slow-drop")]))
