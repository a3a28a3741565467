"""Locks fired at once: found in the log, their spread, the rail, delays and stagger."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.analytics.timing.gather import timing
from remanence.analytics.timing.model import LockModel, Settings, TimingRail
from remanence.analytics.timing.together import (
    groups_in_log,
    joint_spread,
    load_of,
    range_quantile,
    together,
)
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Supply
from tests.analytics.timing.timing_venue import START, Truth, commands, history_of, latch, venue_of

RAIL = {"rail-a": TimingRail("rail-a", 12.0, 11.6, 12.0, 12.4, 10.2)}


def model(name: str, median: float, sag: float | None = 0.5, **changes: object) -> LockModel:
    rng = np.random.default_rng(int(median))
    points = np.sort(median * np.exp(0.1 * rng.standard_normal(200)))
    values: dict[str, object] = {
        "lock": name, "room": "", "part": None, "supply": "rail-a", "magnet": False,
        "slow_magnet": False, "on_way_out": False, "kind": "catch", "basis": "own",
        "points_ms": tuple(np.round(points, 1).tolist()), "sag_volts": sag,
        "pulse_now_ms": 200.0, "reference_volts": 12.0, "exponent": -2.0,
        "exponent_steep": -2.5, "exponent_shallow": -1.5,
    }
    return LockModel(**{**values, **changes})  # type: ignore[arg-type]


def ask(*models: LockModel, volts: float | None = 12.0, **more: object):
    return together(models, RAIL, Settings(), volts={"rail-a": volts}, **more)  # type: ignore


def test_the_counted_spread_is_the_simulated_one():
    models = [model("a", 30), model("b", 34), model("c", 50)]
    answer = ask(*(replace(m, sag_volts=0.0) for m in models))
    rng = np.random.default_rng(1)
    drawn = np.column_stack([rng.choice(m.points_ms, 200_000) for m in models])
    spread = drawn.max(axis=1) - drawn.min(axis=1)
    assert answer.spread_median_ms == pytest.approx(np.median(spread), abs=0.15)
    assert answer.spread_most_ms == pytest.approx(np.quantile(spread, 0.95), abs=0.3)


def test_delays_bring_the_medians_together():
    answer = ask(model("a", 30), model("b", 50))
    assert answer.delays_ms[1] == 0
    assert answer.delays_ms[0] == pytest.approx(20, abs=3)
    assert answer.aligned_median_ms < answer.spread_median_ms
    assert answer.aligned_most_ms < answer.spread_most_ms


def test_order_of_the_locks_changes_no_spread():
    models = [model("a", 30), model("b", 31), model("c", 33)]
    one, other = ask(*models), ask(*reversed(models))
    assert one.spread_most_ms == other.spread_most_ms
    assert one.delays_ms == tuple(reversed(other.delays_ms))


def test_equal_release_times_are_counted_once():
    # Two locks of two values each: spreads 0, 0, 10, 10 in tenths.
    assert range_quantile([[10, 20], [10, 20]], 0.5) == 0
    assert range_quantile([[10, 20], [10, 20]], 0.51) == 10
    assert range_quantile([[5, 5], [5, 5], [5, 5]], 1.0) == 0


def test_coils_in_parallel_pull_the_rail_down_less_than_their_sags_add():
    # Source 1 ohm, 12 V, two coils of 11 ohms: alone 1 V each; together 12 x 2 / 13 = 1.846 V.
    both = ask(model("a", 30, 1.0), model("b", 30, 1.0))
    assert load_of(model("a", 30, 1.0), 12.0) == pytest.approx(1 / 11)
    assert both.rails[0].lowest_volts == pytest.approx(12 - 24 / 13)


def test_a_rail_that_does_not_bear_all_gets_a_stagger_that_it_bears():
    models = [model(name, 30, 0.9) for name in "abcd"]
    answer = ask(*models)
    assert answer.rails[0].bears is False
    assert sorted(lock for batch in answer.batches for lock in batch) == list("abcd")
    assert 1 < len(answer.batches) < 4
    by_name = {m.lock: m for m in models}
    for batch in answer.batches:
        part = ask(*(by_name[name] for name in batch))
        assert part.rails[0].bears
    # The next begins when the last one's current has ended: 200 ms pulses.
    assert answer.starts_ms == tuple(200.0 * i for i in range(len(answer.batches)))


def test_a_rail_that_bears_all_needs_no_stagger():
    answer = ask(model("a", 30, 0.1), model("b", 30, 0.1))
    assert answer.rails[0].bears is True
    assert answer.batches == (("a", "b"),)
    assert answer.starts_ms == (0.0,)


def test_the_rail_agrees_with_the_model_of_the_whole_rail():
    # Reference: the rail's own model, from conductances and source ohms instead of sags.
    from remanence.analytics.physics.rail_model import rail_model

    locks = [latch("a", 1, coil_ohms=8.0), latch("b", 2, coil_ohms=14.0),
             latch("c", 3, coil_ohms=20.0)]
    reference = rail_model(venue_of(*locks), "rail-a", 12.0, 0.4, 0.4, 0.4)
    sags = {lock.id: 12.0 - reference.with_on([lock.id]).volts for lock in locks}
    answer = ask(*(model(name, 30, sag) for name, sag in sags.items()))
    assert answer.rails[0].lowest_volts == pytest.approx(reference.with_on("abc").volts)


def test_a_supply_rated_for_less_than_all_coils_draw_does_not_bear_them():
    rail = {"rail-a": replace(RAIL["rail-a"], rated_amps=4.0, resting_amps=1.5)}
    models = [model(name, 30, 0.01, amps=1.0) for name in "abc"]
    answer = together(models, rail, Settings(), volts={"rail-a": 12.0})
    assert answer.rails[0].amps == pytest.approx(4.5)
    assert answer.rails[0].over_rating
    assert answer.rails[0].bears is False
    assert answer.batches == (("a", "b"), ("c",))
    # Letting a magnet go takes its current off: then the supply bears it.
    bar = model("bar", 400, None, magnet=True, amps=0.6)
    eased = together([*models, bar], rail, Settings(), volts={"rail-a": 12.0})
    assert eased.rails[0].amps == pytest.approx(3.9)
    assert not eased.rails[0].over_rating


def test_company_slows_a_lock_down():
    alone = ask(model("a", 30, 0.0), model("b", 60, 0.0))
    loaded = ask(model("a", 30, 1.5), model("b", 60, 1.5))
    assert loaded.spread_median_ms > alone.spread_median_ms


def test_magnets_take_load_off_and_what_was_not_measured_is_not_made_up():
    bar = model("bar", 400, None, magnet=True)
    assert ask(bar, model("a", 30, 0.5)).rails[0].bears is True
    assert ask(model("a", 30, None), model("b", 30, 0.5)).rails[0].bears is None
    assert ask(model("a", 30), model("b", 30), volts=None).rails[0].lowest_volts is None


def test_a_lock_without_release_times_is_left_out_and_named():
    answer = ask(model("a", 30), model("b", 30, points_ms=(), obstacle="unobserved"),
                 model("c", 40))
    assert answer.left_out == ("b",)
    assert answer.spread_median_ms is not None
    assert ask(model("a", 30), model("b", 30, points_ms=())).spread_median_ms is None


# --- groups in the log ------------------------------------------------------------------------


def fired_together(count: int, locks: tuple[str, ...], apart_ms: float = 0.0) -> pl.DataFrame:
    """The same moments for every lock; release times that rise and fall together."""
    rng = np.random.default_rng(3)
    common = rng.normal(0, 10, count)
    rows = []
    for i in range(count):
        for k, lock in enumerate(locks):
            latency = 60.0 + 15 * k + float(common[i])
            rows.append({
                "lock": lock, "pulse_ms": 250.0, "outcome": "released", "latency_ms": latency,
                "command_time": START + timedelta(hours=i, milliseconds=apart_ms * k),
                "waited_ms": latency, "latency_from": "catch", "resolution_ms": 1.0,
                "attempt": 1, "volts_before": 12.0, "sag_volts": 0.5,
            })
    return ACTUATIONS.conform(pl.DataFrame(rows))


def test_groups_are_found_by_themselves():
    rng = np.random.default_rng(6)
    alone = commands("solo", Truth(), rng, days=20, minute=30)
    trio = fired_together(40, ("a", "b", "c"), apart_ms=20)
    found = groups_in_log(pl.concat([trio, alone]), within_ms=100, least=5)
    assert [locks for locks, _ in found] == [("a", "b", "c")]
    assert found[0][1]["moment"].n_unique() == 40
    assert groups_in_log(trio, within_ms=30, least=5)[0][0] == ("a", "b")
    assert groups_in_log(trio.head(9), within_ms=100, least=5) == []


def test_groups_are_the_same_in_any_order_of_rows_and_count_each_lock_once_a_moment():
    trio = fired_together(20, ("a", "b", "c"), apart_ms=10)
    twice = trio.filter(pl.col("lock") == "b").with_columns(
        pl.col("command_time") + timedelta(milliseconds=15), outcome=pl.lit("no-release"))
    ((_, plain),) = groups_in_log(trio, within_ms=100, least=5)
    mixed = pl.concat([trio, twice]).sample(fraction=1.0, shuffle=True, seed=3)
    ((locks, moments),) = groups_in_log(mixed, within_ms=100, least=5)
    assert locks == ("a", "b", "c")
    assert_frame_equal(moments, plain)


def test_chance_meetings_of_busy_locks_are_no_group():
    pair = fired_together(6, ("a", "b"))
    busy = pl.concat([commands(n, Truth(), np.random.default_rng(i), days=30, minute=20 + 9 * i)
                      for i, n in enumerate("ab")])
    assert groups_in_log(pl.concat([pair, busy]), within_ms=100, least=5) == []


def test_retries_make_no_group():
    trio = fired_together(40, ("a", "b")).with_columns(attempt=pl.lit(2, pl.Int64))
    assert groups_in_log(trio, within_ms=100, least=5) == []


def test_joint_spread_is_read_from_the_moments_themselves():
    # Release times that move in step: the spread is 30 ms every time, whatever each one does.
    trio = fired_together(40, ("a", "b", "c"))
    ((locks, moments),) = groups_in_log(trio, within_ms=100, least=5)
    joint = joint_spread(moments, locks)
    assert (joint.times, joint.all_opened) == (40, 40)
    assert joint.median_ms == pytest.approx(30, abs=1e-6)
    assert joint.most_ms == pytest.approx(30, abs=1e-6)
    late = fired_together(40, ("a", "b", "c"), apart_ms=10)
    ((locks, moments),) = groups_in_log(late, within_ms=100, least=5)
    joint = joint_spread(moments, locks)
    assert joint.median_ms == pytest.approx(50, abs=1e-6)
    assert joint.commands_apart_ms == pytest.approx(20, abs=1e-6)
    assert joint.at_once_median_ms == pytest.approx(30, abs=1e-6)


def test_moments_in_which_one_did_not_open_are_counted_but_have_no_spread():
    trio = fired_together(20, ("a", "b"))
    silent = trio.with_columns(outcome=pl.when(pl.int_range(pl.len()) % 4 == 0).then(
        pl.lit("no-release")).otherwise("outcome"))
    ((locks, moments),) = groups_in_log(silent, within_ms=100, least=5)
    joint = joint_spread(moments, locks)
    assert joint.times == 20
    assert joint.all_opened == 15


def test_two_clocks_give_no_joint_spread():
    trio = fired_together(40, ("a", "b"))
    locks = latch("a", 1), latch("b", 2, command="south/q2", contact="south/i2")
    result = timing(history_of(venue_of(*locks), trio))
    assert result.groups[0].joint.median_ms is None
    assert result.groups[0].joint.times == 40
    one_clock = timing(history_of(venue_of(latch("a", 1), latch("b", 2)), trio))
    assert one_clock.groups[0].joint.median_ms == pytest.approx(15, abs=1e-6)


def test_a_rail_that_no_one_read_gives_no_verdict():
    trio = fired_together(40, ("a", "b")).with_columns(
        volts_before=pl.lit(None, pl.Float64), sag_volts=pl.lit(None, pl.Float64))
    venue = replace(venue_of(latch("a", 1), latch("b", 2)), supplies=(Supply("rail-a", 12.0),))
    assert timing(history_of(venue, trio)).groups[0].rails[0].bears is None
