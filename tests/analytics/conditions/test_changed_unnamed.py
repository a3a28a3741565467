"""Locks that have changed in a way that no other condition names."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.changed_unnamed import changed_unnamed
from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.diagnosis import LEAST_SCORE, diagnose, resolve
from remanence.analytics.history import History
from tests.analytics.conditions.said import values
from tests.analytics.physics.rail_rows import (
    MONDAY,
    actuations,
    at_week,
    latch,
    magnet,
    service,
    venue,
)

LOCKS = [latch(name, self_cut=True) for name in "abcdefgh"] + [magnet("m")]
HOUSE = venue(*LOCKS)
WEEKS, BEGUN = 16, 13
SINCE = MONDAY + timedelta(weeks=BEGUN)


def late_sag(row, rng):
    """One pulse in six loads the rail half as long again: the tail, not the middle."""
    if rng.random() < 0.17:
        row["sag_ms"] *= 1.5


def spiking(row, rng):
    """A higher peak at each switch-off, far from what a lost diode makes."""
    row["off_spike_volts"] += 0.12


def slow_recovery(row, rng):
    """The rail takes three samples to come back, not one."""
    row["recovery_ms"] = 15.0


@lru_cache
def tables(fault=None, seed=1):
    """Tables of sound locks; lock ``c`` has the fault from week 13 on."""
    rng = np.random.default_rng(seed)

    def changed(row, day):
        row["sag_outlasts_ms"] = float(rng.uniform(0, 5))
        if fault is not None and row["lock"] == "c" and day >= 7 * BEGUN:
            fault(row, rng)

    return {"actuations": pl.concat(
        [actuations(lock, WEEKS, seed=seed, changed=changed) for lock in LOCKS])}


def judged(week=WEEKS - 1, where=HOUSE, **frames):
    return {item.subject: item for item in changed_unnamed(at_week(where, week, **frames))}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_of_sound_locks_nothing_is_said(seed):
    assert not [item for item in judged(**tables(seed=seed)).values() if item.score >= 0.3]


@pytest.mark.parametrize(("fault", "figure"), [
    (late_sag, "weekly-late-tail-of-sag-length"),
    (spiking, "weekly-spike-at-switch-off"),
    (slow_recovery, "weekly-recovery"),
])
def test_a_change_without_a_name_is_found_and_its_figures_are_told(fault, figure):
    found = judged(**tables(fault))
    sure = [item for item in found.values() if item.score >= 0.85]
    assert [item.subject for item in sure] == ["c"]
    [item] = sure
    assert item.urgency == "plan"
    assert item.evidence[0].id == figure
    assert item.since_low <= SINCE <= item.since_high
    assert values(item)["count"] == len(item.evidence)
    shown = item.evidence[0]
    assert shown.before_low <= shown.before <= shown.before_high
    assert shown.now_low <= shown.now <= shown.now_high
    assert shown.before_high < shown.now_low


def leaned_on(row, rng):
    """One release in thirty comes when somebody lets go, after seconds."""
    if rng.random() < 1 / 30:
        row["latency_ms"] = float(rng.uniform(400, 4000))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_somebody_who_leans_on_a_lock_now_and_then_makes_no_tail(seed):
    found = judged(**tables(leaned_on, seed)).get("c")
    assert found is None or found.score < LEAST_SCORE


def test_no_rule_names_these_changes():
    for frames in (tables(spiking), tables(slow_recovery)):
        named = [item for item in diagnose(at_week(HOUSE, WEEKS - 1, **frames))
                 if item.subject == "c"]
        assert {item.condition for item in named} - {"release-test-due"} == {"changed-unnamed"}


def test_one_strange_week_is_not_told():
    frames = tables(spiking)
    assert "c" not in judged(BEGUN, **frames)
    assert "c" in judged(BEGUN + 1, **frames)


def test_what_all_siblings_show_is_not_told_of_one():
    def shifted(locks):
        frames = dict(tables())
        late = (pl.col("command_time").dt.date() >= SINCE) & pl.col("lock").is_in(locks)
        spike = pl.col("off_spike_volts")
        frames["actuations"] = frames["actuations"].with_columns(
            off_spike_volts=pl.when(late).then(spike + 0.12).otherwise(spike))
        return {name for name, item in judged(**frames).items() if item.score >= 0.3}

    assert shifted(["c"]) == {"c"}
    alike = [lock.id for lock in LOCKS if not lock.is_magnet]
    assert not shifted(alike)
    # One that stood still while they moved has not changed.
    assert "c" not in shifted([name for name in alike if name != "c"])


def test_after_work_that_was_written_down_the_lock_is_compared_with_its_new_self():
    frames = tables(spiking)
    assert "c" not in judged(**frames, service=service((7 * BEGUN - 1, "c", "adjusted")))


def test_the_order_of_rows_and_the_scale_of_times_change_nothing():
    frames = tables(spiking)
    [item] = [item for item in judged(**frames).values() if item.subject == "c"]
    mixed = {name: frame.sample(fraction=1.0, shuffle=True, seed=5)
             for name, frame in frames.items()}
    mixed["actuations"] = mixed["actuations"].with_columns(
        latency_ms=2.0 * pl.col("latency_ms"), sag_volts=3.0 * pl.col("sag_volts"))
    again = judged(**mixed)["c"]
    assert again.score == pytest.approx(item.score, abs=1e-6)
    assert [shown.id for shown in again.evidence] == [shown.id for shown in item.evidence]


def test_locks_in_another_order_change_nothing():
    frames = tables(spiking)
    turned = replace(HOUSE, locks=tuple(reversed(LOCKS)))
    assert judged(**frames) == judged(where=turned, **frames)


@pytest.mark.parametrize(("kind", "subject"), [
    ("lock", "c"), ("supply", "rail"), ("controller", "north"), ("venue", "v"),
])
def test_it_is_said_only_where_nothing_else_is_found(kind, subject):
    names = {"lock": "contact-chatter", "supply": "low-supply", "controller": "clock-fault",
             "venue": "log-gap"}
    unnamed = finding("c", "changed-unnamed", "plan", 0.95, says=())
    other = finding(subject, names[kind], "watch", 0.4, says=(), subject_kind=kind)
    elsewhere = finding("d", "contact-chatter", "plan", 0.95, says=())
    history = at_week(HOUSE, WEEKS - 1)
    assert unnamed.condition in {item.condition for item in resolve([unnamed, elsewhere], history)}
    assert unnamed.condition not in {
        item.condition for item in resolve([unnamed, other, elsewhere], history)}


def test_what_is_read_off_the_venue_file_explains_no_change():
    unnamed = finding("c", "changed-unnamed", "plan", 0.95, says=())
    due = finding("c", "release-test-due", "week", 0.999, says=())
    said = resolve([unnamed, due], at_week(HOUSE, WEEKS - 1))
    assert {item.condition for item in said} == {"changed-unnamed", "release-test-due"}


def test_without_a_log_or_with_a_short_one_nothing_is_said():
    assert not changed_unnamed(at_week(HOUSE, 3))
    assert not judged(4, **tables())
    few = {"actuations": tables()["actuations"].gather_every(20)}
    assert not judged(**few)
    lonely = History.of(venue(latch("z")), at_week(HOUSE, 3).week)
    assert not changed_unnamed(lonely)


def test_the_library_is_loaded_only_by_whom_asks_for_findings(tmp_path):
    file = tmp_path / "venue.toml"
    file.write_text('[venue]\nid = "v"\ntime_zone = "UTC"\n[[log]]\nfiles = ["*.csv"]\n'
                    'format = "csv"\n', encoding="utf-8")
    told = (
        "import sys\n"
        "from remanence.pipelines.commands import main\n"
        "for words in (['--help'], ['check', sys.argv[1]]):\n"
        "    try:\n        main(words)\n    except SystemExit:\n        pass\n"
        "from remanence.analytics.conditions import catalogue\n"
        "assert 'changed-unnamed' in catalogue()\n"
        "assert 'sklearn' not in sys.modules\n")
    done = subprocess.run([sys.executable, "-c", told, str(file)], capture_output=True, text=True,
                          check=False)
    assert done.returncode == 0, done.stderr


def test_a_day_of_the_calendar_is_meant_by_since():
    [item] = [item for item in judged(**tables(spiking)).values() if item.subject == "c"]
    assert isinstance(item.since, date)
    assert item.since.weekday() == 0
