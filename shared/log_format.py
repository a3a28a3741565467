"""One ``[[log]]`` block: how a kind of log file is laid out, told without programming."""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from remanence.shared.errors import Problem
from remanence.shared.keys import Key, nearest, read_block, shown
from remanence.shared.line_form import line_pattern
from remanence.shared.time_forms import lacks

QUANTITIES = ("command", "contact", "volts", "amps")
"""What a record can be of: 0/1, 1 closed / 0 open, V, A."""

Formats = Mapping[str, Sequence[Key]]
"""From the name of each format that can be read to the keys that only its reader knows."""

YEAR = "%Y "
"""Put before a form of time that lacks the year, and before the times themselves."""

LAYOUTS = ("long", "wide")
NAMED_TIMES = ("iso", "epoch-s", "epoch-ms", "epoch-us", "epoch-ns",
               "boot-s", "boot-ms", "boot-us")
ROLES = ("time", "date", "channel", "quantity", "value", "boot", "wall")
DELIMITERS = {"tab": "\t", "space": " ", "comma": ",", "semicolon": ";", "pipe": "|"}

LOG_KEYS: tuple[Key, ...] = (
    Key("files", "texts", "file names or patterns, relative to the venue file", required=True),
    Key("format", "text", "how a line is laid out; default csv"),
    Key("layout", "choice", "long: a record a line; wide: a column or key for each channel",
        choices=LAYOUTS),
    # How the bytes are cut up.
    Key("encoding", "text", "the file's character encoding, like utf-8, utf-16 or cp1252"),
    Key("skip_lines", "integer", "lines to pass over before the header or the first record",
        low=0, high=100_000),
    Key("comment", "text", "lines that begin with this are passed over"),
    Key("ignore", "text", "lines that this regular expression finds something in are passed over"),
    Key("delimiter", "text", "what stands between fields: one character, or tab, space, comma, "
        "semicolon, pipe"),
    Key("quote", "text", "the character that fields may be wrapped in, or none"),
    Key("decimal", "choice", "the decimal mark", choices=(".", ",")),
    Key("header", "flag", "whether the first line names the columns"),
    Key("names", "texts", "the columns' names, where no line names them"),
    Key("line_form", "texts", "format text: a line as it stands, with {time}, {channel}, {value} "
        "or any other name in place of what changes, {} for a word and {...} for anything to pass "
        "over, {pairs} for words like name=value; several are tried in turn"),
    Key("pattern", "text", "format text: a regular expression with groups named time, channel, "
        "quantity, value (or date, boot, wall)"),
    # What stands where.
    Key("columns", "table", "which column, key or group is the time, date, channel, quantity, "
        "value, boot (number of the start) and wall (a true time now and then); channel may be "
        "a list (joined by /), value too (each is a channel of its own, CHANNEL/COLUMN)"),
    Key("ignore_where", "table", "from a column, key or group to the words with which a record is "
        "passed over, like { retain = \"1\" }"),
    Key("constants", "table", "channel or quantity of the whole file"),
    Key("file_pattern", "text", "a regular expression over the file's path with groups named "
        "channel, controller, quantity, date, start (true time at which the counter was 0) "
        "or first (true time of the first record)"),
    # What channels and values are called.
    Key("controller", "text", "put before every channel name that has no /"),
    Key("channel_pattern", "text", "a regular expression over the channel as it stands, with "
        "groups named channel, or controller and name, and maybe quantity"),
    Key("channels", "table", "from a channel as the log calls it to the venue's channel, or to "
        "{ channel, quantity, scale, offset, on, off, invert, ignore, bit }, or to a list of "
        "such where it carries several"),
    Key("quantities", "table", "from a quantity as the log calls it to command, contact, volts "
        "or amps"),
    Key("on", "texts", "words for 1"),
    Key("off", "texts", "words for 0"),
    Key("unknown", "texts", "words that say that the state is not known; such records are passed "
        "over"),
    # Clocks.
    Key("time_format", "text", "iso, epoch-s, epoch-ms, epoch-us, epoch-ns, boot-s, boot-ms, "
        "boot-us (counted since the controller started), or a form like %d.%m.%Y %H:%M:%S; "
        "where it lacks the year, the file's name or date tells it"),
    Key("time_zone", "text", "zone of times without an offset; default: the venue's"),
    Key("wraps_at", "integer", "where the counter starts again from 0; default 4294967296",
        low=2, high=2**63),
    Key("started", "text", "true time at which the counter was 0, like 2026-11-02T17:00:00Z"),
    Key("start_format", "text", "form of the group start in file_pattern, like %Y%m%d_%H%M%S"),
    Key("wall_format", "text", "form of the wall times; default iso"),
)

