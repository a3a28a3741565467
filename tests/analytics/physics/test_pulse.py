"""The present pulse: a setting of the program, the same on every sheet."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.outcomes import short_pulse
from remanence.analytics.health.locks import _pulses
from remanence.analytics.parts.orders import plan_orders
from remanence.analytics.physics.pulse import present_pulse, present_pulses
from remanence.analytics.timing.gather import timing
from tests.analytics.timing.timing_venue import START, Truth, commands, history_of, latch, venue_of


def _rows(*weeks: list[float]) -> pl.DataFrame:
    """Pulses by week, this week first."""
    return pl.DataFrame(
        {"pulse_ms": [pulse for week in weeks for pulse in week],
         "weeks_ago": [ago for ago, week in enumerate(weeks) for _ in week]},
        schema={"pulse_ms": pl.Float64, "weeks_ago": pl.Int64})


def test_the_newest_week_counts_not_half_a_year():
    pulse = present_pulse(_rows([20.0] * 6, *[[240.0] * 40] * 20))
    assert pulse is not None
    assert (pulse.median_ms, pulse.count, pulse.setting_ms) == (20.0, 6, 20.0)


def test_a_week_of_few_pulses_is_joined_by_the_week_before():
    pulse = present_pulse(_rows([20.0] * 2, [], [30.0] * 3, [240.0] * 40))
    assert pulse is not None
    assert (pulse.median_ms, pulse.count) == (30.0, 5)


def test_an_off_time_that_ends_with_the_game_is_no_setting():
    # A magnet held open until the room is reset: about fifty minutes, three minutes either way.
    game = np.random.default_rng(1).normal(50 * 60_000, 3 * 60_000, 40)
    pulse = present_pulse(_rows(list(game)))
    assert pulse is not None
    assert pulse.setting_ms is None
    timer = present_pulse(_rows([10_000.0, 10_010.0, 10_003.0, 10_015.0, 9_990.0]))
    assert timer is not None
    assert timer.setting_ms == pytest.approx(10_003, abs=10)


def test_a_held_button_now_and_then_leaves_the_setting_as_it_is():
    pulse = present_pulse(_rows([240.0] * 8 + [9_000.0, 24_000.0]))
    assert pulse is not None
    assert pulse.setting_ms == 240


def test_no_pulse_is_no_answer():
    assert present_pulse(_rows()) is None
    assert present_pulse(_rows([]).with_columns(pulse_ms=pl.lit(None, pl.Float64))) is None


def test_all_sheets_tell_the_same_present_pulse():
    """A pulse cut to 27 ms two weeks ago, after twenty weeks of 240 ms."""
    rng = np.random.default_rng(3)
    rows = pl.concat([
        commands("d", Truth(), rng, days=140, pulse_ms=240.0),
        commands("d", Truth(), rng, days=14, pulse_ms=27.0, at=START + timedelta(days=140)),
    ])
    history = history_of(venue_of(latch("d", 1)), rows)
    assert present_pulses(history)["d"].setting_ms == 27
    (model,) = timing(history).models
    assert model.pulse_now_ms == 27
    (finding,) = short_pulse(history)
    assert finding.evidence[0].now == 27
    dated = history.dated("actuations")
    shown = _pulses(present_pulses(history)["d"], dated.filter(pl.col("weeks_ago") == 0))
    assert shown is not None
    assert shown.median_ms == 27
    # What a setting explains needs no part, with the finding and without it.
    for findings in ([], [finding]):
        (need,) = plan_orders(history, findings).needs
        assert need.wear.sign == "no sign of wear"
        assert need.chances[13] < 0.05
