"""Who commands what, when: the house's days, its games, and each lock's first commands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
import numpy.typing as npt

from remanence.shared.venue import Venue

Reals = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

SECOND = 1_000_000
"""Times are whole microseconds since 1970, UTC."""

GAME_S = 64 * 60
ROOM_S = 12 * 60


@dataclass
class Commands:
    """One row per releasing command, before anything is known of the answer.

    ``lock`` is the index in the venue file; ``close_at`` the moment at which staff
    shut it again; ``check`` marks the staff's morning round.
    """

    lock: Whole
    at: Whole
    close_at: Whole
    check: npt.NDArray[np.bool_]

    def sorted(self) -> Commands:
        """By lock and time."""
        order = np.lexsort((self.at, self.lock))
        return Commands(
            self.lock[order], self.at[order], self.close_at[order], self.check[order]
        )


def moment(venue: Venue, day: date, hour: float) -> int:
    """Local ``hour`` of ``day`` as microseconds UTC."""
    local = datetime.combine(day, time(), venue.zone) + timedelta(hours=hour)
    return round(local.timestamp()) * SECOND


def open_days(start: date, end: date) -> list[date]:
    """The house is closed on Mondays."""
    days = [start + timedelta(days=n) for n in range((end - start).days + 1)]
    return [day for day in days if day.weekday() != 0]


def commands(rng: np.random.Generator, venue: Venue, start: date, end: date) -> Commands:
    """Every first command of every lock: the morning round and each game.

    A party walks through the rooms one after the other; within a room the locks
    come in the order of the venue file. Five to eight games a day, most at the weekend.
    """
    room_of = {room: index for index, room in enumerate(venue.rooms)}
    rooms = np.array([room_of[lock.room] for lock in venue.locks])
    place = np.array([
        sum(other.room == lock.room for other in venue.locks[:index])
        for index, lock in enumerate(venue.locks)
    ])
    in_room = np.array([sum(o.room == lock.room for o in venue.locks) for lock in venue.locks])
    count = len(venue.locks)
    locks, times, closes, checks = [], [], [], []
    everyone = np.arange(count)
    for day in open_days(start, end):
        round_at = moment(venue, day, 9.6) + np.arange(count) * 25 * SECOND
        round_at = round_at + rng.integers(0, 8 * SECOND, count)
        locks.append(everyone)
        times.append(round_at)
        closes.append(round_at + rng.integers(9 * SECOND, 18 * SECOND, count))
        checks.append(np.ones(count, bool))
        games = int(rng.integers(7, 9) if day.weekday() >= 4 else rng.integers(5, 7))
        begin = moment(venue, day, 10.5)
        for game in range(games):
            game_at = begin + game * 82 * 60 * SECOND + int(rng.integers(0, 300)) * SECOND
            into = rooms * ROOM_S + (place + 1) / (in_room + 1.5) * (ROOM_S - 60)
            into = into + rng.normal(0, 25, count)
            locks.append(everyone)
            times.append(game_at + (into * SECOND).astype(np.int64))
            close = game_at + (GAME_S + rng.integers(0, 540, count)) * SECOND
            closes.append(close + rng.integers(0, SECOND, count))
            checks.append(np.zeros(count, bool))
    rows = Commands(
        np.concatenate(locks), np.concatenate(times), np.concatenate(closes),
        np.concatenate(checks),
    )
    return rows.sorted()
