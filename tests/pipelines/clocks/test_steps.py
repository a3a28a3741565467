"""Steps of a clock that says the date: found, mended where something tells, else left and told."""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest

from remanence.pipelines.clocks.step_rules import FALSE_DATE, TAKEN_BACK
from remanence.pipelines.clocks.steps import StepWatch
from remanence.pipelines.clocks.window import Order, bare, spans_of, window_of

START = 1_793_642_591_000_000
SECOND = 1_000_000
HOUR = 3600 * SECOND


@dataclass
class Line:
    """What a log says, and what is true [us]."""

    channel: str
    true: int
    stamp: int
    receipt: int | None = None


def frame_of(lines: list[Line], first: int = 1) -> pl.DataFrame:
    frame = pl.DataFrame({
        "line": np.arange(first, first + len(lines)),
        "channel": [line.channel for line in lines],
        "value": [float((first + i) % 97) for i in range(len(lines))],
        "utc": pl.Series([line.stamp for line in lines]).cast(pl.Datetime("us", "UTC")),
    })
    if lines and lines[0].receipt is not None:
        frame = frame.with_columns(receipt=pl.Series(
            [line.receipt for line in lines]).cast(pl.Datetime("us", "UTC")))
    return frame


def mended(lines: list[Line], chunk: int = 10_000, watch: StepWatch | None = None):
    """The times that come out, and what is told of steps."""
    watch = watch or StepWatch("x")
    frames = [frame_of(lines[at : at + chunk], at + 1) for at in range(0, len(lines), chunk)]
    out = [watch.mend(frame, following) for frame, following in zip(
        frames, [*frames[1:], None], strict=True)]
    return pl.concat(out)["utc"].to_physical().to_list(), watch.events()


def beating(period: int = SECOND, count: int = 600, channel: str = "rail-a", jitter: int = 0,
            seed: int = 1, start: int = START) -> list[Line]:
    rng = random.Random(seed)
    return [Line(channel, t, t) for t in (
        start + i * period + rng.randint(-jitter, jitter) for i in range(count))]


def merged(*parts: list[Line]) -> list[Line]:
    return sorted((line for part in parts for line in part), key=lambda line: line.true)


def off(lines: list[Line], first: int, last: int, by: int, names=("",)) -> list[Line]:
    """The stamps of what happened between two instants are off."""
    for line in lines:
        if first <= line.true < last and line.channel.startswith(tuple(names)):
            line.stamp += by
    return lines


def told(events: pl.DataFrame) -> list[tuple[str, float, bool]]:
    return [(c, round(s, 1), m) for c, s, m in events.filter(pl.col("kind") == "step").select(
        "controller", "seconds", "mended").rows()]


def true(lines: list[Line]) -> list[int]:
    return [line.true for line in lines]


# Steps of a plain clock, alone.


@pytest.mark.parametrize("chunk", [50, 10_000])
def test_a_step_that_nothing_explains_is_told_and_left(chunk):
    lines = off(beating(count=200), START + 100 * SECOND, 2**62, -60 * SECOND)
    times, events = mended(lines, chunk)
    assert times == [line.stamp for line in lines]
    assert told(events) == [("rail-a", -60.0 + 1, False)]
    assert "nothing in the log tells" in events["how"][0]


@pytest.mark.parametrize("by", [HOUR, -HOUR, 90 * SECOND, -7 * SECOND])
@pytest.mark.parametrize("chunk", [300, 10_000])
def test_a_step_that_is_taken_back_is_mended_by_the_beat(by, chunk):
    lines = off(beating(count=900, jitter=3000), START + 200 * SECOND, START + 350 * SECOND, by)
    times, events = mended(lines, chunk)
    assert max(abs(t - line.true) for t, line in zip(times, lines, strict=True)) <= 12_000
    [(_, seconds, done)] = told(events)
    assert done
    assert seconds == pytest.approx(by / 1e6, abs=0.05)
    assert TAKEN_BACK in events["how"][0]
    # The controller's own running time within the stretch is untouched.
    inside = slice(210, 340)
    assert np.diff(times[inside]).tolist() == np.diff([x.stamp for x in lines[inside]]).tolist()


