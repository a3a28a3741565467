"""Times that say the date, in bulk: text into microseconds, by arithmetic on the digits.

Logs are written in order, so that the text up to the minute hardly changes from
line to line. In the usual ISO 8601 form it is parsed once for each stretch of
lines that share it, and only seconds and fraction are worked out for every line.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.shared.column_numbers import repeated
from remanence.shared.time_forms import MONTHS, form_pattern

_ISO = (
    r"^\s*(?P<year>\d{4})-?(?P<month>\d\d)-?(?P<day>\d\d)[T ]\s*(?P<hour>\d\d):?(?P<minute>\d\d)"
    r"(?::?(?P<second>\d\d)(?:[.,](?P<fraction>\d+))?)?"
    r"\s*Z??(?P<zone>Z|z|[+-]\d\d(?::?\d\d)?)?\s*$"
)
MOST_WIDTHS = 8
"""More widths than that are no way of writing times, but rubbish."""

_DIGITS = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15)
_MARKS = (4, 7, 10, 13)
"""Where ``YYYY-MM-DDTHH:MM`` has its digits, and what stands between them."""

VIEWED = 12
"""Texts up to this length stand in Polars' views themselves."""

_SHAPE = re.compile(
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:(?P<mark>[.,])(?P<fraction>\d{1,9}))?"
    r"(?P<zone>[Zz]|[+-]\d\d(?::?\d\d)?)?\Z", re.ASCII)


def parse_times(text: pl.Series, form: str = "iso") -> pl.DataFrame:
    """Read times that say the date.

    Parameters
    ----------
    text : polars.Series
        Of String; or of Datetime, which says its time whatever the form.
    form : str, default "iso"
        ``iso`` (ISO 8601) or a form like ``%d.%m.%Y %H:%M:%S``.

    Returns
    -------
    polars.DataFrame
        ``time`` (Datetime us, no zone), null where the text is no such time, and
        ``zoned``: true where it carried an offset or Z, so that ``time`` is UTC;
        else ``time`` is what a clock on the wall showed.
    """
    if isinstance(text.dtype, pl.Datetime):
        return _as_they_are(text, text.dtype.time_zone is not None)
    if form == "iso":
        quick = _fixed_width(text)
        if quick is None:
            quick = _few_widths(text)
        if quick is not None:
            return quick
    return _by_pattern(text, _ISO if form == "iso" else _pattern(form))


def _as_they_are(times: pl.Series, zoned: bool) -> pl.DataFrame:
    """Times of a file that has them as times; one without a zone is what a clock showed."""
    time = times.dt.cast_time_unit("us").to_physical().cast(pl.Datetime("us"))  # UTC if zoned
    return pl.DataFrame({
        "time": time.alias("time"), "zoned": pl.repeat(zoned, len(times), eager=True)})


@cache
def _pattern(form: str) -> str:
    return form_pattern(form)


def _by_pattern(text: pl.Series, pattern: str) -> pl.DataFrame:
    groups = set(re.findall(r"\(\?P<(\w+)>", pattern))
    fields = pl.col("text").str.extract_groups(pattern).struct

    def number(name: str, default: int | None = None) -> pl.Expr:
        if name not in groups:
            return pl.lit(default, pl.Int64)
        found = fields.field(name).cast(pl.Int64, strict=False)
        return found if default is None else found.fill_null(default)

    year = number("year") if "year" in groups else number("year2") + 2000
    if "monthname" in groups:
        month = fields.field("monthname").str.to_lowercase().str.slice(0, 3).replace_strict(
            list(MONTHS), list(range(1, 13)), default=None, return_dtype=pl.Int64)
    else:
        month = number("month")
    hour = number("hour")
    if "hour12" in groups:
        twelve = number("hour12")
        late = fields.field("half").str.to_lowercase().str.starts_with("p")
        hour = pl.when(twelve.is_between(1, 12)).then(
            twelve % 12 + pl.when(late).then(12).otherwise(0))
    zone = fields.field("zone") if "zone" in groups else pl.lit(None, pl.String)
    digits = zone.str.replace_all(":", "", literal=True)
    minutes = (
        digits.str.slice(1, 2).cast(pl.Int64, strict=False) * 60
        + digits.str.slice(3, 2).replace("", "0").cast(pl.Int64, strict=False)
    ) * pl.when(zone.str.starts_with("-")).then(-1).otherwise(1)
    fraction = (
        fields.field("fraction").fill_null("0").str.pad_end(6, "0").str.slice(0, 6)
        .cast(pl.Int64, strict=False) if "fraction" in groups else pl.lit(0, pl.Int64)
    )
    parts = pl.DataFrame({"text": text.cast(pl.String)}).select(
        matched=pl.col("text").str.contains(pattern), year=year, month=month, day=number("day"),
        hour=hour, minute=number("minute"), second=number("second", 0), fraction=fraction,
        offset=pl.when(zone.str.to_uppercase() == "Z").then(0).otherwise(minutes),
        zoned=zone.is_not_null(),
    )
    return parts.select(*_assemble())


