"""When each command's rail is looked at, and when other locks on it were switched around then.

From here on times are as they were stamped: readings have no place in a tick.
"""

from __future__ import annotations

import polars as pl

from remanence.analytics.clocks.instants import stamped
from remanence.analytics.pairing.commands import LONGEST_US, REACH_US
from remanence.analytics.pairing.edges import nearest_of_others
from remanence.analytics.pairing.wiring import Wiring

C = pl.col

NEVER = 1 << 61
"""Later than any stamp; its opposite is earlier. [us]"""

SELF_CUT_BLUR_US = 1_000_000
"""How long a neighbour that cuts its own coil may still be about to do so."""


def rail_windows(
    commands: pl.DataFrame, edges: pl.DataFrame, coils: pl.DataFrame, wiring: Wiring
) -> pl.DataFrame:
    """One row a command: what its rail's readings are to be looked at for, and from when to when.

    ``commands`` are :func:`pulses <remanence.analytics.pairing.commands.pulses>`; ``edges`` EDGES
    of all commands around them, ``coils`` when these had coils on.

    By ``start``: ``lock``, ``instant`` (of its start), ``rail``, ``rail_logged``, ``command``,
    ``pulsed``, ``self_cut``; ``start``, ``end`` (NEVER while it lasts) and ``done_at``; ``last``,
    up to when the readings are those of the command; ``quiet_from``, the last command edge of any
    lock on the rail before start, the lock's own among them (-NEVER if none); ``clear``, the first
    one of another lock at or after start (NEVER if none), or start itself where a neighbour that
    cuts its own coil may have been about to do so. [us, UTC]
    """
    told = stamped(commands.select(
        "lock", "rail", "rail_logged", "command", "pulsed", "self_cut", "start", "end", "done_at",
        instant="start"), "start", "end", "done_at")
    switched = stamped(edges, "time").join(wiring.of_locks("rail"), on="lock")
    # A second try begins while the readings of the first one are still about.
    told = told.sort("start").join_asof(
        switched.sort("time").select("rail", earlier="time"), left_on="start", right_on="earlier",
        by="rail", allow_exact_matches=False, check_sortedness=False, coalesce=False)
    told = nearest_of_others(told, "start", switched, "rail", strategy="forward")
    told = told.join_asof(
        _about_to_cut(coils, wiring), on="start", by="rail", check_sortedness=False)
    longest = pl.when("pulsed").then(LONGEST_US).otherwise(REACH_US)
    return told.with_columns(
        C.end.fill_null(NEVER), last=pl.min_horizontal("end", C.start + longest),
        quiet_from=C.earlier.fill_null(-NEVER),
        clear=pl.when(C.cutting > 0).then("start").otherwise(C.other_time.fill_null(NEVER)),
    ).drop("earlier", "other_lock", "other_time", "cutting")


def _about_to_cut(coils: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """How many coils that cut themselves (``cutting``) may be about to, by rail and ``start``."""
    own = wiring.locks.filter("self_cut", "pulsed").select("lock", "rail")
    on = stamped(coils, "start", "ended").join(own, on="lock")
    begun = on.select("rail", start=C.start + 1, cutting=1)
    over = on.select("rail", start=pl.min_horizontal("ended", C.start + SELF_CUT_BLUR_US),
                     cutting=-1)
    return pl.concat([begun, over]).sort("start").with_columns(
        C.cutting.cum_sum().over("rail"))
