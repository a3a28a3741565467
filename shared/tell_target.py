"""One ``[[tell]]`` block: who is told of a week's report, and by which way."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from remanence.shared.errors import Problem
from remanence.shared.keys import Key, Say, check_kind, read_block, shown
from remanence.shared.live_source import split_address

TELL_KINDS = ("mail", "webhook", "mqtt")
TELL_WHAT = ("summary", "do-not-use")
MAIL_SECURITY = ("none", "starttls", "tls")

TELL_KEYS: tuple[Key, ...] = (
    Key("kind", "choice", "which way", required=True, choices=TELL_KINDS),
    Key("id", "text", "short name of the way; default: its kind. What was sent is kept under it"),
    Key("what", "texts", 'what is told: "summary" (five lines, once a week) and "do-not-use" (each '
        "finding of that urgency, once); default both"),
    Key("language", "text", "language of the message; default en"),
    Key("address", "text", "mail and mqtt: HOST:PORT of the mail server or broker; webhook: the "
        "URL, unless it is a secret"),
    Key("address_file", "text", "webhook: file that holds the URL and nothing else, relative to "
        "the venue file"),
    Key("token_file", "text", "webhook: file that holds a token, sent as Authorization: Bearer"),
    Key("security", "choice", "mail: how the connection is encrypted; default starttls",
        choices=MAIL_SECURITY),
    Key("sender", "text", "mail: address it comes from"),
    Key("to", "texts", "mail: addresses it goes to"),
    Key("topic", "text", "mqtt: topic it is published to"),
    Key("tls", "flag", "mqtt: whether the connection is encrypted (TLS); default false"),
    Key("username", "text", "mail and mqtt: user name"),
    Key("password_file", "text", "mail and mqtt: file that holds the password and nothing else, "
        "relative to the venue file"),
)

_ONLY = {
    "mail": {"security", "sender", "to", "username", "password_file"},
    "webhook": {"address_file", "token_file"},
    "mqtt": {"topic", "tls", "username", "password_file"},
}
_NEEDED = {"mail": ("address", "sender", "to"), "webhook": (), "mqtt": ("address", "topic")}
_MAILBOX = re.compile(r"[^@\s<>,;\"]+@[^@\s<>,;\"]+")
_PORTS = {"none": 25, "starttls": 587, "tls": 465}


@dataclass(frozen=True)
class TellTarget:
    """One way of telling, as its ``[[tell]]`` block describes it.

    The fields are the keys of the block; ``line`` is its line in the venue file. None: not stated.
    """

    kind: str
    id: str
    what: tuple[str, ...] = TELL_WHAT
    language: str = "en"
    address: str | None = None
    address_file: str | None = None
    token_file: str | None = None
    security: str = "starttls"
    sender: str | None = None
    to: tuple[str, ...] = ()
    topic: str | None = None
    tls: bool = False
    username: str | None = None
    password_file: str | None = None
    line: int = 0

    @property
    def host_port(self) -> tuple[str, int]:
        """Host and port of a mail server or broker; the usual port where none stands there."""
        host, port = split_address(self.address or "")
        usual = _PORTS[self.security] if self.kind == "mail" else 8883 if self.tls else 1883
        return host, usual if port is None else port


def read_tell_target(
    block: Mapping[str, Any], where: str, line_of: Callable[..., int]
) -> tuple[TellTarget | None, list[Problem]]:
    """Read one ``[[tell]]`` block.

    Parameters
    ----------
    block : mapping
        As the TOML parser gave it.
    where : str
        How messages call it.
    line_of : callable
        From the path of keys below the block to a line.

    Returns
    -------
    target : TellTarget or None
        None where anything is wrong with it.
    problems : list of Problem
    """
    values, problems = read_block(block, TELL_KEYS, where, line_of)
    kind = values.get("kind")
    if kind is None:
        return None, problems

    say = check_kind(values, _ONLY, problems, where, line_of)
    for name in _NEEDED[kind]:
        if name not in block:
            say(name, None, "add it: " + next(key.meaning for key in TELL_KEYS if key.name == name))
    for word in values.get("what", ()):
        if word not in TELL_WHAT:
            say("what", word, f"use {' or '.join(map(shown, TELL_WHAT))}")
    _check_address(kind, values, say)
    for box in (*values.get("to", ()), *filter(None, (values.get("sender"),))):
        if kind == "mail" and not _MAILBOX.fullmatch(box):
            say("to" if box in values.get("to", ()) else "sender", box,
                'write one address, like "desk@example.org"')
    if kind == "mqtt" and set(values.get("topic", "")) & set("#+\0"):
        say("topic", values["topic"], "it is published to, so it has no + and no #")
    if "password_file" in values and "username" not in values:
        say("username", None, "add it: the password is this user's")
    if problems:
        return None, problems
    for name in ("what", "to"):
        if name in values:
            values[name] = tuple(values[name])
    return TellTarget(**values, line=line_of()), []


def _check_address(kind: str, values: Mapping[str, Any], say: Say) -> None:
    address = values.get("address")
    if kind == "webhook":
        if ("address" in values) is ("address_file" in values):
            say("address", address, "give address or address_file, one of the two")
        if address is not None and not re.fullmatch(r"https?://[^\s/]+(/\S*)?", address):
            say("address", address, "write a URL, like https://example.org/hook")
    elif address is not None:
        try:
            split_address(address)
        except ValueError:
            say("address", address, 'write HOST:PORT, like "mail.example.org:587"')
