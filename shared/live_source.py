"""One ``[[source]]`` block: where records arrive while the venue runs, for ``remanence record``."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from remanence.shared.errors import Problem
from remanence.shared.keys import Key, Say, check_kind, read_block
from remanence.shared.log_format import LOG_KEYS, Formats, LogFormat, read_log_format

RECORDED = "recorded"
"""The folder beside the venue file that holds what was recorded, and the format of its files."""

SOURCE_KINDS = ("mqtt", "serial", "file", "syslog")

LAYOUT_KEYS = ("layout", "decimal", "pattern", "columns", "constants", "controller",
               "channel_pattern", "channels", "quantities", "on", "off", "time_format",
               "time_zone", "wraps_at", "wall_format")
"""Keys of ``[[log]]`` that say what a payload or a line holds."""

SOURCE_KEYS: tuple[Key, ...] = (
    Key("kind", "choice", "where records arrive", required=True, choices=SOURCE_KINDS),
    Key("address", "text", "mqtt: HOST:PORT of the broker; serial: the port's path (a stable one, "
        "below /dev/serial/by-id); file: file name or pattern, relative to the venue file; syslog: "
        "HOST:PORT to listen on, default 127.0.0.1:5514"),
    Key("id", "text", "short name of the source: its folder below recorded/ and its client id at "
        "the broker; default: its kind"),
    Key("topics", "texts", "mqtt: topics to subscribe to, like north/#"),
    Key("protocol", "choice", "mqtt: version of the protocol; default 5", choices=("5", "3.1.1")),
    Key("username", "text", "mqtt: user name at the broker"),
    Key("password_file", "text", "mqtt: file that holds the password and nothing else, relative "
        "to the venue file"),
    Key("password_variable", "text", "mqtt: environment variable that holds the password"),
    Key("tls", "flag", "mqtt: whether the connection is encrypted (TLS); default false"),
    Key("ca_file", "text", "mqtt with tls: certificate of the authority that signed the broker's; "
        "default: those of the system"),
    Key("certificate_file", "text", "mqtt with tls: certificate of this client"),
    Key("key_file", "text", "mqtt with tls: key of this client's certificate"),
    Key("baud", "integer", "serial: bits a second; default 115200", low=50, high=4_000_000),
    Key("polling", "flag", "file: look at the files once a second instead of waiting for the "
        "system to tell; default: only on a network share"),
    *(key for key in LOG_KEYS if key.name in LAYOUT_KEYS),
)

_ONLY = {
    "mqtt": {"topics", "protocol", "username", "password_file", "password_variable", "tls",
             "ca_file", "certificate_file", "key_file"},
    "serial": {"baud"}, "file": {"polling"}, "syslog": set[str](),
}
_PORTS = {"mqtt": 1883, "syslog": 5514}
_TLS_PORT = 8883


@dataclass(frozen=True)
class LiveSource:
    """One place where records arrive, as its ``[[source]]`` block describes it.

    The fields are the keys of the block; ``log`` is how the recorded files are read by ``ingest``,
    ``line`` the block's line in the venue file. None: not stated.
    """

    kind: str
    id: str
    address: str
    log: LogFormat
    topics: tuple[str, ...] = ()
    protocol: str = "5"
    username: str | None = None
    password_file: str | None = None
    password_variable: str | None = None
    tls: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    baud: int = 115_200
    polling: bool | None = None
    line: int = 0

    @property
    def host_port(self) -> tuple[str, int]:
        """Host and port of ``address``; the kind's usual port where none stands there."""
        host, port = split_address(self.address)
        usual = _TLS_PORT if self.tls else _PORTS.get(self.kind, 0)
        return host, usual if port is None else port

    def folder(self, venue_folder: Path) -> Path:
        """Where it is recorded.

        Parameters
        ----------
        venue_folder : Path
            The venue file's folder.

        Returns
        -------
        Path
        """
        return venue_folder / RECORDED / self.id


