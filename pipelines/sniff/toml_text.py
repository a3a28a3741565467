"""A ``[[log]]`` block as TOML text."""

from __future__ import annotations

import re
from collections.abc import Mapping


def quoted(text: str) -> str:
    """A TOML string; between single quotes where backslashes would have to be doubled."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    escaped = "".join(
        {"\\": "\\\\", '"': '\\"'}.get(c, c) if c.isprintable() else f"\\u{ord(c):04x}"
        if ord(c) < 0x10000 else f"\\U{ord(c):08x}" for c in text)
    return f'"{escaped}"'


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else quoted(name)


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float():
            return str(value)
        case str():
            return quoted(value)
        case Mapping():
            inner = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
            return f"{{ {inner} }}"
        case list() | tuple():
            return "[" + ", ".join(_value(item) for item in value) + "]"
    raise TypeError(type(value))


def block_text(keys: Mapping[str, object]) -> str:
    """The text of a ``[[log]]`` block; the channels come last, one a line."""
    lines = ["[[log]]"]
    lines += [f"{name} = {_value(value)}" for name, value in keys.items() if name != "channels"]
    channels = keys.get("channels")
    if isinstance(channels, Mapping):
        lines += ["", "[log.channels]"]
        lines += [f"{_key(name)} = {_value(value)}" for name, value in channels.items()]
    return "\n".join(lines)
