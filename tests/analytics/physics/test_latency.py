"""Release latency: what must matter, what must not, and what thin data give."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import polars.selectors as cs
import pytest
from polars.testing import assert_frame_equal

from remanence.analytics.physics.latency import quantile_name, release_latency, with_week
from remanence.analytics.statistics.survival import product_limit
from remanence.shared.errors import TableError
from remanence.shared.tables import ACTUATIONS

DAY = datetime(2026, 3, 1, tzinfo=UTC)


def table(rows):
    """Actuations out of (lock, outcome, latency, waited[, kind])."""
    return ACTUATIONS.conform(pl.DataFrame([
        {
            "lock": row[0], "command_time": DAY + timedelta(minutes=index), "outcome": row[1],
            "latency_ms": row[2], "waited_ms": row[3],
            "latency_from": row[4] if len(row) > 4 else "catch", "resolution_ms": 1.0,
        }
        for index, row in enumerate(rows)
    ]))


@pytest.fixture(scope="module")
def busy_week():
    rng = np.random.default_rng(11)
    rows = []
    for lock in ("a", "b", "c"):
        for _ in range(60):
            latency = float(rng.lognormal(4, 0.3))
            if latency < 90:
                rows.append((lock, "released", latency, latency))
            else:
                rows.append((lock, "no-release", None, 90.0))
    return table(rows)


def test_the_worked_example():
    drawer = table([("drawer", "released", 61.0, 61.0), ("drawer", "released", 64.0, 64.0),
                    ("drawer", "no-release", None, 500.0)])
    found = release_latency(drawer).select("lock", "commands", "released", "p50_ms", "p99_ms")
    assert found.rows() == [("drawer", 3, 2, 64.0, None)]


def test_row_order_does_not_matter(busy_week):
    shuffled = busy_week.sample(fraction=1, shuffle=True, seed=1)
    assert_frame_equal(release_latency(shuffled), release_latency(busy_week))


def test_milliseconds_in_milliseconds_out(busy_week):
    stretched = busy_week.with_columns(pl.col("latency_ms", "waited_ms", "resolution_ms") * 8)
    expected = release_latency(busy_week).with_columns(cs.ends_with("_ms") * 8)
    assert_frame_equal(release_latency(stretched), expected)


def test_each_lock_alone_gives_the_same_row(busy_week):
    apart = [release_latency(one) for one in busy_week.partition_by("lock")]
    assert_frame_equal(pl.concat(apart).sort("lock"), release_latency(busy_week))


def test_grouped_and_single_estimates_are_the_same(busy_week):
    one = busy_week.filter(pl.col("lock") == "b")
    released = one["outcome"] == "released"
    curve = product_limit(one["latency_ms"].fill_null(90.0), released)
    row = release_latency(busy_week).filter(pl.col("lock") == "b").row(0, named=True)
    for probability in (0.05, 0.5, 0.9):
        name = quantile_name(probability)
        found = (row[f"{name}_ms"], row[f"{name}_low_ms"], row[f"{name}_high_ms"])
        assert found == curve.quantile(probability)


def test_an_unanswered_command_never_makes_a_lock_look_faster(busy_week):
    silent = busy_week.with_columns(
        outcome=pl.lit("no-release"), latency_ms=pl.lit(None, pl.Float64)
    )
    worse = release_latency(pl.concat([busy_week, silent.gather_every(5)]))
    better = release_latency(busy_week)
    for name in ("p05_ms", "p50_ms"):
        assert (worse[name] >= better[name]).all()
    assert (worse["p50_ms"] > better["p50_ms"]).any()


def test_kinds_are_never_pooled():
    mixed = table([("a", "released", 20.0, 20.0, "catch"), ("a", "released", 900.0, 900.0, "door"),
                   ("a", "released", 30.0, 30.0, "supply")])
    found = release_latency(mixed)
    assert found.select("latency_from", "commands").rows() == [
        ("catch", 1), ("door", 1), ("supply", 1)
    ]


def test_an_unanswered_row_without_kind_counts_with_its_lock():
    rows = table([("a", "released", 20.0, 20.0, "catch"), ("a", "no-release", None, 90.0, None)])
    assert release_latency(rows).select("latency_from", "commands", "censored").rows() == [
        ("catch", 2, 1)
    ]


def test_rows_without_latency_are_passed_over():
    rows = table([("a", "already-open", None, 50.0), ("a", "unobserved", None, 50.0)])
    assert release_latency(rows).height == 0
    assert release_latency(ACTUATIONS.empty()).height == 0


def test_never_released_is_longer_than_we_waited():
    row = release_latency(table([("a", "no-release", None, 90.0)] * 8)).row(0, named=True)
    assert row["p50_ms"] is None
    assert row["p50_high_ms"] is None
    assert row["p50_low_ms"] == 90.0


def test_limits_enclose_the_estimate(busy_week):
    row = release_latency(busy_week)
    for name in ("p05", "p50", "p90"):
        value, low, high = (row[f"{name}{end}_ms"] for end in ("", "_low", "_high"))
        assert (low <= value).all()
        assert (high.fill_null(float("inf")) >= value.fill_null(0)).all()


def test_intervals_of_the_median_hold_their_coverage():
    # 12 releases a week, the slowest fifth cut off: 95 % limits must cover in 95 % of weeks.
    rng = np.random.default_rng(3)
    weeks, size, median = 800, 12, np.exp(4.0)
    stop = float(np.exp(4.0 + 0.3 * 0.84))
    latency = rng.lognormal(4.0, 0.3, (weeks, size))
    frame = pl.DataFrame({
        "lock": np.repeat([f"{week:03d}" for week in range(weeks)], size),
        "command_time": [DAY] * (weeks * size),
        "outcome": np.where(latency.ravel() < stop, "released", "no-release"),
        "latency_ms": np.where(latency.ravel() < stop, latency.ravel(), np.nan),
        "waited_ms": np.minimum(latency.ravel(), stop),
        "latency_from": ["catch"] * (weeks * size),
    }).with_columns(pl.col("latency_ms").fill_nan(None))
    found = release_latency(ACTUATIONS.conform(frame))
    inside = (found["p50_low_ms"] <= median) & (
        found["p50_high_ms"].fill_null(float("inf")) >= median
    )
    # Binomial scatter of 800 weeks at 95 %: 0.0077; three of them below is the floor.
    assert inside.mean() >= 0.95 - 0.023
    tail = found["p95_high_ms"].fill_null(float("inf"))
    assert (tail >= np.exp(4.0 + 0.3 * 1.6449)).mean() >= 0.95


def polled(true, period, phase):
    """Releases as a controller stamps them that looks every ``period`` ms."""
    return np.ceil((true - phase) / period) * period + phase


def test_polled_releases_are_placed_inside_their_step():
    rng = np.random.default_rng(7)
    inside = late = 0
    for _ in range(150):
        true = rng.normal(60, 8, 40)
        stamps = polled(true, 20.0, rng.uniform(0, 20))
        rows = table([("a", "released", value, value) for value in stamps]).with_columns(
            resolution_ms=pl.lit(20.0)
        )
        placed = release_latency(rows, quantiles=(0.5,), within_resolution=True)
        plain = release_latency(rows, quantiles=(0.5,))
        inside += placed["p50_low_ms"][0] <= 60 <= placed["p50_high_ms"][0]
        late += plain["p50_ms"][0] - 60
    # As stamped the median is late by about half a step; placed, its interval holds.
    assert late / 150 == pytest.approx(10, abs=3)
    assert inside / 150 >= 0.90  # the even spread is an approximation: a little under 95 %


def test_single_releases_go_to_the_middle_and_unanswered_ones_stay():
    rows = table([("a", "released", 40.0, 40.0), ("a", "no-release", None, 90.0)]).with_columns(
        resolution_ms=pl.lit(10.0)
    )
    found = release_latency(rows, quantiles=(0.5,), within_resolution=True)
    assert found["p50_ms"][0] == 35.0
    assert found["censored"][0] == 1


def test_weeks_are_cut_in_the_venue_zone():
    late_sunday = datetime(2026, 3, 1, 23, 30, tzinfo=UTC)  # already Monday in Helsinki
    frame = table([("a", "released", 1.0, 1.0)]).with_columns(
        command_time=pl.lit(late_sunday, ACTUATIONS.schema["command_time"])
    )
    assert with_week(frame, ZoneInfo("Europe/Lisbon"))["week"][0] == "2026-W09"
    assert with_week(frame, ZoneInfo("Europe/Helsinki"))["week"][0] == "2026-W10"


def test_every_missing_column_is_named():
    with pytest.raises(TableError, match=r"outcome.*latency_ms.*waited_ms"):
        release_latency(pl.DataFrame({"lock": ["a"]}))


@pytest.mark.parametrize("bad", [{"confidence": 1.0}, {"quantiles": (1.5,)}, {"limits": "wald"}])
def test_settings_out_of_range_are_refused(bad, busy_week):
    with pytest.raises(ValueError, match="must be"):
        release_latency(busy_week, **bad)