def split_address(address: str) -> tuple[str, int | None]:
    """Host and port of ``HOST``, ``HOST:PORT`` or ``[IPv6]:PORT``.

    Raises
    ------
    ValueError
        It is none of these.
    """
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.%]+)\]|([^\s:/\[\]]+))(?::(\d{1,5}))?", address)
    if not found or not 0 < int(found[3] or 1) < 65536:
        raise ValueError(address)
    return found[1] or found[2], int(found[3]) if found[3] else None


def read_live_source(
    block: Mapping[str, Any], where: str, line_of: Callable[..., int],
    formats: Formats | None = None,
) -> tuple[LiveSource | None, list[Problem]]:
    """Read one ``[[source]]`` block.

    Parameters
    ----------
    block : mapping
        As the TOML parser gave it.
    where : str
        How messages call it.
    line_of : callable
        From the path of keys below the block to a line.
    formats : mapping or None, default None
        As for :func:`remanence.shared.log_format.read_log_format`.

    Returns
    -------
    source : LiveSource or None
        None where anything is wrong with it.
    problems : list of Problem
    """
    values, problems = read_block(block, SOURCE_KEYS, where, line_of)
    layout = {name: block[name] for name in LAYOUT_KEYS if name in values}
    for name in layout:
        del values[name]
    kind = values.get("kind")
    if kind is None:
        return None, problems

    say = check_kind(values, _ONLY, problems, where, line_of)
    if kind == "syslog":
        values.setdefault("address", "127.0.0.1:5514")
    _check_address(kind, values, block, say)
    for topic in values.get("topics", ()):
        if not _topic_is_right(topic):
            say("topics", topic, "+ stands for one whole level, # for all that follow and comes "
                "last, like north/+ or north/#")
    if kind == "mqtt" and "topics" not in block:
        say("topics", None, 'add it: the topics to subscribe to, like ["north/#"]')
    for one, other in (("password_file", "password_variable"),):
        if one in values and other in values:
            say(other, values[other], f"give {one} or {other}, not both")
    for name in ("ca_file", "certificate_file", "key_file"):
        if name in values and not values.get("tls"):
            say(name, values[name], "it goes with tls = true")
    for one, other in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
        if one in values and other not in values:
            say(one, values[one], f"add {other}: the two go together")
    log, wrong = _layout(kind, str(values["id"]), layout, where, line_of, formats)
    problems += wrong
    if problems or log is None:
        return None, problems
    values["topics"] = tuple(values.get("topics", ()))
    return LiveSource(**values, log=log, line=line_of()), []


def _check_address(
    kind: str, values: Mapping[str, Any], block: Mapping[str, Any], say: Say
) -> None:
    address = values.get("address")
    if address is None:
        if "address" not in block:
            example = {"mqtt": "127.0.0.1:1883", "serial": "/dev/serial/by-id/NAME",
                       "file": "logs/show.txt"}[kind]
            say("address", None, f'add it, like "{example}"')
    elif kind in _PORTS:
        try:
            split_address(address)
        except ValueError:
            say("address", address, f'write HOST:PORT, like "127.0.0.1:{_PORTS[kind]}"')


def _topic_is_right(topic: str) -> bool:
    """Whether a topic filter has its wildcards where MQTT allows them (MQTT 5, 4.7.1)."""
    levels = topic.split("/")
    return all(
        (level == "#" and number == len(levels) - 1) or level == "+"
        or not {"#", "+"} & set(level)
        for number, level in enumerate(levels)
    ) and "\0" not in topic


def _layout(
    kind: str, identity: str, layout: dict[str, Any], where: str, line_of: Callable[..., int],
    formats: Formats | None,
) -> tuple[LogFormat | None, list[Problem]]:
    """How ``ingest`` reads what was recorded: the block's own layout, in the recorded files."""
    block = {**layout, "files": [f"{RECORDED}/{identity}/*.jsonl"], "format": RECORDED}
    counted = str(layout.get("time_format", "iso")).startswith("boot-")
    columns = layout.get("columns", {})
    if counted and kind in ("serial", "syslog") and isinstance(columns, Mapping):
        # Nothing holds such a line back on its way, so its arrival anchors the counter.
        block["columns"] = {"wall": "received", **columns}
    return read_log_format(block, where, line_of, formats)
