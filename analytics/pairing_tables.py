"""The rows of pairing as tables of the schemas in :mod:`shared.tables`."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from analytics.pairing_levels import EARLY, NEVER, Flags, Ints, segment_starts
from analytics.pairing_setup import (
    NO_CONTACT,
    NO_RELEASE,
    RELEASED,
    UNOBSERVED,
    Setup,
)
from analytics.pairing_state import Step
from analytics.pairing_windows import count_attempts
from shared.tables import ACTUATIONS, CONTACT_CHANGES, ENERGISINGS, OPENINGS, OUTCOMES
from shared.venue import Venue, controller_of

COMMAND_COLUMNS = (
    "lock", "start", "end", "outcome", "wait_end", "release", "bounces", "others_on", "attempt",
    "relock", "contact_edges",
)


def command_rows(step: Step, which: Ints) -> pl.DataFrame:
    """Rows of commands as integers: COMMAND_COLUMNS, times in microseconds, null for none.

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
    bounces = np.zeros(which.size, np.int64)
    bounces[released] = step.movements.edges[movement[released]] - 1
    frame = pl.DataFrame({
        "lock": c.lock[which], "start": c.start[which], "end": c.end[which],
        "outcome": c.outcome[which], "wait_end": c.wait_end[which], "release": c.release[which],
        "bounces": bounces, "others_on": step.others[which], "attempt": c.attempt[which],
        "relock": c.relock[which], "contact_edges": c.contact_edges[which],
    })
    return frame.with_columns(
        pl.when(pl.col(name) < NEVER).then(pl.col(name)).alias(name)
        for name in ("end", "release", "relock")
    ).with_columns(pl.when(pl.col("release").is_not_null()).then(pl.col("bounces")))


def supply_outcomes(
    setup: Setup, rows: pl.DataFrame, last: Mapping[int, tuple[int, int, int]]
) -> tuple[pl.DataFrame, dict[int, tuple[int, int, int]]]:
    """Outcomes of locks whose release is read off the end of the sag.

    A sag that ends while the command lasts is the lock cutting its own coil: it has
    opened, at the first reading that shows it. A sag that lasts as long as the
    command is a release not seen. No sag (already open, or the coil is not fed), or
    readings that could not show one: unobserved.

    Parameters
    ----------
    setup : Setup
        The locks.
    rows : polars.DataFrame
        COMMAND_COLUMNS with RAIL_COLUMNS, sorted by lock and start.
    last : mapping of int to (start, outcome, attempt)
        The last command before these, by lock.

    Returns
    -------
    polars.DataFrame
        The same rows, ``outcome``, ``release`` and ``attempt`` filled in.
    dict
        The last command of each lock now.
    """
    if rows.is_empty() or not setup.by_supply.any():
        return rows, dict(last)
    lock = rows["lock"].to_numpy()
    mine = np.flatnonzero(setup.by_supply[lock])
    if not mine.size:
        return rows, dict(last)
    part = rows[mine]
    lock, start = lock[mine], part["start"].to_numpy()
    cut = part["cut_ms"].fill_null(np.nan).to_numpy()
    deep = (part["sag_volts"].fill_null(np.nan)
            >= 6.0 * part["volts_noise"].fill_null(np.nan)).to_numpy()
    held = part["held"].fill_null(0.0).to_numpy() == 1
    outcome = np.full(mine.size, UNOBSERVED)
    outcome[deep & held] = NO_RELEASE
    outcome[deep & ~np.isnan(cut)] = RELEASED
    first = segment_starts(lock)
    before = {k: last.get(int(k), (EARLY, UNOBSERVED, 0)) for k in np.unique(lock)}
    told = np.array([before[k] for k in lock[first]], np.int64).reshape(-1, 3)
    last_start, last_outcome = np.empty(mine.size, np.int64), np.empty(mine.size, np.int64)
    last_start[1:], last_outcome[1:] = start[:-1], outcome[:-1]
    last_start[first], last_outcome[first] = told[:, 0], told[:, 1]
    linked = (last_outcome == NO_RELEASE) & (start - last_start <= setup.retry_us)
    attempts = np.zeros(setup.size, np.int64)
    attempts[lock[first]] = told[:, 2]
    attempt = count_attempts(lock, linked, attempts)
    release = np.where(outcome == RELEASED, start + np.nan_to_num(cut * 1000), -1)
    updated = {**last}
    for index in np.flatnonzero(np.append(first[1:], True)):
        updated[int(lock[index])] = (int(start[index]), int(outcome[index]), int(attempt[index]))
    everything = rows.with_row_index("_row")
    changed = pl.DataFrame({
        "_row": mine, "_outcome": outcome, "_attempt": attempt,
        "_release": release.astype(np.int64),
    }, schema_overrides={"_row": pl.UInt32})
    joined = everything.join(changed, on="_row", how="left", maintain_order="left")
    return joined.with_columns(
        outcome=pl.coalesce("_outcome", "outcome"), attempt=pl.coalesce("_attempt", "attempt"),
        release=pl.when(pl.col("_release") >= 0).then("_release").otherwise("release"),
    ).drop("_row", "_outcome", "_attempt", "_release"), updated


