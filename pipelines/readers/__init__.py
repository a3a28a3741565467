"""Log files into raw records: one module a format, one shape out (see :mod:`.raw`).

The module ``NAME_reader.py`` of this package reads logs with ``format = "NAME"``: its ``READER``
(a :class:`~remanence.pipelines.readers.raw.LogReader`) is all that ingest, sniff, check and the
documentation know of it. Whoever adds such a module has added the format. The names come from the
names of the files, so that the formats can be listed without importing a reader. An installed
package adds a format by an entry point of the group ``remanence.readers``.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator, Mapping
from functools import cache
from typing import TYPE_CHECKING

from remanence.shared.added import added, added_names, taken
from remanence.shared.keys import Key
from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.readers.json_values import payload_object, value_at
    from remanence.pipelines.readers.layout import Layout
    from remanence.pipelines.readers.raw import (
        KEPT_TEXT,
        LogReader,
        Parsed,
        Sample,
        TextOf,
        decoded,
        reject_frame,
    )
    from remanence.pipelines.readers.source import (
        Chunk,
        LongLine,
        Recoded,
        Source,
        UnreadableSourceError,
        chunks,
        sources_of,
        without_lines,
    )

__all__ = [
    "Chunk", "FORMATS", "KEPT_TEXT", "Layout", "LogReader", "LongLine", "Parsed", "Recoded",
    "Sample", "Source", "TextOf", "UnreadableSourceError", "all_readers", "chunks", "decoded",
    "format_names", "payload_object", "reader_of", "reject_frame", "sources_of", "value_at",
    "without_lines",
]

_ENDING = "_reader"
_GROUP = "remanence.readers"


@cache
def format_names() -> tuple[str, ...]:
    """The values that ``format`` in a ``[[log]]`` block may have, in alphabetical order.

    Raises
    ------
    RemanenceError
        An installed package adds a format that there is already.
    """
    others = added_names(_GROUP)
    for name in others:
        if name in _own_names():
            raise taken(_GROUP, name)
    return tuple(sorted((*_own_names(), *others)))


@cache
def _own_names() -> frozenset[str]:
    return frozenset(
        module.name.removesuffix(_ENDING) for module in pkgutil.iter_modules(__path__)
        if module.name.endswith(_ENDING))


def reader_of(name: str) -> LogReader:
    """The reader of one format.

    Parameters
    ----------
    name : str
        One of :func:`format_names`.
    """
    if name not in _own_names():
        from remanence.pipelines.readers.raw import LogReader

        taken_in: LogReader = added(_GROUP, name, LogReader)
        return taken_in
    found: LogReader = importlib.import_module(f"{__name__}.{name}{_ENDING}").READER
    return found


def all_readers() -> dict[str, LogReader]:
    """Every reader by its format's name, in the order in which they look at an unknown file."""
    found = {name: reader_of(name) for name in format_names()}
    return dict(sorted(found.items(), key=lambda item: (item[1].looks_at, item[0])))


class _OwnKeys(Mapping[str, tuple[Key, ...]]):
    """From a format's name to the keys of a ``[[log]]`` block that only its reader knows."""

    def __getitem__(self, name: str) -> tuple[Key, ...]:
        if name not in format_names():
            raise KeyError(name)
        return reader_of(name).keys

    def __iter__(self) -> Iterator[str]:
        return iter(format_names())

    def __len__(self) -> int:
        return len(format_names())

    def __contains__(self, name: object) -> bool:
        return name in format_names()


FORMATS: Mapping[str, tuple[Key, ...]] = _OwnKeys()
"""Every format with its own keys. Reading the names imports no reader; reading the keys does."""

__getattr__ = on_demand(__name__, {
    "json_values": ("payload_object", "value_at"),
    "layout": ("Layout",),
    "raw": ("KEPT_TEXT", "LogReader", "Parsed", "Sample", "TextOf", "decoded", "reject_frame"),
    "source": ("Chunk", "LongLine", "Recoded", "Source", "UnreadableSourceError", "chunks",
        "sources_of", "without_lines"),
})
