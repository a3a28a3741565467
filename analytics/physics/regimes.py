"""How everything was measured and driven, and since when: the measuring regimes of a venue.

A poll that somebody made slower, a meter that was changed, a pulse that the program lengthened:
none of them changes a lock, and each moves what the log shows of it. So a judge compares like with
like, days of one regime, or gives each day the variance of its own.

Settings hold from day to day (:mod:`remanence.analytics.statistics.settings`); what a day reads is
a median over its actuations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
import polars as pl

from remanence.analytics.history import History, once_per_history
from remanence.analytics.physics.idle_volts import IdleVolts, idle_volts
from remanence.analytics.physics.rail_load import rail_loads
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.level_change import change_of_level
from remanence.analytics.statistics.settings import ALIKE, settings
from remanence.shared.venue import Lock, Supply

FULL_DAY = 6.0
"""Actuations from which a day shows a setting as surely as any (assumption)."""
LEAST_SETTING = 1e-6
"""A setting is positive; it decides nothing."""
FEWEST_READINGS, FULL_CONVERTER_DAY, STEPS_APART = 3, 8.0, 4.0
"""Different readings of a day that have a least difference, those from which it is surely the
meter's step, and the ratio of two meters' steps: a day's readings may miss the finest by some
(assumption)."""
VOLTS_RESOLUTION = 1e-4
"""Readings are compared to a tenth of a millivolt. [V]"""
TOLD_RATIO = 1.5
"""A setting is worth a note where it changed by this factor, up or down (assumption)."""

FEWEST_TELLERS, FEWEST_DAYS = 2, 8
"""Coils that must tell a rail's stiffness on a day, and days that show whether it stepped."""
FEWEST_DAYS_BEFORE, FEWEST_DAYS_AFTER, DAYS_BESIDE = 4, 2, 4
"""Days on either side of a step, and those beside it that show whether it was one (assumption)."""
STEP_LOG_ODDS = 6.0
"""Natural log of the Bayes factor from which a step is believed: rails are changed once in some
years (assumption)."""
LEAST_STEP, SHARP_SHARE = 0.08, 0.7
"""Least step of what an ampere takes off a rail (natural log), and the share of it that must come
from one day to the next (assumption)."""
SIDE_DAYS = 14
"""Days on either side of a step whose idle volts and ripple are compared (assumption)."""
IDLE_STEP, IDLE_DEVIATIONS = 0.006, 3.0
"""Rise of the idle volts, as a share of rated and in deviations of their days, that a source does
not show which only became softer: that takes volts off (assumption)."""
RIPPLE_RATIO = 1.3
"""The factor, up or down, by which another supply's ripple differs (assumption)."""
ABOUT_DAYS = 3
"""Days between two dates of one step (assumption)."""
EPOCH = date(1970, 1, 1).toordinal()

CONTACT = ("polling", "clocks")
"""What a change of how contacts are stamped changes."""
READING = ("sampling", "converter")
"""What a change of how a rail is read changes."""
RAIL = (*READING, "supply", "stiffness")
"""And of the supply behind it."""


@dataclass(frozen=True)
class Regime:
    """One stretch of days on which a thing was measured or driven alike.

    Attributes
    ----------
    subject_kind, subject : str
        ``controller``, ``supply`` or ``lock``, and its name.
    quantity : str
        ``polling`` [ms], ``sampling`` [ms], ``converter`` [V], ``pulse`` [ms], ``supply`` or
        ``stiffness`` (what an ampere takes off the rail against the log's first days).
    since, until : date
        First and last day with readings.
    value : float
        The setting.
    before : float or None
        The one before; None for the first.
    """

    subject_kind: str
    subject: str
    quantity: str
    since: date
    until: date
    value: float
    before: float | None = None


