"""What a failing rail does to one latch of several, and what is that latch's own."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.rail_neighbours import beyond_rail
from remanence.shared.tables import SERVICE
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LATCHES = [lock(f"latch-{n}") for n in range(5)]
HEAVY = LATCHES[0]
FAILED = FIRST_MONDAY + timedelta(days=11 * 7)


def rows_of(fails):
    """From week 11 on the rail sags by a tenth to a fourth; one latch of five fails at times."""
    rows = actuations(LATCHES, weeks=15, seed=4)
    rng = np.random.default_rng(8)
    low = pl.Series(rng.uniform(0.75, 0.9, rows.height))
    late = pl.col("command_time").dt.date() >= FAILED
    rows = rows.with_columns(volts_min=pl.when(late).then(12.0 * low).otherwise(11.9))
    missed = late & (pl.col("lock") == HEAVY.id) & fails(pl.Series(rng.random(rows.height)))
    return rows.with_columns(
        outcome=pl.when(missed).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(missed).then(None).otherwise("latency_ms"))


@pytest.mark.parametrize(("fails", "own"), [
    (lambda _: pl.col("volts_min") < 12.0 * 0.77, False),
    (lambda chance: chance < 0.15, True),
])
def test_a_latch_that_fails_only_where_its_volts_are_least_is_its_rails(fails, own):
    history = history_at(LATCHES, rows_of(fails), 12)
    rail = finding("rail", "supply-sag", "week", 0.95, since=FAILED, subject_kind="supply",
                   says=(), evidence=())
    failing = finding(HEAVY.id, "no-release", "now", 0.97, since=FAILED, says=(), evidence=())
    assert beyond_rail(history, failing, HEAVY, rail) == own


@pytest.mark.parametrize("helped", [False, None])
def test_a_latch_whose_work_did_not_help_is_held_against_its_rail_by_its_past_up_to_the_work(
        helped):
    """Since the work its course begins with the fault: it shows no change."""
    slow = FAILED + timedelta(days=3)
    rows = rows_of(lambda _: pl.lit(value=False)).with_columns(latency_ms=pl.when(
        (pl.col("lock") == HEAVY.id) & (pl.col("command_time").dt.date() >= slow)
    ).then(pl.col("latency_ms") * 1.6).otherwise("latency_ms"))
    worked = SERVICE.conform(pl.DataFrame([
        {"lock": HEAVY.id, "date": slow + timedelta(days=14), "action": "adjusted"}]))
    history = history_at(LATCHES, rows, 14, service=worked)
    rail = finding("rail", "supply-sag", "week", 0.95, since=FAILED, subject_kind="supply",
                   says=(), evidence=())
    extra = {"course": "step"} if helped is None else {
        "course": "step", "service": {"date": "", "action": "adjusted", "helped": helped}}
    item = finding(HEAVY.id, "sticking-catch", "week", 0.97, since=slow, says=(), evidence=(),
                   extra=extra)
    assert beyond_rail(history, item, HEAVY, rail) == (helped is False)