def test_without_a_beat_nothing_tells_how_far_it_went():
    rng = random.Random(3)
    at = START
    lines = []
    for _ in range(400):
        at += rng.randint(1, 60 * SECOND)
        lines.append(Line("north/q1", at, at))
    off(lines, lines[150].true, lines[250].true, -HOUR)
    times, events = mended(lines)
    assert times == [line.stamp for line in lines]
    assert [done for _, _, done in told(events)] == [False]


def test_what_shares_the_clock_is_shifted_with_it():
    rng = random.Random(5)
    edges = [Line(f"north/{rng.choice(['q1', 'i1'])}", t, t) for t in sorted(
        rng.randrange(START, START + 900 * SECOND) for _ in range(60))]
    lines = off(merged(beating(count=900), edges), START + 200 * SECOND, START + 400 * SECOND, HOUR)
    times, events = mended(lines)
    assert max(abs(t - line.true) for t, line in zip(times, lines, strict=True)) <= 1_000
    assert sorted(told(events)) == [("north", 3600.0, True), ("rail-a", 3600.0, True)]


# Beside others.


@pytest.mark.parametrize("by", [HOUR, -HOUR, -30 * SECOND])
@pytest.mark.parametrize("chunk", [700, 10_000])
def test_others_tell_which_side_is_off(by, chunk):
    own, others = beating(channel="a/1", count=1500), beating(
        channel="b/1", count=1500, start=START + 400_000)
    lines = off(merged(own, others), START + 300 * SECOND, START + 1000 * SECOND, by, ("a",))
    times, events = mended(lines, chunk)
    assert max(abs(t - line.true) for t, line in zip(times, lines, strict=True)) <= 2_000
    assert told(events) == [("a", by / 1e6, True), ("a", -by / 1e6, True)]
    assert "as it was before" in events["how"][1]


def test_a_clock_that_was_off_from_the_beginning_is_set_by_the_others():
    own, others = beating(channel="a/1"), beating(channel="b/1", start=START + 400_000)
    lines = off(merged(own, others), 0, START + 100 * SECOND, -5 * HOUR, ("a",))
    times, events = mended(lines)
    assert max(abs(t - line.true) for t, line in zip(times, lines, strict=True)) <= 2_000
    assert told(events) == [("a", 5 * 3600.0, True)]


def _two_channels(count: int = 300) -> list[Line]:
    return merged(*(beating(7 * SECOND, count, f"house/{name}", jitter=SECOND, seed=name)
                    for name in range(20)))


@pytest.mark.parametrize("chunk", [250, 700, 100_000])
def test_an_export_grouped_by_channel_has_no_steps(chunk):
    """All lines of one channel, then all of the next: the time goes back and no clock did."""
    lines = sorted(_two_channels(), key=lambda line: (line.channel, line.true))
    times, events = mended(lines, chunk)
    assert times == [line.stamp for line in lines]
    assert events.is_empty()