@dataclass(frozen=True)
class Regimes:
    """All regimes of a venue, in order of time for each subject and quantity."""

    every: tuple[Regime, ...]
    by_key: Mapping[tuple[str, str], tuple[Regime, ...]]

    def rail_changed(self, supply: str, day: date) -> bool:
        """Whether a rail was given another supply about that day."""
        return any(item.before is not None and abs((item.since - day).days) <= ABOUT_DAYS
                   for item in self.of(supply, "supply"))

    def of(self, subject: str, quantity: str) -> tuple[Regime, ...]:
        """The regimes of one subject, oldest first."""
        return self.by_key.get((subject, quantity), ())

    def begun(self, lock: Lock, quantities: Iterable[str]) -> date | None:
        """First day of the present regime of what these quantities of a lock are measured by.

        None where none of them ever changed.
        """
        days = [
            item.since for quantity in quantities
            for item in self.of(_subject(lock, quantity), quantity) if item.before is not None
        ]
        return max(days) if days else None

    def changed(self, first: date, last: date) -> tuple[Regime, ...]:
        """Regimes that began on these days, another one before them, far enough to be told."""
        return tuple(
            item for item in self.every if item.before is not None
            and first <= item.since <= last and _told(item)
        )


def _told(item: Regime) -> bool:
    assert item.before is not None
    ratio = max(item.value, LEAST_SETTING) / max(item.before, LEAST_SETTING)
    return item.quantity in ("supply", "stiffness") or max(ratio, 1.0 / ratio) >= TOLD_RATIO


def _subject(lock: Lock, quantity: str) -> str:
    if quantity in RAIL:
        return lock.supply
    return lock.id if quantity == "pulse" else (lock.contact_controller or lock.supply)


@once_per_history
def regimes(history: History) -> Regimes:
    """The regimes of a venue up to the end of the week; worked out once.

    Parameters
    ----------
    history : History
        ``actuations`` are used.

    Returns
    -------
    Regimes
    """
    rows = history.dated("actuations")
    locks = history.venue.locks
    # A venue of hundreds of locks has no memory to spare for columns that nobody looks at.
    rows = rows.select(
        "day", "attempt", "resolution_ms", "sample_ms", "pulse_ms", "volts_min",
        reader=_named(locks, lambda lock: lock.contact_controller if lock.contact else None),
        supply=_named(locks, lambda lock: lock.supply),
        driven=_named(locks, lambda lock: lock.id if lock.pulsed else None),
        seen=pl.col("latency_from").is_not_null() | (pl.col("outcome") == "released"),
    )
    found = [
        *_held(rows.select("reader", "day", "resolution_ms").filter(rows["seen"]), "reader",
               "controller", "polling", "resolution_ms"),
        *_held(rows, "supply", "supply", "sampling", "sample_ms"),
        *_held(rows.select("driven", "day", "pulse_ms").filter(
            rows["attempt"].fill_null(1) == 1), "driven", "lock", "pulse", "pulse_ms"),
        *_converters(rows), *_supplies(history),
    ]
    by_key: dict[tuple[str, str], list[Regime]] = {}
    for item in found:
        by_key.setdefault((item.subject, item.quantity), []).append(item)
    return Regimes(tuple(found), {key: tuple(items) for key, items in by_key.items()})


def _named(locks: Iterable[Lock], what: Callable[[Lock], str | None]) -> pl.Expr:
    named = {lock.id: what(lock) for lock in locks}
    return pl.col("lock").replace_strict(named, default=None, return_dtype=pl.String)


def _held(
    rows: pl.DataFrame, by: str, kind: str, quantity: str, column: str
) -> list[Regime]:
    """Regimes of a setting that a column shows, of each subject in the column ``by``."""
    daily = rows.select(by, "day", column).filter(
        pl.col(by).is_not_null() & (pl.col(column) > 0)
    ).group_by(by, "day").agg(pl.col(column).median().alias("value"), pl.len()).sort(by, "day")
    found = []
    for (subject,), part in daily.partition_by(by, as_dict=True, maintain_order=True).items():
        found += _regimes_of(
            kind, str(subject), quantity, part["day"].to_list(),
            part["value"].to_numpy().astype(float), part["len"].to_numpy() / FULL_DAY)
    return found


def _converters(rows: pl.DataFrame) -> list[Regime]:
    """Regimes of each rail's meter by its own step: the least difference of a day's readings."""
    found = []
    lattice = (pl.col("volts_min") / VOLTS_RESOLUTION).round().unique().sort()
    daily = rows.select("supply", "day", "volts_min").filter(
        pl.col("supply").is_not_null() & pl.col("volts_min").is_finite()
    ).group_by("supply", "day").agg(
        (lattice.diff().min() * VOLTS_RESOLUTION).alias("step"), lattice.len().alias("readings")
    ).filter(pl.col("readings") >= FEWEST_READINGS).sort("supply", "day")
    for (supply,), part in daily.partition_by("supply", as_dict=True, maintain_order=True).items():
        found += _regimes_of(
            "supply", str(supply), "converter", part["day"].to_list(), part["step"].to_numpy(),
            part["readings"].to_numpy() / FULL_CONVERTER_DAY, STEPS_APART)
    return found


