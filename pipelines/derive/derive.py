"""Bring the derived tables up to date with the records and the venue file.

Every UTC day is paired once, going on from what the day before left
(:mod:`remanence.analytics.pairing.days`), and what it leaves is kept beside its rows. So

- a new day costs a day, whatever lies before it;
- records that come late have their own day paired again, and the days after it only
  as far as what is handed on from day to day has changed;
- a change of the venue file has exactly those locks and rails paired again that it
  concerns (:mod:`remanence.pipelines.derive.months`).

Nothing is visible until all of it is: the new manifest is put in force last, in one
step (:mod:`remanence.pipelines.derive.store`). Whatever is lost on the way, the records are not.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np

from remanence.analytics.pairing.carry_over import DayState, state_from, state_text, with_others
from remanence.analytics.pairing.days import finish
from remanence.analytics.pairing.polarity import decide_votes
from remanence.analytics.pairing.rules import polled_of, polling_of
from remanence.analytics.pairing.setup import Setup
from remanence.pipelines.derive.days import (
    Block,
    RailLooker,
    RailPart,
    Scope,
    day_end_us,
    day_votes,
    pair_days,
    read_days,
    unfinished,
)
from remanence.pipelines.derive.months import (
    Affected,
    MonthWriter,
    affected,
    kept_state,
    kept_states,
    made_for,
    month_of,
    senses_to_learn,
)
from remanence.pipelines.derive.records import DayReader
from remanence.pipelines.derive.store import FOLDER, OPEN, Manifest, read_manifest, write_manifest
from remanence.pipelines.store.store import Store
from remanence.pipelines.store.writer_lock import writer_lock
from remanence.shared.errors import UnwritableStoreError
from remanence.shared.venue import Venue

BLOCK_DAYS = 4
BLOCK_ROWS = 3_000_000
"""Days and records that are read together; memory grows with it, not with the history."""

EPOCH_ORDINAL = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class DeriveSummary:
    """What a run of :func:`derive` did."""

    days: int
    """UTC days paired anew."""
    of_days: int
    """UTC days in the store."""
    rows: int
    """Rows of actuations written for them."""
    seconds: float
    learned: dict[str, str] = field(default_factory=dict)
    """Contacts of unknown sense: closed when ``locked`` or ``open``, by lock."""
    paired: tuple[date, ...] = ()
    """Which days."""
    locks: frozenset[str] | None = None
    """Only these locks, because only they were concerned; None: all of them."""

    def text(self) -> str:
        """A line or two for a person."""
        some = f" of {len(self.locks)} locks" if self.locks is not None else ""
        lines = [f"derived {self.rows} actuations{some} from {self.days} of {self.of_days} days "
                 f"in {self.seconds:.1f} s" if self.days
                 else f"derived tables are up to date ({self.of_days} days)"]
        for lock, sense in sorted(self.learned.items()):
            lines.append(f"learned from the log: the contact of {lock} is closed when {sense}; "
                         f'write contact_closed_when = "{sense}" to settle it')
        return "\n".join(lines)


def derive(
    venue: Venue, venue_path: str | Path, store: Store,
    *, progress: Callable[[int, int], None] | None = None, beside: bool | None = None,
) -> DeriveSummary:
    """Pair what is new or changed.

    Parameters
    ----------
    venue : Venue
        As the venue file is now.
    venue_path : str or Path
        The venue file.
    store : Store
        Its records.
    progress : callable, optional
        Called with (days done, days to do).
    beside : bool, optional
        Whether a second process helps; default: where there is enough to do, and a second
        processor.

    Returns
    -------
    DeriveSummary

    Raises
    ------
    StoreError
        The store cannot be read; UnwritableStoreError: the derived tables cannot be written.
    """
    began = time.perf_counter()
    home = store.folder / FOLDER
    if not store.days():
        return DeriveSummary(0, 0, 0, time.perf_counter() - began)
    try:
        with writer_lock(home):
            run = _Run(venue, store.folder, progress, beside)
            with closing(run.reader):
                run.run()
    except OSError as error:
        raise UnwritableStoreError(
            f"{home} cannot be written: {error.strerror or error}; the tables are as they were. "
            "Put that right and run the same command again.") from None
    return DeriveSummary(
        len(run.paired), len(run.days), run.rows, time.perf_counter() - began, run.learned,
        tuple(run.paired), run.only if run.whole_from == len(run.days) else None)


class _Run:
    def __init__(
        self, venue: Venue, folder: Path, progress: Callable[[int, int], None] | None,
        beside: bool | None,
    ) -> None:
        self.venue, self.folder, self.progress, self.beside = venue, folder, progress, beside
        self.reader = DayReader(folder)
        self.days = list(self.reader.marks)
        held = read_manifest(folder)
        if any(date.fromisoformat(day) not in self.reader.marks for day in held.days):
            held = Manifest(generation=held.generation, retired=[
                *held.retired, *((path, time.time()) for path in held.named())])
        self.held = held
        self.entries = {day: dict(entry) for day, entry in held.days.items()}
        self.paired: list[date] = []
        self.rows = 0
        self.learned = self._learn()
        self.made_for = made_for(venue, self.learned)
        self.setup = Setup.of(venue, self.learned)
        self.concerned = affected(held.made_for, self.made_for) if held.days else Affected(True)
        self.only = None if self.concerned.everything or self.concerned.nothing \
            else self.concerned.locks
        self.whole_from = 0
        self.scope: Scope | None = None
        self.kept: tuple[str, dict[date, str]] = ("", {})

    def _learn(self) -> dict[str, str]:
        """Count the votes of the days that are new or changed, then all days' votes."""
        if not senses_to_learn(self.venue):
            return {}
        setup = Setup.of(self.venue, {})
        asked = [[lock.id, lock.contact, lock.command, lock.command_energised, lock.released_by,
                  int(setup.coast_us[setup.ids.index(lock.id)])]
                 for lock in senses_to_learn(self.venue)]
        total: dict[str, list[int]] = {}
        for day in self.days:
            entry = self.entries.setdefault(day.isoformat(), {})
            voted = entry.get("votes")
            if not voted or voted["of"] != asked or voted["signals"] != self.reader.marks[day]:
                voted = {"of": asked, "signals": self.reader.marks[day],
                         "counts": day_votes(setup, self.reader, day)}
                entry["votes"] = voted
            for lock, counts in voted["counts"].items():
                have = total.setdefault(lock, [0, 0])
                total[lock] = [have[0] + counts[0], have[1] + counts[1]]
        return decide_votes(total)

    def _kept(self, day: date) -> str:
        """What ``day`` left to the next before this run."""
        month = month_of(day)
        if month != self.kept[0]:
            self.kept = month, kept_states(self.folder, self.held, month)
        return self.kept[1][day]

    # Which days.

    def _forced(self, index: int) -> bool:
        """Whether a day's own records, or the readings before it that it needs, have changed."""
        if self.concerned.everything:
            return True
        day = self.days[index]
        entry = self.held.days.get(day.isoformat(), {})
        if entry.get("signals") != self.reader.marks[day]:
            return True
        needs = entry.get("needs")
        if needs is None:
            return False
        earlier = self.days[index - 1] if index else None
        now = [earlier.isoformat(), self.reader.marks[earlier]] if earlier else []
        return bool(needs != now)

    def run(self) -> None:
        forced = [self._forced(index) for index in range(len(self.days))]
        if not any(forced) and self.concerned.nothing:
            return
        # Where the venue file has changed, all days are gone through. From the first one
        # on whose records have changed too, no row of any lock can be relied on.
        self.whole_from = next((i for i, changed in enumerate(forced) if changed), len(forced))
        if self.concerned.nothing or self.concerned.everything:
            self.whole_from = 0
        else:
            self.scope = Scope.of(self.setup, self.venue, self.concerned)
            forced = [True] * len(forced)
        self.writer = MonthWriter(
            self.folder, self.held, self.concerned, self.setup, self.venue)
        position, state, stale = 0, DayState.nothing(self.setup), False
        while position < len(self.days):
            if not stale and not forced[position]:
                # Nothing reaches this day: go on at the next one that has changed.
                following = next((i for i in range(position, len(forced)) if forced[i]), None)
                if following is None:
                    break
                position = following
                state = state_from(self.setup, kept_state(
                    self.folder, self.held, self.days[position - 1]))
            stop = position + 1
            while forced[position] and stop < len(self.days) and forced[stop]:
                stop += 1
            state, text = self._stretch(position, stop, state)
            position = stop
            stale = position < len(self.days) and kept_state(
                self.folder, self.held, self.days[position - 1]) != text
        self._commit()

    def _stretch(self, start: int, stop: int, state: DayState) -> tuple[DayState, str]:
        """Pair neighbouring days, some at a time.

        Commands and contacts go from day to day. Meanwhile the rails of days that are
        paired are looked at (:class:`remanence.pipelines.derive.days.RailLooker`).
        """
        carry, began, text = state.carry, state.until, ""
        index = start
        rows = sum(self.reader.rows[day] for day in self.days[start:stop])
        with closing(RailLooker(self.setup, self.reader, rows, self.beside)) as looker:
            while index < stop or looker.waiting:
                if index < stop and not looker.full:
                    block = pair_days(
                        self.setup, self.reader,
                        read_days(self.setup, self.reader, self._some_days(index, stop)),
                        carry, began, self.days[index - 1] if index else None)
                    looker.add(index, block, self._scope(index))
                    carry, began = block.steps[-1].carry, day_end_us(block.jobs[-1].day)
                    index += len(block.jobs)
                else:
                    state, text = self._finish(*looker.take(), state)
        return state, text

    def _scope(self, index: int) -> Scope | None:
        """What is to be looked at on a day; None: everything."""
        return self.scope if index < self.whole_from else None

    def _some_days(self, start: int, stop: int) -> list[date]:
        """Days of one month, so many that little is done per day and all fit into memory."""
        days, rows = [self.days[start]], self.reader.rows[self.days[start]]
        if start < self.whole_from:
            stop = min(stop, self.whole_from)
        for day in self.days[start + 1:min(stop, start + BLOCK_DAYS)]:
            rows += self.reader.rows[day]
            if month_of(day) != month_of(days[0]) or rows > BLOCK_ROWS:
                break
            days.append(day)
        return days

    def _finish(
        self, index: int, block: Block, part: RailPart, state: DayState
    ) -> tuple[DayState, str]:
        polling = polling_of(self.setup, block.edges(self.setup))
        polled = polled_of(polling)
        text = ""
        for place, (job, step, (low, high)) in enumerate(zip(
                block.jobs, block.steps, pairwise((0, *part.ends)), strict=True)):
            figures = {name: column[low:high] for name, column in part.figures.items()}
            number = job.day.toordinal() - EPOCH_ORDINAL
            today = {key: told for key, told in polled.items() if key[1] == number}
            columns, state = finish(
                self.setup, step, figures, today, state, day_end_us(job.day))
            if index + place < self.whole_from:
                state = with_others(
                    self.setup, state, self._kept(job.day), self.concerned.locks)
            text = state_text(self.setup, state)
            self.writer.add_day(job.day, text, whole=index + place >= self.whole_from)
            self.writer.add_rows(columns, number)
            entry = self.entries.setdefault(job.day.isoformat(), {})
            entry["signals"] = self.reader.marks[job.day]
            entry.pop("needs", None)
            if job.needs_before:
                entry["needs"] = [job.earlier.isoformat(), self.reader.marks[job.earlier]] \
                    if job.earlier is not None else []
            self.paired.append(job.day)
            if self.progress:
                self.progress(len(self.paired), len(self.days))
            mine = columns["actuations"]["lock"]
            self.rows += mine.size if self.only is None else int(np.isin(
                mine, [self.setup.ids.index(name) for name in self.only
                       if name in self.setup.ids]).sum())
        self.writer.add_hours(part.rail_hours, part.activity, polling)
        return state, text

    # The end.

    def _commit(self) -> None:
        last = self.days[-1]
        manifest = Manifest(
            self.held.generation + 1, self.made_for, self.learned,
            {day: self.entries[day] for day in sorted(self.entries)},
            self.writer.parts(), list(self.held.retired))
        text = self.writer.state_of(last) or kept_state(self.folder, self.held, last)
        state = state_from(self.setup, text)
        rest = unfinished(self.setup, self.venue, self.reader, state, self.days[-2:])
        manifest.parts[OPEN] = self.writer.write_open(rest)
        now = time.time()
        manifest.retired += [(path, now) for path in self.held.named() - manifest.named()]
        self.writer.finish()
        write_manifest(self.folder, manifest)
