"""Every forecast that was ever stated, kept in the store to be held against what came."""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl

from remanence.shared.errors import RemanenceError
from remanence.shared.tables import FORECASTS

NAME = "forecasts.parquet"


def read_forecasts(folder: Path) -> pl.DataFrame:
    """All forecasts kept (FORECASTS); none where there is no file yet.

    Parameters
    ----------
    folder : Path
        Of the store.

    Raises
    ------
    RemanenceError
        The file is there and cannot be read.
    """
    path = folder / NAME
    if not path.exists():
        return FORECASTS.empty()
    try:
        return FORECASTS.conform(pl.read_parquet(path))
    except (pl.exceptions.PolarsError, OSError) as error:
        raise RemanenceError(
            f"{path}: cannot be read ({error}); move it away to begin a new file of forecasts"
        ) from None


def keep_forecasts(folder: Path, forecasts: pl.DataFrame) -> pl.DataFrame:
    """Add this week's forecasts to those kept; a week run again replaces its own.

    Parameters
    ----------
    folder : Path
        Of the store; the file in it is replaced whole.
    forecasts : polars.DataFrame
        Schema FORECASTS.

    Returns
    -------
    polars.DataFrame
        Everything kept.

    Raises
    ------
    RemanenceError
        The file is there and cannot be read.
    """
    kept = read_forecasts(folder)
    made = forecasts["made"].unique().implode()
    both = FORECASTS.conform(pl.concat([kept.filter(~pl.col("made").is_in(made)), forecasts]))
    folder.mkdir(parents=True, exist_ok=True)
    draft = folder / f"{NAME}.{os.getpid()}.part"
    both.write_parquet(draft)
    draft.replace(folder / NAME)
    return both
