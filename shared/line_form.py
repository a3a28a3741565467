"""Forms of a line like ``[{time}] {channel}={value}``, turned into regular expressions."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from remanence.shared.time_forms import form_pattern

ISO = (r"\d{4}-?\d\d-?\d\d(?:[T ]\s*\d\d:?\d\d(?::?\d\d(?:[.,]\d+)?)?"
       r"(?:Z?[+-]\d\d(?::?\d\d)?|[Zz])?)?")
NUMBER = r"[-+]?\d+(?:\.\d+)?"
WORD = r"\S+?"
PAIRS = "pairs"
"""The name in braces for words like ``name=value``, each of which is a column of its own."""

_PLACE = re.compile(r"\{(\.\.\.|[A-Za-z_]\w*|)\}")


def places(form: str) -> list[str]:
    """The names that stand in braces in a form."""
    return [name for name in _PLACE.findall(form) if name not in ("", "...")]


def line_pattern(
    form: str, time_format: str, roles: Mapping[str, str],
    known: Mapping[str, str] = MappingProxyType({}),
) -> str:
    """The regular expression of a form of line.

    Parameters
    ----------
    form : str
        Text as it stands in every line, with ``{name}`` where a column stands, ``{}`` for a
        word and ``{...}`` for anything that is passed over, and ``{pairs}`` for words like
        ``name=value``. A blank stands for any number of blanks.
    time_format : str
        How the time is written; it may hold blanks.
    roles : mapping
        Which role (time, wall, value ...) a name plays, where it is not called so.
    known : mapping, default empty
        Regular expressions of names of which more is known.

    Returns
    -------
    str
        With a named group for each name.

    Raises
    ------
    ValueError
        A name stands there twice, or nothing is named.
    """
    names = places(form)
    if not names:
        raise ValueError("name what stands where, like {time} {channel} {value}")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"{{{twice[0]}}} stands there twice")
    parts = _PLACE.split(form)
    made = []
    for at, part in enumerate(parts):
        if at % 2 == 0:
            made.append(_literal(part))
        elif part == "":
            made.append(WORD)
        elif part == "...":
            made.append(".*?")
        else:
            inner = ".*?" if part == PAIRS else known.get(part) or _inner(
                roles.get(part, part), time_format)
            made.append(rf"\s*(?P<{part}>{inner})")
    return rf"^\s*{''.join(made)}\s*$"


def _literal(text: str) -> str:
    return "".join(r"\s+" if part.isspace() else re.escape(part)
                   for part in re.split(r"(\s+)", text) if part)


def _inner(role: str, time_format: str) -> str:
    if role == "wall":
        return ISO
    if role not in ("time", "date"):
        return WORD
    if time_format == "iso":
        return rf"{ISO}|\d\d?:\d\d(?::\d\d(?:[.,]\d+)?)?"
    if "%" not in time_format:
        return NUMBER
    inner = form_pattern(time_format).removeprefix(r"^\s*").removesuffix(r"\s*$")
    return re.sub(r"\(\?P<\w+>", "(?:", inner)
