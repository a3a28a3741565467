"""The numbers of the health report: baselines, jobs, work done, silence, what must not matter."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest

from remanence.analytics.health.gather import health, telling_actuations
from remanence.analytics.health.locks import change_percent, history_of
from remanence.analytics.health.model import Estimate
from remanence.shared.findings import Finding
from remanence.shared.tables import SIGNALS
from remanence.shared.weeks import Week
from tests.dashboards import small_venue

CHART = "chart-drawer"


@pytest.fixture(scope="module")
def past():
    return small_venue.history()


@pytest.fixture(scope="module")
def page(past):
    return health(past, small_venue.findings(), version="0.1.0")


def lock_of(page, name):
    return next(item for item in page.locks if item.lock.id == name)


def test_every_command_of_the_week_is_counted_once(past, page):
    week = past.this_week(past.actuations, "command_time")
    for item in page.locks:
        own = week.filter(pl.col("lock") == item.lock.id)
        assert item.week.commands == own.height
        assert item.week.commands == (item.week.released + item.week.unanswered
                                      + item.week.already_open + item.week.unobserved)
    assert dict(page.numbers)["commands"].now == week.height


def test_the_baseline_ends_before_the_finding_begins(page):
    item = lock_of(page, CHART)
    assert item.baseline_to < date(2026, 10, 19)
    assert item.before.value == pytest.approx(60.0, rel=0.05)
    assert item.change_percent.low > 30


def test_the_baseline_starts_anew_after_work(page):
    item = lock_of(page, "bell-case")
    assert item.baseline_from > date(2026, 11, 10)


def test_equal_stamps_do_not_mean_equal_times():
    same = Estimate(25.0, 25.0, 25.0, 40)
    change = change_percent(same, same, 5.0)
    assert change.value == 0
    assert change.low == pytest.approx(-20)
    assert change.high == pytest.approx(25)


def test_a_slow_input_scan_behind_a_fine_clock_is_noticed(past):
    coarse = past.actuations.with_columns(latency_ms=(pl.col("latency_ms") / 20).ceil() * 20)
    item = lock_of(health(replace(past, actuations=coarse), []), "oil-chest")
    assert item.resolution_ms == 20


def test_findings_of_one_lock_make_one_job_and_watching_makes_none(page):
    jobs = {job.subjects: job for job in (*page.jobs, *page.plans)}
    assert [item.condition for item in jobs[CHART,].others] == ["no-release"]
    assert not any("south" in subjects for subjects in jobs)
    assert page.jobs[0].lead.urgency == "now"
    assert (jobs[CHART,].part, jobs[CHART,].part_in_stock) == ("latch-s", 2)


def test_a_lock_without_feedback_commands_or_log_is_never_good(page):
    assert (lock_of(page, "sextant-box").state, lock_of(page, "sextant-box").silence) == (
        "too-little-data", "no-feedback")
    assert lock_of(page, "never-used").silence == "no-commands"
    silent = health(small_venue.history(silent_week=True), [])
    assert not silent.heard
    assert {item.silence for item in silent.locks} == {"no-log"}
    assert silent.untold.days_logged == 0
    assert silent.count("good") == 0


def test_a_lock_whose_controller_fell_silent_is_not_called_good(past):
    mute = replace(past, activity=past.activity.filter(pl.col("controller") == "north"))
    page = health(mute, [])
    assert lock_of(page, "gallery-door").silence == "no-log"
    assert lock_of(page, "oil-chest").state == "good"
    south = next(unit for unit in page.controllers if unit.controller == "south")
    assert south.state == "too-little-data"


def _served(past, lock, day):
    row = pl.DataFrame([(day, lock, "cleaned", "", "", None, None)], orient="row",
                       schema=past.service.schema)
    return replace(past, service=pl.concat([past.service, row]).sort("date", "lock", "action"))


@pytest.mark.parametrize(("factor", "verdict"), [(0.6, "better"), (1.0, "same"), (1.6, "worse")])
def test_work_is_judged_by_what_came_after_it(factor, verdict):
    past = small_venue.history(quiet=True)
    day = date(2026, 11, 16)
    after = (pl.col("lock") == "oil-chest") & (pl.col("command_time").dt.date() > day)
    changed = past.actuations.with_columns(
        latency_ms=pl.when(after).then(pl.col("latency_ms") * factor).otherwise("latency_ms"))
    page = health(_served(replace(past, actuations=changed), "oil-chest", day), [])
    item = next(item for item in page.mended if item.mark.lock == "oil-chest")
    assert item.verdict == verdict
    assert item.smallest_change_percent > 0


def test_work_on_the_last_day_cannot_be_judged_yet():
    page = health(_served(small_venue.history(quiet=True), "oil-chest", date(2026, 11, 22)), [])
    item = next(item for item in page.mended if item.mark.lock == "oil-chest")
    assert item.verdict == "too-few"
    old = health(_served(small_venue.history(quiet=True), "oil-chest", date(2026, 11, 8)), [])
    assert all(item.mark.lock != "oil-chest" for item in old.mended), "two weeks, no more"


def test_the_telling_moments_are_the_unanswered_the_slowest_and_a_typical_one(past):
    requests = telling_actuations(past, small_venue.findings())
    own = [item for item in requests if item.lock == CHART]
    assert {item.role for item in own} == {"unanswered", "worst", "typical"}
    assert len({item.key for item in requests}) == len(requests)
    assert not any(item.lock == "sextant-box" for item in requests)
    slowest = next(item for item in own if item.role == "worst")
    week = past.this_week(past.actuations, "command_time").filter(pl.col("lock") == CHART)
    assert slowest.latency_ms == week["latency_ms"].max()
    for item in requests:
        assert item.start < item.command_time < item.end


def test_a_held_command_is_shown_whole():
    past = small_venue.history()
    week = past.this_week(past.actuations, "command_time")
    at = week.filter(pl.col("lock") == "oil-chest")["command_time"][3]
    held = past.actuations.with_columns(pulse_ms=pl.when(pl.col("command_time") == at).then(
        24_000.0).otherwise("pulse_ms"))
    found = [Finding("oil-chest", "lock", "over-long-energising", "week", 0.9)]
    request = next(item for item in telling_actuations(replace(past, actuations=held), found)
                   if item.role == "longest")
    assert request.command_time == at
    assert request.end - request.command_time > timedelta(seconds=24)


def test_a_trace_keeps_a_dip_that_lasts_one_sample(past):
    findings = small_venue.findings()
    requests = telling_actuations(past, findings)
    wanted = next(item for item in requests if item.lock == CHART)
    count = 20_000
    span = (wanted.end - wanted.start) / count
    volts = [12.0] * count
    volts[7777] = 9.0
    rows = pl.DataFrame({
        "time": [wanted.start + n * span for n in range(count)], "channel": "north/v",
        "quantity": "volts", "value": volts, "run": 0, "file": "x", "line": 1,
    }, schema_overrides=SIGNALS.schema)
    page = health(past, findings, traces={wanted.key: rows})
    trace = lock_of(page, CHART).traces[0]
    assert min(value for _, value in trace.volts) == 9.0
    assert len(trace.volts) < 400


def test_weeks_in_a_row_are_one_episode_and_a_pause_makes_two():
    week = Week(2026, 40)
    said = [(week.plus(n), ((CHART, "sticking-catch"),)) for n in (0, 1, 2, 5)]
    episodes = history_of(CHART, said[::-1])
    assert [(item.first, item.last) for item in episodes] == [
        (week, week.plus(2)), (week.plus(5), week.plus(5))]
    assert history_of("other", said) == ()


def test_row_order_does_not_matter(past, page):
    shuffled = replace(past, **{
        name: getattr(past, name).sample(fraction=1, shuffle=True, seed=3)
        for name in ("actuations", "openings", "rail_hours", "activity", "service")})
    again = health(shuffled, small_venue.findings()[::-1], version="0.1.0")
    assert [item.as_json() for item in again.locks] == [item.as_json() for item in page.locks]
    assert again.jobs == page.jobs
    assert again.untold == page.untold
    assert again.mended == page.mended


def test_an_empty_venue_history_is_gathered_without_a_word_of_health():
    from remanence.analytics.history import History

    page = health(History.of(small_venue.venue(), small_venue.WEEK), [])
    assert not page.heard
    assert page.last_record is None
    assert page.count("too-little-data") == len(page.locks)
