"""Table schemas."""

import polars as pl
import pytest

from shared.errors import TableError
from shared.tables import ACTUATIONS, TABLES, require


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
