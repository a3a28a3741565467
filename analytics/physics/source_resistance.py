"""Source resistance of each rail: how many volts does each ampere cost, this week and before?

Equation: a rail is an open voltage behind a source resistance; coils are resistances in
parallel. A coil of current I that joins others of total conductance G takes
``sag = R I / (1 + R G)`` off the rail. Range: below the current at which the supply limits
(fold-back, hiccup); beyond it the equation does not hold.

Source: Thevenin's theorem; the currents are the venue file's, by Ohm's law, unless the log
has amps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from remanence.analytics.history import (
    History,
    in_first_weeks,
    in_lots,
    once_per_history,
    rails_in_lots,
)
from remanence.analytics.physics.cable import cable_ohms
from remanence.analytics.physics.latency import with_week
from remanence.analytics.statistics.robust import HuberFit, Line, huber_fit, huber_line
from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Venue
from remanence.shared.weeks import Week

FEWEST_SAGS = 5
"""Fewer sags than this on a rail give no source resistance."""

FEWEST_LOCKS = 3
"""From so many locks on the scatter between them shows the tolerance of their coils."""

COIL_TOLERANCE = 0.10
"""How far a coil may stand from its stated resistance, tolerance and warmth together: the least
relative half-width of an absolute source resistance that rests on stated coils of fewer than
three locks (common practice, no source)."""

COURSE_WEEKS = 26
"""The resistance is fitted week by week over so many weeks: half a year shows a joint going bad."""

FIT_ROUNDS = 4
"""Other coils that are on reduce the sag. This small correction settles in two or three rounds."""

SETTLED_OHMS = 1e-6
"""The rounds end at a change below this, far less than any meter shows. [ohm]"""

_NEEDED = (
    "lock", "command_time", "outcome", "volts_before", "sag_volts", "amps", "others_on")


def coil_conductance(lock: Lock) -> float | None:
    """Amps per volt at the rail of a lock's coil and cable, cold.

    Parameters
    ----------
    lock : Lock
        Coil, and cable where stated.

    Returns
    -------
    float or None
        Siemens; None where the coil is not stated.
    """
    if lock.ohms is None:
        return None
    return 1.0 / (lock.ohms + (cable_ohms(lock) or 0.0))


def with_load(actuations: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """The rows that show a sag, with what loaded the rail.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS. Rows without ``sag_volts`` or ``volts_before``, of unknown locks
        and of locks whose coil is not stated and not measured are passed over; so is a
        self-cutting lock that was already open, as its own switch keeps the coil off.
    venue : Venue
        Coils, cables, ratings and the zone that cuts weeks.

    Returns
    -------
    polars.DataFrame
        Those rows with ``supply``; ``load_amps`` [A], the coil's current; ``measured``, true
        where it was logged; ``others_siemens`` [S], conductance of the other coils that were on.

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Current by Ohm's law from the venue file's coil and cable at the loaded volts, unless the log
    has amps.
    """
    require(actuations, ACTUATIONS, _NEEDED)
    facts = []
    for lock in venue.locks:
        resting = [
            value for other in venue.locks_on(lock.supply)
            if other.fail_safe and (value := coil_conductance(other)) is not None
        ]
        facts.append((
            lock.id, lock.supply, coil_conductance(lock), lock.fail_safe, lock.self_cut,
            float(np.mean(resting)) if resting else 0.0,
        ))
    locks = pl.DataFrame(
        facts,
        schema={
            "lock": pl.String, "supply": pl.String, "_siemens": pl.Float64, "_safe": pl.Boolean,
            "_self_cut": pl.Boolean, "_resting": pl.Float64,
        },
        orient="row",
    )
    loaded = pl.col("volts_before") - pl.when("_safe").then(0.0).otherwise("sag_volts")
    return (
        actuations.filter(
            pl.col("sag_volts").is_not_null() & pl.col("volts_before").is_not_null()
        )
        .join(locks, on="lock", how="inner")
        .filter(~(pl.col("_self_cut") & (pl.col("outcome") == "already-open")))
        .with_columns(
            measured=pl.col("amps").is_not_null(),
            load_amps=pl.coalesce("amps", loaded * pl.col("_siemens")),
            others_siemens=pl.col("others_on").fill_null(0) * pl.col("_resting"),
        )
        .filter(pl.col("load_amps") > 0)
        .drop("_siemens", "_safe", "_self_cut", "_resting")
    )


def source_resistance(
    actuations: pl.DataFrame,
    venue: Venue,
    by: Sequence[str] = ("supply",),
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Source resistance of each rail: robust regression of sag on load, through the origin.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS; see :func:`with_load` for the rows that count.
    venue : Venue
        Coils and cables.
    by : sequence of str, default ("supply",)
        ``("supply", "week")`` gives one row per ISO week of the venue's zone.
    confidence : float, default 0.95
        Coverage of both intervals.

    Returns
    -------
    polars.DataFrame
        One row per group that has any sag, sorted.

        - the columns of ``by``
        - ``resistance_ohms`` : null with fewer than five sags
        - ``low_ohms``, ``high_ohms`` : interval of the absolute value; it rests on the
          scatter between locks (three or more), since the tolerance of a coil moves all of
          its own sags together
        - ``repeat_low_ohms``, ``repeat_high_ohms`` : interval without that common part: for
          comparing one week of this rail with another
        - ``sags``, ``locks`` : what it rests on
        - ``estimated`` : true where any current came from the venue file

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Huber's robust regression (P. J. Huber, Ann. Math. Stat. 35 (1964) 73) on Thevenin's circuit.
    The resistance is that up to where the volts are measured: for a supply ``measured_at``
    ``branch`` the feed to that point is in it. A warm coil draws less than the stated one,
    which makes the resistance read low by as much (0.4 % per kelvin).
    """
    require(actuations, ACTUATIONS, _NEEDED)
    keys = [name for name in by if name in actuations.columns]
    order = [*by, "lock", "command_time"]
    looked_at = dict.fromkeys([*order, "load_amps", "others_siemens", "sag_volts", "measured"])

    def some(part: pl.DataFrame) -> pl.DataFrame:
        rows = with_load(part, venue)
        if "week" in by and "week" not in rows.columns:
            rows = with_week(rows, venue.zone)
        return rows.select(*looked_at)

    found = []
    for of_rails in rails_in_lots(actuations.select(*_NEEDED, *keys), venue):
        rows = pl.concat(map(some, in_lots(of_rails))).sort(order)
        begin = 0
        for *key, size in rows.group_by(by, maintain_order=True).len().iter_rows():
            # (Each group's rows stand together; to gather them would hold all of them once more.)
            group, begin = rows.slice(begin, size), begin + size
            between, within = _lines(group, confidence)
            found.append((*key, *_resistance_row(group, between, within)))
    schema: dict[str, pl.DataType] = {name: pl.String() for name in by}
    schema |= {
        name: pl.Float64()
        for name in ("resistance_ohms", "low_ohms", "high_ohms", "repeat_low_ohms",
                     "repeat_high_ohms")
    }
    schema |= {"sags": pl.Int64(), "locks": pl.Int64(), "estimated": pl.Boolean()}
    return pl.DataFrame(found, schema=schema, orient="row").sort(by)


