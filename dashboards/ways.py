"""The way from any page of a venue to its other sheets, and to one lock on each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from remanence.dashboards.page import Language, Link, file_names

REPORT, TIMING, PARTS = "report", "timing", "parts"


@dataclass(frozen=True)
class Ways:
    """Where the sheets lie, seen from the folder of one of them.

    Attributes
    ----------
    own : str
        The sheet that the pages belong to.
    folders : mapping of str to str
        Way to the folder of each sheet, by the sheet's name; what is not there has no link.
    locks : sequence of str
        All locks of the venue file, in its order: their pages are named after them.
    """

    own: str
    folders: Mapping[str, str] = field(default_factory=dict)
    locks: Sequence[str] = ()

    def nav(self, lang: Language, file: str = "index.html", root: str = "") -> tuple[Link, ...]:
        """The same links on every page: the report, its work sheet, and the other sheets."""
        links = []
        for sheet, folder in (self.folders or {self.own: ""}).items():
            pages = [("index.html", lang.phrase(f"nav.{sheet}", sheet))]
            if sheet == REPORT:
                pages.append(("work-sheet.html", lang("sheet.title")))
            for page, title in pages:
                here = sheet == self.own and page == file
                links.append(Link(title, None if here else f"{root}{folder}{page}"))
        return tuple(links)

    def of_lock(self, lang: Language, lock: str, root: str = "") -> tuple[Link, ...]:
        """Links to what the other sheets say of one lock."""
        links = []
        for sheet in (REPORT, TIMING, PARTS):
            href = self.lock(sheet, lock, root)
            if sheet != self.own and href is not None:
                links.append(Link(lang(f"nav.{sheet}"), href))
        return tuple(links)

    def name(self, lock: str) -> str:
        """The lock as a part of file names and anchors."""
        return self._names.get(lock) or file_names([lock])[lock]

    def lock(self, sheet: str, lock: str, root: str = "") -> str | None:
        """Where a sheet tells of one lock; None where that sheet is not there."""
        if sheet not in self.folders or lock not in self.locks:
            return None
        name = self._names[lock]
        page = f"locks/{name}.html" if sheet == REPORT else f"index.html#lock-{name}"
        return f"{root}{self.folders[sheet]}{page}"

    @cached_property
    def _names(self) -> dict[str, str]:
        return file_names(list(self.locks))
