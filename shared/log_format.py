"""One ``[[log]]`` block: how a kind of log file is laid out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from shared.errors import Problem
from shared.keys import Key, read_block

FORMATS = ("csv", "jsonl", "text", "parquet")

LOG_KEYS = (
    Key("files", "texts", "file names or patterns, relative to the venue file", required=True),
    Key("format", "choice", "how a line is laid out", choices=FORMATS),
)


@dataclass(frozen=True)
class LogFormat:
    """How the files that ``files`` matches are read; the default is one record a line."""

    files: tuple[str, ...]
    format: str = "csv"
    line: int = 0


def read_log_format(
    block: Mapping[str, Any], where: str, line_of: Callable[..., int]
) -> tuple[LogFormat | None, list[Problem]]:
    """Read one ``[[log]]`` block; ``line_of`` takes the path of keys below it."""
    values, problems = read_block(block, LOG_KEYS, where, line_of)
    if problems:
        return None, problems
    values["files"] = tuple(values["files"])
    return LogFormat(**values, line=line_of()), []