CHANNEL_KEYS = (
    Key("channel", "text", "the venue's channel"),
    Key("quantity", "choice", "what it carries", choices=QUANTITIES),
    Key("scale", "number", "the reading is multiplied by this", low=-1e9, high=1e9),
    Key("offset", "number", "and this is added", low=-1e9, high=1e9),
    Key("on", "texts", "words for 1"),
    Key("off", "texts", "words for 0"),
    Key("invert", "flag", "true: 0 means on"),
    Key("ignore", "flag", "true: its records are passed over"),
    Key("bit", "integer", "the bit of the reading that is meant; 0 is the lowest", low=0, high=62),
)


@dataclass(frozen=True)
class LogChannel:
    """What the log calls one channel, in the venue's words."""

    channel: str | None = None
    quantity: str | None = None
    scale: float | None = None
    offset: float | None = None
    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    invert: bool = False
    ignore: bool = False
    bit: int | None = None
    also: tuple[LogChannel, ...] = ()
    """Further channels out of the same reading."""


@dataclass(frozen=True)
class LogFormat:
    """How the files that ``files`` matches are read; the default is one record a line."""

    files: tuple[str, ...]
    format: str = "csv"
    layout: str = "long"
    encoding: str = "utf-8"
    skip_lines: int = 0
    comment: str | None = None
    ignore: str | None = None
    delimiter: str = ","
    quote: str = '"'
    decimal: str = "."
    header: bool = True
    names: tuple[str, ...] = ()
    line_form: tuple[str, ...] = ()
    pattern: str | None = None
    columns: Mapping[str, str | tuple[str, ...]] = field(default_factory=dict, hash=False)
    ignore_where: Mapping[str, tuple[str, ...]] = field(default_factory=dict, hash=False)
    constants: Mapping[str, str] = field(default_factory=dict, hash=False)
    file_pattern: str | None = None
    controller: str | None = None
    channel_pattern: str | None = None
    channels: Mapping[str, LogChannel] = field(default_factory=dict, hash=False)
    quantities: Mapping[str, str] = field(default_factory=dict, hash=False)
    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    time_format: str = "iso"
    time_zone: str | None = None
    wraps_at: int = 2**32
    started: str | None = None
    start_format: str | None = None
    wall_format: str = "iso"
    yearless: bool = False
    """Whether the log leaves out the year that stands first in ``time_format``."""
    line: int = 0
    options: Mapping[str, object] = field(default_factory=dict, hash=False, repr=False)
    """Values of the keys that only this format's reader knows."""

    @property
    def counts(self) -> bool:
        """Whether times count from the controller's start, and are no dates."""
        return self.time_format.startswith("boot-")

    def columns_of(self, role: str) -> tuple[str, ...]:
        """The columns, keys or groups that play a role; its own name unless told otherwise."""
        found = self.columns.get(role, role)
        return (found,) if isinstance(found, str) else found

    @property
    def patterns(self) -> tuple[str, ...]:
        """The regular expressions that take a line of text apart, to be tried in turn."""
        if self.pattern is not None:
            return (self.pattern,)
        roles = {name: role for role in self.columns for name in self.columns_of(role)}
        form = self.time_format.removeprefix(YEAR) if self.yearless else self.time_format
        dated = "date" in self.columns or "date" in self.constants
        return tuple(line_pattern(text, "" if dated and "%" in form else form, roles)
                     for text in self.line_form)


def group_names(pattern: str) -> list[str]:
    """Names of a regular expression's groups."""
    return re.findall(r"\(\?P?<([A-Za-z_]\w*)>", pattern)


def log_keys(formats: Formats | None, name: str | None = None) -> tuple[Key, ...]:
    """The keys that a ``[[log]]`` block may have.

    Parameters
    ----------
    formats : mapping or None
        The formats that can be read; None: any name will do.
    name : str or None, default None
        The format whose reader's own keys are to be among them.
    """
    keys = LOG_KEYS
    if formats is not None:
        keys = tuple(replace(key, kind="choice", choices=tuple(formats))
                     if key.name == "format" else key for key in keys)
    if formats is not None and name is not None and name in formats:
        keys += tuple(formats[name])
    return keys


