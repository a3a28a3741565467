"""What installed packages of other people add: readers, conditions, sheets, and their words.

A package adds by entry points (:mod:`importlib.metadata`). Asking the system for them costs as much
as the whole help, so whether anybody adds anything is looked up first.
"""

from __future__ import annotations

import contextlib
import sys
from functools import cache
from pathlib import Path
from typing import Any

from remanence.shared.errors import RemanenceError

GROUPS = ("remanence.readers", "remanence.conditions", "remanence.sheets", "remanence.pages")
"""Groups of entry points: a reader by its format's name, a condition, a sheet, and a package whose
folders ``words`` and ``templates`` hold what its pages say."""


@cache
def _anybody_adds() -> bool:
    """Whether any installed package names one of the groups."""
    for place in dict.fromkeys(sys.path):
        with contextlib.suppress(OSError):  # a place that may not be read adds nothing
            if any(b"[remanence." in told.read_bytes()
                   for told in Path(place or ".").glob("*.*-info/entry_points.txt")):
                return True
    return False


@cache
def added_names(group: str) -> dict[str, Any]:
    """The entry points of a group by name; nothing is imported of them yet.

    Parameters
    ----------
    group : str
        One of :data:`GROUPS`.

    Returns
    -------
    dict of str to importlib.metadata.EntryPoint
        In the order of the names.

    Raises
    ------
    RemanenceError
        Two packages add one name.
    """
    if not _anybody_adds():
        return {}
    from importlib.metadata import entry_points

    found: dict[str, Any] = {}
    for point in sorted(entry_points(group=group), key=lambda item: item.name):
        other = found.setdefault(point.name, point)
        if other.value != point.value:
            raise RemanenceError(
                f"{group}: {_package(other)} and {_package(point)} both add {point.name!r}; "
                "uninstall one of them")
    return found


def added(group: str, name: str, kind: type) -> Any:
    """One thing that a package adds, imported.

    Parameters
    ----------
    group, name : str
        As :func:`added_names` has it.
    kind : type
        What it must be.

    Returns
    -------
    object
        Of that kind.

    Raises
    ------
    RemanenceError
        It cannot be imported, or is something else.
    """
    point = added_names(group)[name]
    try:
        thing = point.load()
    except Exception as error:
        raise RemanenceError(f"{_package(point)} adds {name!r} ({group}), which cannot be imported "
                             f"({point.value}: {error!r}); mend or uninstall it") from error
    if not isinstance(thing, kind):
        raise RemanenceError(f"{_package(point)} adds {name!r} ({group}): found "
                             f"{type(thing).__name__} in {point.value}, {kind.__name__} expected")
    return thing


def taken(group: str, name: str) -> RemanenceError:
    """What to say where a package adds what the program has of its own."""
    return RemanenceError(f"{_package(added_names(group)[name])} adds {name!r} ({group}), which "
                          "Remanence has of its own; it must be called something else")


def _package(point: Any) -> str:
    return f"the package {point.dist.name}" if point.dist is not None else point.value
