"""Table schemas."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.shared.errors import TableError
from remanence.shared.table import equals, reals, require
from remanence.shared.tables import ACTUATIONS, TABLES

START = datetime(2026, 3, 1, tzinfo=UTC)

def test_every_column_has_a_meaning_and_a_unit_where_its_name_has_one():
    units = {"_ms": "ms", "_volts": "V", "_s": "s"}
    for table in TABLES.values():
        names = [column.name for column in table.columns]
        assert len(names) == len(set(names))
        assert set(table.sorted_by) <= set(names)
        for column in table.columns:
            assert column.meaning, column.name
            for ending, unit in units.items():
                if column.name.endswith(ending):
                    assert column.unit == unit, column.name


def test_all_missing_columns_are_named_at_once():
    frame = pl.DataFrame({"lock": ["a"], "pulse_ms": ["long"]})
    with pytest.raises(TableError) as caught:
        require(frame, ACTUATIONS, ["lock", "pulse_ms", "outcome"])
    assert "pulse_ms is String, Float64 expected" in str(caught.value)
    assert "outcome is missing" in str(caught.value)


def test_conform_orders_casts_and_fills():
    frame = ACTUATIONS.conform(pl.DataFrame({"outcome": ["released"], "lock": ["a"], "x": [1]}))
    assert frame.schema == ACTUATIONS.schema
    assert frame["outcome"].to_list() == ["released"]


def test_what_is_in_order_stays_and_what_is_not_is_sorted():
    rng = np.random.default_rng(1)
    orders = set()
    for _ in range(200):
        count = int(rng.integers(0, 5))
        hours = [START + timedelta(hours=int(h)) for h in rng.integers(0, 3, count)]
        locks = [rng.choice(["a", "b", None], p=[0.45, 0.45, 0.1]) for _ in range(count)]
        frame = pl.DataFrame({"lock": locks, "command_time": hours, "attempt": range(count)},
                             schema={name: ACTUATIONS.schema[name] for name in
                                     ("lock", "command_time", "attempt")})
        found = ACTUATIONS.conform(frame)["attempt"].to_list()
        assert found == frame.sort(
            "lock", "command_time", maintain_order=True)["attempt"].to_list()
        orders.add(found == list(range(count)))
    assert orders == {True, False}


def test_columns_as_arrays_know_what_is_null():
    numbers = pl.Series([1, None, 3])
    assert np.array_equal(reals(numbers), [1.0, np.nan, 3.0], equal_nan=True)
    assert reals(numbers, 2.0).tolist() == [1.0, 2.0, 3.0]
    words = pl.Series(["released", None, "no-release", "unobserved"])
    assert equals(words, "released").tolist() == [True, False, False, False]
    assert equals(words, "unobserved").tolist() == [False, False, False, True]
    assert equals(pl.Series([True, None, False]), True).tolist() == [True, False, False]