def test_a_file_in_no_order_tells_nothing_of_its_clock():
    """Shuffled, or the latest first: looked at once, not once for every line."""
    lines = _two_channels()
    shuffled = random.Random(3).sample(lines, len(lines))
    close = beating(SECOND // 25, 1000)[::-1]
    for disorder in (shuffled, lines[::-1], close):
        times, events = mended(disorder)
        assert times == [line.stamp for line in disorder]
        assert events.is_empty()


def test_a_silence_is_no_step():
    own = [x for x in beating(channel="a/1", count=5000) if not 200 <= (x.true - START) / SECOND
           < 4000]
    for others in (beating(channel="b/1", count=5000, start=START + 400_000),
                   [x for x in beating(channel="b/1", count=5000)
                    if not 210 <= (x.true - START) / SECOND < 3990], []):
        lines = merged(own, others)
        times, events = mended(lines)
        assert times == true(lines)
        assert events.is_empty()


def test_controllers_that_write_in_batches_have_no_steps():
    lines = [Line(name, t, t) for batch in range(20) for name in ("a/1", "b/1")
             for t in range(START + batch * 600 * SECOND, START + (batch + 1) * 600 * SECOND,
                            7 * SECOND)]
    times, events = mended(lines)
    assert times == true(lines)
    assert events.is_empty()


def test_one_that_lags_runs_well():
    lines = [x for t in range(200) for x in (
        Line("a/1", 0, START + t * SECOND), Line("b/1", 0, START + (t - 40) * SECOND))]
    assert mended(lines)[1].is_empty()


def test_lines_out_of_order_and_written_twice_are_no_steps():
    steady = beating(count=200)
    shuffled = [Line(x.channel, x.true, x.stamp - (5 * SECOND if i % 9 == 0 else 0))
                for i, x in enumerate(steady)]
    times, events = mended(shuffled)
    assert times == [x.stamp for x in shuffled]
    assert events.is_empty()
    frame = frame_of(steady)
    again = pl.concat([frame, frame[50:150], frame_of(beating(count=100, start=START + 200 * SECOND
                                                              ), 500)])
    watch = StepWatch("x")
    assert watch.mend(again)["utc"].equals(again["utc"])
    assert watch.events().is_empty()


@pytest.mark.parametrize("by", [HOUR, -40 * SECOND])
def test_the_time_of_receipt_tells(by):
    rng = random.Random(8)
    lines = []
    at = START
    for _ in range(400):  # edges only: no beat
        at += rng.randint(SECOND // 10, 20 * SECOND)
        lines.append(Line("north/q1", at, at, at + rng.randint(1_000, 60_000)))
    off(lines, lines[100].true, lines[300].true, by)
    times, events = mended(lines)
    assert max(abs(t - line.true) for t, line in zip(times, lines, strict=True)) <= 60_000
    assert [done for _, _, done in told(events)] == [True, True]


# False dates.


@pytest.mark.parametrize("date", [5 * SECOND, 1_577_836_800 * SECOND])
def test_a_false_date_until_the_clock_is_set(date):
    lines = beating(count=900)
    restart, was_set = START + 300 * SECOND, START + 345 * SECOND
    lines = [x for x in lines if not restart <= x.true < restart + 20 * SECOND]  # it boots
    off(lines, restart, was_set, date - restart)
    times, events = mended(lines)
    assert max(abs(t - line.true) for t, line in zip(times, lines, strict=True)) <= 1_000
    assert events.filter(pl.col("kind") == "restart").height == 1
    assert FALSE_DATE in events.filter(pl.col("kind") == "step")["how"][0]


def test_a_log_that_begins_with_a_year_before_2000():
    lines = off(beating(count=300), 0, START + 60 * SECOND, -START + 3 * SECOND)
    times, _ = mended(lines)
    assert times == true(lines)


def test_a_date_never_set_right_is_left():
    lines = off(beating(count=300), START + 100 * SECOND, 2**62, 86_400 * SECOND - START)
    times, events = mended(lines)
    assert times == [line.stamp for line in lines]
    assert [done for _, _, done in told(events)] == [False]


# A log that goes on.


@pytest.mark.parametrize("cut", [150, 205, 250, 349, 351, 400])
def test_a_line_that_was_taken_keeps_its_time(cut):
    """Read again from its beginning after it has grown: earlier lines come out as before."""
    lines = off(beating(count=900), START + 200 * SECOND, START + 350 * SECOND, -HOUR)
    watch = StepWatch("x")
    before, _ = mended(lines[:cut], watch=watch)
    again = StepWatch("x", steps=watch.kept(), settled=cut if watch.kept() else 0)
    after, _ = mended(lines, watch=again)
    if watch.kept():
        assert after[:cut] == before
    goes_on = StepWatch("x", watch.last_times, watch.kept())
    rest = goes_on.mend(frame_of(lines[cut:], cut + 1))["utc"].to_physical().to_list()
    assert rest[-1] == lines[-1].true


# Any scenario.


@pytest.mark.parametrize("seed", range(60))
def test_random_steps_never_make_a_time_worse(seed):
    """Against the slow and obvious: what is shifted is shifted to the truth, else left alone."""
    rng = random.Random(seed)
    period = rng.choice([40_000, 200_000, SECOND, 5 * SECOND])
    jitter = rng.choice([0, period // 100, period // 20])
    count = rng.choice([300, 1500])
    span = count * period
    parts = [beating(period, count, "rail-a", jitter, seed)]
    if rng.random() < 0.5:
        parts.append([Line("north/q1", t, t) for t in sorted(
            rng.randrange(START, START + span) for _ in range(80))])
    witness = rng.random() < 0.5
    if witness:
        parts.append(beating(max(period // 2, 100_000), min(2 * count, 3000), "b/1", 0, seed,
                             START + 1_000))
    lines = merged(*parts)
    stretches = []
    at = START + span // 5
    for _ in range(rng.randrange(3)):
        length = rng.randrange(30, 90) * period
        by = rng.choice([-1, 1]) * rng.randrange(70 * SECOND, 8 * HOUR)
        off(lines, at, at + length, by, ("rail-a", "north"))
        stretches.append((at, at + length, by))
        at += length + rng.randrange(40, 80) * period
    times, events = mended(lines, rng.choice([500, 10_000]))
    close = max(jitter * 4, 25_000) + (period // 2 if witness else 0)
    wrong = {line.channel.split("/")[0] for time, line in zip(times, lines, strict=True)
             if abs(time - line.true) > close}
    for time, line in zip(times, lines, strict=True):
        assert abs(time - line.true) <= close or time == line.stamp
    if not stretches:
        assert events.is_empty()
    unmended = set(events.filter(~pl.col("mended"))["controller"])
    assert "rail-a" not in wrong - unmended  # never in silence
    assert not (wrong and witness)  # with one beside it everything is put right
    assert len(stretches) != 1 or not wrong  # and so it is by the beat, where it comes back


@pytest.mark.parametrize("chunk", [10_000, 700])
def test_a_step_that_was_set_right_overnight_ends_with_the_night(chunk):
    night = 13 * HOUR
    evening = merged(beating(SECOND, 900, "rail-a"), beating(7 * SECOND, 128, "south/i1", seed=2))
    morning = merged(beating(SECOND, 900, "rail-a", start=START + night),
                     beating(7 * SECOND, 128, "south/i1", seed=2, start=START + night + 300_000))
    lines = off(evening, START + 200 * SECOND, START + HOUR, -3_000 * SECOND, ("south",)) + morning
    times, events = mended(lines, chunk)
    assert max(abs(a - b) for a, b in zip(times, true(lines), strict=True)) < 2 * SECOND
    # The rail agrees with what the other's mended clock would be off by; its own did not step.
    assert set(events["controller"]) == {"south"}


def test_in_a_log_that_is_in_order_every_leap_is_a_silence():
    # Readings every two minutes: without this each of them would be weighed as a step.
    lines = merged(beating(120 * SECOND, 400, "a/x"), beating(120 * SECOND, 400, "b/x"),
                   beating(3_600 * SECOND, 13, "c/x"))
    window, names = window_of(bare(frame_of(lines)))
    for code in range(len(names)):
        own = np.flatnonzero(window.owner == code)
        assert Order(window).silences(window, own)[1:].all()
    # One whose time runs on while the others go on as before is none.
    ahead = off(lines, START + 200 * 120 * SECOND, START + 99 * HOUR, 5_000 * SECOND, ("b",))
    window, names = window_of(bare(frame_of(ahead)))
    own = np.flatnonzero(window.owner == names.index("b"))
    jump = int(np.argmax(np.diff(window.ticks[own]))) + 1
    assert not Order(window).silences(window, own)[jump]


@pytest.mark.parametrize("ordered", [True, False])
def test_spans_are_each_controllers_first_and_last_time(ordered):
    rng = random.Random(7)
    names = ["a/q1", "a/q2", "b/q1", "c", "d/never"]
    ticks = [rng.randrange(1_000) for _ in range(200)]
    ticks = sorted(ticks) if ordered else ticks
    whose = [rng.choice(names[:-1]) for _ in ticks]
    frame = pl.DataFrame({"channel": pl.Series(whose, dtype=pl.Enum(names)), "utc": ticks})
    told = {name: [t for t, channel in zip(ticks, whose, strict=True)
                   if channel.split("/")[0] == name] for name in "abc"}
    assert spans_of(frame, np.array(ticks)) == {
        name: (min(own), max(own)) for name, own in told.items()}