def _regimes_of(
    kind: str, subject: str, quantity: str, days: list[date], values: Reals, weight: Reals,
    alike: float = ALIKE,
) -> list[Regime]:
    number = settings(values, weight, alike)
    found: list[Regime] = []
    for one in range(int(number[-1]) + 1):
        mine = np.flatnonzero(number == one)
        found.append(Regime(
            kind, subject, quantity, days[mine[0]], days[mine[-1]],
            float(np.median(values[mine])), found[-1].value if found else None))
    return found


def _supplies(history: History) -> list[Regime]:
    """Regimes of each rail by what an ampere takes off it: a supply that is another one, or softer.

    Another supply is told from a joint gone bad by what else changed that day: its idle volts,
    beyond what the held coils take off a softer source, or its ripple. A stiffer source is another
    supply in any case: no joint mends itself.
    """
    found = []
    idle = idle_volts(history)
    for supply in history.venue.supplies:
        load = rail_loads(history).get(supply.id)
        told = load.tellers >= FEWEST_TELLERS if load is not None else np.zeros(0, dtype=np.bool_)
        if load is None or told.sum() < FEWEST_DAYS:
            continue
        days, level = load.days[told], load.rail[told]
        cuts = [0, *_steps(days, level, 0), days.size]
        before = None
        for begin, end in pairwise(cuts):
            value = float(np.exp(np.median(level[begin:end])))
            other = before is not None and (
                value < before or _another_supply(history, supply, idle[supply.id],
                                                  int(days[begin]), value / before))
            found.append(Regime(
                "supply", supply.id, "supply" if other or before is None else "stiffness",
                date.fromordinal(int(days[begin])), date.fromordinal(int(days[end - 1])),
                value, before))
            before = value
    return found


def _steps(days: Ints, level: Reals, offset: int) -> list[int]:
    """Places at which a level stepped from one day to the next, in order."""
    change = change_of_level(days, level)
    if change is None or change.log_odds < STEP_LOG_ODDS:
        return []
    at = change.index
    if at < FEWEST_DAYS_BEFORE or days.size - at < FEWEST_DAYS_AFTER:
        return []
    shift = change.now.level - change.before.level
    jump = float(np.median(level[at:at + DAYS_BESIDE]) - np.median(level[at - DAYS_BESIDE:at]))
    if abs(shift) < LEAST_STEP or jump * np.sign(shift) < SHARP_SHARE * abs(shift):
        return []  # It crept: what it is measured by is no setting.
    return [*_steps(days[:at], level[:at], offset), offset + at,
            *_steps(days[at:], level[at:], offset + at)]


def _another_supply(
    history: History, supply: Supply, idle: IdleVolts, day: int, ratio: float
) -> bool:
    """Whether idle volts or ripple stepped on that day by more than a softer source explains.

    Idle volts that come back to what they mostly were end a low spell, and tell of no other supply.
    """
    days, volts = idle.daily()
    early = volts[(days < day) & (days >= day - SIDE_DAYS)]
    late = volts[(days >= day) & (days < day + SIDE_DAYS)]
    if early.size >= FEWEST_DAYS_AFTER and late.size >= FEWEST_DAYS_AFTER:
        least = max(IDLE_STEP * supply.rated_volts,
                    IDLE_DEVIATIONS * max(robust_deviation(early), robust_deviation(late)))
        usual = max(float(np.median(early)), float(np.median(volts[days < day])))
        if float(np.median(late)) - usual > least:
            return True
    noise = history.dated("actuations").filter(
        pl.col("lock").is_in([lock.id for lock in history.venue.locks_on(supply.id)])
        & pl.col("volts_noise").is_finite()
    ).select(at=pl.col("day").to_physical() + EPOCH, noise="volts_noise")
    before, now = (
        noise.filter(pl.col("at").is_between(first, first + SIDE_DAYS - 1))["noise"].median()
        for first in (day - SIDE_DAYS, day))
    if not (isinstance(before, float) and isinstance(now, float) and min(before, now) > 0):
        return False
    louder = now / before
    return max(louder, 1 / louder) > RIPPLE_RATIO
