"""Where each key of a TOML file stands: the standard parser gives values without lines."""

from __future__ import annotations

import re

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
