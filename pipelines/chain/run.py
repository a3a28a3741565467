"""``remanence chain``: every venue of a chain, then the pages that only a chain can have."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from remanence.analytics.chain import Member, VenueWeek, chain_view
from remanence.pipelines.chain.find import ChainVenue, find_venues, load_chain
from remanence.pipelines.chain.kept import KEPT_FOLDER, Kept
from remanence.pipelines.chain.task import VenueDone, VenueTask, inputs_digest
from remanence.shared.errors import RemanenceError
from remanence.shared.weeks import AskedWeek

if TYPE_CHECKING:
    from remanence.analytics.chain import ChainView

PAGES_FOLDER = "chain"
RETRIES = 2
"""How often a venue is tried again where that may help (common practice)."""


@dataclass(frozen=True)
class ChainOutcome:
    """What a run of a chain did.

    Attributes
    ----------
    folder : Path
        Where its pages are.
    view : ChainView
        All that they show.
    faults : tuple of str
        What went wrong, with the venue's path.
    """

    folder: Path
    view: ChainView
    faults: tuple[str, ...]

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands in any venue."""
        return any(member.week.has(urgency) for member in self.view.members if member.week)

    def text(self) -> str:
        """What to print at the end."""
        unknown = self.view.unknown
        lines = [f"Not known, see the errors: {', '.join(m.path for m in unknown)}"] * bool(unknown)
        return "\n".join([*lines, f"Chain: {self.folder / 'index.html'}"])


def run_chain(
    given: str | Path, *, jobs: int | None = None, scheduler: str | None = None,
    week: AskedWeek | None = None, language: str = "en", out: Path | None = None,
    retries: int = RETRIES, again: bool = False, now: datetime | None = None,
    say: Callable[[str], None] = print,
) -> ChainOutcome:
    """Take in and write the sheets of every venue, then the chain's own pages.

    Parameters
    ----------
    given : str or Path
        The chain's file, or its folder.
    jobs : int, optional
        Processes at once; default: one a core.
    scheduler : str, optional
        Address of a Dask scheduler: its workers do the work.
    week : Week or "last", optional
        Of the health reports, ``"last"`` for the one that ended last; default: each venue's newest.
    language : str, default "en"
        Of all pages.
    out : Path, optional
        Folder of the chain's pages; default: ``chain`` beside the chain's file.
    retries : int, default 2
        How often a venue is tried again where that may help.
    again : bool, default False
        Do every venue, even where nothing about it is other than when it was done.
    now : datetime, optional
        Records later than a day after it are set aside; default: what the machine's clock says.
    say : callable
        Told a line a venue as it is done.

    Returns
    -------
    ChainOutcome

    Raises
    ------
    RemanenceError
        The chain's file is at fault, or its pages cannot be written.
    """
    from remanence.pipelines.chain.cluster import by_cluster
    from remanence.pipelines.chain.workers import by_processes

    chain, path = load_chain(given)
    venues = find_venues(chain, path)
    kept = Kept(path.absolute().parent / KEPT_FOLDER)
    tasks = [VenueTask(str(venue.path), str(week) if week else None, language,
                       now.isoformat() if now else None) for venue in venues]
    results: dict[int, VenueDone] = {}
    digests: dict[int, str] = {}
    for number, task in enumerate(tasks):
        with contextlib.suppress(RemanenceError, OSError):
            digests[number] = inputs_digest(task)
            done = None if again else kept.read(venues[number].id, digests[number])
            if done is not None:
                results[number] = done
                say(_line(len(results), venues, number, done, "nothing new"))
    todo = [number for number in range(len(tasks)) if number not in results]
    lacking = [tasks[number] for number in todo]
    ends: Iterator[tuple[int, VenueDone]] = iter(())
    if lacking and scheduler:
        ends = by_cluster(lacking, scheduler, retries)
    elif lacking:
        ends = by_processes(lacking, jobs or os.cpu_count() or 1, retries)
    for place, done in ends:
        number = todo[place]
        results[number] = done
        kept.write(venues[number].id, digests.get(number, ""), done)
        say(_line(len(results), venues, number, done, f"{done.seconds:.0f} s"))
    members = [_member(venue, results[number]) for number, venue in enumerate(venues)]
    view = chain_view(chain.name or path.absolute().parent.name, members, chain.depots)
    folder = out or path.absolute().parent / PAGES_FOLDER
    _write_pages(folder, view, venues, results, language)
    faults = tuple(f"{venues[number].name}: {fault}"
                   for number in sorted(results) for fault in results[number].faults)
    return ChainOutcome(folder, view, faults)


def _member(venue: ChainVenue, done: VenueDone) -> Member:
    week = VenueWeek.from_json(done.kept) if done.kept else None
    return Member(venue.name, venue.labels, venue.technician, week,
                  "" if week else " ".join(done.faults))


def _line(
    count: int, venues: Sequence[ChainVenue], number: int, done: VenueDone, how: str
) -> str:
    """A venue's line of progress."""
    head = f"{count:{len(str(len(venues)))}} of {len(venues)}  {venues[number].name}: "
    if done.kept is None:
        return f"{head}NOT DONE: {done.faults[0].splitlines()[0] if done.faults else 'unknown'}"
    week = VenueWeek.from_json(done.kept)
    from remanence.dashboards.page import language
    from remanence.shared.findings import STATE_OF_URGENCY, URGENCIES

    lang = language("en")
    said = ", ".join(f"{lang(f'state.{STATE_OF_URGENCY[u]}')} {week.count(u)}"
                     for u in URGENCIES if week.count(u)) or "no faults found"
    return f"{head}week {week.week}, {said} ({how})"


def _write_pages(
    folder: Path, view: ChainView, venues: Sequence[ChainVenue],
    results: dict[int, VenueDone], language: str,
) -> None:
    from remanence.dashboards.chain_pages import render_chain
    from remanence.pipelines.chain.chain_json import chain_json
    from remanence.pipelines.sheets.sheet import program_version
    from remanence.pipelines.sheets.write_files import write_files

    home = folder.absolute()
    reports = {
        venues[number].name: Path(os.path.relpath(done.report, home)).as_posix()
        for number, done in results.items() if done.report}
    files = render_chain(view, reports, code=language, version=program_version())
    files["chain.json"] = chain_json(view)
    write_files(folder, files)
