"""``chain.toml``: which venues make a chain, who looks after which, what lies in a depot."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from remanence.shared.errors import Problem, VenueFileError
from remanence.shared.keys import Key, nearest, read_block, shown
from remanence.shared.venue_file import key_lines

CHAIN_KEYS = (
    Key("name", "text", "the chain's name as people say it"),
    Key("venues", "texts", "venue files or their folders, or patterns of them, relative to this "
        'file, like ["*/venue.toml"]'),
)

CHAIN_VENUE_KEYS = (
    Key("path", "text", "which venues: a venue file or folder or a pattern, relative to this file",
        required=True),
    Key("labels", "texts", 'what these venues are called together, like ["north"]'),
    Key("technician", "text", "who looks after them"),
)

DEPOT_KEYS = (
    Key("id", "text", "the depot's name", required=True),
    Key("serves", "texts", "labels or ids of the venues that it serves; default: all"),
    Key("transfer_days", "number", "from the depot, or from a venue, to a venue; default 2", low=0,
        high=365, unit="of days"),
    Key("stock", "table", "how many of each part lie there, like { latch-12 = 4 }"),
    Key("lead_time_days", "table", "order to delivery at the depot, by part; default: the longest "
        "that its venues state"),
)

TRANSFER_DAYS = 2.0
"""A parcel within a country takes so long (common practice)."""


@dataclass(frozen=True)
class ChainVenues:
    """One ``[[venue]]`` block: what is said of the venues under one path or pattern."""

    path: str
    labels: tuple[str, ...] = ()
    technician: str | None = None
    line: int = 0


@dataclass(frozen=True)
class Depot:
    """One ``[[depot]]`` block; an empty ``serves``: all venues."""

    id: str
    serves: tuple[str, ...] = ()
    transfer_days: float = TRANSFER_DAYS
    stock: Mapping[str, int] = field(default_factory=dict)
    lead_time_days: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Chain:
    """A chain as its file describes it; paths are relative to that file."""

    name: str
    patterns: tuple[str, ...]
    venues: tuple[ChainVenues, ...]
    depots: tuple[Depot, ...]


_BLOCKS = {"venue": CHAIN_VENUE_KEYS, "depot": DEPOT_KEYS}


def parse_chain(text: str, path: str = "chain.toml") -> Chain:
    """Read a chain's file.

    Parameters
    ----------
    text : str
        The file's content.
    path : str
        How messages call it.

    Returns
    -------
    Chain

    Raises
    ------
    VenueFileError
        Everything wrong with it, in one go.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise VenueFileError(path, [Problem(0, "", "", "no TOML", str(error))]) from None
    reader = _Reader(document, key_lines(text))
    chain = reader.chain()
    if reader.problems:
        raise VenueFileError(path, reader.problems)
    return chain


@dataclass
class _Reader:
    document: Mapping[str, Any]
    lines: Mapping[tuple[str | int, ...], int]
    problems: list[Problem] = field(default_factory=list)

    def chain(self) -> Chain:
        top = {name: value for name, value in self.document.items() if name not in _BLOCKS}
        values, problems = read_block(
            top, CHAIN_KEYS, "the chain", lambda key: self.lines.get((key,), 0))
        self.problems += [
            Problem(p.line, "", p.key, p.found, nearest(p.key, [
                *(key.name for key in CHAIN_KEYS), *_BLOCKS]) if p.found == "an unknown key"
                else p.right) for p in problems]
        venues = [self._venues(block, line) for block, line in self._array("venue")]
        depots = [self._depot(block, line) for block, line in self._array("depot")]
        if "venues" not in self.document and not venues:
            self.problems.append(Problem(0, "", "venues", "nothing",
                                         'add it, like venues = ["*/venue.toml"]'))
        names = [depot.id for depot in depots]
        for depot in dict.fromkeys(name for name in names if names.count(name) > 1):
            self.problems.append(Problem(0, f"depot {shown(depot)}", "id",
                                         f"{shown(depot)} a second time", "give each its own id"))
        return Chain(values.get("name", ""), tuple(values.get("venues", ())),
                     tuple(venues), tuple(depots))

    def _array(self, name: str) -> list[tuple[dict[str, Any], int]]:
        blocks = self.document.get(name, [])
        if not isinstance(blocks, list) or not all(isinstance(item, Mapping) for item in blocks):
            self.problems.append(Problem(self.lines.get((name,), 0), "", name, shown(blocks),
                                         f"write [[{name}]], one block each"))
            return []
        found = []
        for index, block in enumerate(blocks):
            line = self.lines.get((name, index), 0)
            where = f"{name} {index + 1}"

            def line_of(key: str, index: int = index, line: int = line) -> int:
                return self.lines.get((name, index, key), line)

            values, problems = read_block(block, _BLOCKS[name], where, line_of)
            self.problems += problems
            if not problems:
                found.append((values, line))
        return found

    def _venues(self, values: dict[str, Any], line: int) -> ChainVenues:
        return ChainVenues(values["path"], tuple(values.get("labels", ())),
                           values.get("technician"), line)

    def _depot(self, values: dict[str, Any], line: int) -> Depot:
        where = f"depot {shown(values['id'])}"
        for key, kind, right in (("stock", int, "a whole number of 0 or more"),
                                 ("lead_time_days", (int, float), "days, 0 or more")):
            for part, value in values.get(key, {}).items():
                if not isinstance(value, kind) or isinstance(value, bool) or value < 0:
                    self.problems.append(Problem(line, where, f"{key}.{part}", shown(value),
                                                 f"write {right}"))
        return Depot(values["id"], tuple(values.get("serves", ())),
                     values.get("transfer_days", TRANSFER_DAYS), values.get("stock", {}),
                     values.get("lead_time_days", {}))
