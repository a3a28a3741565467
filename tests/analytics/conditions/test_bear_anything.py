"""No table, however poor, may stop the week's diagnosis: what cannot be told is left unsaid."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions import catalogue
from remanence.analytics.conditions.condition import judges, last_judges
from remanence.shared.findings import URGENCIES
from remanence.shared.tables import TABLES
from tests.analytics.conditions.test_contact import played
from tests.analytics.conditions.test_log import activity
from tests.analytics.conditions.test_supply import hours
from tests.analytics.physics.rail_rows import (
    RAIL,
    at_week,
    energisings,
    latch,
    magnet,
    moment,
    venue,
)

HOUSE = venue(
    latch("a"), latch("b", self_cut=True), latch("c", contact=None, self_cut=True),
    magnet("m"), supply=replace(RAIL, source="battery"),
)


def everything(weeks=3, seed=1):
    frames = played(weeks, seed=seed, locks=HOUSE.locks[:2] + HOUSE.locks[3:])
    frames["rail_hours"] = hours(weeks)
    frames["energisings"] = energisings(
        [("a", moment(day, 12), 300.0) for day in range(7 * weeks)] + [("b", moment(20, 13), None)])
    frames["activity"] = activity(weeks)
    return frames


def judged(frames, where=HOUSE, week=2):
    history = at_week(where, week, **frames)
    locks = {lock.id for lock in history.venue.locks}
    found = [*(item for judge in judges() for item in judge(history)),
             *(item for judge in last_judges() for item in judge(history, locks))]
    for item in found:
        assert item.condition in catalogue()
        assert item.subject_kind in catalogue()[item.condition].subject_kinds
        assert item.urgency in URGENCIES
        assert 0 <= item.score <= 1
        assert item.says
        for figure in item.evidence:
            for value in (figure.now, figure.now_low, figure.now_high, figure.before):
                assert value is None or np.isfinite(value)
    return found


def test_nothing_at_all():
    assert {item.condition for item in judged({})} == {"release-test-due", "unsafe-fitting"}


@pytest.mark.parametrize("missing", ["actuations", "openings", "energisings", "contact_changes",
                                     "rail_hours", "activity"])
def test_one_table_missing(missing):
    frames = everything()
    del frames[missing]
    judged(frames)


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_only_a_few_rows_of_each(count):
    for part in (pl.DataFrame.head, pl.DataFrame.tail):
        judged({name: part(frame, count) for name, frame in everything().items()})


KEYS = {"lock", "supply", "controller", "command_time", "time", "start", "hour", "outcome",
        "energised", "waited_ms", "records"}


@pytest.mark.parametrize("seed", range(12))
def test_random_columns_without_a_value(seed):
    rng = np.random.default_rng(seed)
    frames = {}
    for name, frame in everything().items():
        full = TABLES[name].conform(frame)
        gone = [column for column in full.columns
                if column not in KEYS and rng.random() < 0.35]
        holes = [column for column in full.columns
                 if column not in KEYS and column not in gone and rng.random() < 0.5]
        frames[name] = full.with_columns(
            pl.lit(None, dtype=full.schema[column]).alias(column) for column in gone
        ).with_columns(
            pl.when(pl.Series(rng.random(full.height) < 0.6)).then(pl.col(column)).alias(column)
            for column in holes)
    judged(frames)


@pytest.mark.parametrize("outcome", ["released", "no-release", "already-open", "unobserved"])
def test_one_outcome_throughout(outcome):
    frames = everything()
    frames["actuations"] = frames["actuations"].with_columns(
        outcome=pl.lit(outcome),
        latency_ms=pl.col("latency_ms") if outcome == "released" else pl.lit(None, pl.Float64))
    judged(frames)


@pytest.mark.parametrize("value", [0.0, 1e6, -5.0])
def test_figures_that_make_no_sense(value):
    frames = everything()
    figures = ["volts_before", "volts_min", "sag_volts", "off_spike_volts", "volts_noise"]
    frames["actuations"] = frames["actuations"].with_columns(
        pl.lit(value).alias(name) for name in figures)
    frames["rail_hours"] = frames["rail_hours"].with_columns(idle_median=pl.lit(value))
    judged(frames)


def test_tables_of_another_venue():
    strangers = venue(latch("x"), magnet("y"), supply=replace(RAIL, id="rail"))
    frames = everything()
    del frames["activity"]
    conditions = {item.condition for item in judged(frames, where=strangers)}
    assert not conditions & {"coil-open", "contact-stuck", "opened-unpowered", "crossed-channels"}
