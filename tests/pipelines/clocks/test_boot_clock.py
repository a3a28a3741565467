"""Counters since boot: wraps told apart from restarts, anchors, latencies untouched."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from remanence.pipelines.clocks.boot_clock import BootClock
from remanence.shared.log_format import LogFormat
from remanence.shared.venue import Venue

VENUE = Venue(id="v", name="v", time_zone="Europe/Lisbon")
START = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)


def utc(seconds):
    return START + timedelta(seconds=seconds)


def stamp(moment):
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def convert(rows, chunk=10_000, form="boot-ms", wraps_at=2**32, **words):
    """``rows`` of (count, true time or None[, boot]); gives times, runs, faults, events."""
    log = LogFormat(files=("x",), time_format=form, wraps_at=wraps_at,
                    **{k: v for k, v in words.items() if k == "started"})
    clock = BootClock(VENUE, log, "x", fallback=utc(9e5), **{
        k: v for k, v in words.items() if k != "started"})
    frame = pl.DataFrame({
        "line": list(range(1, len(rows) + 1)),
        "time": [None if row[0] is None else str(row[0]) for row in rows],
        "channel": "north/q1", "quantity": "command", "value": "1",
        "wall": pl.Series([stamp(row[1]) if row[1] else None for row in rows], dtype=pl.String),
        **({"boot": [row[2] for row in rows]} if rows and len(rows[0]) > 2 else {}),
    }, schema_overrides={"time": pl.String})
    pieces = [frame[i : i + chunk] for i in range(0, frame.height, chunk)]
    for piece in pieces:
        clock.survey(piece)
    out = pl.concat([clock.convert(piece) for piece in pieces])
    return out, clock.clock_events()


@pytest.mark.parametrize("chunk", [1, 3, 1000])
def test_one_anchor_serves_the_whole_run_before_and_after(chunk):
    rows = [(t * 1000, utc(t) if t == 40 else None) for t in range(0, 100, 10)]
    out, events = convert(rows, chunk)
    assert out["utc"].to_list() == [utc(t) for t in range(0, 100, 10)]
    assert out["fault"].null_count() == len(rows)
    assert out["run"].n_unique() == 1
    assert events.is_empty()


@pytest.mark.parametrize(("form", "wraps_at", "unit"), [
    ("boot-ms", 2**16, 1e-3), ("boot-ms", 2**31, 1e-3), ("boot-ms", 2**32, 1e-3),
    ("boot-us", 2**32, 1e-6), ("boot-us", 2**31, 1e-6),
])
@pytest.mark.parametrize("chunk", [4, 1000])
def test_a_wrap_goes_on_and_is_noted(form, wraps_at, unit, chunk):
    span = wraps_at * unit
    seconds = [span * share for share in (0.93, 0.95, 0.97, 0.99, 1.01, 1.03, 1.05)]
    rows = [(round(s / unit) % wraps_at, utc(s) if i == 0 else None)
            for i, s in enumerate(seconds)]
    out, events = convert(rows, chunk, form, wraps_at)
    found = [(t - utc(0)).total_seconds() for t in out["utc"]]
    assert found == pytest.approx(seconds, abs=2e-3)
    assert out["run"].n_unique() == 1
    assert events.select("kind", "mended", "line").rows() == [("wrap", True, 5)]


@pytest.mark.parametrize("chunk", [2, 1000])
def test_a_restart_is_no_wrap_and_needs_an_anchor_of_its_own(chunk):
    before = [(t * 1000, utc(t) if t == 5 else None) for t in range(5)] + [(5000, utc(5))]
    after = [(t * 1000, utc(1000 + t) if t == 3 else None) for t in range(1, 5)]
    out, events = convert(before + after, chunk)
    assert out["utc"].to_list() == [utc(t) for t in range(6)] + [utc(1000 + t)
                                                               for t in range(1, 5)]
    assert out["run"].rle_id().to_list() == [0] * 6 + [1] * 4
    assert events.select("kind", "mended", "line", "time").rows() == [
        ("restart", True, 7, utc(1001))]
    out, events = convert(before + [(t, None) for t, _ in after], chunk)
    assert out["fault"].is_null().to_list() == [True] * 6 + [False] * 4
    assert "true time the log does not tell" in out["fault"][-1]
    assert events.select("kind", "mended", "time").rows() == [("unanchored", False, utc(5))]


def test_a_restart_high_up_the_range_is_known_by_the_boot_number():
    rows = [(int(2**32 * 0.95), utc(0), "7"), (100, utc(500), "8"), (200, None, "8")]
    out, events = convert(rows)
    assert out["utc"].to_list() == [utc(0), utc(500), utc(500.1)]
    assert events["kind"].to_list() == ["restart"]


def test_lines_out_of_order_are_no_restart():
    rows = [(60_000, utc(60)), (60_020, None), (60_015, None), (60_300, None)]
    out, events = convert(rows)
    assert out["utc"].to_list() == [utc(60), utc(60.02), utc(60.015), utc(60.3)]
    assert events.is_empty()


def test_latencies_are_the_controllers_own_however_the_anchors_jitter():
    # A resonator 0.5 % fast, true time in whole seconds each minute, game after game.
    rng = random.Random(2)
    rows, true, latencies = [], 0.0, []
    for _ in range(300):
        true += rng.uniform(5, 400)
        for after in (0.0, 0.0654):
            count = round((true + after) * 1005)
            rows.append((count, utc(int(true)) if rng.random() < 0.3 else None))
        latencies.append(rows[-1][0] - rows[-2][0])
    out, _ = convert(rows)
    ticks = out["utc"].dt.epoch("ms").to_list()
    assert [b - a for a, b in zip(ticks[::2], ticks[1::2], strict=True)] == latencies
    last = (out["utc"][-1] - utc(true)).total_seconds()
    assert abs(last) < 20  # without re-anchoring it would be 0.5 % of 17 hours: 5 minutes


def test_a_file_that_grows_gives_its_earlier_records_the_same_times():
    rng = random.Random(5)
    rows, true = [], 0.0
    for _ in range(200):
        true += rng.choice([0.1, 5, 200])
        rows.append((round(true * 1003), utc(int(true)) if rng.random() < 0.2 else None))
    rows[0] = (rows[0][0], utc(0))
    whole, _ = convert(rows)
    for length in (1, 17, 60, 150):
        part, _ = convert(rows[:length])
        assert part["utc"].to_list() == whole["utc"].to_list()[:length]
        assert part["run"].to_list() == whole["run"].to_list()[:length]


def test_a_clock_that_was_not_set_is_no_anchor():
    rows = [(0, datetime(1970, 1, 1, tzinfo=UTC)), (1000, None), (9000, utc(9)), (10_000, None)]
    out, _ = convert(rows)
    assert out["utc"].to_list() == [utc(0), utc(1), utc(9), utc(10)]


def test_a_step_of_the_true_time_is_mended_at_the_next_quiet_minute():
    rows = [(0, utc(0)), (1000, utc(1)), (2000, utc(3602)), (3000, None), (100_000, None)]
    out, events = convert(rows)
    assert out["utc"].to_list() == [utc(0), utc(1), utc(2), utc(3), utc(3700)]
    assert events.select("kind", "seconds", "mended").rows() == [("step", 3600.0, True)]


@pytest.mark.parametrize(("words", "first"), [
    ({"started": "2026-11-02T18:00:00Z"}, 50.0), ({"started": "2026-11-02T18:00:00"}, 50.0),
    ({"start": utc(7)}, 57.0), ({"first": utc(7)}, 7.0),
])
def test_a_start_that_is_stated(words, first):
    out, _ = convert([(50_000, None), (51_000, None)], **words)
    assert out["utc"].to_list() == [utc(first), utc(first + 1)]


@pytest.mark.parametrize("count", ["x", "", "-5", "nan", "1e400", "99999999999999999999", None])
def test_a_count_that_is_none_is_set_aside_and_the_rest_taken(count):
    out, _ = convert([(1000, utc(1)), (count, None), (2000, None)])
    assert out["utc"].to_list() == [utc(1), None, utc(2)]
    assert out["fault"].is_null().to_list() == [True, False, True]
