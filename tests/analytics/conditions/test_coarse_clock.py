"""A clock that counts too coarsely: its figures are not told, and nothing rests on them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.coarse_clock import TIMED, coarse_locks
from remanence.analytics.conditions.condition import catalogue
from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.conditions.outcomes import no_release
from remanence.analytics.drift.judge import drifts
from remanence.analytics.health import health
from remanence.analytics.history import History
from remanence.analytics.pairing.rules import pair
from remanence.analytics.timing.gather import timing
from remanence.shared.tables import ACTUATIONS, SIGNALS
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week

BEGIN = datetime(2026, 3, 2, 12, tzinfo=UTC)
LATCH = Lock(
    id="latch", guards="container", mechanism="latch", released_by="power-on", supply="rail",
    command="north/q1", contact="north/i1", contact_closed_when="locked", max_on_ms=500)
MAGNET = replace(
    LATCH, id="magnet", mechanism="magnet", released_by="power-off", command="south/q1",
    contact="south/i1", contact_senses="armature", max_on_ms=None)
VENUE = Venue(id="v", name="V", time_zone="UTC", locks=(LATCH, MAGNET),
              supplies=(Supply("rail", 12.0),))


def history(step_ms: float, slower: float = 1.0, from_day: int = 0) -> History:
    """Eight weeks of healthy releases; the last two weeks may be slower.

    Stamped in steps from that day on, and in milliseconds until then.
    """
    rng = np.random.default_rng(3)
    rows = []
    for day in range(56):
        for game in range(6):
            start = day * 86_400 + game * 3600 + rng.random()
            late = slower if day >= 42 else 1.0
            for lock, on, pulse, latency in ((LATCH, 1, 0.3, 0.06), (MAGNET, 0, 60.0, 0.4)):
                release = latency * late * rng.normal(1.0, 0.05)
                rows += [(start, lock.command, "command", on),
                         (start + release, lock.contact, "contact", 0),
                         (start + pulse, lock.command, "command", 1 - on),
                         (start + pulse + 5, lock.contact, "contact", 1)]
    rows.sort()
    told, place, last = [], 0, None
    for seconds, channel, quantity, value in rows:
        step = step_ms if seconds >= from_day * 86_400 else 1.0
        tick = int(seconds * 1000 / step)
        place = place + 1 if (tick, step) == last else 0
        last = tick, step
        told.append((BEGIN + timedelta(milliseconds=tick * step), channel, quantity,
                     float(value), 0, "a", len(told), place, 0))
    signals = pl.DataFrame(told, schema=SIGNALS.schema, orient="row")
    return History.of(VENUE, Week.of(BEGIN.date() + timedelta(days=55)),
                      **pair(signals, VENUE).tables())


def test_days_whose_clock_has_become_coarse_tell_no_level():
    judged = drifts(history(1000, from_day=52)).current
    assert {name: one.days.day[-1] for name, one in judged.items()} == {"latch": 2, "magnet": 2}
    assert judged["magnet"].now_ms == pytest.approx(400, rel=0.05)
    # Where it was never finer, all days are looked at: nothing is said of them elsewhere.
    assert min(one.days.day[-1] for one in drifts(history(1000)).current.values()) > 2


def test_every_name_is_that_of_a_condition():
    assert set(catalogue()) >= TIMED


@pytest.mark.parametrize(("step_ms", "coarse"), [
    (1, set()), (10, set()), (100, {"latch"}), (1000, {"latch", "magnet"})])
def test_ten_ticks_a_pulse_are_the_least(step_ms, coarse):
    assert set(coarse_locks(history(step_ms))) == coarse


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("slower", [1.0, 1.6])
def test_nothing_is_said_of_a_healthy_latch_that_is_stamped_to_the_second(slower):
    found = [item for item in diagnose(history(1000, slower)) if item.subject_kind == "lock"]
    assert found == []


def test_the_same_slowing_is_told_with_a_fine_clock():
    assert {"sticking-catch", "slow-drop"} <= {
        item.condition for item in diagnose(history(1, 1.6))}


def test_the_sheets_say_that_it_cannot_be_measured():
    rough, fine = history(1000), history(1)
    assert [(lock.silence, lock.now.value) for lock in health(rough, diagnose(rough)).locks] == [
        ("coarse-clock", None)] * 2
    assert all(lock.silence == "" for lock in health(fine, diagnose(fine)).locks)
    assert {model.obstacle for model in timing(rough).models} == {"coarse-clock"}
    assert {model.obstacle for model in timing(fine).models} == {""}


def test_commands_that_nothing_answers_are_told_where_pulses_cannot_be_measured():
    """Latencies of 0 or 1 s are no sign that a pulse of 0 or 1 s is too short."""
    seen = history(1000)
    failed = (pl.col("lock") == "latch") & (pl.col("day") >= seen.week.monday - timedelta(
        days=7)) & (pl.int_range(pl.len()) % 3 == 0)
    rows = seen.dated("actuations").with_columns(
        outcome=pl.when(failed).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(failed).then(None).otherwise("latency_ms"))
    worse = History.of(VENUE, seen.week, actuations=ACTUATIONS.conform(
        rows.select(list(ACTUATIONS.schema))))
    assert [(item.subject, item.condition) for item in no_release(worse)] == [
        ("latch", "no-release")]