@dataclass(frozen=True)
class Resistance:
    """One fit of a rail's source resistance, in ohms.

    Attributes
    ----------
    ohms, low_ohms, high_ohms : float
        With the interval of the absolute value.
    repeat_low_ohms, repeat_high_ohms : float
        The interval for comparing one week of this rail with another.
    sags, locks : int
        Sags and locks that the fit uses.
    estimated : bool
        True where any current came from the venue file.
    """

    ohms: float
    low_ohms: float
    high_ohms: float
    repeat_low_ohms: float
    repeat_high_ohms: float
    sags: int
    locks: int
    estimated: bool


@dataclass(frozen=True)
class RailResistance:
    """The source resistance of one rail, as all pages show it.

    Attributes
    ----------
    now : Resistance or None
        Of the week asked for.
    before : Resistance or None
        Of the first weeks of the rail's log, the week asked for left out.
    weeks : tuple of (Week, Resistance)
        Week by week, oldest first, the week asked for included.
    sags : int
        Sags of the week asked for, also where they are too few.
    """

    now: Resistance | None
    before: Resistance | None
    weeks: tuple[tuple[Week, Resistance], ...]
    sags: int

    @property
    def latest(self) -> Resistance | None:
        """The newest known resistance; predictions use it."""
        return self.weeks[-1][1] if self.weeks else self.before


