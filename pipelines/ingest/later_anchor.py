"""A run that one file leaves without true time, anchored by a later file of the same run."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing

from remanence.pipelines.clocks.boot_clock import BootClock
from remanence.pipelines.ingest.open_log import clock_for, pieces
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.source import Source, UnreadableSourceError
from remanence.shared.log_format import LogFormat
from remanence.shared.venue import Venue


def anchor_by_later(
    venue: Venue, log: LogFormat, clock: BootClock, later: Iterable[Source]
) -> None:
    """Anchor the last run of each controller, where it waits, by the files that go on with it.

    Parameters
    ----------
    venue, log
        Whose log, and its block.
    clock : BootClock
        Has surveyed the file that waits.
    later : iterable of Source
        The files after it, in order, of the same block.
    """
    for source in later:
        if not clock.waiting():
            return
        try:
            _look_into(venue, log, clock, source)
        except (UnreadableSourceError, OSError):
            return  # it is told when its own turn comes


def _look_into(venue: Venue, log: LogFormat, clock: BootClock, source: Source) -> None:
    status = source.path.stat()
    layout = Layout(log, source.name)
    beginning = clock_for(venue, log, source, layout, status.st_mtime_ns)
    if not isinstance(beginning, BootClock) or not beginning.may_be_of(clock.waiting()):
        return
    with closing(pieces(source, log, layout, status.st_size, _ignore, _ignore)) as stretches:
        for stretch in stretches:
            beginning.survey(stretch.records)
            if all(beginning.tells(name) for name in clock.waiting()):
                break
    clock.go_on_in(beginning)


def _ignore(_: object) -> None:
    """Tell nobody."""
