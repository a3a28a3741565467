"""The keys that a block of the venue file may have, and the check of one block against them."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from remanence.shared.errors import Problem

Say = Callable[[str, object, str], None]
"""Told of a key, what was found there, and what would be right."""

_ID = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,39}")

LineOf = Callable[[str], int]
"""From a key of the block to the line it stands on (the block's own line if it is missing)."""


@dataclass(frozen=True)
class Key:
    """One key: what kind of value it takes, whether it must stand there, what it means.

    ``kind`` is one of ``text``, ``number``, ``integer``, ``flag``, ``date``,
    ``texts`` (a list of text), ``choice`` (one of ``choices``) and ``table``
    (nested, read by its owner). Numbers lie within ``low`` and ``high``;
    ``above`` excludes the lower bound itself.
    """

    name: str
    kind: str
    meaning: str
    required: bool = False
    choices: tuple[Any, ...] = ()
    low: float = -math.inf
    high: float = math.inf
    above: bool = False
    unit: str = ""


def shown(value: object) -> str:
    """A value as the venue file would write it, short enough for a message."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, list | tuple):
        text = "a list"
    else:
        text = str(value)
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= 60 else text[:57] + "..."


def one_of(choices: Sequence[Any]) -> str:
    """The choices as a person would list them: a, b or c."""
    words = [shown(choice) for choice in choices]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def nearest(name: str, known: Sequence[str]) -> str:
    """What to do about an unknown key: the nearest known one, or all of them."""
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    if close:
        return f"did you mean {close[0]}?"
    return "known keys: " + ", ".join(known)


def _wrong(key: Key, value: object) -> str | None:
    """What would be right in place of ``value``, or None if it is right as it is."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    match key.kind:
        case "choice":
            return None if value in key.choices and isinstance(
                value, type(key.choices[0])
            ) and not isinstance(value, bool) else f"use {one_of(key.choices)}"
        case "text":
            if not isinstance(value, str):
                return "write text in quotes"
            if not value.strip() or any(not c.isprintable() for c in value):
                return "write some text, without line breaks or control characters"
            return None
        case "texts":
            good = isinstance(value, list) and value and all(
                isinstance(item, str) and item.strip() for item in value
            )
            return None if good else 'write a list of text, like ["logs/*.csv"]'
        case "flag":
            return None if isinstance(value, bool) else "use true or false"
        case "date":
            good = isinstance(value, date) and not isinstance(value, datetime)
            return None if good else "write a date without quotes, like 2026-02-28"
        case "table":
            return None if isinstance(value, Mapping) else "write a table, like { name = value }"
        case "integer":
            if not isinstance(value, int) or isinstance(value, bool):
                return "write a whole number"
        case _:
            if not number or not math.isfinite(float(value)):  # type: ignore[arg-type]
                return "write a number, without quotes or unit"
    figure = float(value)  # type: ignore[arg-type]
    if figure < key.low or figure > key.high or (key.above and figure <= key.low):
        lower = f"above {key.low:g}" if key.above else f"of {key.low:g} or more"
        upper = f", at most {key.high:g}" if math.isfinite(key.high) else ""
        unit = f" {key.unit}" if key.unit else ""
        return f"write a number{unit} {lower}{upper}"
    return None


def read_block(
    block: Mapping[str, Any], keys: Sequence[Key], where: str, line_of: LineOf
) -> tuple[dict[str, Any], list[Problem]]:
    """Take the right values of one block, and say everything that is wrong with it.

    Parameters
    ----------
    block : mapping
        The block as the TOML parser gave it.
    keys : sequence of Key
        What it may hold.
    where : str
        How messages call the block.
    line_of : callable
        From key to line.

    Returns
    -------
    values : dict
        Only those that passed; numbers of kind ``number`` as float.
    problems : list of Problem
    """
    known = {key.name: key for key in keys}
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for name, value in block.items():
        key = known.get(name)
        if key is None:
            problems.append(Problem(
                line_of(name), where, name, "an unknown key", nearest(name, list(known))
            ))
            continue
        right = _wrong(key, value)
        if right:
            problems.append(Problem(line_of(name), where, name, shown(value), right))
        else:
            values[name] = float(value) if key.kind == "number" else value
    for key in keys:
        if key.required and key.name not in block:
            right = f"use {one_of(key.choices)}" if key.choices else f"add it: {key.meaning}"
            problems.append(Problem(line_of(key.name), where, key.name, "nothing", right))
    return values, problems


def check_kind(
    values: dict[str, Any], only: Mapping[str, set[str]], problems: list[Problem], where: str,
    line_of: LineOf,
) -> Say:
    """Check what a block's ``kind`` decides; without an ``id`` it is called like its kind.

    Parameters
    ----------
    values : dict
        The values that passed, ``kind`` among them; gets ``id``.
    only : mapping
        From each kind to the keys that not every kind has.
    problems : list of Problem
        Gets what is wrong.
    where, line_of
        As for :func:`read_block`.

    Returns
    -------
    callable
        Says what else is wrong with the block.
    """
    def say(key: str, found: object, right: str) -> None:
        problems.append(Problem(
            line_of(key), where, key, "nothing" if found is None else shown(found), right))

    kind = values["kind"]
    for name in sorted(set(values) & set().union(*only.values()) - only[kind]):
        owner = next(k for k, names in only.items() if name in names)
        say(name, values[name], f'it goes with kind = "{owner}"; take it out')
    if not _ID.fullmatch(values.setdefault("id", kind)):
        say("id", values["id"], "use up to 40 letters, digits, . _ - and no dot in front")
    return say
