"""Pairing equals the slow and obvious implementation, row for row, over random logs."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from remanence.analytics.pairing.rules import pair
from remanence.shared.tables import TABLES
from tests.analytics.pairing.random_logs import random_log, random_venue
from tests.analytics.pairing.slow_levels import moment
from tests.analytics.pairing.slow_reference import SlowPairing


def records_of(signals: pl.DataFrame) -> list[tuple[int, str, str, float, int]]:
    return [(moment(time, place), *rest) for time, place, *rest in signals.select(
        pl.col("time").to_physical(), "place", "channel", "quantity", "value", "run").rows()]


def slow(signals, venue, paired) -> SlowPairing:
    resolutions = {
        (controller, (day - date(1970, 1, 1)).days): (resolution, clock)
        for controller, day, resolution, clock in paired.polling.select(
            "controller", "day", "resolution_ms", "clock_ms").rows()
    }
    return SlowPairing(venue, records_of(signals), paired.learned, resolutions)


def same(found: pl.DataFrame, expected: list[dict], what: str) -> None:
    columns = list(found.columns)
    got = found.to_dicts()
    assert [(r["lock"], *list(r.values())[1:2]) for r in got] == [
        (r["lock"], r[columns[1]]) for r in expected], what
    for one, other in zip(got, expected, strict=True):
        for name in columns:
            value, wanted = one[name], other[name]
            if isinstance(wanted, float) and value is not None:
                wanted = pytest.approx(wanted, abs=1e-9)
            assert value == wanted, (what, name, one, other)


@pytest.mark.parametrize("rate_hz", [200, 1000])
def test_equals_the_slow_reference_where_the_rail_is_read_all_the_time(rate_hz):
    rng = np.random.default_rng(rate_hz)
    venue = random_venue(rng)
    signals = random_log(rng, venue, minutes=0.5, games=3, idle_s=1 / rate_hz)
    paired = pair(signals, venue)
    reference = slow(signals, venue, paired)
    assert paired.rail_hours["samples"].sum() > 25 * rate_hz
    for name in ("actuations", "openings", "contact_changes", "energisings"):
        same(getattr(paired, name), getattr(reference, name)(), f"{name}, {rate_hz} Hz")


@pytest.mark.parametrize("seed", range(14))
@pytest.mark.parametrize("step_ms", [10, 1000])
def test_equals_the_slow_reference_row_for_row(seed, step_ms):
    rng = np.random.default_rng(seed)
    venue = random_venue(rng)
    signals = random_log(rng, venue, step_ms=step_ms)
    paired = pair(signals, venue)
    reference = slow(signals, venue, paired)
    for name in ("actuations", "openings", "contact_changes", "energisings"):
        found = getattr(paired, name)
        assert found.schema == TABLES[name].schema
        same(found, getattr(reference, name)(), f"{name}, seed {seed}")
