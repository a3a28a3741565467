"""Switch-off over-voltage: what was seen, and what the sampling could have shown."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.physics.off_voltage import chance_to_see, events_needed, switch_offs
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Supply, Venue

DAY = datetime(2026, 3, 2, 10, tzinfo=UTC)
VENUE = Venue(
    id="v", name="V", time_zone="UTC", supplies=(Supply(id="rail", rated_volts=12.0),),
    locks=tuple(
        Lock(id=name, guards="container", mechanism="latch", released_by="power-on",
             supply="rail", command=f"c/{name}") for name in ("quiet", "bare", "blind")
    ),
)


def rows(name, spikes, sample_ms):
    return ACTUATIONS.conform(pl.DataFrame([
        {"lock": name, "command_time": DAY + timedelta(minutes=i), "off_spike_volts": spike,
         "volts_noise": 0.03, "sample_ms": sample_ms}
        for i, spike in enumerate(spikes)
    ], schema_overrides={"off_spike_volts": pl.Float64}))


def test_chance_of_catching_one():
    # "1 ms at 10 ms: 10 % per event, 29 events for 95 %" (trade practice; elementary).
    assert chance_to_see(1.0, 10.0) == pytest.approx(0.10)
    assert events_needed(1.0, 10.0) == 29
    assert events_needed(8.0, 1.0) == 1
    rng = np.random.default_rng(3)
    caught = rng.uniform(0, 10, (4000, 29)) < 1.0
    assert caught.any(axis=1).mean() == pytest.approx(0.95, abs=0.015)


def test_seen_and_not_seen():
    table = pl.concat([
        rows("quiet", [0.02] * 60, 5.0), rows("bare", [0.02] * 20 + [4.0, 6.0], 5.0),
        rows("blind", [None] * 30, 1000.0),
    ])
    found = switch_offs(table, VENUE)
    assert (found["bare"].spikes, found["bare"].highest_volts) == (2, 6.0)
    assert found["quiet"].spikes == 0
    assert found["quiet"].quiet_means_something
    assert found["quiet"].would_have_shown[0] == pytest.approx(1 - 0.8**60)
    # Not sampled finely enough is not quiet.
    assert (found["blind"].looked, found["blind"].switch_offs) == (0, 30)
    assert not found["blind"].quiet_means_something
    assert found["blind"].would_have_shown == (0.0, 0.0)
    few = switch_offs(rows("quiet", [0.02] * 3, 5.0), VENUE)["quiet"]
    assert not few.quiet_means_something
    assert few.needed == 14


def test_noise_is_no_spike():
    noisy = rows("quiet", [0.15] * 20, 5.0)
    assert switch_offs(noisy, VENUE)["quiet"].spikes == 0
    assert switch_offs(ACTUATIONS.empty(), VENUE) == {}
