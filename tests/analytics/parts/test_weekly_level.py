"""Weekly levels of latency: of all locks in one pass as of each by itself."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.parts.weekly_level import weekly_levels
from remanence.shared.tables import ACTUATIONS


def rows_of(lock: str, seed: int, commands: int) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    silent = rng.random(commands) < 0.1
    start = datetime(2026, 1, 5, tzinfo=UTC)
    return ACTUATIONS.conform(pl.DataFrame({
        "lock": lock, "command_time": [start + timedelta(hours=8 * n) for n in range(commands)],
        "outcome": np.where(silent, "no-release", "released"),
        "latency_ms": pl.Series(np.where(silent, None, 40 * np.exp(0.1 * rng.normal(size=commands))
                                         ).tolist(), dtype=pl.Float64),
        "resolution_ms": 10.0, "attempt": rng.integers(1, 3, commands),
        "volts_before": 12 + rng.normal(size=commands), "sag_volts": 0.4 + rng.random(commands),
    })).with_columns(weeks_ago=pl.int_range(commands).reverse() // 21)


def test_locks_beside_each_other_are_told_as_each_by_itself() -> None:
    parts = [rows_of("a", 1, 400), rows_of("b", 2, 30), rows_of("c", 3, 1)]
    together = weekly_levels(pl.concat(parts), ["b"])
    alone = pl.concat(weekly_levels(part, ["b"]) for part in parts)
    assert together.equals(alone)
    assert together.height == pytest.approx(20 + 2, abs=1)
    by_lock = dict(together.group_by("lock").agg(pl.col("log_volts").abs().max()).iter_rows())
    assert by_lock["a"] == 0 < by_lock["b"]
