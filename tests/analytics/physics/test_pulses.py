"""Pulse lengths: quantiles, ratings, and pulses too short for the lock."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.physics.latency import pulse_histogram, pulse_lengths
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Supply, Venue

DAY = datetime(2026, 3, 2, 10, tzinfo=UTC)


def lock(name, **changes):
    values = {
        "id": name, "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail", "command": f"c/{name}",
    }
    return Lock(**(values | changes))


VENUE = Venue(
    id="v", name="V", time_zone="UTC", supplies=(Supply(id="rail", rated_volts=12.0),),
    locks=(lock("a", max_on_ms=500.0), lock("b"),
           lock("m", mechanism="magnet", released_by="power-off")),
)


def rows(*items):
    return ACTUATIONS.conform(pl.DataFrame([
        {"lock": name, "command_time": DAY + timedelta(days=index), "pulse_ms": pulse,
         "outcome": outcome, "latency_ms": latency, "waited_ms": latency or 1300.0,
         "latency_from": "catch"}
        for index, (name, pulse, outcome, latency) in enumerate(items)
    ], schema_overrides={"pulse_ms": pl.Float64, "latency_ms": pl.Float64}))


def test_counts_and_ratings():
    table = rows(("a", 300.0, "released", 60.0), ("a", 501.0, "released", 62.0),
                 ("a", 40.0, "no-release", None), ("a", None, "no-release", None),
                 ("b", 900.0, "released", 30.0), ("m", 2000.0, "released", 400.0))
    found = {row["lock"]: row for row in pulse_lengths(table, VENUE).to_dicts()}
    assert (found["a"]["pulses"], found["a"]["lasting"]) == (3, 1)
    assert (found["a"]["over_rated"], found["a"]["cut_short"], found["a"]["lengths"]) == (1, 1, 3)
    assert (found["a"]["shortest_ms"], found["a"]["longest_ms"]) == (40.0, 501.0)
    assert found["a"]["margin_ms"] == pytest.approx(300.0 - 61.9)
    assert found["b"]["over_rated"] is None
    assert found["m"]["margin_ms"] is None


def test_quantiles_follow_the_stated_definition():
    # NIST/SEMATECH e-Handbook, sec. 7.2.6.2, twelve gauge readings: the 90th percentile is
    # 95.1957 by definition R7. Tolerance: half the last printed digit.
    readings = [95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065,
                95.0925, 95.1990, 95.1682]
    frame = pl.DataFrame({"x": readings})
    assert frame["x"].quantile(0.9, "linear") == pytest.approx(95.1957, abs=5e-5)
    assert np.quantile(readings, 0.9, method="weibull") == pytest.approx(95.1981, abs=5e-5)
    table = rows(*(("b", value, "released", 30.0) for value in readings))
    found = pulse_lengths(table, VENUE).row(0, named=True)
    assert found["p95_ms"] == pytest.approx(float(np.quantile(readings, 0.95)))


def test_weeks_and_empty_tables():
    table = rows(*(("a", 300.0, "released", 60.0) for _ in range(14)))
    assert pulse_lengths(table, VENUE, by=("lock", "week")).select("week", "pulses").rows() == [
        ("2026-W10", 7), ("2026-W11", 7)
    ]
    assert pulse_lengths(ACTUATIONS.empty(), VENUE).height == 0
    assert pulse_histogram(ACTUATIONS.empty()).height == 0
    with pytest.raises(ValueError, match="lock"):
        pulse_lengths(table, VENUE, by=("week",))


def test_histogram_counts_every_pulse_inside_its_bin():
    lengths = [9.9, 10.0, 10.1, 99.0, 100.0, 4000.0]
    table = rows(*(("a", value, "released", 5.0) for value in lengths))
    found = pulse_histogram(table)
    assert found["pulses"].sum() == len(lengths)
    for value in lengths:
        holds = (found["from_ms"] <= value * (1 + 1e-9)) & (found["to_ms"] > value * (1 - 1e-9))
        assert holds.any()
