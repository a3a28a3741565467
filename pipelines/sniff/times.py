"""Which form a column of times may have: every form that fits the whole sample."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

import polars as pl

from remanence.pipelines.clocks.iso import parse_times
from remanence.pipelines.clocks.wall_clock import EARLIEST, LATEST
from remanence.shared.time_forms import form_pattern

_DATES = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y", "%m-%d-%Y", "%Y-%m-%d",
          "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%y/%m/%d", "%d %b %Y", "%b %d %Y", "%Y%m%d",
          "%a %b %d %Y", "%d-%b-%Y")
_TIMES = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%H:%M", "%I:%M:%S %p", "%I:%M:%S.%f %p")
_YEARLESS = ("%b %d", "%d %b", "%m-%d", "%d.%m.", "%m/%d", "%d/%m")
_JOINTS = (" ", ", ", "T", "-", "  ")
_EPOCHS = {"epoch-s": 1.0, "epoch-ms": 1e3, "epoch-us": 1e6, "epoch-ns": 1e9}


@dataclass(frozen=True)
class TimeGuess:
    """What a column of times looks like: ``forms`` all fit; ``kind`` is date, time or both.

    ``yearless``: the forms lack the year.
    """

    kind: str
    forms: tuple[str, ...]
    zoned: bool = False
    yearless: bool = False


def guess_times(values: list[str]) -> TimeGuess | None:
    """Forms that fit every value of a sample; None if it is no time.

    Parameters
    ----------
    values : list of str
        Not empty, without blanks.
    """
    series = pl.Series(values, dtype=pl.String)
    if _fits(series, "iso"):
        return TimeGuess("both", ("iso",), bool(parse_times(series)["zoned"].all()))
    numbers = series.cast(pl.Float64, strict=False)
    if numbers.null_count() == 0:
        return _of_numbers(numbers)
    sample = series.head(300)
    # Fields and separators of the first value decide which forms are worth a try.
    both = [d + j + t for d in _DATES for j in _JOINTS for t in _TIMES]
    yearless = [f"{d}{j}{t}" for d in _YEARLESS for j in _JOINTS for t in _TIMES]
    for kind, forms, prefix in (
        ("both", both, ""), ("yearless", yearless, "2000"),
        ("both", [f + "%z" for f in both if "%p" not in f], ""),
        ("date", [d + " %H:%M" for d in _DATES], "00:00"), ("time", list(_TIMES), "2026-01-02"),
    ):
        first = _filled(series.head(1), kind, prefix)[0]
        likely = [f for f in dict.fromkeys(forms) if re.match(_pattern(_form(f, kind)), first)]
        fitting = tuple(_strip(f, kind) for f in likely
                        if _fits(_filled(sample, kind, prefix), _form(f, kind)))
        fitting = tuple(f for f in fitting if _fits(
            _filled(series, kind, prefix), _form(f, kind, bare=True)))
        if fitting and kind == "yearless":
            return TimeGuess("both", fitting, yearless=True)
        if fitting:
            return TimeGuess(kind, fitting, "%z" in fitting[0])
    return None


@cache
def _pattern(form: str) -> re.Pattern[str]:
    return re.compile(form_pattern(form))


def _filled(series: pl.Series, kind: str, prefix: str) -> pl.Series:
    if kind == "both":
        return series
    joined = [f"{prefix} {v}" if kind in ("time", "yearless") else f"{v} {prefix}"
              for v in series.to_list()]
    return pl.Series(joined, dtype=pl.String)


def _form(form: str, kind: str, *, bare: bool = False) -> str:
    if kind == "time":
        return f"%Y-%m-%d {form}"
    if kind == "yearless":
        return f"%Y {form}"
    return form + " %H:%M" if kind == "date" and bare else form


def _strip(form: str, kind: str) -> str:
    return form.removesuffix(" %H:%M") if kind == "date" else form


def _fits(series: pl.Series, form: str) -> bool:
    times = parse_times(series, form)["time"]
    if times.null_count():
        return False
    within = times.dt.replace_time_zone("UTC").is_between(EARLIEST, LATEST)
    return bool(within.all())


def _of_numbers(numbers: pl.Series) -> TimeGuess | None:
    low, high = float(numbers.min() or 0), float(numbers.max() or 0)  # type: ignore[arg-type]
    if low < 0:
        return None
    for form, factor in _EPOCHS.items():
        first, last = low / factor, high / factor
        if datetime(2001, 1, 1, tzinfo=UTC).timestamp() < first and (
            last < datetime(2090, 1, 1, tzinfo=UTC).timestamp()
        ):
            return TimeGuess("both", (form,))
    steps = numbers.diff().drop_nulls()
    if len(steps) and float((steps >= 0).mean() or 0) > 0.95 and high > low:  # type: ignore[arg-type]
        return TimeGuess("counter", ("boot-ms", "boot-us", "boot-s"))
    return None
