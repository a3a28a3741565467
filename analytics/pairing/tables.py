"""The rows of pairing as tables of the schemas in :mod:`remanence.shared.tables`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import (
    EARLY,
    NEVER,
    Columns,
    Flags,
    Ints,
    Keys,
    segment_starts,
)
from remanence.analytics.pairing.match import count_attempts
from remanence.analytics.pairing.rail_tasks import RAIL_COLUMNS
from remanence.analytics.pairing.setup import NO_CONTACT, NO_RELEASE, RELEASED, UNOBSERVED, Setup
from remanence.analytics.pairing.step import Step
from remanence.shared.tables import (
    ACTUATIONS,
    CONTACT_CHANGES,
    ENERGISINGS,
    OPENINGS,
    OUTCOMES,
    TIMESTAMP,
    Table,
)
from remanence.shared.venue import Venue, controller_of

DAY_US = 86_400_000_000

COMMAND_COLUMNS = (
    "lock", "start", "end", "outcome", "wait_end", "release", "bounces", "others_on", "attempt",
    "relock", "contact_edges",
)


def joined(parts: Sequence[Columns]) -> Columns:
    """Columns of several steps, one below the other."""
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def command_columns(step: Step, which: Ints) -> Columns:
    """COMMAND_COLUMNS of some commands: integers, times in microseconds, NEVER for none.

    Parameters
    ----------
    step : Step
        What was paired.
    which : array of int
        Which commands.
    """
    c = step.commands
    movement = c.release_movement[which]
    released = movement >= 0
    bounces = np.full(which.size, -1)
    bounces[released] = step.movements.edges[movement[released]] - 1
    return {
        "lock": c.lock[which], "start": c.start[which], "end": c.end[which],
        "outcome": c.outcome[which], "wait_end": c.wait_end[which], "release": c.release[which],
        "bounces": bounces, "others_on": step.others[which], "attempt": c.attempt[which],
        "relock": c.relock[which], "contact_edges": c.contact_edges[which],
    }


def with_figures(rows: Columns, figures: Columns) -> Columns:
    """The rows with their rails' figures beside them; NaN where there are none."""
    keys = Keys.over(rows["start"], figures["start"])
    have = keys.of(figures["lock"], figures["start"])
    order = np.argsort(have)
    want = keys.of(rows["lock"], rows["start"])
    place = np.searchsorted(have[order], want)
    inside = place < have.size
    place = order[np.where(inside, place, 0)] if have.size else np.zeros(want.size, np.int64)
    good = inside & (have[place] == want) if have.size else inside
    return rows | {
        name: np.where(good, figures[name][place], np.nan) if have.size
        else np.full(want.size, np.nan)
        for name in RAIL_COLUMNS
    }


def with_polling(setup: Setup, rows: Columns, polled: Mapping[tuple[int, int], float]) -> Columns:
    """The rows with ``polled``: the resolution of the contact's controller on their UTC day."""
    owner, day = setup.contact_owner[rows["lock"]], rows["start"] // DAY_US
    found = np.full(day.size, np.nan)
    for (controller, of_day), resolution in polled.items():
        found[(owner == controller) & (day == of_day)] = resolution
    return rows | {"polled": found}


def supply_outcomes(
    setup: Setup, rows: Columns, last: Mapping[int, tuple[int, int, int]]
) -> tuple[Columns, dict[int, tuple[int, int, int]]]:
    """Outcomes of locks whose release is read off the end of the sag.

    A sag that ends while the command lasts is the lock cutting its own coil: it has
    opened, at the first reading that shows it. A sag that lasts as long as the
    command is a release not seen. No sag (already open, or the coil is not fed), or
    readings that could not show one: unobserved.

    Parameters
    ----------
    setup : Setup
        The locks.
    rows : dict of str to array
        COMMAND_COLUMNS with RAIL_COLUMNS, sorted by lock and start.
    last : mapping of int to (start, outcome, attempt)
        The last command before these, by lock.

    Returns
    -------
    dict of str to array
        The same rows, ``outcome``, ``release`` and ``attempt`` filled in.
    dict
        The last command of each lock now.
    """
    mine = np.flatnonzero(setup.by_supply[rows["lock"]])
    if not mine.size:
        return rows, dict(last)
    lock, start = rows["lock"][mine], rows["start"][mine]
    cut = rows["cut_ms"][mine]
    deep = rows["sag_volts"][mine] >= 6.0 * rows["volts_noise"][mine]
    outcome = np.full(mine.size, UNOBSERVED)
    outcome[deep & (rows["held"][mine] == 1)] = NO_RELEASE
    outcome[deep & ~np.isnan(cut)] = RELEASED
    first = segment_starts(lock)
    told = np.array([last.get(int(k), (EARLY, UNOBSERVED, 0)) for k in lock[first]], np.int64)
    last_start, last_outcome = np.empty(mine.size, np.int64), np.empty(mine.size, np.int64)
    last_start[1:], last_outcome[1:] = start[:-1], outcome[:-1]
    last_start[first], last_outcome[first] = told[:, 0], told[:, 1]
    linked = (last_outcome == NO_RELEASE) & (start - last_start <= setup.retry_us)
    attempts = np.zeros(setup.size, np.int64)
    attempts[lock[first]] = told[:, 2]
    attempt = count_attempts(lock, linked, attempts)
    filled = {name: rows[name].copy() for name in ("outcome", "release", "attempt")}
    filled["outcome"][mine], filled["attempt"][mine] = outcome, attempt
    cut_us = np.where(outcome == RELEASED, np.nan_to_num(np.round(cut * 1000)), 0)
    filled["release"][mine] = np.where(
        outcome == RELEASED, start + cut_us.astype(np.int64), NEVER)
    updated = dict(last)
    for index in np.flatnonzero(np.append(first[1:], True)):
        updated[int(lock[index])] = (int(start[index]), int(outcome[index]), int(attempt[index]))
    return rows | filled, updated