@once_per_history
def rail_resistance(history: History) -> Mapping[str, RailResistance]:
    """The source resistance of every rail, fitted once for all pages.

    Parameters
    ----------
    history : History
        ``actuations`` up to the end of the week.

    Returns
    -------
    mapping of str to RailResistance
        By supply; all of the venue's.
    """
    venue = history.venue
    rows = history.dated("actuations").select("weeks_ago", *_NEEDED)
    rows = rows.with_columns(early=in_first_weeks())
    course: list[dict[str, Any]] = []
    before: dict[str, Resistance | None] = {}
    for of_rails in rails_in_lots(rows, venue):
        course += source_resistance(of_rails.filter(pl.col("weeks_ago") < COURSE_WEEKS), venue,
                                    by=("supply", "week")).to_dicts()
        early = source_resistance(of_rails.filter("early"), venue)
        before |= {row["supply"]: _fit(row) for row in early.to_dicts()}
    weeks: dict[str, list[tuple[Week, Resistance]]] = {}
    sags: dict[str, int] = {}
    for row in course:
        week, fit = Week.parse(row["week"]), _fit(row)
        if week == history.week:
            sags[row["supply"]] = row["sags"]
        if fit is not None:
            weeks.setdefault(row["supply"], []).append((week, fit))
    return {
        supply.id: RailResistance(
            next((fit for week, fit in weeks.get(supply.id, ()) if week == history.week), None),
            before.get(supply.id), tuple(weeks.get(supply.id, ())), sags.get(supply.id, 0),
        )
        for supply in venue.supplies
    }


def latest_resistance(history: History) -> dict[str, Resistance]:
    """:attr:`RailResistance.latest` of every rail, without the fits of the weeks before it.

    Parameters
    ----------
    history : History
        ``actuations`` up to the end of the week.

    Returns
    -------
    dict of str to Resistance
        By supply; a rail of which none is known is not in it.
    """
    venue = history.venue
    rows = history.dated("actuations").select("weeks_ago", *_NEEDED)
    sags = rows.filter(pl.col("sag_volts").is_not_null())
    found: dict[str, Resistance] = {}

    def learn(part: pl.DataFrame) -> bool:
        wanted = [lock.id for lock in venue.locks if lock.supply not in found]
        for row in source_resistance(part.filter(pl.col("lock").is_in(wanted)), venue).to_dicts():
            if (fit := _fit(row)) is not None:
                found[row["supply"]] = fit
        return len(found) == len(venue.supplies)

    weeks = sags.filter(pl.col("weeks_ago") < COURSE_WEEKS)["weeks_ago"].unique().sort()
    if not any(learn(sags.filter(pl.col("weeks_ago") == ago)) for ago in weeks):
        learn(rows.filter(in_first_weeks()))
    return found


def _fit(row: Mapping[str, float]) -> Resistance | None:
    if row["resistance_ohms"] is None:
        return None
    return Resistance(
        row["resistance_ohms"], row["low_ohms"], row["high_ohms"], row["repeat_low_ohms"],
        row["repeat_high_ohms"], int(row["sags"]), int(row["locks"]), bool(row["estimated"]),
    )


def _lines(group: pl.DataFrame, confidence: float) -> tuple[Line | None, Line | None]:
    """The fit with its interval between locks, and within them."""
    if group.height < FEWEST_SAGS:
        return None, None
    amps = group["load_amps"].to_numpy()
    others = group["others_siemens"].to_numpy()
    sag = group["sag_volts"].to_numpy()
    lock = np.unique(group["lock"].to_list(), return_inverse=True)[1]
    ohms = 0.0
    fitted: HuberFit | None = None
    x = amps
    for _ in range(FIT_ROUNDS):
        x = amps / (1 + max(ohms, 0.0) * others)
        fitted = huber_fit(x, sag, intercept=False)
        if fitted is None or abs(fitted.slope - ohms) < SETTLED_OHMS:
            break
        ohms = fitted.slope
    between = fitted.line(lock, confidence) if fitted else None
    # Within: each lock's own mean ratio is taken out, so only repeat scatter remains.
    own = (np.bincount(lock, sag) / np.bincount(lock, x))[lock]
    level = between.slope if between else 0.0
    level_sag = sag - own * x + level * x
    within = huber_line(x, level_sag, intercept=False, confidence=confidence)
    return between, within


def _resistance_row(
    group: pl.DataFrame, between: Line | None, within: Line | None
) -> tuple[float | int | bool | None, ...]:
    locks = group["lock"].n_unique()
    estimated = not group["measured"].all()
    counts = (group.height, locks, estimated)
    if between is None or within is None:
        return (None, None, None, None, None, *counts)
    low, high = between.low, between.high
    if locks < FEWEST_LOCKS and estimated:
        low = min(low, between.slope * (1 - COIL_TOLERANCE))
        high = max(high, between.slope * (1 + COIL_TOLERANCE))
    reach = (within.high - within.low) / 2
    return (
        between.slope, max(low, 0.0), high, max(between.slope - reach, 0.0),
        between.slope + reach, *counts,
    )
