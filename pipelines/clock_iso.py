"""ISO 8601 times in bulk: text into microseconds, by arithmetic on the digits.

Logs are written in order, so that the text up to the minute hardly changes from
line to line. It is parsed once for each stretch of lines that share it, and only
seconds and fraction are worked out for every line.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

_PATTERN = (
    r"^\s*(?P<date>\d{4}-\d\d-\d\d|\d{8})[T ]\s*(?P<hour>\d\d):?(?P<minute>\d\d)"
    r"(?::?(?P<second>\d\d)(?:[.,](?P<fraction>\d+))?)?"
    r"\s*(?P<zone>Z|z|[+-]\d\d(?::?\d\d)?)?\s*$"
)
_WIDTHS = {20: 0, 24: 3, 27: 6}
"""Length of YYYY-MM-DDTHH:MM:SS[.fff[fff]]Z, and its digits after the point."""


def parse_iso(text: pl.Series) -> pl.DataFrame:
    """Read ISO 8601 times.

    Parameters
    ----------
    text : polars.Series
        Of String.

    Returns
    -------
    polars.DataFrame
        ``time`` (Datetime us, no zone), null where the text is no time, and
        ``zoned``: true where it carried an offset or Z, so that ``time`` is UTC;
        else ``time`` is what a clock on the wall showed.
    """
    quick = _fixed_width(text)
    if quick is not None:
        return pl.DataFrame({"time": quick, "zoned": pl.repeat(True, len(quick), eager=True)})
    return pl.DataFrame({"text": text}).select(_parts()).select(*_assemble())


def _parts() -> list[pl.Expr]:
    fields = pl.col("text").str.extract_groups(_PATTERN).struct
    zone = fields.field("zone")
    digits = zone.str.replace_all(":", "")
    minutes = (
        digits.str.slice(1, 2).cast(pl.Int64, strict=False) * 60
        + digits.str.slice(3, 2).replace("", "0").cast(pl.Int64, strict=False)
    ) * pl.when(zone.str.starts_with("-")).then(-1).otherwise(1)
    return [
        fields.field("date").str.replace_all("-", "").str.to_date("%Y%m%d", strict=False)
        .alias("date"),
        *(fields.field(name).cast(pl.Int64).alias(name) for name in ("hour", "minute", "second")),
        fields.field("fraction").fill_null("0").str.pad_end(6, "0").str.slice(0, 6)
        .cast(pl.Int64, strict=False).alias("fraction"),
        pl.when(zone.str.to_uppercase() == "Z").then(0).otherwise(minutes).alias("offset"),
        zone.is_not_null().alias("zoned"),
    ]


def _assemble() -> list[pl.Expr]:
    second = pl.col("second").fill_null(0)
    good = (pl.col("hour") < 24) & (pl.col("minute") < 60) & (second < 60) & (
        ~pl.col("zoned") | (pl.col("offset").abs() <= 15 * 60)
    )
    day = pl.col("date").cast(pl.Datetime("us")).to_physical()
    minutes = pl.col("hour") * 60 + pl.col("minute") - pl.col("offset").fill_null(0)
    ticks = day + minutes * 60_000_000 + second * 1_000_000 + pl.col("fraction")
    return [pl.when(good).then(ticks).cast(pl.Datetime("us")).alias("time"), pl.col("zoned")]


def _fixed_width(text: pl.Series) -> pl.Series | None:
    """All of ``YYYY-MM-DDTHH:MM:SS[.fff[fff]]Z`` in one width, else None."""
    if text.is_empty() or text.null_count():
        return None
    width = len(text[0])
    if width not in _WIDTHS:
        return None
    buffers = text.cast(pl.String).to_arrow(compat_level=pl.CompatLevel.oldest())
    _, offsets_buffer, data_buffer = buffers.buffers()
    offsets = np.frombuffer(offsets_buffer, np.int64)[buffers.offset :][: len(text) + 1]
    if offsets[-1] - offsets[0] != width * len(text) or (np.diff(offsets) != width).any():
        return None
    data = np.frombuffer(data_buffer, np.uint8)[offsets[0] : offsets[-1]]
    letters = data.reshape(len(text), width)
    ticks = _minutes(letters)
    seconds = _seconds(letters, _WIDTHS[width])
    if ticks is None or seconds is None:
        return None
    return pl.Series("time", ticks + seconds).cast(pl.Datetime("us"))


def _minutes(letters: NDArray[np.uint8]) -> NDArray[np.int64] | None:
    """Microseconds up to the minute, parsed once for each run of lines that share the text."""
    head = np.ascontiguousarray(letters[:, :16]).view(np.uint64)
    change = np.empty(len(letters), np.bool_)
    change[0] = True
    np.any(head[1:] != head[:-1], axis=1, out=change[1:])
    starts = np.flatnonzero(change)
    if len(starts) > len(letters) // 4 + 1000:
        return None
    distinct = [bytes(letters[start, :16]).decode("ascii", "replace") for start in starts]
    frame = pl.DataFrame({"text": distinct}).select(_parts()).select(*_assemble())
    if frame["time"].null_count() or frame["zoned"].any():
        return None
    if not (letters[starts, 4] == ord("-")).all():
        return None
    values = frame["time"].to_physical().to_numpy()
    return np.repeat(values, np.diff(np.append(starts, len(letters))))


def _seconds(letters: NDArray[np.uint8], places: int) -> NDArray[np.int64] | None:
    """Microseconds after the minute; None unless every line reads ``:SS[.fff]Z``."""
    marks = [(16, ":"), (letters.shape[1] - 1, "Z"), *([(19, ".")] if places else [])]
    if any((letters[:, at] != ord(mark)).any() for at, mark in marks):
        return None
    columns = [17, 18, *range(20, 20 + places)]
    digits = letters[:, columns] - np.uint8(ord("0"))
    if (digits > 9).any() or (digits[:, 0] > 5).any():
        return None
    weights = np.array([10.0 ** (7 - position) for position in range(len(columns))])
    total: NDArray[np.int64] = (digits @ weights.astype(np.int64)).astype(np.int64)
    return total