def actuations(setup: Setup, venue: Venue, rows: Columns) -> pl.DataFrame:
    """ACTUATIONS from rows of commands.

    Parameters
    ----------
    setup : Setup
        The locks.
    venue : Venue
        The same locks as the venue file has them.
    rows : dict of str to array
        COMMAND_COLUMNS, RAIL_COLUMNS and ``polled``, after :func:`supply_outcomes`;
        also ``derived_on`` (a date's number), if the table is to have it.
    """
    def told(name: str) -> pl.Expr:
        return pl.when(pl.col(name) < NEVER).then(pl.col(name))

    start = pl.col("start")
    released = pl.col("outcome") == RELEASED
    names = pl.Series(OUTCOMES)
    frame = pl.DataFrame(rows, nan_to_null=True).lazy().join(
        _lock_table(setup, venue).lazy(), on="lock", how="left")
    frame = frame.select(
        *_kept(rows),
        lock="id",
        command_time=start.cast(TIMESTAMP),
        pulse_ms=_ms(told("end") - start),
        outcome=pl.col("outcome").replace_strict(
            list(range(len(names))), names, return_dtype=pl.String),
        latency_ms=pl.when(released).then(_ms(pl.col("release") - start)),
        waited_ms=pl.when(released).then(_ms(pl.col("release") - start))
        .otherwise(_ms(pl.col("wait_end") - start)),
        latency_from="kind",
        resolution_ms=pl.when(pl.col("by_supply")).then("cut_gap_ms").otherwise("polled"),
        bounces=pl.when(pl.col("bounces") >= 0).then("bounces"),
        volts_before="volts_before", volts_min="volts_min", sag_volts="sag_volts",
        end_sag_volts="end_sag_volts",
        off_spike_volts="off_spike_volts", others_on="others_on", attempt="attempt",
        sag_ms="sag_ms", sag_pulses="sag_pulses", sag_outlasts_ms="sag_outlasts_ms",
        volts_noise="volts_noise", volts_samples="volts_samples", sample_ms="sample_ms",
        recovery_ms="recovery_ms", amps="amps",
        relock_ms=_ms(told("relock") - pl.col("release")),
        contact_edges=pl.when(pl.col("has_contact")).then("contact_edges"),
        across_clocks="across_clocks", cut_ms="cut_ms",
    )
    return _conformed(frame.collect(), ACTUATIONS)


def _ms(microseconds: pl.Expr) -> pl.Expr:
    """Milliseconds. (Divided by 1000, a table of one row would differ in the last digit: of many,
    Polars takes the product with the inverse.)
    """
    return microseconds * 0.001


def _kept(rows: Columns) -> list[pl.Expr]:
    return [pl.col("derived_on").cast(pl.Date)] if "derived_on" in rows else []


