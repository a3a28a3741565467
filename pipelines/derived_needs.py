"""Which row groups of levels some days' pairing needs to look at.

Nearly all readings lie far from any command. A row group is left out where

- no window of a command whose rail (or coil) is looked at reaches into it;
- of all its hours the files keep what the rail showed, and no latch was on in them;
- of all its hours the files keep what the controller logged, and none of its commands and
  contacts moved in them.

Then nothing that is told of these days depends on its readings one by one. Where anything
of that is not known for certain, it is read.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analytics.pairing_hours import HOUR_US, NO_STRETCHES, Stretches, untouched
from analytics.pairing_levels import Ints
from analytics.pairing_rails import RailTasks
from analytics.pairing_readings import calm_hours, owner_of
from analytics.pairing_setup import Setup
from analytics.pairing_state import Readings
from analytics.rail_windows import done_at, looked_at_from
from pipelines.derived_records import Group, Outline


@dataclass(frozen=True)
class Needs:
    """What is looked at of some days."""

    volts: Mapping[int, Stretches]
    """By supply."""
    amps: Mapping[int, Stretches]
    """By lock."""
    busy: Mapping[int, Stretches]
    """When a latch was on, by supply."""
    supplies: Collection[int] | None
    """Whose hours are wanted; None: all of them."""
    controllers: Collection[int] | None
    """Whose activity is wanted; None: all of them."""

    @classmethod
    def of(
        cls, setup: Setup, tasks: RailTasks, busy: Mapping[int, Stretches],
        supplies: Collection[int] | None, controllers: Collection[int] | None,
    ) -> Needs:
        """What some commands, hours and activity need.

        Parameters
        ----------
        setup : Setup
            The locks.
        tasks : RailTasks
            The commands whose rails are looked at.
        busy : mapping of int to Stretches
            See :func:`analytics.pairing_days.busy_rails`.
        supplies, controllers : collection of int or None
            Whose hours and activity are wanted; None: of all.
        """
        begin = looked_at_from(tasks.start)
        end = done_at(tasks.start, tasks.end, setup.pulsed[tasks.lock])
        return cls(_apart(setup.supply[tasks.lock], begin, end), _apart(tasks.lock, begin, end),
                   busy, supplies, controllers)

    def of_day(self, setup: Setup, outline: Outline, readings: Readings) -> list[bool]:
        """Which of a day's row groups are needed, given the day's edges."""
        still = {
            channel: untouched(hours, *self.busy.get(setup.rail_of[channel], NO_STRETCHES))
            for channel, hours in outline.known.rails.items()}
        calm = calm_hours(setup, readings, outline.known)
        return [self._needed(setup, group, still, calm) for group in outline.groups]

    def _needed(
        self, setup: Setup, group: Group, still: Mapping[str, Collection[int]],
        calm: Mapping[int, Collection[int]],
    ) -> bool:
        if group.quantity is None or group.channel is None or group.first is None \
                or group.last is None:
            return True
        hours = range(group.first // HOUR_US, group.last // HOUR_US + 1)
        if group.quantity == "volts":
            place = setup.rail_of[group.channel]
            windows = self.volts.get(place)
            if (self.supplies is None or place in self.supplies) \
                    and not _all_in(hours, still.get(group.channel, ())):
                return True
        else:
            windows = self.amps.get(setup.command_of[group.channel])
        owner = owner_of(setup, group.channel)
        if (self.controllers is None or owner in self.controllers) \
                and not _all_in(hours, calm.get(owner, ())):
            return True
        if windows is None:
            return False
        begin, end = windows
        return bool(np.searchsorted(end, group.first, "left")
                    < np.searchsorted(begin, group.last, "right"))


def _all_in(hours: range, some: Collection[int]) -> bool:
    return all(number in some for number in hours)


def _apart(whose: Ints, begin: Ints, end: Ints) -> dict[int, Stretches]:
    """Stretches of time by whose they are, each running from the first begin to the last end."""
    order = np.lexsort((begin, whose))
    whose, begin, end = whose[order], begin[order], end[order]
    places, at = np.unique(whose, return_index=True)
    return {place: (begin[low:high], np.maximum.accumulate(end[low:high]))
            for place, (low, high) in zip(
                places.tolist(), pairwise([*at.tolist(), whose.size]), strict=True)}
