"""A log that only falls silent now and then is not searched for steps of its clocks."""

from __future__ import annotations

import random
from datetime import UTC, datetime

import polars as pl
import pytest

from remanence.pipelines.clocks import steps
from remanence.pipelines.clocks.steps import StepWatch

START = int(datetime(2026, 11, 2, tzinfo=UTC).timestamp() * 1e6)


class EveryStretch(StepWatch):
    """Searches every stretch."""

    def _in_order(self, frame, following):
        return False


def stretches(rng, step):
    """Three stretches of two controllers, with silences; one's clock may step somewhere."""
    now, rows, off = START, [], 0
    at = rng.randrange(100, 800)
    for line in range(900):
        now += rng.choice([200_000] * 30 + [3_000_000, 90_000_000, 7_200_000_000])
        off += step if line == at else 0
        name = rng.choice(["north", "north", "south"])
        rows.append((line + 1, f"{name}/v", now + (off if name == "north" else 0),
                     rng.random()))
    frame = pl.DataFrame(rows, schema=["line", "channel", "utc", "value"], orient="row"
                         ).with_columns(pl.col("utc").cast(pl.Datetime("us", "UTC")))
    return [frame[:300], frame[300:600], frame[600:]]


def mended(kind, parts):
    watch = kind("a.csv")
    times = [watch.mend(part, after)["utc"].to_list()
             for part, after in zip(parts, [*parts[1:], None], strict=True)]
    return times, watch.events().rows(), watch.last_times


@pytest.mark.parametrize("step", [0, 90_000_000, -90_000_000, 3_600_000_000, -7_200_000_000])
def test_what_is_mended_does_not_depend_on_which_stretches_are_searched(step):
    for seed in range(12):
        parts = stretches(random.Random(seed), step)
        assert mended(StepWatch, parts) == mended(EveryStretch, parts), seed


def test_a_leap_that_the_next_stretch_takes_back_is_no_silence():
    ahead = 7_200_000_000
    rows = [(line, "north/v", START + line * 1_000_000 + (ahead if 280 <= line < 330 else 0), 1.0)
            for line in range(600)]
    frame = pl.DataFrame(rows, schema=["line", "channel", "utc", "value"], orient="row"
                         ).with_columns(pl.col("utc").cast(pl.Datetime("us", "UTC")))
    times, events, _ = mended(StepWatch, [frame[:300], frame[300:]])
    assert [t for part in times for t in part] == [
        datetime.fromtimestamp(START / 1e6 + line, UTC) for line in range(600)]
    assert len(events) > 0


def test_silences_alone_have_no_stretch_searched(monkeypatch):
    def searched(_):
        raise AssertionError

    monkeypatch.setattr(steps, "window_of", searched)
    parts = stretches(random.Random(1), 0)
    assert mended(StepWatch, parts)[0] == [part["utc"].to_list() for part in parts]
