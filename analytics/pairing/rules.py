"""Commands, contact edges and rail volts paired into one row per actuation.

What decides, in the words of the tables:

- A lock's command *releases* when it is energised (power-on) or de-energised
  (power-off). Before its first record a lock is taken to rest locked, and its
  contact to show locked. A state that is said again changes nothing. What a clock
  stamped alike happened in the order of the lines (``place``); two values of one channel
  of which neither line stands first are ordered so that the state is changed after them.
- The wait for a release begins at the releasing edge and ends at the earliest of:
  the lock's next releasing edge (exclusive); the command's end plus ``coast_ms``,
  or ``door_wait_ms`` for a contact on the door (power-on); the command's end
  (power-off); the last record of the contact's controller, if its log breaks off
  there (another ``run`` follows, or nothing at all). A contact edge stamped as the
  command is, neither line standing first, counts as after it.
- A contact *movement* is a chain of edges, each within ``settle_ms`` of the one
  before; a releasing command between two edges parts the chain, so that what
  bounced before a command is never taken for its answer. A movement shows what its
  last edge shows. The release is the first movement in the wait that settles open;
  the latency is its first edge. ``bounces`` is null where nothing was released.
- Where the contact showed open just before the command: ``already-open``. Where the
  wait is over and nothing was released: ``no-release``, censored at ``waited_ms``.
  Where nothing could tell, or the log breaks off at the very command: ``unobserved``.
- ``relock_ms`` looks no further than the lock's next command.
- An opening is a movement from locked to open that is no release, begins while the
  command is not releasing, and outside the coast of a command that was not answered.
- A lock without contact that cuts its own coil is read off its rail
  (:mod:`remanence.analytics.pairing.rails`). Its wait ends with its pulse, as nothing can be
  seen after it; without a sag of 6 x noise it is unobserved.
- A contact of unknown sense is learned (:mod:`remanence.analytics.pairing.polarity`); until it
  is, and before its very first record (it may have been fitted later), its lock is
  unobserved. A contact of stated sense is believed, even where it looks inverted.
- Contacts that another controller stamps than the commands are brought to the commands' clock
  where the two are apart (:mod:`remanence.analytics.clocks.second_clock`); on a day on which
  that is not known, their locks are unobserved.
- ``resolution_ms`` is the polling period or clock step of the contact's controller on
  that UTC day; off the supply, the gap from the last loaded reading to ``latency_ms``.
- The tables do not depend on the order of the records, nor on how they are cut into
  files or steps: what a later record may still change is paired again with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import polars as pl

from remanence.analytics.pairing.carry_over import BEGINNING, CarryOver
from remanence.analytics.pairing.edges import records_of
from remanence.analytics.pairing.polarity import decide_votes, votes
from remanence.analytics.pairing.readings import Stretch, levels_of
from remanence.analytics.pairing.span import pair_span
from remanence.analytics.pairing.tables import with_cuts
from remanence.analytics.pairing.wiring import Wiring
from remanence.shared.table import require
from remanence.shared.tables import SIGNALS, TABLES
from remanence.shared.venue import Venue


class Paired(NamedTuple):
    """Tables of :mod:`remanence.shared.tables`, made from one span of signals.

    Attributes
    ----------
    actuations, openings, energisings, contact_changes : polars.DataFrame
        What the locks did.
    rail_hours, activity, polling : polars.DataFrame
        What rails and controllers did.
    """

    actuations: pl.DataFrame
    openings: pl.DataFrame
    energisings: pl.DataFrame
    contact_changes: pl.DataFrame
    rail_hours: pl.DataFrame
    activity: pl.DataFrame
    polling: pl.DataFrame
    learned: Mapping[str, str]
    """Contacts of unknown sense: closed when ``locked`` or ``open``, by lock."""

    def tables(self) -> dict[str, pl.DataFrame]:
        """The tables by name.

        Returns
        -------
        dict of str to polars.DataFrame
            The seven tables, by the names of :data:`remanence.shared.tables.TABLES`.
        """
        return {name: getattr(self, name) for name in self._fields[:-1]}


def pair(
    signals: pl.DataFrame, venue: Venue, *, learned: Mapping[str, str] | None = None
) -> Paired:
    """Pair a span of signals that is held in memory.

    Parameters
    ----------
    signals : polars.DataFrame
        Columns ``time``, ``channel``, ``quantity``, ``value`` and ``run`` of SIGNALS, any order,
        repeats allowed. Records of channels that the venue does not name are passed over.
    venue : Venue
        What is wired where.
    learned : mapping of str to str, optional
        What contacts of unknown sense are to be taken for (``locked`` or ``open``: when
        they are closed), by lock. Default: learned from ``signals``.

    Returns
    -------
    Paired
        What ends with the records (a command that lasts, a wait that the log breaks off)
        is given as it stands there.

    Raises
    ------
    TableError
        A column of ``signals`` is missing or has another type.

    Notes
    -----
    The rules stand at the head of this module; they are this program's own.
    """
    require(signals, SIGNALS, ("time", "channel", "quantity", "value", "run"))
    wiring = Wiring.of(venue, {})
    records = records_of(signals, wiring)
    sense = decide_votes(votes(records, wiring)) if learned is None else dict(learned)
    wiring = Wiring.of(venue, sense)
    end = -BEGINNING
    span = pair_span(wiring, records, [Stretch(BEGINNING, end, levels_of(signals, wiring))],
                     CarryOver.nothing(wiring), end, is_last=True)
    tables = {name: TABLES[name].conform(pl.concat([frame, span.unfinished[name]])
                                         if name in span.unfinished else frame)
              for name, frame in span.final.items()}
    tables["energisings"] = with_cuts(tables["energisings"], tables["actuations"])
    return Paired(**tables, learned=sense)
