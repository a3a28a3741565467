"""Stretches in the order of time are told as any other, though only shared stamps are looked at."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.ingest import ticks
from remanence.pipelines.ingest.ticks import Ticks
from remanence.pipelines.store.name_codes import QUANTITY, names_type
from remanence.shared.tables import SIGNALS

CHANNELS = names_type([f"{unit}/{name}" for unit in ("east", "north") for name in "ab"])


def stretches(seed: int) -> list[pl.DataFrame]:
    """A log in the order of time whose stamps are often shared, cut anywhere."""
    rng = np.random.default_rng(seed)
    size = 400
    time = np.sort(rng.integers(0, size // int(rng.integers(4, 8)), size)) * 1000
    line = np.sort(rng.integers(1, size, size))
    frame = pl.DataFrame({
        "time": pl.Series(time).cast(SIGNALS.schema["time"]),
        "channel": pl.Series(rng.choice(CHANNELS.categories.to_list(), size), dtype=CHANNELS),
        "quantity": pl.Series(rng.choice(["command", "contact"], size), dtype=QUANTITY),
        "value": rng.integers(0, 2, size).astype(float),
        "run": np.zeros(size, np.int64), "line": line})
    cuts = sorted({0, size, *rng.integers(1, size, 6).tolist()})
    return [frame[a:b] for a, b in pairwise(cuts)]


def all_told(parts: list[pl.DataFrame]) -> tuple[pl.DataFrame, dict]:
    watch = Ticks()
    told = pl.concat([watch.told(part) for part in parts])
    return told, watch.kept()


@pytest.mark.parametrize("seed", range(40))
def test_shared_stamps_alone_tell_what_all_rows_do(seed, monkeypatch):
    parts = stretches(seed)
    quick, kept = all_told(parts)
    monkeypatch.setattr(ticks, "MOST_ALIKE", 0)  # then all rows of a stretch are looked at
    slow, kept_then = all_told(parts)
    assert_frame_equal(quick, slow)
    assert kept == kept_then
    assert quick["place"].max() > 0
    assert quick.height < 400


def test_the_logs_above_have_values_that_come_back_within_a_stamp():
    assert sum(all_told(stretches(seed))[0]["again"].max() > 0 for seed in range(40)) > 20
