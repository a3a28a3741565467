"""A log paired in two spans gives the rows of one, whatever happens where it is cut."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.analytics.clocks.instants import DAY_US
from remanence.analytics.pairing.carry_over import BEGINNING, CarryOver
from remanence.analytics.pairing.edges import records_of
from remanence.analytics.pairing.look import LOOKS_BACK_US
from remanence.analytics.pairing.readings import Stretch, levels_of
from remanence.analytics.pairing.rules import pair
from remanence.analytics.pairing.span import pair_span
from remanence.analytics.pairing.wiring import Wiring
from remanence.shared.tables import SIGNALS, TABLES
from tests.analytics.pairing.random_logs import random_venue

MIDNIGHT = datetime(2026, 3, 2, tzinfo=UTC)
END = -BEGINNING


def crowd(rng, venue):
    """SIGNALS with the edges of all locks on a grid of 10 ms around one midnight.

    Of some logs the commands are over by then, and what they moved still bounces.
    """
    latest = int(rng.choice([-30, 0, 150]))
    rows = []
    for lock in venue.locks:
        for channel, quantity, begin, end, edges in (
                (lock.command, "command", -150, latest, 8), (lock.contact, "contact", -40, 6, 24)):
            times = rng.integers(begin, end, edges if channel else 0)
            rows += [(MIDNIGHT + timedelta(milliseconds=10 * int(time)), channel, quantity,
                      float(rng.integers(2)), 0, "a.csv", 2, 0, 0) for time in times]
    rows += [(MIDNIGHT + timedelta(milliseconds=5 + 20 * step), "rail", "volts",
              12.0 - 0.3 * rng.integers(2), 0, "a.csv", 2, 0, 0) for step in range(-100, 250)]
    return pl.DataFrame(rows, schema=SIGNALS.schema, orient="row").unique(
        ["time", "channel", "quantity"], keep="first", maintain_order=True)


@pytest.mark.parametrize("seed", [*range(20), 105, 154, 165])
def test_a_cut_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    venue = random_venue(rng)
    log = crowd(rng, venue)
    whole = pair(log, venue)
    wiring = Wiring.of(venue, whole.learned)
    time = log["time"].to_physical()
    cut = int(MIDNIGHT.timestamp()) * 1_000_000
    assert cut % DAY_US == 0

    def span(begin, end, carried):
        records = records_of(log.filter(time.is_between(begin, end, closed="left")), wiring)
        levels = log.filter(time.is_between(begin - LOOKS_BACK_US, end, closed="left"))
        return pair_span(wiring, records, [Stretch(begin, end, levels_of(levels, wiring))],
                         carried, end, is_last=end == END)

    first = span(BEGINNING, cut, CarryOver.nothing(wiring))
    second = span(cut, END, CarryOver.from_text(wiring, first.left.text()))
    assert whole.actuations.height > second.final["actuations"].height
    for name, frame in whole.tables().items():
        parts = [tables[name] for tables in (first.final, second.final, second.unfinished)
                 if name in tables]
        found = TABLES[name].conform(pl.concat(parts)).with_columns(
            **({"cut_ms": frame["cut_ms"]} if name == "energisings" else {}))
        assert_frame_equal(found, frame, check_exact=True)
