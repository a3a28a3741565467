"""``venue.toml`` read into the checked model, or everything wrong with it in one go."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from posixpath import normpath
from typing import Any
from zoneinfo import ZoneInfo

from remanence.shared.errors import Problem, VenueFileError
from remanence.shared.keys import Key, nearest, read_block, shown
from remanence.shared.limits import Limits
from remanence.shared.live_source import LiveSource, read_live_source
from remanence.shared.log_format import Formats, LogFormat, read_log_format
from remanence.shared.sequence import Sequence, read_sequence
from remanence.shared.tell_target import TellTarget, read_tell_target
from remanence.shared.venue import (
    BUCKET_SCHEME,
    DEFAULT_RELEASED_BY,
    Lock,
    Part,
    Supply,
    Venue,
    folder_of_store,
)
from remanence.shared.venue_keys import LIMIT_KEYS, LOCK_KEYS, PART_KEYS, SUPPLY_KEYS, VENUE_KEYS

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_NAME = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_KEY = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_STRINGS = re.compile(
    r'"""(?:\\.|[^\\])*?"""' r"|'''.*?'''" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'" r"|\#[^\n]*",
    re.DOTALL,
)


def key_lines(text: str) -> dict[tuple[str | int, ...], int]:
    """Lines, counted from 1, of every table header and key of a well-formed TOML text.

    Returns
    -------
    dict
        From a path such as ``("lock", 3, "command")`` (fourth ``[[lock]]`` block) or
        ``("venue", "id")`` to its line. A header stands under its path alone.
    """
    blank = _STRINGS.sub(lambda m: re.sub(r"[^\n]", "_", m[0]), text)
    source, masked = text.split("\n"), blank.split("\n")
    lines: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str | int, ...], int] = {}
    prefix: tuple[str | int, ...] = ()
    depth = 0
    for number, (raw, mask) in enumerate(zip(source, masked, strict=True), start=1):
        header = _HEADER.match(raw) if depth == 0 else None
        if header and mask.lstrip().startswith("["):
            prefix = _resolve(_parts(header[2]), counts)
            if header[1] == "[[":
                index = counts.get(prefix, -1) + 1
                counts[prefix] = index
                prefix = (*prefix, index)
            lines.setdefault(prefix, number)
            continue
        key = _KEY.match(raw) if depth == 0 else None
        if key:
            lines.setdefault((*prefix, *_parts(key[1])), number)
        depth += sum(mask.count(c) for c in "[{") - sum(mask.count(c) for c in "]}")
    return lines


def _parts(dotted: str) -> tuple[str, ...]:
    found = re.findall(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""", dotted)
    return tuple(part.strip("\"'") for part in found)


def _resolve(
    names: tuple[str, ...], counts: dict[tuple[str | int, ...], int]
) -> tuple[str | int, ...]:
    """Put the running index behind every array of tables that ``names`` passes through."""
    path: tuple[str | int, ...] = ()
    for position, name in enumerate(names):
        path = (*path, name)
        if position < len(names) - 1 and path in counts:
            path = (*path, counts[path])
    return path


_ID = re.compile(r"[A-Za-z0-9._-]+")
_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")
_BUCKET = re.compile(r"s3://[a-z0-9][a-z0-9.-]{1,61}[a-z0-9](/[A-Za-z0-9][A-Za-z0-9._-]*)*")
"""No place for a user and a key: these do not belong in a file that is passed around."""
_WEB_ADDRESS = re.compile(r"https?://[A-Za-z0-9.\[\]:_~/-]+")
_BLOCKS = {"venue": "table", "log": "array", "source": "array", "tell": "array",
           "supply": "array", "part": "array", "lock": "array", "sequence": "array",
           "limits": "table"}


def parse_venue(
    text: str, path: str = "venue.toml", formats: Formats | None = None
) -> Venue:
    """Read the text of a venue file.

    Parameters
    ----------
    text : str
        The file's text.
    path : str, default "venue.toml"
        How messages call the file.
    formats : mapping, optional
        The formats of log that can be read, each with its own keys
        (``remanence.pipelines.readers.FORMATS``); default: any name
        will do, where no log is read.

    Returns
    -------
    Venue

    Raises
    ------
    VenueFileError
        Anything is wrong with it; every fault is listed with line, key, what was
        found and what would be right.
    """
    text = text.replace("\r\n", "\n")
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise VenueFileError(path, [_syntax_problem(error, text)]) from None
    return _Reader(document, key_lines(text), path, formats).venue()


def _syntax_problem(error: Exception, text: str) -> Problem:
    place = re.search(r"\(at line (\d+), column \d+\)", str(error))
    line = int(place[1]) if place else text.count("\n") + 1
    what = re.sub(r"\s*\(at .*\)$", "", str(error))
    lines = text.split("\n")
    found = lines[line - 1].strip() if line <= len(lines) else ""
    return Problem(line, "", "", shown(found) if found else "the end of the file",
                   f"this is not TOML: {what[0].lower()}{what[1:]}")


