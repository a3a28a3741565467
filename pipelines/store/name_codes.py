"""Names of channels, quantities and files as small numbers: cheap to compare, sort and write.

A log says the same few names millions of times. Polars' Enum keeps each once, in
byte order, so that the numbers sort as the names do. On the disk, and to whoever
reads the store, they are plain text.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.shared.column_numbers import codes_of
from remanence.shared.log_format import QUANTITIES
from remanence.shared.table import require
from remanence.shared.tables import SIGNALS

QUANTITY = pl.Enum(sorted(QUANTITIES))

NAMES = ("channel", "quantity", "file")
"""Columns of SIGNALS that hold names."""

PLACES = ("place", "again")
"""Columns of SIGNALS that tell records of one tick of a clock apart."""


def names_type(names: Iterable[str]) -> pl.Enum:
    """The type whose numbers stand for these names."""
    return pl.Enum(sorted(set(names)))


def codes(column: pl.Series) -> NDArray[np.int64]:
    """The numbers of a coded column without nulls."""
    return codes_of(column).astype(np.int64)


def with_places(signals: pl.DataFrame) -> pl.DataFrame:
    """SIGNALS with a place in the tick; 0 where none is told, as by stores of earlier versions."""
    missing = [name for name in PLACES
               if name not in signals.columns or signals[name].null_count()]
    if not missing:
        return signals
    return signals.with_columns(
        (pl.col(name).fill_null(0) if name in signals.columns else pl.lit(0)).cast(
            SIGNALS.schema[name]).alias(name) for name in missing)


def coded(signals: pl.DataFrame) -> pl.DataFrame:
    """SIGNALS with its names as numbers; those that are so already stay.

    What tells the place of a record in its clock's tick may be missing: then it is 0.

    Raises
    ------
    TableError
        A column is missing or has another type.
    """
    signals = with_places(signals)
    texts = {name: pl.String() for name in NAMES
             if isinstance(signals.schema.get(name), pl.Enum)}
    require(signals.clear().cast(texts) if texts else signals, SIGNALS)  # type: ignore[arg-type]
    return signals.select(SIGNALS.schema.names()).with_columns(
        signals[name].cast(names_type(signals[name].unique().to_list()))
        for name in NAMES if name not in texts)


def plain(signals: pl.DataFrame) -> pl.DataFrame:
    """SIGNALS with its names as text."""
    return signals.cast(SIGNALS.schema)  # type: ignore[arg-type]


def joined(parts: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Signals of several files as one table, all coded alike.

    Parameters
    ----------
    parts : sequence of polars.DataFrame
        Coded SIGNALS that share the type of their channels.
    """
    kinds = {part.schema["file"] for part in parts}
    if len(kinds) == 1:
        return pl.concat(parts)
    every = names_type(name for kind in kinds if isinstance(kind, pl.Enum)
                       for name in kind.categories)
    # (A file's names are looked up once: each part cast to all names costs files times files.)
    place = {name: number for number, name in enumerate(every.categories)}
    numbers = [np.array([place[name] for name in part["file"].dtype.categories], np.uint32)[  # type: ignore[attr-defined]
        codes_of(part["file"])] for part in parts]
    rest = pl.concat([part.drop("file") for part in parts])
    files = pl.Series("file", every.categories, dtype=every).gather(np.concatenate(numbers))
    return rest.with_columns(files).select(parts[0].columns)
