"""Forms of time like ``%d.%m.%Y %H:%M:%S,%f``, turned into regular expressions with groups."""

from __future__ import annotations

import re

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

_DIRECTIVES = {
    "Y": r"(?P<year>\d{4})", "y": r"(?P<year2>\d{2})", "m": r"(?P<month>\d{1,2})",
    "d": r"(?P<day>\d{1,2})", "e": r"(?P<day>\d{1,2})", "H": r"(?P<hour>\d{1,2})",
    "I": r"(?P<hour12>\d{1,2})", "p": r"(?P<half>[AaPp]\.?[Mm]\.?)", "M": r"(?P<minute>\d{1,2})",
    "S": r"(?P<second>\d{1,2})", "f": r"(?P<fraction>\d{1,9})",
    "z": r"(?P<zone>Z|z|[+-]\d{2}:?(?:\d{2})?)",
    "b": r"(?P<monthname>[A-Za-z]{3})", "B": r"(?P<monthname>[A-Za-z]{3,9})",
    "a": r"[A-Za-z]{2,4}\.?", "A": r"[A-Za-z]+", "%": "%",
}
_SHORT = {"F": "%Y-%m-%d", "T": "%H:%M:%S", "R": "%H:%M", "D": "%m/%d/%y"}

KNOWN = "".join(f"%{letter} " for letter in (*_DIRECTIVES, *_SHORT)).strip()


def form_pattern(form: str) -> str:
    """The regular expression of a form of time.

    Parameters
    ----------
    form : str
        Like ``%d.%m.%Y %H:%M:%S,%f``. A blank stands for any number of blanks.

    Returns
    -------
    str
        With groups year, month, day, hour, minute, second, fraction, zone and their kin.

    Raises
    ------
    ValueError
        The form has a letter that is not known, or one twice; says which.
    """
    for short, long in _SHORT.items():
        form = form.replace(f"%{short}", long)
    parts: list[str] = []
    position = 0
    while position < len(form):
        letter = form[position]
        if letter == "%":
            name = form[position + 1 : position + 2]
            if name not in _DIRECTIVES:
                raise ValueError(f"%{name} is not known; known are {KNOWN}")
            if name != "%" and _DIRECTIVES[name] in parts and name not in "aA":
                raise ValueError(f"%{name} stands there twice")
            parts.append(_DIRECTIVES[name])
            position += 2
            continue
        parts.append(r"\s+" if letter.isspace() else re.escape(letter))
        position += 1
    pattern = "".join(parts)
    for name in re.findall(r"\(\?P<(\w+)>", pattern):
        if pattern.count(f"(?P<{name}>") > 1:
            raise ValueError(f"the {name} stands there twice")
    return rf"^\s*{pattern}\s*$"


def lacks(form: str) -> str:
    """What a form lacks in order to say a time; empty if nothing."""
    groups = set(re.findall(r"\(\?P<(\w+)>", form_pattern(form)))
    missing = []
    if not {"hour", "hour12"} & groups:
        missing.append("the hour (%H)")
    if "hour12" in groups and "half" not in groups:
        missing.append("AM or PM (%p)")
    if "minute" not in groups:
        missing.append("the minute (%M)")
    if not {"year", "year2"} & groups:
        missing.append("the year (%Y)")
    if not {"month", "monthname"} & groups:
        missing.append("the month (%m)")
    if "day" not in groups:
        missing.append("the day (%d)")
    return ", ".join(missing)