@dataclass
class _Reader:
    document: Mapping[str, Any]
    lines: Mapping[tuple[str | int, ...], int]
    path: str
    formats: Formats | None

    def __post_init__(self) -> None:
        self.problems: list[Problem] = []

    def venue(self) -> Venue:
        self._blocks()
        values = self._table("venue", VENUE_KEYS, required=True)
        limits = self._table("limits", LIMIT_KEYS, required=False)
        logs = [log for i in self._indices("log") if (log := self._log(i))]
        sources = [source for i in self._indices("source") if (source := self._source(i))]
        tells = [target for i in self._indices("tell") if (target := self._tell(i))]
        supplies = self._array("supply", SUPPLY_KEYS, Supply)
        parts = self._array("part", PART_KEYS, Part)
        locks = self._array("lock", LOCK_KEYS, Lock, self._complete_lock)
        sequences = [found for i in self._indices("sequence") if (found := self._sequence(i))]
        self._venue_values(values)
        self._no_addresses()
        self._store_of_its_own(values, logs)
        self._cross_check()
        if self.problems:
            raise VenueFileError(self.path, self.problems)
        values.setdefault("name", values["id"])
        return Venue(
            **values, logs=tuple(logs), sources=tuple(sources), tells=tuple(tells),
            supplies=tuple(supplies), parts=tuple(parts), locks=tuple(locks),
            sequences=tuple(sequences), limits=Limits(**limits),
        )

    # Blocks and their lines.

    def _line(self, *path: str | int) -> int:
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 0)

    def _blocks(self) -> None:
        for name, value in self.document.items():
            kind = _BLOCKS.get(name)
            if kind is None:
                known = ["[[" + b + "]]" if k == "array" else "[" + b + "]"
                         for b, k in _BLOCKS.items()]
                advice = nearest(name, list(_BLOCKS))
                if advice.startswith("known keys"):
                    advice = "known blocks: " + ", ".join(known)
                line = self._line(name) or self._line(name, 0)
                self.problems.append(Problem(line, "", name, "an unknown block", advice))
            elif kind == "array" and not (
                isinstance(value, list) and all(isinstance(item, Mapping) for item in value)
            ):
                self.problems.append(Problem(
                    self._line(name), "", name, f"[{name}]", f"write [[{name}]], one block each"
                ))
            elif kind == "table" and not isinstance(value, Mapping):
                right = f"write [{name}], one block"
                line = self._line(name) or self._line(name, 0)
                self.problems.append(Problem(line, "", name, shown(value), right))

    def _table(self, name: str, keys: tuple[Key, ...], *, required: bool) -> dict[str, Any]:
        block = self.document.get(name)
        if not isinstance(block, Mapping):
            if required and name not in self.document:
                self.problems.append(Problem(0, "", f"[{name}]", "nothing", "add this block"))
            return {}
        values, problems = read_block(
            block, keys, f"[{name}]", lambda key: self._line(name, key)
        )
        self.problems += problems
        return values

    def _indices(self, name: str) -> range:
        block = self.document.get(name, [])
        good = isinstance(block, list) and all(isinstance(item, Mapping) for item in block)
        return range(len(block)) if good else range(0)

    def _where(self, name: str, index: int) -> str:
        identity = self.document[name][index].get("id")
        return f'{name} {shown(identity)}' if isinstance(identity, str) else f"{name} {index + 1}"

    def _array(
        self, name: str, keys: tuple[Key, ...], build: Callable[..., Any],
        complete: Callable[[dict[str, Any], int], None] | None = None,
    ) -> list[Any]:
        built = []
        for index in self._indices(name):
            values, problems = read_block(
                self.document[name][index], keys, self._where(name, index),
                lambda key, index=index: self._line(name, index, key),  # type: ignore[misc]
            )
            self.problems += problems
            if complete:
                complete(values, index)
            if not any(key.required and key.name not in values for key in keys):
                built.append(build(**values, line=self._line(name, index)))
        return built

    def _log(self, index: int) -> LogFormat | None:
        log, problems = read_log_format(
            self.document["log"][index], f"log {index + 1}",
            lambda *path: self._line("log", index, *path), self.formats,
        )
        self.problems += problems
        return log

    def _source(self, index: int) -> LiveSource | None:
        source, problems = read_live_source(
            self.document["source"][index], self._where("source", index),
            lambda *path: self._line("source", index, *path), self.formats,
        )
        self.problems += problems
        return source

    def _sequence(self, index: int) -> Sequence | None:
        locks = {lock["id"] for lock in self._raw("lock") if isinstance(lock.get("id"), str)}
        sequence, problems = read_sequence(
            self.document["sequence"][index], self._where("sequence", index),
            lambda *path: self._line("sequence", index, *path), locks)
        self.problems += problems
        return sequence

    def _tell(self, index: int) -> TellTarget | None:
        target, problems = read_tell_target(
            self.document["tell"][index], self._where("tell", index),
            lambda *path: self._line("tell", index, *path),
        )
        self.problems += problems
        return target

    # What a block alone cannot tell.

    def _problem(self, path: tuple[str | int, ...], where: str, found: str, right: str) -> None:
        self.problems.append(Problem(self._line(*path), where, str(path[-1]), found, right))

    def _venue_values(self, values: dict[str, Any]) -> None:
        identity = values.get("id")
        if identity is not None and (not _ID.fullmatch(identity) or set(identity) <= {"."}):
            self._problem(("venue", "id"), "[venue]", shown(identity),
                          "use letters, digits, . _ - only")
        zone = values.get("time_zone")
        if zone is not None:
            try:
                ZoneInfo(zone)
            except (ValueError, OSError, KeyError):
                self._problem(("venue", "time_zone"), "[venue]", shown(zone),
                              'use an IANA name, like "Europe/Lisbon"')
        served = values.get("served_at")
        if served is not None and not _WEB_ADDRESS.fullmatch(served):
            self._problem(("venue", "served_at"), "[venue]", shown(served),
                          "use an address like http://192.168.1.20:8080")

    def _no_addresses(self) -> None:
        """Logs lie on a disk: the address of a network would name a folder. A store may not."""
        venue = self.document.get("venue")
        named: list[tuple[tuple[str | int, ...], str, object]] = [
            (("venue", key), "[venue]", venue.get(key)) for key in ("store", "service_log")
        ] if isinstance(venue, Mapping) else []
        for index, log in enumerate(self._raw("log")):
            files = log.get("files")
            named += [(("log", index, "files"), self._where("log", index), name)
                      for name in (files if isinstance(files, list) else ())]
        for path, where, name in named:
            if isinstance(name, str) and path == ("venue", "store") and \
                    name.startswith(BUCKET_SCHEME):
                if not _BUCKET.fullmatch(name):
                    # (What was found may hold a key: it is not told.)
                    self._problem(path, where, f"an address that begins with {BUCKET_SCHEME}",
                                  'write a bucket and a place in it, like "s3://bucket/harbour"; '
                                  "keys are read from the environment")
            elif isinstance(name, str) and _ADDRESS.match(name):
                self._problem(path, where, shown(name), "an address is not supported here; write "
                              "the path of a folder or file on a disk, or mount it as one" + (
                                  f" (a store may be in a bucket: {BUCKET_SCHEME}bucket/harbour)"
                                  if path == ("venue", "store") else ""))

    def _store_of_its_own(self, values: dict[str, Any], logs: list[LogFormat]) -> None:
        """Nothing but the store may lie in the store's folder."""
        store = values.get("store")
        if store is None:
            return
        path = PurePosixPath(normpath(folder_of_store(store).replace("\\", "/")))
        if path == PurePosixPath(".") or set(path.parts) == {".."}:
            self._problem(("venue", "store"), "[venue]", shown(store),
                          'it needs a folder of its own, like "store"')
        for log in logs:
            for pattern in log.files:
                whole = PurePosixPath(normpath(pattern))
                fixed = list(whole.parts[:-1])
                while any(set(part) & set("*?[") for part in fixed):
                    fixed.pop()
                home = PurePosixPath(*fixed)
                if fixed and (home == path or home in path.parents or path in home.parents):
                    self._problem(
                        ("venue", "store"), "[venue]", shown(store),
                        f"it lies where logs do ({shown(pattern)}); give it a folder of its own")
                    return

    def _complete_lock(self, values: dict[str, Any], index: int) -> None:
        where, block = self._where("lock", index), self.document["lock"][index]
        mechanism = values.get("mechanism")
        if "released_by" not in block and mechanism:
            if mechanism in DEFAULT_RELEASED_BY:
                values["released_by"] = DEFAULT_RELEASED_BY[mechanism]
            else:
                self._problem(
                    ("lock", index, "released_by"), where, "nothing",
                    f'a {mechanism} may be either: use "power-on" (fail-secure) or "power-off" '
                    "(fail-safe)",
                )
        values.setdefault("released_by", "power-on")
        if mechanism == "magnet":
            values.setdefault("contact_senses", "armature")
        supply = next((s for s in self.document.get("supply", [])
                       if isinstance(s, Mapping) and s.get("id") == values.get("supply")), None)
        if supply and isinstance(supply.get("rated_volts"), int | float):
            values.setdefault("rated_volts", float(supply["rated_volts"]))
        self._contradictions(values, index, where)

    def _contradictions(self, values: dict[str, Any], index: int, where: str) -> None:
        def say(key: str, found: str, right: str) -> None:
            self._problem(("lock", index, key), where, found, right)

        if "contact" not in values and "contact" not in self.document["lock"][index]:
            for key in ("contact_closed_when", "contact_senses"):
                if key in self.document["lock"][index]:
                    say(key, shown(self.document["lock"][index][key]),
                        "name the contact's channel with contact, or take this key out")
        if values.get("contact") and values.get("contact") == values.get("command"):
            say("contact", shown(values["contact"]),
                "the feedback needs a channel of its own, this is the command's")
        if "coil_ohms" in values and "rated_amps" in values:
            amps = values["rated_volts"] / values["coil_ohms"] if "rated_volts" in values else None
            if amps and not 0.8 <= amps / values["rated_amps"] <= 1.25:
                say("rated_amps", shown(values["rated_amps"]),
                    f"coil_ohms and rated_volts give {amps:.2f} A; keep one of the two keys, "
                    "or put right which is wrong")
        if "cable_mm2" in values and "cable_awg" in values:
            say("cable_awg", shown(values["cable_awg"]), "give cable_mm2 or cable_awg, not both")
        if values.get("self_cut") and values.get("released_by") == "power-off":
            say("self_cut", "true", 'a lock that is released by "power-off" has no coil current '
                "to cut when it opens; use false")

    # What only the whole file can tell. The raw document is looked at, so that one
    # fault in a block does not raise a second one elsewhere.

    def _cross_check(self) -> None:
        for name in ("supply", "part", "lock", "sequence"):
            self._unique(name, "id", "give each its own id")
        for name in ("source", "tell"):
            self._unique_by_kind(name)
        self._unique("supply", "channel", "give each rail its own channel")
        self._unique("lock", "command", "give each lock its own channel", verb="drives")
        self._unique("lock", "contact", "give each contact its own channel", verb="reports")
        supplies, parts = ({block["id"] for block in self._raw(name)
                            if isinstance(block.get("id"), str)} for name in ("supply", "part"))
        fed = set()
        for index, lock in enumerate(self._raw("lock")):
            supply, part = lock.get("supply"), lock.get("part")
            fed.add(supply if isinstance(supply, str) else None)
            if isinstance(supply, str) and supply not in supplies:
                self._missing(("lock", index, "supply"), index, supply, supplies, "supply")
            if isinstance(part, str) and part not in parts:
                self._missing(("lock", index, "part"), index, part, parts, "part")
        for index, supply in enumerate(self._raw("supply")):
            if isinstance(supply.get("id"), str) and supply["id"] not in fed:
                self._problem(
                    ("supply", index, "id"), self._where("supply", index), shown(supply["id"]),
                    "no lock is fed from it; name it as a lock's supply or take the block out",
                )
        if not self._raw("lock") and "lock" not in self.document:
            self.problems.append(Problem(0, "", "[[lock]]", "nothing", "add a block per lock"))

    def _raw(self, name: str) -> list[Mapping[str, Any]]:
        return [self.document[name][index] for index in self._indices(name)]

    def _unique(self, name: str, key: str, right: str, verb: str = "is") -> None:
        first: dict[str, int] = {}
        for index, block in enumerate(self._raw(name)):
            value = block.get(key)
            if not isinstance(value, str):
                continue
            if value in first:
                other = first[value]
                owner = self._where(name, other).split(" ", 1)[1]
                self._problem(
                    (name, index, key), self._where(name, index),
                    f"{shown(value)}, which {verb} {owner} already "
                    f"(line {self._line(name, other, key)})"
                    if key != "id" else
                    f"{shown(value)} a second time (first on line {self._line(name, other, key)})",
                    right,
                )
            else:
                first[value] = index

    def _unique_by_kind(self, name: str) -> None:
        """Two sources of one name would write into one folder; the name may be the default."""
        first: dict[str, int] = {}
        for index, block in enumerate(self._raw(name)):
            own = block.get("id", block.get("kind"))
            if not isinstance(own, str):
                continue
            if own in first:
                line = self._line(name, first[own])
                self._problem((name, index, "id"), self._where(name, index),
                              f"{shown(own)} a second time (first on line {line})",
                              f"give each {name} an id of its own")
            first.setdefault(own, index)

    def _missing(
        self, path: tuple[str | int, ...], index: int, value: str, known: set[Any], name: str
    ) -> None:
        names = sorted(item for item in known if isinstance(item, str))
        advice = nearest(value, names) if names else f"there is no [[{name}]] block"
        advice = advice.replace("known keys", f"known {name} ids")
        self._problem(path, self._where("lock", index), f"{shown(value)}, which no [[{name}]] "
                      "block has as its id", advice)
