"""A coil that no longer cuts itself, told by the mean of many pulses whose sag hides in noise."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.coil_circuit import no_sag
from remanence.analytics.conditions.outcomes import no_release
from remanence.analytics.conditions.self_cut import loaded_to_the_end, self_cut_failed
from remanence.analytics.pairing.rules import pair
from remanence.shared.tables import ACTUATIONS, SIGNALS
from tests.analytics.physics.rail_rows import (
    MONDAY,
    RAIL,
    actuations,
    at_week,
    latch,
    moment,
    venue,
)

LATCHES = [latch(name, self_cut=True, contact=None) for name in "abc"]
PLAIN = [latch(name) for name in "de"]
FROM_DAY = 44
SAG, NOISE = 0.045, 0.026


def rows_with(load, *, retried=0.0, pulse_ms=400.0, seed=1, before=0.0, softer=1.0):
    """Latch a's pulses end under ``load`` volts from FROM_DAY on, ``before`` until then.

    The plain latches d and e sag by SAG, ``softer`` times that from FROM_DAY on.
    """
    rng = np.random.default_rng(seed)

    def changed(row, day):
        row.update(outcome="unobserved", latency_ms=None, sag_ms=None, cut_ms=None,
                   sag_outlasts_ms=None, volts_noise=NOISE,
                   sag_volts=None, end_sag_volts=rng.normal(0.0, 0.3 * NOISE))
        if row["lock"] == "a":
            row["end_sag_volts"] += load if day >= FROM_DAY else before
        if row["lock"] in "de":
            row["end_sag_volts"] += SAG * (softer if day >= FROM_DAY else 1.0)
            row["sag_volts"] = row["end_sag_volts"]
        if row["lock"] == "a" and day >= FROM_DAY and rng.random() < retried:
            row["attempt"] = 2

    return [actuations(item, 8, changed=changed, pulse_ms=pulse_ms) for item in LATCHES + PLAIN]


def history_of(frames, week):
    return at_week(venue(*LATCHES, *PLAIN), week, actuations=pl.concat(frames))


def said(frames, week=7):
    return [item.subject for item in loaded_to_the_end(history_of(frames, week))]


def test_a_load_hidden_in_each_pulse_shows_in_the_mean_of_many():
    history = history_of(rows_with(SAG), 6)
    (found,) = self_cut_failed(history)
    assert found.subject == "a"
    assert found.condition == "self-cut-failed"
    assert abs((found.since - MONDAY).days - FROM_DAY) <= 2
    (load,) = found.evidence
    assert load.now_low < SAG < load.now_high


def test_nothing_is_said_before_or_of_a_coil_that_still_cuts_itself():
    assert said(rows_with(SAG), 5) == []
    assert said(rows_with(0.0)) == []


def test_commands_that_were_tried_again_found_a_catch_that_did_not_move():
    assert said(rows_with(SAG, retried=0.6)) == []


def test_in_a_short_pulse_a_sound_latch_may_still_be_on_its_way():
    assert said(rows_with(SAG, pulse_ms=120.0)) == []


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_is_never_taken_for_a_load(seed):
    frames = rows_with(0.0, seed=seed)
    assert [name for week in range(3, 8) for name in said(frames, week)] == []


def test_another_latch_fired_with_it_is_not_its_own_load():
    own, _, *rest = rows_with(SAG)
    fired_too = own.filter(pl.col("command_time") >= moment(FROM_DAY, 0)).with_columns(
        lock=pl.lit("b"), end_sag_volts=pl.lit(0.0))
    assert said([own, fired_too, *rest]) == []


def test_a_rail_that_softens_makes_more_of_a_load_that_was_there_before():
    # A pulse as long as the lock is slow: its load was in the volts from the first day on.
    assert said(rows_with(3 * SAG, before=SAG, softer=3.0)) == []


def test_nobody_tells_what_the_coil_ought_to_take_where_it_is_alone_on_its_rail():
    own = rows_with(SAG)[0]
    alone = at_week(venue(LATCHES[0]), 7, actuations=own)
    assert loaded_to_the_end(alone) == []


def paired_rows(house, sound):
    """Actuations of 8 weeks, paired from a rail that takes four times the sag from FROM_DAY on.

    The sag hides in the noise before that and stands out of it afterwards. Latch a cuts its coil
    after 60 ms, unless it is not ``sound``: then it never does from FROM_DAY on.
    """
    rng, records = np.random.default_rng(3), []
    for day in range(56):
        for place, lock in enumerate(house.locks):
            for hour in (12, 15, 18):
                at = moment(day, hour + place / 4)
                cut = 0.06 if lock.self_cut and (sound or day < FROM_DAY) else 0.4
                times = np.concatenate([np.arange(-60.0, -0.2, 1.0), np.arange(-0.2, 0.8, 0.005)])
                volts = 12.2 - SAG * (4 if day >= FROM_DAY else 1) * (
                    (times > 0) & (times <= cut)) + rng.normal(0, NOISE, times.size)
                records += [(at, lock.command, "command", 1.0),
                            (at + timedelta(seconds=0.4), lock.command, "command", 0.0)]
                records += [(at + timedelta(seconds=float(t)), "rail", "volts", float(v))
                            for t, v in zip(times, volts, strict=True)]
    frame = pl.DataFrame([(*row, 0, "a", 1, 0, 0) for row in records], schema=SIGNALS.schema,
                         orient="row")
    return pair(frame, house).actuations


def test_a_latch_that_cuts_itself_is_not_accused_when_its_rail_softens():
    house = venue(LATCHES[0], *PLAIN, supply=replace(RAIL, channel="rail"))
    for sound in (True, False):
        rows = paired_rows(house, sound)
        own = rows.filter(lock="a")
        late = own.filter(pl.col("command_time") >= moment(FROM_DAY, 0))
        # The sag is that of the loaded coil, the end of the pulse that of one that is cut or not.
        assert late["sag_volts"].median() == pytest.approx(4 * SAG, abs=0.02)
        assert late["end_sag_volts"].median() == pytest.approx(0 if sound else 4 * SAG, abs=0.005)
        found = self_cut_failed(at_week(house, 7, actuations=rows))
        assert [item.subject for item in found] == ([] if sound else ["a"])


@pytest.mark.parametrize(("held", "says"), [(0.0, []), (0.2, ["a"])])
def test_readings_too_far_apart_show_some_loads_and_no_release(held, says):
    """A load of 25 ms, read each 50 or 100 ms: what is missed is neither open nor the only one.

    A tenth of it that seems to last, in a meter's noise, is not the load; all of it is.
    """
    rng = np.random.default_rng(5)

    def changed(row, day):
        if row["lock"] not in "abc":
            return
        row.update(outcome="unobserved", latency_ms=None, sag_ms=None, cut_ms=None,
                   volts_noise=0.01, sample_ms=50.0, sag_volts=None,
                   end_sag_volts=rng.normal(0.0, 0.01))
        drawn, lasting = rng.random() < 0.25, rng.random()
        if row["lock"] == "a" and lasting < held:
            row.update(outcome="no-release", sag_volts=0.25, end_sag_volts=0.25)
        elif lasting < 0.02:
            row.update(outcome="no-release", sag_volts=0.025, end_sag_volts=0.025)
        elif drawn:
            row["sag_volts"] = 0.25 + rng.normal(0.0, 0.01)

    frames = [actuations(item, 8, changed=changed) for item in LATCHES + PLAIN]
    for week in (1, 4, 7):
        history = history_of(frames, week)
        assert no_sag(history) == []
        assert [item.subject for item in no_release(history)] == says


def twice_a_game(rows, held):
    """Each command of ``rows`` and another a minute later, all held to the end from ``held`` on."""
    both = pl.concat([rows.with_columns(use=pl.lit(use), command_time=pl.col("command_time")
                                        + pl.duration(seconds=60 * use)) for use in (0, 1)])
    stuck = pl.col("command_time") >= moment(held, 0)
    return both.sort("command_time").with_columns(
        outcome=pl.when(stuck).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(stuck).then(None).otherwise("latency_ms"),
        sag_ms=pl.when(stuck).then("pulse_ms").otherwise("sag_ms"),
        attempt=pl.when(stuck & (pl.col("use") == 1)).then(2).otherwise("attempt"),
    ).select(rows.columns)


@pytest.mark.parametrize(("retried", "says"), [(False, ["a"]), (True, [])])
def test_a_second_use_of_the_game_is_no_second_try(retried, says):
    rows = actuations(LATCHES[0], 8, per_day=2)
    frame = ACTUATIONS.conform(twice_a_game(rows, FROM_DAY))
    if retried:
        stuck = pl.col("outcome") == "no-release"
        frame = ACTUATIONS.conform(pl.concat([frame, frame.filter(stuck).with_columns(
            pl.col("command_time") + pl.duration(seconds=4),
            attempt=pl.lit(2, dtype=frame["attempt"].dtype))]).sort("command_time"))
    history = at_week(venue(*LATCHES), 7, actuations=frame)
    assert [item.subject for item in self_cut_failed(history)] == says


@pytest.mark.parametrize(("retried", "says"), [(False, ["a"]), (True, [])])
def test_a_switch_that_cuts_every_other_time_is_told_where_nobody_tried_again(retried, says):
    rows = actuations(LATCHES[0], 8, per_day=4)
    stuck = (pl.col("command_time") >= moment(FROM_DAY, 0)) & (pl.int_range(pl.len()) % 2 == 0)
    frame = rows.with_columns(
        outcome=pl.when(stuck).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(stuck).then(None).otherwise("latency_ms"),
        sag_ms=pl.when(stuck).then("pulse_ms").otherwise("sag_ms"))
    if retried:
        frame = pl.concat([frame, frame.filter(pl.col("outcome") == "no-release").with_columns(
            pl.col("command_time") + pl.duration(seconds=4),
            attempt=pl.lit(2, dtype=frame["attempt"].dtype))]).sort("command_time")
    history = at_week(venue(*LATCHES), 7, actuations=ACTUATIONS.conform(frame))
    assert [item.subject for item in self_cut_failed(history)] == says


def test_one_day_whose_readings_caught_the_load_by_luck_is_no_measure_of_the_others():
    def changed(row, day):
        if row["lock"] != "a":
            return
        rng = np.random.default_rng(int(row["command_time"].timestamp()))
        row.update(outcome="unobserved", latency_ms=None, sag_ms=None, cut_ms=None,
                   volts_noise=0.03, sample_ms=50.0, sag_volts=None,
                   end_sag_volts=rng.normal(0.0, 0.01))
        if day == 1 or rng.random() < 0.15:
            row["sag_volts"] = 0.2 + rng.normal(0.0, 0.035)
        elif day < 10 and row["command_time"].hour > 13:
            row["end_sag_volts"] = None  # a neighbour's pulse hides it

    frame = actuations(LATCHES[0], 4, changed=changed, per_day=10)
    for week in range(4):
        assert no_sag(at_week(venue(*LATCHES), week, actuations=frame)) == []
