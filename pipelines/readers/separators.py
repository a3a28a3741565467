"""What the separators of a chunk tell, by arithmetic on all of its bytes at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

_FEED, _RETURN = ord("\n"), ord("\r")

Bytes = NDArray[np.uint8]


def _ends(letters: Bytes, delimiter: str) -> NDArray[np.bool_]:
    """Where a field ends: at a delimiter or a line feed."""
    return np.asarray((letters == ord(delimiter)) | (letters == _FEED))


def without_quotes(data: bytes, delimiter: str, quote: str) -> bytes | None:
    """The same lines without the quotes around their fields; None where a quote means more.

    Around a whole field that holds no delimiter, quote or line end, quotes say nothing. A
    carriage return stands only before a line feed.
    """
    letters = np.frombuffer(data, np.uint8)
    quotes = letters == ord(quote)
    at = np.flatnonzero(quotes)
    if at.size % 2:
        return None
    ends = _ends(letters, delimiter)
    inside = np.bitwise_xor.accumulate(quotes.view(np.uint8)).view(np.bool_)
    opening, closing = at[::2], at[1::2]
    opening, closing = opening[opening > 0], closing[closing < letters.size - 1]
    after = ends[closing + 1] | (letters[closing + 1] == _RETURN)
    if (inside & ends).any() or not ends[opening - 1].all() or not after.all():
        return None
    return data.translate(None, quote.encode())


def fields_even(data: bytes, delimiter: str, width: int) -> bool:
    """Whether every line has as many fields as ``width`` says, quotes being letters like others."""
    letters = np.frombuffer(data, np.uint8)
    at = np.flatnonzero(_ends(letters, delimiter))
    return _even(letters, at, width)


def _even(letters: Bytes, at: NDArray[np.int64], width: int) -> bool:
    """Whether of all places where fields end each ``width``-th is a line's, and no other."""
    if not at.size or at.size % width:
        return False
    feeds = (letters[at] == _FEED).reshape(-1, width)
    return bool(feeds[:, -1].all() and not feeds[:, :-1].any())


@dataclass(frozen=True)
class FilledCells:
    """The fields of a chunk that are not empty, line by line.

    ``line`` counts from 0, ``column`` likewise.
    """

    line: NDArray[np.int64]
    column: NDArray[np.int64]
    text: pl.Series

    def of(self, column: int, lines: int) -> pl.Series:
        """One column's text on each of so many lines, null where it is empty."""
        here = np.flatnonzero(self.column == column)
        if here.size == lines:
            return self.text.gather(here)
        at = np.full(lines, -1)
        at[self.line[here]] = here
        places = pl.Series(at)
        return self.text.gather(places.set(places < 0, None))


def filled_cells(data: bytes, delimiter: str, width: int) -> FilledCells | None:
    """What stands in a table most of whose cells are empty; None unless every line fits it."""
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    if not data.isascii():
        return None
    letters = np.frombuffer(data, np.uint8)
    at = np.flatnonzero(_ends(letters, delimiter))
    if not _even(letters, at, width):
        return None
    lengths = np.diff(at, prepend=-1) - 1
    filled = np.flatnonzero(lengths)
    # Without what ends them, the filled cells stand one after the other.
    text = data.translate(None, delimiter.encode() + b"\n")
    offsets = np.append(0, np.cumsum(lengths[filled]))
    import pyarrow as pa

    array = pa.LargeStringArray.from_buffers(
        filled.size, pa.py_buffer(offsets.astype(np.int64)), pa.py_buffer(text))
    line, column = np.divmod(filled, width)
    return FilledCells(line, column, pl.Series(pl.from_arrow(array)))