def read_log_format(
    block: Mapping[str, Any], where: str, line_of: Callable[..., int],
    formats: Formats | None = None,
) -> tuple[LogFormat | None, list[Problem]]:
    """Read one ``[[log]]`` block.

    Parameters
    ----------
    block : mapping
        As the TOML parser gave it.
    where : str
        How messages call it.
    line_of : callable
        From the path of keys below the block to a line.
    formats : mapping or None, default None
        The formats that can be read (``remanence.pipelines.readers.FORMATS``); None: any name
        will do, as long as nobody reads the log.

    Returns
    -------
    log : LogFormat or None
        None where anything is wrong with it.
    problems : list of Problem
    """
    block = dict(block)
    for name, character in DELIMITERS.items():
        if block.get("delimiter") == character:
            block["delimiter"] = name
    # The keys of a reader are asked for only where they are needed: that imports the reader.
    strange = set(block) - {key.name for key in LOG_KEYS}
    keys = log_keys(formats, str(block.get("format", "csv")) if strange else None)
    values, problems = read_block(block, keys, where, line_of)
    check = _Check(values, problems, where, line_of)
    check.run()
    if problems:
        return None, problems
    known = {item.name for item in fields(LogFormat)}
    options = {name: values.pop(name) for name in list(values) if name not in known}
    return LogFormat(**values, line=line_of(), options=options), []


