"""Every forecast that was ever stated, kept in the store to be held against what came."""

from __future__ import annotations

import io
from pathlib import Path

import polars as pl

from remanence.pipelines.store.kept import keep, kept_file
from remanence.pipelines.store.segments import unreadable
from remanence.shared.tables import FORECASTS

NAME, SUFFIX = "forecasts", ".parquet"


def read_forecasts(folder: Path) -> pl.DataFrame:
    """All forecasts kept (FORECASTS); none where there is no file yet.

    Parameters
    ----------
    folder : Path
        Of the store.

    Raises
    ------
    StoreError
        The file is there and cannot be read.
    """
    path = None
    try:
        path = kept_file(folder, NAME, SUFFIX)
        return FORECASTS.empty() if path is None else FORECASTS.conform(pl.read_parquet(path))
    except (pl.exceptions.PolarsError, OSError) as error:
        raise unreadable(path or folder, error) from None


def keep_forecasts(folder: Path, forecasts: pl.DataFrame) -> pl.DataFrame:
    """Add this week's forecasts to those kept; a week run again replaces its own.

    Parameters
    ----------
    folder : Path
        Of the store.
    forecasts : polars.DataFrame
        Schema FORECASTS.

    Returns
    -------
    polars.DataFrame
        Everything kept.

    Raises
    ------
    StoreError
        The file is there and cannot be read, or the store cannot be written.
    """
    both = with_these(read_forecasts(folder), forecasts)
    data = io.BytesIO()
    both.write_parquet(data)
    keep(folder, NAME, SUFFIX, data.getvalue(), both.height)
    return both


def with_these(kept: pl.DataFrame, forecasts: pl.DataFrame) -> pl.DataFrame:
    """FORECASTS kept, with those of a week in the place of what it said before."""
    made = forecasts["made"].unique().implode()
    return FORECASTS.conform(pl.concat([kept.filter(~pl.col("made").is_in(made)), forecasts]))
