"""What the supply shows of a command, against rails whose levels were chosen."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.pairing.rules import pair
from remanence.shared.tables import SIGNALS
from remanence.shared.venue import Lock, Supply, Venue

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
IDLE = 12.2


def latch(name: str, number: int, **more) -> Lock:
    return Lock(id=name, guards="container", mechanism="latch", released_by="power-on",
                supply="rail", command=f"n/q{number}", **more)


def magnet(name: str, number: int) -> Lock:
    return Lock(id=name, guards="container", mechanism="magnet", released_by="power-off",
                supply="rail", command=f"n/q{number}")


class Rail:
    """A log of commands and of a rail that sags by what is on."""

    def __init__(self, *locks: Lock, noise: float = 0.01, seed: int = 1):
        self.venue = Venue(id="v", name="V", time_zone="UTC", locks=locks,
                           supplies=(Supply("rail", 12.0, channel="rail"),))
        self.loads: list[tuple[float, float, float]] = []
        self.records: list[tuple[float, str, str, float]] = []
        self.rng, self.noise = np.random.default_rng(seed), noise

    def command(self, lock: Lock, start: float, end: float) -> None:
        on = lock.command_energised if lock.pulsed else 1 - lock.command_energised
        self.records += [(start, lock.command, "command", on),
                         (end, lock.command, "command", 1 - on)]

    def load(self, start: float, end: float, volts: float) -> None:
        self.loads.append((start, end, volts))

    def sample(self, times, extra=0.0) -> None:
        times = np.asarray(times, float)
        level = IDLE - sum((times > a) * (times <= b) * v for a, b, v in self.loads)
        level = level + extra + self.noise * self.rng.standard_normal(times.size)
        self.records += [(t, "rail", "volts", v) for t, v in zip(times, level, strict=True)]

    def usual(self, at: float, step: float = 0.005) -> None:
        """1 Hz before, a burst from 0.2 s before to 1 s after ``at``."""
        self.sample(np.arange(at - 60.5, at - 0.3, 1.0))
        self.sample(np.arange(at - 0.2, at + 1.0, step) + 0.0007)

    def rows(self) -> list[dict]:
        frame = pl.DataFrame(
            [(NOON + timedelta(seconds=round(t, 6)), c, q, float(v), 0, "a", 1, 0, 0)
             for t, c, q, v in self.records], schema=SIGNALS.schema, orient="row")
        return pair(frame, self.venue).actuations.to_dicts()


def test_a_latch_loads_its_rail_while_it_is_on():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 0.3)
    rail.load(0, 0.3, 0.6)
    rail.usual(0)
    [row] = rail.rows()
    assert row["volts_before"] == pytest.approx(IDLE, abs=0.01)
    assert row["sag_volts"] == pytest.approx(0.6, abs=0.01)
    assert row["volts_min"] == pytest.approx(IDLE - 0.6, abs=0.04)
    assert row["sag_ms"] == pytest.approx(300, abs=6)
    assert row["cut_ms"] is None
    assert (row["sag_pulses"], row["sag_outlasts_ms"]) == (1, 0.0)
    assert row["recovery_ms"] == pytest.approx(3, abs=5)
    assert row["sample_ms"] == pytest.approx(5.0)
    # Scatter of 10 mV from some fifty readings.
    assert row["volts_noise"] == pytest.approx(0.010, rel=0.4)


def test_a_magnet_unloads_its_rail_at_the_command():
    lock = magnet("m", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 5)
    rail.load(-100, 0, 0.2)
    rail.load(5, 100, 0.2)
    rail.usual(0)
    [row] = rail.rows()
    assert row["volts_before"] == pytest.approx(IDLE - 0.2, abs=0.01)
    assert row["sag_volts"] == pytest.approx(0.2, abs=0.01)
    assert row["off_spike_volts"] == pytest.approx(0.2, abs=0.05)
    assert row["sag_ms"] is None


def test_the_end_of_the_sag_is_the_release_of_a_lock_that_cuts_itself():
    lock = latch("f5", 1, self_cut=True)
    rail = Rail(lock)
    rail.command(lock, 0, 0.4)
    rail.load(0, 0.0582, 0.5)
    rail.usual(0)
    [row] = rail.rows()
    assert (row["outcome"], row["latency_from"]) == ("released", "supply")
    assert row["latency_ms"] - row["resolution_ms"] <= 58.2 <= row["latency_ms"]
    assert row["cut_ms"] == row["latency_ms"]
    assert row["sag_volts"] == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(("depth", "until", "outcome"), [
    (0.5, 0.4, "no-release"), (0.0, 0.0, "unobserved"), (0.03, 0.05, "unobserved")])
def test_a_sag_that_says_nothing_of_a_release(depth, until, outcome):
    lock = latch("f5", 1, self_cut=True)
    rail = Rail(lock)
    rail.command(lock, 0, 0.4)
    rail.load(0, until, depth)
    rail.usual(0)
    [row] = rail.rows()
    assert (row["outcome"], row["latency_ms"]) == (outcome, None)
    assert row["waited_ms"] == pytest.approx(400.0)


def test_a_buzzing_catch_sags_several_times():
    lock = latch("f5", 1, self_cut=True)
    rail = Rail(lock)
    rail.command(lock, 0, 0.4)
    for start in (0.0, 0.1, 0.2):
        rail.load(start, start + 0.04, 0.5)
    rail.usual(0)
    [row] = rail.rows()
    assert row["sag_pulses"] == 3
    assert row["latency_ms"] == pytest.approx(43, abs=4)


def test_a_load_that_outlasts_its_command():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 0.3)
    rail.load(0, 0.55, 0.6)
    rail.usual(0)
    [row] = rail.rows()
    assert row["sag_outlasts_ms"] == pytest.approx(250, abs=6)
    welded = Rail(lock)
    welded.command(lock, 0, 0.3)
    welded.load(0, 50, 0.6)
    welded.usual(0)
    [row] = welded.rows()
    assert row["sag_outlasts_ms"] > 600


def test_a_load_that_outlasts_its_command_shows_where_one_reading_falls_into_it():
    # 1 Hz: the reading at 0.2 s is the only one of the pulse, and it is early in it.
    lock = latch("a", 1)
    figures = []
    for end in (0.6, 50):
        rail = Rail(lock)
        rail.command(lock, 0, 0.6)
        rail.load(0, end, 0.6)
        rail.sample(np.arange(-60, 12) + 0.2)
        [row] = rail.rows()
        figures.append((row["sag_volts"], row["sag_outlasts_ms"]))
    assert figures[0] == pytest.approx((0.6, 0.0), abs=0.05)
    assert figures[1][0] == pytest.approx(0.6, abs=0.05)
    assert figures[1][1] == pytest.approx(1600, abs=1)


def test_an_over_voltage_at_switch_off():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 0.3)
    rail.load(0, 0.3, 0.6)
    rail.usual(0)
    rail.sample([0.3031], extra=4.0)
    [row] = rail.rows()
    assert row["off_spike_volts"] == pytest.approx(4.0, abs=0.05)
    coarse = Rail(lock)
    coarse.command(lock, 0, 0.3)
    coarse.load(0, 0.3, 0.6)
    coarse.usual(0, step=0.02)
    assert coarse.rows()[0]["off_spike_volts"] is None
    hundred_hertz = Rail(lock)
    hundred_hertz.command(lock, 0, 0.3)
    hundred_hertz.load(0, 0.3, 0.6)
    hundred_hertz.usual(0, step=0.01)
    assert hundred_hertz.rows()[0]["off_spike_volts"] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("offset", [-0.15, 0.0, 0.1, 0.25])
def test_a_neighbours_switching_makes_a_figure_null_never_wrong(offset):
    lock, other = latch("a", 1), latch("b", 2)
    rail = Rail(lock, other)
    rail.command(lock, 0, 0.3)
    rail.load(0, 0.3, 0.6)
    rail.command(other, offset, offset + 0.3)
    rail.load(offset, offset + 0.3, 0.9)
    rail.usual(0)
    row = next(r for r in rail.rows() if r["lock"] == "a")
    for name, true in (("sag_volts", 0.6), ("volts_before", IDLE)):
        assert row[name] is None or row[name] == pytest.approx(true, abs=0.02), (name, row[name])
    assert (row["sag_volts"] is not None) == (offset in (0.1, 0.25))


def test_idle_readings_alone_support_little():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 0.3)
    rail.load(0, 0.3, 0.6)
    rail.sample(np.arange(-60.6, 5, 1.0))
    [row] = rail.rows()
    assert row["volts_before"] == pytest.approx(IDLE, abs=0.03)
    assert row["volts_samples"] == 0
    for name in ("sag_volts", "volts_min", "sag_ms", "off_spike_volts", "sag_pulses",
                 "recovery_ms", "cut_ms"):
        assert row[name] is None, name


def test_irregular_sampling_supports_the_same_figures():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 0.3)
    rail.load(0, 0.3, 0.6)
    rail.sample(np.sort(rail.rng.uniform(-60, -0.2, 50)))
    rail.sample(np.sort(rail.rng.uniform(-0.2, 1.0, 400)))
    [row] = rail.rows()
    assert row["sag_volts"] == pytest.approx(0.6, abs=0.02)
    assert row["sag_ms"] == pytest.approx(300, abs=15)


def test_no_rail_no_figures():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 0, 0.3)
    [row] = rail.rows()
    assert row["volts_before"] is None
    assert row["sag_volts"] is None


def test_the_coils_own_current():
    lock, held = latch("a", 1), magnet("m", 2)
    rail = Rail(lock, held)
    rail.command(lock, 0, 0.3)
    rail.command(held, 20, 30)
    rail.records += [(t, lock.command, "amps", 1.2 * (1 - np.exp(-t / 0.01)))
                     for t in np.arange(0.005, 0.3, 0.01)]
    rail.records += [(t, held.command, "amps", 0.5) for t in (18.5, 19.0, 19.5)]
    found = {row["lock"]: row["amps"] for row in rail.rows()}
    assert found == {"a": pytest.approx(1.2, abs=0.01), "m": pytest.approx(0.5)}


def test_hours_leave_out_what_pulses_load():
    lock = latch("a", 1)
    rail = Rail(lock)
    rail.command(lock, 100, 160)
    rail.load(100, 160, 0.6)
    rail.sample(np.arange(0.5, 3600, 1.0))
    signals = pl.DataFrame(
        [(NOON + timedelta(seconds=t), c, q, float(v), 0, "a", 1, 0, 0)
         for t, c, q, v in rail.records], schema=SIGNALS.schema, orient="row")
    [hour] = pair(signals, rail.venue).rail_hours.to_dicts()
    assert hour["samples"] == 3600
    assert hour["idle_samples"] == 3600 - 64  # 60 s, and 2 s either side
    assert hour["idle_low"] > IDLE - 0.05
    assert hour["idle_deviation"] == pytest.approx(0.01, rel=0.1)


def test_a_rail_read_from_the_command_on_is_at_rest_again_after_the_pulse():
    """A logger that reads around commands only has no reading before: the plateau after counts."""
    lock = latch("one", 1)
    rail, other = Rail(lock), Rail(lock)
    for log in (rail, other):
        log.command(lock, 100, 100.3)
        log.load(100, 100.3, 0.6)
        log.records.append((3600.0, "n/q1", "command", 0.0))
    other.usual(100)
    rail.sample(np.arange(100.0007, 101.2, 0.005))
    [lone], [whole] = rail.rows(), other.rows()
    assert lone["volts_before"] == pytest.approx(IDLE, abs=0.01)
    assert lone["sag_volts"] == pytest.approx(whole["sag_volts"], abs=0.02)
    assert lone["volts_noise"] == pytest.approx(0.01, rel=0.5)


def test_what_is_still_on_after_the_pulse_is_no_level_at_rest():
    one, two = latch("one", 1), latch("two", 2)
    rail = Rail(one, two)
    rail.command(one, 100, 100.3)
    rail.command(two, 100.2, 100.9)
    rail.load(100, 100.3, 0.6)
    rail.load(100.2, 100.9, 0.6)
    rail.sample(np.arange(100.0007, 101.2, 0.005))
    assert rail.rows()[0]["volts_before"] is None


def test_two_readings_before_a_command_leave_the_noise_to_the_pulse():
    """A logger that reads from a moment before each command tells how long its load lasted."""
    lock = latch("one", 1)
    rail = Rail(lock)
    rail.command(lock, 100, 100.3)
    rail.load(100, 100.3, 0.6)
    rail.sample(np.arange(99.9857, 100.4, 0.01))
    [row] = rail.rows()
    assert row["volts_noise"] == pytest.approx(0.01, rel=0.5)
    assert row["sag_ms"] == pytest.approx(300, abs=11)
    assert row["sag_outlasts_ms"] == 0.0


def test_a_second_try_is_held_against_the_rail_at_rest_and_not_against_the_first_one():
    # Read around commands only: most readings of the two seconds before are of the first pulse.
    lock = latch("a", 1)
    rail = Rail(lock)
    for start in (0.0, 0.8):
        rail.command(lock, start, start + 0.3)
        rail.load(start, start + 0.3, 0.6)
        rail.sample(np.arange(start - 0.06, start + 0.39, 0.002) + 0.0007)
    for row in rail.rows():
        assert row["volts_before"] == pytest.approx(IDLE, abs=0.01)
        assert row["sag_volts"] == pytest.approx(0.6, abs=0.01)
        assert row["off_spike_volts"] == pytest.approx(0.0, abs=0.05)
