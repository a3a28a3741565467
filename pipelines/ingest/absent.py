"""Channels of the venue file that no log ever brought, and the venue as its logs can tell of it."""

from __future__ import annotations

import difflib
import json
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import replace

import polars as pl

from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.store.store import Store
from remanence.shared.absent import Absent
from remanence.shared.venue import Lock, Venue

ALIKE = 0.4
"""How alike a name of the log must be to be suggested (difflib's ratio; 1 is the same name). It is
a question to the reader, so it may be wrong: a low bar shows more of them."""


def seen_in(store: Store, venue: Venue) -> tuple[set[str], Counter[str]]:
    """Channels that any log of the store brought; unknown ones with their number of records."""
    known: set[str] = set()
    strangers: Counter[str] = Counter()
    whole = True
    for state in store.files()["state"].to_list():
        seen = Seen.of(json.loads(state))
        if seen is None:
            whole = False
            continue
        known |= seen.channels
        strangers.update(seen.strangers)
    if not whole:  # taken in by a version that kept no account of it
        for day in store.days():
            if known.issuperset(venue.channels):
                break
            names = store.scan_signals([day]).select("channel").collect()["channel"].unique()
            known.update(names.cast(pl.String).to_list())
    return known, strangers


def absent_channels(
    venue: Venue, known: Collection[str], strangers: Iterable[str] = ()
) -> list[Absent]:
    """Channels of the venue file that never came, in the order of its locks and supplies.

    Parameters
    ----------
    venue : Venue
        The venue, as its file has it.
    known, strangers
        See :func:`seen_in`.
    """
    uses: dict[str, list[tuple[str, str]]] = {}
    for lock in venue.locks:
        uses.setdefault(lock.command, []).append(("command", lock.id))
        if lock.contact:
            uses.setdefault(lock.contact, []).append(("contact", lock.id))
    for supply in venue.supplies:
        if supply.channel:
            uses.setdefault(supply.channel, []).append(("volts", supply.id))
    names = sorted(strangers)
    return [
        Absent(channel, tuple(use),
               next(iter(difflib.get_close_matches(channel, names, n=1, cutoff=ALIKE)), None))
        for channel, use in uses.items() if channel not in known
    ]


def as_logged(venue: Venue, known: Collection[str]) -> Venue:
    """The venue without the contacts that no log ever brought: nothing can be said of them.

    A lock whose command never came keeps its contact out as well: every opening of it would
    seem to come without a command.

    Parameters
    ----------
    venue : Venue
        As its file has it.
    known : collection of str
        Channels that came.
    """
    def lock_as_logged(lock: Lock) -> Lock:
        if lock.contact and not {lock.contact, lock.command} <= set(known):
            return replace(lock, contact=None)
        return lock

    if not known:
        return venue
    return replace(venue, locks=tuple(map(lock_as_logged, venue.locks)))