def _conformed(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """In the table's schema and order, ``derived_on`` kept where it is."""
    columns = [pl.col(c.name).cast(c.dtype) for c in table.columns]
    if "derived_on" in frame.columns:
        columns.append(pl.col("derived_on").cast(pl.Date))
    return frame.select(columns).sort(table.sorted_by, maintain_order=True)


def _lock_table(setup: Setup, venue: Venue) -> pl.DataFrame:
    across: list[bool | None] = []
    for place, lock in enumerate(venue.locks):
        other = lock.contact_controller
        if setup.by_supply[place]:
            other = controller_of(venue.supplies_by_id[lock.supply].channel or "")
        across.append(None if other is None else other != lock.command_controller)
    return pl.DataFrame({
        "lock": np.arange(setup.size), "id": list(setup.ids), "kind": list(setup.kind),
        "by_supply": setup.by_supply, "has_contact": setup.contact_kind != NO_CONTACT,
        "contact_controller": list(setup.contact_controller), "across_clocks": across,
    }, schema_overrides={"kind": pl.String, "contact_controller": pl.String, "id": pl.String,
                         "across_clocks": pl.Boolean})


def opening_columns(step: Step, which: Flags) -> Columns:
    """Openings among the movements that ``which`` flags, as integers."""
    m, c = step.movements, step.commands
    rows = np.flatnonzero(m.opening & which)
    lock, row, shut = m.lock[rows], m.command[rows], m.closed_by[rows]
    command, outcome = step.before.command[lock], step.before.outcome[lock]
    closed = np.full(rows.size, NEVER)
    if c.size:
        command = np.where(row >= 0, c.start[np.maximum(row, 0)], command)
        outcome = np.where(row >= 0, c.outcome[np.maximum(row, 0)], outcome)
    if rows.size:
        closed = np.where(shut >= 0, m.first[np.maximum(shut, 0)], NEVER)
    return {
        "lock": lock, "time": m.first[rows], "command": command, "outcome": outcome,
        "bounces": m.edges[rows] - 1, "closed": closed, "near_lock": step.near_lock[rows],
        "near_time": step.near_time[rows],
    }


def openings(setup: Setup, rows: Columns) -> pl.DataFrame:
    """OPENINGS from such columns."""
    time = pl.col("time")

    def since(name: str) -> pl.Expr:
        return pl.when(pl.col(name) > EARLY).then(_ms(time - pl.col(name)))

    frame = pl.DataFrame(rows).with_columns(energised=~setup.pulsed[rows["lock"]]).select(
        *_kept(rows),
        lock=_name(setup, "lock"),
        energised="energised",
        since_command_ms=since("command"),
        last_outcome=pl.when(pl.col("command") > EARLY).then(pl.col("outcome").replace_strict(
            list(range(len(OUTCOMES))), list(OUTCOMES), return_dtype=pl.String)),
        bounces="bounces",
        open_ms=pl.when(pl.col("closed") < NEVER).then(_ms(pl.col("closed") - time)),
        other_lock=_name(setup, "near_lock"),
        other_ms=since("near_time"),
        time=time.cast(TIMESTAMP),
    )
    return _conformed(frame, OPENINGS)


def change_columns(step: Step, which: Flags) -> Columns:
    """Settled changes among the movements that ``which`` flags, as integers."""
    m = step.movements
    rows = np.flatnonzero((m.open_before != m.open_after) & which)
    return {
        "lock": m.lock[rows], "time": m.first[rows], "open": m.open_after[rows],
        "bounces": m.edges[rows] - 1, "settle": m.last[rows] - m.first[rows],
        "commanded": m.commanded[rows],
    }


def contact_changes(setup: Setup, rows: Columns) -> pl.DataFrame:
    """CONTACT_CHANGES from such columns."""
    return _conformed(pl.DataFrame(rows).select(
        *_kept(rows), lock=_name(setup, "lock"), time=pl.col("time").cast(TIMESTAMP),
        open="open", bounces="bounces", settle_ms=_ms(pl.col("settle")),
        commanded="commanded",
    ), CONTACT_CHANGES)


def stretch_columns(step: Step, which: Flags) -> Columns:
    """Energisings among the stretches that ``which`` flags, as integers."""
    s = step.stretches
    return {"lock": s.lock[which], "start": s.start[which], "end": s.end[which]}


def energisings(setup: Setup, rows: Columns) -> pl.DataFrame:
    """ENERGISINGS from such columns, ``cut_ms`` left null."""
    end = pl.when(pl.col("end") < NEVER).then(pl.col("end"))
    return _conformed(pl.DataFrame(rows).select(
        *_kept(rows), lock=_name(setup, "lock"), start=pl.col("start").cast(TIMESTAMP),
        end=end.cast(TIMESTAMP), on_ms=_ms(end - pl.col("start")),
        cut_ms=pl.lit(None, pl.Float64),
    ), ENERGISINGS)


def tables(setup: Setup, venue: Venue, rows: Mapping[str, Columns]) -> dict[str, pl.DataFrame]:
    """The four tables from their columns, by name."""
    return {
        "actuations": actuations(setup, venue, rows["actuations"]),
        "openings": openings(setup, rows["openings"]),
        "energisings": energisings(setup, rows["energisings"]),
        "contact_changes": contact_changes(setup, rows["contact_changes"]),
    }


def _name(setup: Setup, column: str) -> pl.Expr:
    return pl.col(column).replace_strict(
        list(range(setup.size)), list(setup.ids), default=None, return_dtype=pl.String)


def with_cuts(stretches: pl.DataFrame, actuations: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS with ``cut_ms`` filled in from ACTUATIONS."""
    cuts = actuations.filter(pl.col("cut_ms").is_not_null()).select(
        "lock", "cut_ms", start="command_time")
    return ENERGISINGS.conform(
        stretches.drop("cut_ms", strict=False).join(cuts, on=["lock", "start"], how="left"))
