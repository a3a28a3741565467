"""Spans that the file's own name, or the files beside it, contradict."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from datetime import date, datetime, timedelta

BESIDE_NAME = timedelta(days=31)
"""A file that is named by a day may begin or end there, or be of its month; a span further away
than a month from every date in the name is not what the name says."""

BESIDE_OTHERS = timedelta(days=366)
"""A venue's logs lie beside each other; one that lies years away from all has a false date."""

_DATE = re.compile(r"(?<!\d)(20\d\d)([-_.]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])(?!\d)")

Span = tuple[datetime, datetime]


def name_doubt(name: str, span: Span) -> str | None:
    """What a file's name says against its span; None where it says nothing.

    Parameters
    ----------
    name : str
        The file's, with its folders; they tell only where its own name has no date.
    span : (datetime, datetime)
        First and last time of its records.
    """
    said = _dates(name.rpartition("/")[2]) or _dates(name)
    first, last = span[0].date(), span[1].date()
    if not said or any(first - BESIDE_NAME <= day <= last + BESIDE_NAME for day in said):
        return None
    return (f"{name}: its name says {said[0]}, its times run from {first} to {last}; are day and "
            "month the right way round in time_format, and was the clock set? If the name is "
            "wrong, rename the file")


def _dates(text: str) -> list[date]:
    found = []
    for year, _, month, day in _DATE.findall(text):
        with contextlib.suppress(ValueError):  # 31 June is some other number
            found.append(date(int(year), int(month), int(day)))
    return found


def neighbour_doubts(spans: Mapping[str, Span]) -> dict[str, str]:
    """Files that lie years away from every other file of their block, and what to say of each.

    Parameters
    ----------
    spans : mapping of str to (datetime, datetime)
        First and last time of each file; fewer than three tell nothing.
    """
    if len(spans) < 3:
        return {}
    doubts = {}
    for name, (first, last) in spans.items():
        others = [span for other, span in spans.items() if other != name]
        if all(begin - last > BESIDE_OTHERS or first - end > BESIDE_OTHERS
               for begin, end in others):
            doubts[name] = (
                f"{name}: its times run from {first.date()} to {last.date()}, those of the other "
                f"files of its [[log]] block from {min(s[0] for s in others).date()} to "
                f"{max(s[1] for s in others).date()}; was the clock set?")
    return doubts