def _assemble() -> list[pl.Expr]:
    c = pl.col
    good = (
        c("matched") & (c("hour") < 24) & (c("minute") < 60) & (c("second") < 60)
        & c("month").is_between(1, 12) & c("day").is_between(1, 31)
        & (~c("zoned") | (c("offset").abs() <= 15 * 60))
    )
    # Days from the civil date by counting from 1 March of year 0, so that a leap day comes last.
    years = c("year") - (c("month") <= 2).cast(pl.Int64)
    months = (c("month") + 9) % 12
    day = (years * 365 + years // 4 - years // 100 + years // 400
           + (months * 153 + 2) // 5 + c("day") - 1 - 719468)
    minutes = c("hour") * 60 + c("minute") - c("offset").fill_null(0)
    ticks = (day * 86_400 + minutes * 60 + c("second")) * 1_000_000 + c("fraction")
    time = pl.when(good).then(ticks).cast(pl.Datetime("us"))
    # The 30th of February would come out as the 2nd of March: the day must come back as it was.
    wall = (time + pl.duration(minutes=c("offset").fill_null(0))).dt.day()
    return [pl.when(wall == c("day")).then(time).alias("time"), c("zoned").fill_null(False)]


def _fixed_width(text: pl.Series) -> pl.DataFrame | None:
    """All of ``YYYY-MM-DDTHH:MM:SS[.fff][Z|+HH:MM]`` in one width and zone, else None."""
    if text.dtype != pl.String or text.is_empty() or text.null_count():
        return None
    shape = _SHAPE.match(text[0])
    if shape is None:
        return None
    width = len(text[0])
    letters = _letters(text, width)
    if letters is None:
        return None
    zone = shape["zone"] or ""
    if zone:
        ending = np.frombuffer(zone.encode("ascii"), np.uint8)
        if any((letters[:, width - len(zone) + at] != mark).any()
               for at, mark in enumerate(ending)):
            return None
    minutes = _minutes(letters)
    ticks = _seconds(letters, len(shape["fraction"] or ""), shape["mark"])
    if minutes is None or ticks is None:
        return None
    offset = _offset_minutes(zone)
    if abs(offset) > 15 * 60:
        return None
    starts, values = minutes
    values = values - offset * 60_000_000
    if len(starts) < len(text) // 64:
        for start, stop, value in zip(starts, np.append(starts, len(text))[1:], values,
                                      strict=False):
            ticks[start:stop] += value
    else:
        ticks += np.repeat(values, np.diff(np.append(starts, len(text))))
    return pl.DataFrame([pl.Series("time", ticks).cast(pl.Datetime("us")),
                         repeated("zoned", bool(zone), pl.Boolean(), len(text))])


def _letters(text: pl.Series, width: int) -> NDArray[np.uint8] | None:
    """The bytes of texts that are all of one width, a row each; None if they are not."""
    array = text.to_arrow(compat_level=pl.CompatLevel.newest())
    buffers = array.buffers()
    views = np.frombuffer(buffers[1], np.uint32).reshape(-1, 4)[array.offset :][: len(text)]
    if (views[:, 0] != width).any():
        return None
    stretches = buffers[2:]
    # Fresh from a reader the texts lie one after the other, and need not be gathered.
    if width > VIEWED and sum(b.size for b in stretches) == width * len(text) and (
        _one_after_the_other(views, stretches, width)
    ):
        data = np.concatenate([np.frombuffer(b, np.uint8) for b in stretches])
        return data.reshape(len(text), width)
    array = text.to_arrow(compat_level=pl.CompatLevel.oldest())
    _, offsets_buffer, data_buffer = array.buffers()
    offsets = np.frombuffer(offsets_buffer, np.int64)[array.offset :][: len(text) + 1]
    data = np.frombuffer(data_buffer, np.uint8)[offsets[0] : offsets[-1]]
    return data.reshape(len(text), width)


def _one_after_the_other(
    views: NDArray[np.uint32], stretches: Sequence[Any], width: int
) -> bool:
    """Whether views point into their buffers in order and without a gap."""
    counts = [b.size // width for b in stretches]
    if any(b.size % width for b in stretches):
        return False
    start = 0
    for number, count in enumerate(counts):
        part = views[start : start + count]
        start += count
        if count and ((part[:, 2] != number).any() or part[0, 3] != 0
                      or (np.diff(part[:, 3]) != width).any()):
            return False
    return True


def _few_widths(text: pl.Series) -> pl.DataFrame | None:
    """Times in a few widths (a fraction left out where it is 0), each width in bulk."""
    if text.dtype != pl.String:
        return None
    widths = text.str.len_bytes().fill_null(0)
    kinds = widths.unique(maintain_order=True)
    if not 2 <= len(kinds) <= MOST_WIDTHS:
        return None
    rows = pl.int_range(len(text), eager=True)
    parts = []
    for width in kinds.to_list():
        chosen = widths == width
        some = text.filter(chosen)
        part = _fixed_width(some)
        if part is None:
            part = _by_pattern(some, _ISO)
        parts.append(part.with_columns(rows.filter(chosen).alias("row")))
    return pl.concat(parts).sort("row").drop("row")


def _offset_minutes(zone: str) -> int:
    digits = zone.lstrip("+-Zz").replace(":", "")
    if not digits:
        return 0
    return (int(digits[:2]) * 60 + int(digits[2:] or 0)) * (-1 if zone[0] == "-" else 1)


def _minutes(
    letters: NDArray[np.uint8]
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Runs of lines that share the text up to the minute: where each starts, and its microseconds.

    None where that is no time.
    """
    words = (letters if letters.shape[1] % 8 == 0 else np.ascontiguousarray(letters[:, :16])).view(
        np.uint64)
    first, second = words[:, 0], words[:, 1]
    change = np.empty(len(letters), np.bool_)
    change[0] = True
    np.not_equal(second[1:], second[:-1], out=change[1:])
    change[1:] |= first[1:] != first[:-1]
    starts = np.flatnonzero(change)
    values = _ticks_of_minutes(letters[starts])
    return None if values is None else (starts, values)


def _ticks_of_minutes(letters: NDArray[np.uint8]) -> NDArray[np.int64] | None:
    """Microseconds out of the digits of ``YYYY-MM-DDTHH:MM``; None unless all are such times."""
    digits = letters[:, _DIGITS] - np.uint8(ord("0"))
    marks = letters[:, _MARKS] == np.frombuffer(b"--T:", np.uint8)
    marks[:, 2] |= letters[:, _MARKS[2]] == ord(" ")
    if (digits > 9).any() or not marks.all():
        return None
    pairs = digits[:, ::2].astype(np.int64) * 10 + digits[:, 1::2]
    century, year, month, day, hour, minute = pairs.T
    months = ((century * 100 + year - 1970) * 12 + month - 1).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    good = ((month >= 1) & (month <= 12) & (hour < 24) & (minute < 60)
            & (days.astype("datetime64[M]") == months))
    if not good.all():
        return None
    ticks: NDArray[np.int64] = (days.astype(np.int64) * 1440 + hour * 60 + minute) * 60_000_000
    return ticks


def _seconds(
    letters: NDArray[np.uint8], places: int, mark: str | None
) -> NDArray[np.int64] | None:
    """Microseconds after the minute; None unless every line reads ``:SS[.fff]``."""
    if letters.shape[1] == 24 and places == 3 and mark and sys.byteorder == "little":
        return _seconds_at_once(letters, mark)
    marks = [(16, ":"), *([(19, mark)] if mark else [])]
    if any((letters[:, at] != ord(sign)).any() for at, sign in marks):
        return None
    total = np.zeros(len(letters), np.int32)
    for position, at in enumerate((17, 18, *range(20, 20 + places))):
        digit = letters[:, at] - np.uint8(ord("0"))
        if (digit > (5 if position == 0 else 9)).any():
            return None
        if position < 8:  # what is finer than a microsecond is cut off
            total += digit * np.int32(10 ** (7 - position))
    return total.astype(np.int64)


def _seconds_at_once(letters: NDArray[np.uint8], mark: str) -> NDArray[np.int64] | None:
    """The same for ``:SS.fffZ``, whose eight letters are looked at as one number.

    Against the form's own letters the digits come out as 0 to 9 and everything else as
    0. Adding 118 lifts what is more than 9 beyond 127 (122: more than 5).
    """
    form = f":00{mark}000".encode() + letters[0, 23:].tobytes()
    tail = np.array(letters[:, 16:], order="C").view(np.uint64).ravel()
    tail ^= np.frombuffer(form, np.uint64)
    over = tail + np.uint64(0x00_76_76_76_00_76_7A_00)
    over |= tail
    if int(np.bitwise_or.reduce(over)) & 0xFF_80_80_80_FF_80_80_FF:
        return None
    pairs = tail * np.uint64(10)  # each digit tenfold, and the one after it: pairs of digits
    pairs += tail >> np.uint64(8)
    tail >>= np.uint64(48)
    tail &= np.uint64(0xFF)
    total = (pairs >> np.uint64(8)) & np.uint64(0xFF)
    total *= np.uint64(100)
    pairs >>= np.uint64(32)
    pairs &= np.uint64(0xFF)
    total += pairs
    total *= np.uint64(10)
    total += tail
    total *= np.uint64(1_000)
    return total.view(np.int64)
