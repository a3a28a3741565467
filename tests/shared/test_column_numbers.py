"""Numbers behind columns are those that Polars itself tells, without what it takes to ask it."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import polars as pl
import pytest

from remanence.shared.column_numbers import MOST_NAMES, codes_of, repeated, ticks_of


@pytest.mark.parametrize("names", [1, 200, 300, MOST_NAMES + 1, 70_000])
def test_codes_are_those_of_polars(names):
    kind = pl.Enum([f"{number:05d}" for number in range(names)])
    column = pl.Series(kind.categories.to_list(), dtype=kind).sample(
        fraction=1.0, shuffle=True, seed=1)
    for part in (column, column[3:7], column[:0], pl.concat([column, column[2:9]], rechunk=False)):
        assert codes_of(part).tolist() == part.to_physical().to_list()
        assert codes_of(part).dtype == part.to_physical().to_numpy().dtype


def test_times_are_told_in_microseconds():
    times = pl.Series([0, -5, 2**60]).cast(pl.Datetime("us", "UTC"))
    assert ticks_of(times).tolist() == [0, -5, 2**60]
    assert ticks_of(times[1:]).tolist() == [-5, 2**60]


def test_a_column_that_says_one_thing():
    column = repeated("run", 0, pl.Int64(), 3)
    assert (column.name, column.dtype, column.to_list()) == ("run", pl.Int64, [0, 0, 0])
    assert repeated("fault", None, pl.String(), 2).to_list() == [None, None]
    assert len(repeated("fault", None, pl.String(), 0)) == 0


def test_nothing_large_is_loaded_for_it():
    script = ("import sys, polars as pl\n"
              "from remanence.shared.column_numbers import codes_of\n"
              "codes_of(pl.Series(['a'], dtype=pl.Enum(['a'])))\n"
              "print('pandas' in sys.modules)")
    told = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True,
                          text=True).stdout
    assert told.strip() == "False"


def test_the_column_itself_is_told_and_not_a_copy():
    times = pl.Series(np.arange(5)).cast(pl.Datetime("us", "UTC"))
    assert np.shares_memory(ticks_of(times), ticks_of(times))
