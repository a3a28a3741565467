"""The one family of errors that a user can meet; anything else is a bug and keeps its traceback."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class RemanenceError(Exception):
    """The data or a file is at fault: printed as plain text, exit status 1."""


@dataclass(frozen=True, order=True)
class Problem:
    """One thing to put right in a file.

    ``line`` counts from 1 (0: the file as a whole), ``where`` is the block it is
    in (``lock "chart-drawer"``), ``key`` the key, ``found`` what stands there and
    ``right`` what would be right.
    """

    line: int
    where: str
    key: str
    found: str
    right: str

    def __str__(self) -> str:
        place = ", ".join(part for part in (f"line {self.line}", self.where, self.key) if part)
        return f"{place}: found {self.found}; {self.right}"


class VenueFileError(RemanenceError):
    """Everything wrong in a venue file, in one message."""

    def __init__(self, path: str, problems: Iterable[Problem]) -> None:
        self.path = path
        self.problems = sorted(problems)
        count = len(self.problems)
        lines = "".join(f"  {problem}\n" for problem in self.problems)
        super().__init__(
            f"{path}: {count} thing{'s' if count != 1 else ''} to put right\n{lines}"
            "Nothing was read or written."
        )


class TableError(RemanenceError):
    """A table lacks columns, or has them in another type; all of them are listed."""


class StoreError(RemanenceError):
    """The store cannot be read or written as it stands."""


class UnwritableStoreError(StoreError):
    """The store can be read; the disk is full, or one may not write there."""
