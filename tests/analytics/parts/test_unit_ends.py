"""Why a unit was replaced, read off its last weeks."""

import numpy as np
import polars as pl
import pytest

from remanence.analytics.parts.unit_ends import ADVICE, FAILED, WORN, how_it_ended
from remanence.shared.limits import Limits
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock

LATCH = Lock(id="d", guards="container", mechanism="latch", released_by="power-on", supply="r",
             command="c/1", contact="c/2", contact_closed_when="locked", contact_senses="catch",
             release_within_ms=90.0)
WEEKS, A_WEEK = 26, 20


def unit(*, slower: float = 1.0, silent_last: int = 0, silent_share: float = 0.0, seed: int = 1):
    """Half a year at 40 ms; over its last eight weeks it comes to be so many times slower."""
    rng = np.random.default_rng(seed)
    week = np.repeat(np.arange(WEEKS), A_WEEK)
    rise = np.clip((week - (WEEKS - 9)) / 8, 0, 1) * np.log(slower)
    latency = 40 * np.exp(rise + 0.05 * rng.standard_normal(week.size))
    answered = ~((week >= WEEKS - 6) & (rng.random(week.size) < silent_share))
    if silent_last:
        answered[-silent_last:] = False
    return ACTUATIONS.conform(pl.DataFrame({
        "lock": ["d"] * week.size, "latency_ms": np.where(answered, latency, np.nan),
        "outcome": np.where(answered, "released", "no-release"),
        "pulse_ms": np.full(week.size, 400.0), "attempt": np.ones(week.size, dtype=int),
        "resolution_ms": np.zeros(week.size)}).with_columns(
            pl.col("latency_ms").fill_nan(None))).with_columns(
                weeks_ago=pl.Series(WEEKS - 1 - week))


@pytest.mark.parametrize(("made", "end"), [
    ({}, FAILED),
    ({"silent_last": 6}, FAILED),
    ({"slower": 2.4}, WORN),
    ({"slower": 2.0, "silent_last": 6}, WORN),
    ({"slower": 1.4}, ADVICE),
    ({"slower": 1.2, "silent_last": 6}, FAILED),
    ({"silent_share": 0.3}, WORN),
])
def test_how_it_ended(made, end):
    found, sign = how_it_ended(LATCH, unit(**made), None, Limits())
    assert found == end
    if end in (WORN, ADVICE):
        assert sign is not None
        assert (WEEKS - 10) * A_WEEK < sign < (WEEKS - 3) * A_WEEK


def test_where_nothing_is_observed_every_end_is_a_failure():
    blind = Lock(id="d", guards="container", mechanism="latch", released_by="power-on", supply="r",
                 command="c/1")
    assert how_it_ended(blind, unit(slower=2.4), None, Limits()) == (FAILED, None)
    assert how_it_ended(LATCH, None, None, Limits()) == (FAILED, None)