def actuations(setup: Setup, venue: Venue, rows: pl.DataFrame, polling: pl.DataFrame
               ) -> pl.DataFrame:
    """ACTUATIONS from rows of commands with their rail's figures.

    Parameters
    ----------
    setup : Setup
        The locks.
    venue : Venue
        The same locks as the venue file has them.
    rows : polars.DataFrame
        COMMAND_COLUMNS and RAIL_COLUMNS, after :func:`supply_outcomes`.
    polling : polars.DataFrame
        POLLING of the days that the rows are of.
    """
    def ms(expression: pl.Expr) -> pl.Expr:
        return expression / 1000.0

    start = pl.col("start")
    released = pl.col("outcome") == RELEASED
    locks = _lock_table(setup, venue)
    names = pl.Series(OUTCOMES)
    frame = rows.lazy().join(locks.lazy(), on="lock", how="left").with_columns(
        day=pl.from_epoch(start, "us").dt.date(),
    ).join(
        polling.lazy().select("controller", "day", polled="resolution_ms"),
        left_on=["contact_controller", "day"], right_on=["controller", "day"], how="left",
    )
    return ACTUATIONS.conform(frame.select(
        lock="id",
        command_time=pl.from_epoch(start, "us").dt.replace_time_zone("UTC"),
        pulse_ms=ms(pl.col("end") - start),
        outcome=pl.col("outcome").replace_strict(
            list(range(len(names))), names, return_dtype=pl.String),
        latency_ms=pl.when(released).then(ms(pl.col("release") - start)),
        waited_ms=pl.when(released).then(ms(pl.col("release") - start))
        .otherwise(ms(pl.col("wait_end") - start)),
        latency_from="kind",
        resolution_ms=pl.when(pl.col("by_supply")).then("cut_gap_ms").otherwise("polled"),
        bounces="bounces",
        volts_before="volts_before", volts_min="volts_min", sag_volts="sag_volts",
        off_spike_volts="off_spike_volts", others_on="others_on", attempt="attempt",
        sag_ms="sag_ms", sag_pulses="sag_pulses", sag_outlasts_ms="sag_outlasts_ms",
        volts_noise="volts_noise", volts_samples="volts_samples", sample_ms="sample_ms",
        recovery_ms="recovery_ms", amps="amps",
        relock_ms=ms(pl.col("relock") - pl.col("release")),
        contact_edges=pl.when(pl.col("has_contact")).then("contact_edges"),
        across_clocks="across_clocks", cut_ms="cut_ms",
    ).collect())


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


def openings(setup: Setup, step: Step, which: Flags) -> pl.DataFrame:
    """OPENINGS among the movements that ``which`` flags."""
    m, c = step.movements, step.commands
    rows = np.flatnonzero(m.opening & which)
    lock, row = m.lock[rows], m.command[rows]
    some = row >= 0
    at = np.maximum(row, 0)
    command = step.before.command[lock]
    outcome = step.before.outcome[lock]
    if c.size:
        command = np.where(some, c.start[at], command)
        outcome = np.where(some, c.outcome[at], outcome)
    told = command != EARLY
    shut = m.closed_by[rows]
    closed = np.where(shut >= 0, m.first[np.maximum(shut, 0)], NEVER)
    near = step.near_lock[rows]
    return OPENINGS.conform(pl.DataFrame({
        "lock": _ids(setup, lock), "time": m.first[rows],
        "energised": ~setup.pulsed[lock],
        "since_command_ms": _ms(m.first[rows] - command, told),
        "last_outcome": [OUTCOMES[o] if t else None for o, t in zip(outcome, told, strict=True)],
        "bounces": m.edges[rows] - 1,
        "open_ms": _ms(closed - m.first[rows], shut >= 0),
        "other_lock": [setup.ids[n] if n >= 0 else None for n in near],
        "other_ms": _ms(m.first[rows] - step.near_time[rows], near >= 0),
    }, schema_overrides={"lock": pl.String, "last_outcome": pl.String, "other_lock": pl.String}))


def contact_changes(setup: Setup, step: Step, which: Flags) -> pl.DataFrame:
    """CONTACT_CHANGES among the movements that ``which`` flags."""
    m = step.movements
    rows = np.flatnonzero((m.open_before != m.open_after) & which)
    return CONTACT_CHANGES.conform(pl.DataFrame({
        "lock": _ids(setup, m.lock[rows]), "time": m.first[rows], "open": m.open_after[rows],
        "bounces": m.edges[rows] - 1,
        "settle_ms": (m.last[rows] - m.first[rows]) / 1000.0,
        "commanded": m.commanded[rows],
    }, schema_overrides={"lock": pl.String}))


def energisings(setup: Setup, step: Step, which: Flags) -> pl.DataFrame:
    """ENERGISINGS among the stretches that ``which`` flags, ``cut_ms`` left null."""
    s = step.stretches
    rows = np.flatnonzero(which)
    ended = s.end[rows] < NEVER
    end = pl.Series(s.end[rows])
    return ENERGISINGS.conform(pl.DataFrame({
        "lock": _ids(setup, s.lock[rows]), "start": s.start[rows],
        "end": end.set(pl.Series(~ended), None),
        "on_ms": _ms(s.end[rows] - s.start[rows], ended),
    }, schema_overrides={"lock": pl.String, "end": pl.Int64}))


def with_cuts(stretches: pl.DataFrame, actuations: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS with ``cut_ms`` filled in from ACTUATIONS."""
    cuts = actuations.filter(pl.col("cut_ms").is_not_null()).select(
        "lock", "cut_ms", start="command_time")
    return ENERGISINGS.conform(
        stretches.drop("cut_ms", strict=False).join(cuts, on=["lock", "start"], how="left"))


def _ids(setup: Setup, lock: Ints) -> pl.Series:
    return pl.Series([setup.ids[place] for place in lock], dtype=pl.String)


def _ms(microseconds: Ints, valid: Flags) -> pl.Series:
    values = np.where(valid, microseconds / 1000.0, np.nan)
    return pl.Series(values, nan_to_null=True, dtype=pl.Float64)