class _Check:
    """What a key's kind alone cannot tell; puts values into their final form."""

    def __init__(
        self, values: dict[str, Any], problems: list[Problem], where: str,
        line_of: Callable[..., int],
    ) -> None:
        self.values, self.problems, self.where, self.line_of = values, problems, where, line_of

    def say(self, path: tuple[str, ...], found: object, right: str) -> None:
        self.problems.append(
            Problem(self.line_of(*path), self.where, ".".join(path), shown(found), right))

    def run(self) -> None:
        values = self.values
        for name in ("files", "names", "on", "off", "unknown", "line_form"):
            if name in values:
                values[name] = tuple(values[name])
        self._cutting()
        self._patterns()
        self._lists("columns", ("channel", "value"))
        self._texts("columns", ROLES)
        self._texts("constants", ("channel", "quantity", "date"))
        self._lists("ignore_where", None)
        if "ignore_where" in values:
            values["ignore_where"] = {name: (words,) if isinstance(words, str) else words
                                      for name, words in values["ignore_where"].items()}
        quantities = self._texts("quantities", None)
        for word, meant in quantities.items():
            if meant not in QUANTITIES:
                self.say(("quantities", word), meant, f"use {', '.join(QUANTITIES)}")
        if values.get("constants", {}).get("quantity", "volts") not in QUANTITIES:
            self.say(("constants", "quantity"), values["constants"]["quantity"],
                     f"use {', '.join(QUANTITIES)}")
        self._channels()
        self._clock()
        self._shape()

    def _texts(self, name: str, known: tuple[str, ...] | None) -> dict[str, str]:
        table = self.values.get(name, {})
        for key, value in table.items():
            if known is not None and key not in known:
                self.say((name, key), "an unknown key", nearest(key, known))
            elif not isinstance(value, tuple) and (not isinstance(value, str) or not value):
                self.say((name, key), value, "write text in quotes")
        return {k: v for k, v in table.items() if isinstance(v, str)}

    def _lists(self, name: str, keys: tuple[str, ...] | None) -> None:
        """Lists of text among a table's values, where they are allowed."""
        table = self.values.get(name)
        for key, value in (table or {}).items():
            listed = isinstance(value, list) and value and (keys is None or key in keys)
            if listed and all(isinstance(item, str) and item for item in value):
                self.values[name] = {**self.values[name], key: tuple(value)}
            elif keys is None and not (isinstance(value, str) and value):
                self.say((name, key), value, "write text in quotes, or a list of such")

    def _cutting(self) -> None:
        values = self.values
        delimiter = values.get("delimiter", ",")
        delimiter = values["delimiter"] = DELIMITERS.get(delimiter, delimiter)
        if len(delimiter) != 1 or not delimiter.isascii():
            self.say(("delimiter",), delimiter, "use one character, or tab, space, comma, "
                     "semicolon or pipe; for anything else use format = \"text\"")
        if values.get("quote") == "none":
            values["quote"] = ""
        elif len(values.get("quote", '"')) != 1 or not values.get("quote", '"').isascii():
            self.say(("quote",), values["quote"], 'use one character, or "none"')
        if "encoding" in values:
            try:
                codecs.lookup(values["encoding"])
                "".encode(values["encoding"])
            except (LookupError, ValueError, TypeError):
                self.say(("encoding",), values["encoding"],
                         "use a name like utf-8, utf-16, cp1252 or latin-1")

    def _patterns(self) -> None:
        for name in ("pattern", "ignore", "file_pattern", "channel_pattern"):
            pattern = self.values.get(name)
            if pattern is None:
                continue
            # The engine that will run the expression says whether it can; it loads slowly.
            import polars as pl

            try:
                pl.Series(["a"]).str.contains(pattern)
            except pl.exceptions.PolarsError as error:
                text = " ".join(str(error).split())
                self.say((name,), pattern, f"this is no regular expression: {text[-120:]}")
                continue
            if name != "ignore" and not group_names(pattern):
                self.say((name,), pattern, "name its groups, like (?P<time>...)")
        groups = set(group_names(self.values.get("channel_pattern") or ""))
        if groups and not ({"channel", "name"} & groups):
            self.say(("channel_pattern",), self.values["channel_pattern"],
                     "name a group channel, or groups controller and name")

    def _channels(self) -> None:
        read: dict[str, LogChannel] = {}
        for name, spec in self.values.get("channels", {}).items():
            several = spec if isinstance(spec, list) and spec else [spec]
            channels = [found for one in several if (found := self._channel(name, one))]
            if channels:
                read[name] = replace(channels[0], also=tuple(channels[1:]))
        if "channels" in self.values:
            self.values["channels"] = read

    def _channel(self, name: str, spec: object) -> LogChannel | None:
        if isinstance(spec, str) and spec:
            return LogChannel(channel=spec)
        if not isinstance(spec, Mapping):
            self.say(("channels", name), spec,
                     'write "CONTROLLER/NAME", or { channel = "...", scale = 0.01 }')
            return None
        values, problems = read_block(
            spec, CHANNEL_KEYS, f"{self.where}, channels, {shown(name)}",
            lambda key: self.line_of("channels", name, key))
        self.problems += problems
        for words in ("on", "off"):
            if words in values:
                values[words] = tuple(values[words])
        return LogChannel(**values)

    def _clock(self) -> None:
        values = self.values
        form = values.get("time_format", "iso")
        if form not in NAMED_TIMES:
            self._form("time_format", "use " + ", ".join(NAMED_TIMES) + ", or a form like "
                       "%d.%m.%Y %H:%M:%S")
        for name in ("wall_format", "start_format"):
            if values.get(name, "iso") != "iso":
                self._form(name, "use iso, or a form like %d.%m.%Y %H:%M:%S")
        if "time_zone" in values:
            try:
                ZoneInfo(values["time_zone"])
            except (ValueError, OSError, KeyError):
                self.say(("time_zone",), values["time_zone"],
                         'use an IANA name, like "Europe/Lisbon", or "UTC"')
        if "started" in values:
            try:
                datetime.fromisoformat(values["started"])
            except ValueError:
                self.say(("started",), values["started"], "write a time like 2026-11-02T17:00:00Z")
        groups = group_names(values.get("file_pattern") or "")
        if {"start", "first"} & set(groups) and "start_format" not in values:
            self.say(("start_format",), "nothing",
                     "add it: the form of the time in the file's name, like %Y%m%d_%H%M%S")

    def _form(self, name: str, right: str) -> None:
        form = self.values[name]
        if "%" not in form:
            self.say((name,), form, right)
            return
        try:
            missing = lacks(form)
        except ValueError as error:
            self.say((name,), form, str(error))
            return
        dated = "date" in {**self.values.get("columns", {}), **self.values.get("constants", {})}
        dated = dated or "date" in group_names(
            (self.values.get("pattern") or "") + (self.values.get("file_pattern") or ""))
        if name == "time_format" and missing == lacks("%d %m %H:%M") and not dated:
            self.values["yearless"] = True
            self.values[name] = YEAR + form
            return
        if missing:
            also = " (the date's part too, it is put before the time)" if dated else ""
            self.say((name,), form, f"the form lacks {missing}{also}")

    def _shape(self) -> None:
        values = self.values
        form = values.get("format", "csv")
        if form == "text" and "pattern" not in values and "line_form" not in values:
            self.say(("line_form",), "nothing", "add it: format text needs the form of a line, "
                     'like line_form = ["{time} {channel} {value}"]')
        for name in ("pattern", "line_form"):
            if name in values and form != "text" and (name, form) != ("pattern", "recorded"):
                self.say((name,), values[name], 'it goes with format = "text"')
        if "pattern" in values and "line_form" in values:
            self.say(("pattern",), values["pattern"], "it says what line_form says; take one out")
        for text in values.get("line_form", ()):
            try:
                line_pattern(text, "iso", {})
            except ValueError as error:
                self.say(("line_form",), text, str(error))
        if values.get("layout") == "wide" and not values.get("channels"):
            self.say(("channels",), "nothing", "add it: layout wide needs the channel of each "
                     'column, like channels = { "Q1" = "north/q1" }')
        if values.get("header") is False and "names" not in values:
            self.say(("names",), "nothing", "add it: the columns' names, as no line names them")
