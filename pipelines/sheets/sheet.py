"""What a sheet is to the commands: a name, options, and a function that writes it."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from remanence.shared.errors import RemanenceError

if TYPE_CHECKING:
    from remanence.analytics.conditions.life import Lives
    from remanence.analytics.health.lock_state import LockState
    from remanence.analytics.history import History
    from remanence.pipelines.sheets.refresh import Ready
    from remanence.shared.findings import Finding
    from remanence.shared.weeks import AskedWeek, Week


class SheetOutcome:
    """A sheet as written into a folder; its front page is ``index.html``."""

    folder: Path
    faults: tuple[str, ...] = ()
    """What could not be written or kept, a sentence each; what is told stands all the same."""

    @property
    def front_page(self) -> Path:
        """The page to open first."""
        return self.folder / "index.html"

    def has(self, urgency: str | None) -> bool:
        """Whether the sheet tells a finding that urgent, or more; False without an urgency."""
        return False

    def text(self) -> str:
        """What to print."""
        raise NotImplementedError

    def brief(self) -> str:
        """What a weekly run prints: what the sheet says first, and where it lies."""
        lines = self.text().splitlines()
        return "\n".join(dict.fromkeys((lines[0], lines[-1])))


@dataclass
class SheetRun:
    """One run of a sheet, or of all of them, on a venue that is up to date.

    Attributes
    ----------
    ready : Ready
        The venue, its file and its store.
    language : str
        Language of the pages.
    out : Path or None
        Folder to write; None: the sheet's own, beside the venue file.
    options : mapping
        Values of the sheet's own options by name; one that was not given may be missing.
    found : dict
        What was said of each week that a sheet of the run has asked about, with its lives.
    states_found : dict
        The state of every lock in each such week.
    loaded : dict
        The history of each such week, for all sheets of the run.
    together : bool
        Whether all sheets are written in this run: then each links to all others.
    """

    ready: Ready
    language: str = "en"
    out: Path | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    found: dict[Week, Lives] = field(default_factory=dict)
    states_found: dict[Week, dict[str, LockState]] = field(default_factory=dict)
    loaded: dict[Week, History] = field(default_factory=dict)
    together: bool = False

    @property
    def week(self) -> Week:
        """The week that every sheet of the run tells of: the one asked for, or the newest."""
        from remanence.pipelines.sheets.refresh import asked_week

        return asked_week(self.ready.venue, self.ready.store, self.options.get("week"))

    def folder(self, *names: str) -> Path:
        """Where to write: ``out``, or the folder of these names beside the venue file."""
        return self.out or self.ready.path.parent.joinpath(*names)

    def ways(self, own: str) -> dict[str, str]:
        """The way from the folder of the sheet ``own`` to that of every sheet there is.

        Returns
        -------
        dict of str to str
            By sheet name, in the sheets' order, each ending with a slash (empty: the same folder).
            A sheet is in it if this run writes it, or it lies beside the venue file.
        """
        from remanence.pipelines.sheets import all_sheets

        beside = self.ready.path.parent
        folders = {sheet.name: beside / sheet.folder.replace("WEEK", str(self.week))
                   for sheet in all_sheets()}
        here = self.out or folders[own]
        found = {}
        for name, folder in folders.items():
            if name == own:
                found[name] = ""
            elif self.together or (folder / "index.html").is_file():
                found[name] = Path(os.path.relpath(folder, here)).as_posix() + "/"
        return found

    def history(
        self, week: Week, weeks: int | None = None, *, tables: Collection[str] = (),
        columns: Mapping[str, Collection[str]] | None = None,
    ) -> History:
        """The venue's tables up to a week, loaded once for all sheets of the run.

        Parameters
        ----------
        week : Week
            The week; nothing later is in it.
        weeks : int, optional
            How far to reach back; default: as far as the analyses of a week look.
        tables, columns : optional
            For a sheet that needs few of them: what to load where nothing is loaded yet that
            reaches back so far. See :func:`~remanence.pipelines.sheets.load.load_history`.

        Returns
        -------
        History
        """
        from remanence.pipelines.sheets.load import WEEKS, load_history

        ready = self.ready

        def start(back: int) -> datetime:
            return week.plus(1 - back).bounds(ready.venue.zone)[0]

        if not tables and week not in self.loaded:
            self.loaded[week] = load_history(ready.venue, ready.path, week)
        if week in self.loaded and ((weeks or WEEKS) <= WEEKS
                                    or min(ready.store.days()) > start(WEEKS).date()):
            return self.loaded[week].since(start(weeks or WEEKS))
        return load_history(ready.venue, ready.path, week, weeks=weeks or WEEKS, columns=columns,
                            **({"tables": tables} if tables else {}))

    def findings(self, week: Week) -> list[Finding]:
        """What stands in a week, most urgent first; see :meth:`lives`."""
        from remanence.shared.findings import rank

        return sorted((item for item in self.lives(week).told if item.status != "ended"),
                      key=rank)

    def lives(self, week: Week) -> Lives:
        """What is to be said of a week, worked out once for all sheets of the run.

        Parameters
        ----------
        week : Week
            The week.

        Returns
        -------
        Lives
            The week's own findings and those that stand from the weeks reported before.
        """
        if week not in self.found:
            from remanence.analytics.conditions.diagnosis import diagnose
            from remanence.analytics.conditions.life import lives
            from remanence.analytics.conditions.shown import what_was_shown
            from remanence.analytics.health.lock_state import lock_states
            from remanence.pipelines.store.past_findings import standing_findings

            past = self.history(week)
            last, earlier = standing_findings(Path(self.ready.store.folder), week)
            shown = what_was_shown(past, last.plus(1).monday if last else None)
            self.found[week] = lives(earlier, diagnose(past), shown, week)
            self.states_found[week] = lock_states(past, self.findings(week))
        return self.found[week]

    def states(self, week: Week) -> dict[str, LockState]:
        """The state of every lock in a week, worked out once for all sheets of the run.

        Parameters
        ----------
        week : Week
            The week.

        Returns
        -------
        dict of str to LockState
            By lock id, in the venue file's order.
        """
        self.lives(week)
        if week not in self.states_found:  # What was found was handed in.
            from remanence.analytics.health.lock_state import lock_states

            self.states_found[week] = lock_states(self.history(week), self.findings(week))
        return self.states_found[week]


def unusable_text(states: Iterable[LockState]) -> list[str]:
    """The locks that are not to be used, a line each for the terminal."""
    from remanence.dashboards.lock_state_words import state_line
    from remanence.dashboards.page import language

    lang = language("en")
    return [f"  {known.lock}: {state_line(known, lang)}" for known in states if not known.usable]


def program_version() -> str:
    """The version of the installed distribution, which every file that is written names."""
    from importlib.metadata import version  # loads slowly, and the help has no need of it

    return version("remanence-locks")


def _no_options(_: argparse.ArgumentParser) -> None:
    """Add none: a sheet has ``--out`` and ``--language`` anyway."""


@dataclass(frozen=True)
class Sheet:
    """One sheet.

    Attributes
    ----------
    name : str
        The command that writes it.
    help : str
        What the command does, for the help.
    title : str
        What the sheet is called.
    write : callable
        Writes it.
    folder : str
        Where it is written if nobody says where, beside the venue file; for the help.
    options : callable
        Adds options of its own to the command's parser.
    data : str
        The file of the sheet's folder that programs read.
    place : int
        Sheets with a lower number are written and named first.
    """

    name: str
    help: str
    title: str
    write: Callable[[SheetRun], SheetOutcome]
    folder: str
    options: Callable[[argparse.ArgumentParser], None] = _no_options
    data: str = ""
    place: int = 50


def _week(text: str) -> AskedWeek:
    from remanence.shared.weeks import asked_for

    try:
        return asked_for(text)
    except RemanenceError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def add_week(parser: argparse.ArgumentParser) -> None:
    """The options of a command that tells the findings of a week."""
    parser.add_argument("--week", type=_week, metavar="WEEK",
                        help="ISO week like 2026-W47, or last: the one that ended last, with or "
                             "without a log (default: the newest with two days of log)")
    parser.add_argument("--fail-on", choices=("now", "week"),
                        help="exit with 3 where a finding this urgent, or more, stands")


def add_single_file(parser: argparse.ArgumentParser) -> None:
    """The option of a command that writes the health report."""
    parser.add_argument("--single-file", action="store_true",
                        help="write the health report as one HTML file with everything in it, to "
                             "send by mail")
