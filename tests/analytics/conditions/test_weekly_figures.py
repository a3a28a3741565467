"""Each lock's figures week by week, against its own first weeks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.weekly_figures import FIGURES, weekly_figures
from tests.analytics.physics.rail_rows import actuations, at_week, latch, magnet, venue

WEEKS, BEGUN = 14, 12
LONELY = latch("a", self_cut=True)
PLACE = {figure.id: place for place, figure in enumerate(FIGURES)}


def weekly(changed=None, per_day=6, lock=LONELY):
    frame = actuations(lock, WEEKS, per_day=per_day, changed=changed)
    return weekly_figures(at_week(venue(lock), WEEKS - 1, actuations=frame), 2)


def latest(figures, name):
    return figures.strange[0, -2:, PLACE[name]]


def test_the_first_eight_weeks_are_the_level_before():
    figures = weekly()
    assert figures.locks == ("a",)
    told = figures.first[0, :, PLACE["weekly-sag-length"]]
    assert told.tolist() == [True] * 8 + [False] * 6
    assert abs(np.nanmean(figures.strange[0, :, PLACE["weekly-sag-length"]])) < 1


@pytest.mark.parametrize(("slower", "told"), [(1.25, False), (1.0, True)])
def test_a_sag_is_longer_only_where_the_lock_takes_no_longer(slower, told):
    def longer(row, day):
        row["sample_ms"] = 1.0
        if day >= 7 * BEGUN:
            row["sag_ms"] *= 1.25
            row["latency_ms"] *= slower

    assert (np.abs(latest(weekly(longer), "weekly-sag-length")).min() > 4) == told


def test_one_step_of_a_coarse_clock_is_no_change():
    def polled(after):
        def changed(row, day):
            row.update(sample_ms=5.0, sag_ms=after if day >= 7 * BEGUN else 30.0)
        return changed

    assert latest(weekly(polled(35.0)), "weekly-sag-length").sum() / np.sqrt(2) < 3
    assert latest(weekly(polled(45.0)), "weekly-sag-length").sum() / np.sqrt(2) > 3


@pytest.mark.parametrize(("poll", "told"), [(10.0, False), (1.0, True)])
def test_a_level_that_crosses_a_tick_of_the_clock_is_no_tail(poll, told):
    def crossed(row, day):
        # One release in ten is a poll of ten early.
        early = 10.0 if day >= 7 * BEGUN and row["command_time"].minute % 10 == 0 else 0.0
        row.update(latency_ms=40.0 - early, resolution_ms=poll)

    figure = latest(weekly(crossed), "weekly-early-tail-of-latency")
    assert (figure.sum() / np.sqrt(2) > 3) == told
    assert figure.min() > 0


def test_a_rail_that_falls_in_the_middle_of_a_week_makes_no_tail():
    def slower(row, day):
        if day >= 7 * BEGUN and day % 7 >= 4:
            row["latency_ms"] *= 1.4

    def at_times(row, day):
        if day >= 7 * BEGUN and row["command_time"].minute % 5 == 0:
            row["latency_ms"] *= 1.4

    figure = "weekly-late-tail-of-latency"
    assert np.abs(latest(weekly(slower), figure)).max() < 2
    assert latest(weekly(at_times), figure).min() > 2


def test_how_long_people_take_to_a_door_has_no_tail_of_its_own():
    def sooner(row, day):
        if day < 7 * BEGUN and row["command_time"].minute % 5 == 0:
            row["latency_ms"] *= 4

    door = magnet("a", contact="north/i", contact_senses="door", contact_closed_when="locked")
    for name in ("weekly-late-tail-of-latency", "weekly-early-tail-of-latency"):
        assert np.isnan(latest(weekly(sooner, lock=door), name)).all()
        plate = replace(door, contact_senses="armature")
        assert not np.isnan(latest(weekly(sooner, lock=plate), name)).all()


def test_a_latency_that_is_read_off_the_sag_is_no_second_figure():
    blind = latch("a", self_cut=True, contact=None)
    figures = weekly(lock=blind)
    assert np.isnan(figures.strange[0, :, PLACE["weekly-sag-length"]]).all()


def test_a_week_of_few_commands_is_held_against_a_wider_spread():
    def wider(row, day):
        if day >= 7 * BEGUN:
            row["off_spike_volts"] += 0.3

    rows = actuations(LONELY, WEEKS, per_day=12, changed=wider)
    thinned = rows.filter((pl.col("command_time").dt.date() < rows["command_time"].dt.date().max())
                          | (pl.int_range(pl.len()) % 3 == 0))
    late = pl.int_range(pl.len()) >= rows.height - 80
    few = rows.filter(~late | (pl.int_range(pl.len()) % 4 == 0))
    house = venue(LONELY)
    many = weekly_figures(at_week(house, WEEKS - 1, actuations=thinned), 2)
    less = weekly_figures(at_week(house, WEEKS - 1, actuations=few), 2)
    name = "weekly-spike-at-switch-off"
    assert latest(less, name)[-1] < 0.7 * latest(many, name)[-1]


def test_a_sag_in_the_noise_has_no_figure():
    def faint(row, day):
        row["sag_volts"] = 3 * row["volts_noise"]

    assert np.isnan(weekly(faint).level[0, :, PLACE["weekly-sag"]]).all()


def test_pulses_that_ran_to_their_end_do_not_make_its_sag_longer():
    def held(row, day):
        if day >= 7 * BEGUN and day % 3 == 0:
            row["sag_ms"] = row["pulse_ms"]

    assert np.abs(latest(weekly(held), "weekly-late-tail-of-sag-length")).max() < 3


def test_a_lock_whose_command_ends_the_sag_has_no_length_of_it():
    figures = weekly(lock=latch("a"))
    assert np.isnan(figures.level[0, :, PLACE["weekly-sag-length"]]).all()


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_figures_are_shown_in_their_units(figure):
    shown = {
        "log": (np.log(25.0), 25.0), "log1p": (np.log1p(25.0), 25.0),
        "log spread": (np.log(np.log(1.25)), 25.0),
    }
    level, told = shown[figure.scale]
    assert figure.shown(level) == pytest.approx(told)


@pytest.mark.parametrize(("step", "told"), [(0.1, False), (0.01, True)])
def test_a_sag_that_moves_by_a_step_of_a_coarse_meter_has_not_moved(step, told):
    locks = [latch(name, self_cut=True) for name in "abcde"]

    def coarse(row, day):
        sag = 0.23 if row["lock"] == "a" and day >= 7 * BEGUN else 0.14
        row["volts_before"] = 12.2
        row["sag_volts"] = round((sag + rng.uniform(-0.02, 0.02)) / step) * step

    rng = np.random.default_rng(1)
    rows = pl.concat([actuations(lock, WEEKS, changed=coarse) for lock in locks])
    rows = rows.with_columns(volts_min=12.2 - pl.col("sag_volts"))
    figures = weekly_figures(at_week(venue(*locks), WEEKS - 1, actuations=rows), 2)
    moved = figures.strange[figures.locks.index("a"), -2:, PLACE["weekly-sag"]]
    assert (moved.sum() / np.sqrt(2) > 3) == told


def test_a_load_that_outlasts_its_pulse_by_part_of_a_reading_more_has_not_moved():
    def outlasts(after):
        def changed(row, day):
            row.update(sample_ms=2.0, sag_outlasts_ms=after if day >= 7 * BEGUN else 0.5)
        return changed

    name = "weekly-sag-after-the-pulse"
    assert latest(weekly(outlasts(1.0)), name).sum() / np.sqrt(2) < 3
    assert latest(weekly(outlasts(6.0)), name).sum() / np.sqrt(2) > 3
