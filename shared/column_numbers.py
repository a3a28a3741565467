"""What stands behind a column of times or of coded names: whole numbers, as an array.

Polars' own way there (``to_physical``) hands each question to its pool of threads: a tenth of a
millisecond, which a log's stretch pays dozens of times.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

__all__ = ["MOST_NAMES", "codes_of", "repeated", "ticks_of"]

MOST_NAMES = 1_000
"""A column of more names than that takes longer to hand over with them than without."""


def ticks_of(times: pl.Series) -> NDArray[np.int64]:
    """Times without nulls as microseconds since 1970; those of the column itself, not a copy.

    Parameters
    ----------
    times : polars.Series
        Of Datetime in microseconds.
    """
    return times.cast(pl.Int64).to_numpy()


def codes_of(names: pl.Series) -> NDArray[np.unsignedinteger]:
    """The numbers that stand for the names of a column of an Enum without nulls.

    Parameters
    ----------
    names : polars.Series
        Of Enum.

    Returns
    -------
    ndarray
        Of the type that Polars has them in (8, 16 or 32 bits); not to be written to.
    """
    if len(names.dtype.categories) > MOST_NAMES:  # type: ignore[attr-defined]
        return names.to_physical().to_numpy()
    numbers = names.to_arrow(compat_level=pl.CompatLevel.newest()).indices
    # (Arrow's own way to an array loads pandas.)
    kind = np.dtype(f"u{numbers.type.bit_width // 8}")
    return np.frombuffer(numbers.buffers()[1], kind)[numbers.offset:][:len(numbers)]


def repeated(name: str, value: object, kind: pl.DataType, size: int) -> pl.Series:
    """A column that says the same throughout.

    Parameters
    ----------
    name : str
        The column's.
    value : object
        What it says; None for nothing.
    kind : polars.DataType
        Its type.
    size : int
        Its rows.
    """
    return pl.Series(name, [value], dtype=kind).new_from_index(0, size)
