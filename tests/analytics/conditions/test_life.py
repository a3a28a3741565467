"""A finding is opened, kept while nothing ends it, and closed with its date."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.life import Standing, lives
from remanence.analytics.conditions.shown import Shown, what_was_shown
from remanence.pipelines.store.past_findings import keep_findings, standing_findings
from remanence.shared.findings import Amount, Evidence, say
from remanence.shared.weeks import Week
from tests.analytics.physics.latency_rows import actuations, history_at, lock

WEEK = Week.parse("2026-W30")
KEY = ("lock", "latch-1")


def failing(urgency="week", *, now=20.0, low=9.0, high=35.0, condition="no-release", **more):
    return finding("latch-1", condition, urgency, 0.97, since=date(2026, 7, 1), says=[
        say("not-released", failed=8, total=40, days=7)], evidence=[
        Evidence("commands-without-release", now, "%", n=40, now_low=low, now_high=high,
                 before=0.3, before_low=0.0, before_high=1.0)], **more)


def after(earlier, found, shown, week=WEEK):
    return lives(earlier, found, {KEY: shown}, week)


def opened(item=None):
    made = lives((), [item or failing()], {KEY: Shown(40)}, WEEK.plus(-1))
    assert [f.status for f in made.told] == ["new"]
    assert made.told[0].first_named == WEEK.plus(-1)
    return made.standing


def statuses(made):
    return [(f.condition, f.status, f.urgency) for f in made.told]


@pytest.mark.parametrize("weeks", [1, 6, 20])
def test_weeks_without_games_do_not_delete_it(weeks):
    standing = opened()
    for ahead in range(weeks):
        made = after(standing, [], Shown(0), WEEK.plus(ahead))
        standing = made.standing
        assert statuses(made) == [("no-release", "unseen", "week")]
        assert made.told[0].first_named == WEEK.plus(-1)
    assert [one.id for one in made.told[0].says] == ["not-released", "life-unseen"]


def test_a_thin_week_eases_it_and_enough_clear_commands_end_it():
    made = after(opened(), [], Shown(12))
    assert statuses(made) == [("no-release", "easing", "week")]
    made = after(made.standing, [], Shown(40), WEEK.plus(1))
    assert statuses(made) == [("no-release", "ended", "week")]
    assert (made.told[0].ended, made.standing) == (WEEK.monday, ())


def test_the_seldom_shows_needs_more_that_is_clear():
    seldom = opened(failing(now=4.0, low=1.5, high=9.0))
    assert after(seldom, [], Shown(60)).told[0].status == "easing"
    assert after(seldom, [], Shown(150)).told[0].status == "ended"


def test_what_is_counted_by_the_week_needs_weeks_that_are_clear():
    # Four openings a week, one at the least: a week without any is nothing rare.
    weak = opened(finding("latch-1", "weakening-hold", "week", 0.95, says=[], evidence=[
        Evidence("openings-while-energised", 4.0, "a week", n=4, now_low=1.1, now_high=10.2,
                 before=0.0)]))
    seen = []
    for ahead in range(3):
        made = after(weak, [], Shown(36), WEEK.plus(ahead))
        weak = made.standing
        seen.append(made.told[0].status)
    assert seen == ["easing", "easing", "ended"]


def test_a_sign_of_it_keeps_it_though_no_rate_stands_out():
    made = after(opened(), [], Shown(60, unanswered=2))
    assert statuses(made) == [("no-release", "standing", "week")]
    forced = opened(failing(condition="weakening-hold"))
    assert after(forced, [], Shown(60, openings_energised=1)).told[0].status == "standing"


def opens_alone():
    """One command in four is followed by an opening; one in thirty was, by hand, before."""
    return finding("latch-1", "opened-unpowered", "week", 0.98, says=[], evidence=[
        Evidence("commands-followed-by-an-opening-without-one", 24.0, "%", n=46, now_low=14.0,
                 now_high=38.0, before=3.0)])


def test_what_people_do_as_well_keeps_it_only_while_there_is_more_of_it_than_before():
    assert after(opened(opens_alone()), [], Shown(40, openings_unpowered=9)).told[
        0].status == "standing"
    made = after(opened(opens_alone()), [], Shown(20, openings_unpowered=1))
    assert made.told[0].status == "easing"
    assert made.standing[0].signs == 1
    made = after(made.standing, [], Shown(60, openings_unpowered=2), WEEK.plus(1))
    assert (made.told[0].status, made.told[0].ended) == ("ended", WEEK.monday)


def test_after_the_work_that_helped_an_opening_by_hand_does_not_keep_it():
    worked = date(2026, 7, 21)
    shown = Shown(40, openings_unpowered=1, serviced=worked)
    made = after(opened(opens_alone()), [], shown)
    assert (made.told[0].status, made.told[0].ended) == ("ended", worked)
    again = replace(shown, openings_unpowered=10)
    assert after(opened(opens_alone()), [], again).told[0].status == "standing"


def test_a_level_that_is_where_the_fault_put_it_keeps_it():
    slow = finding("latch-1", "sticking-catch", "week", 0.98, says=[], evidence=[
        Evidence("median-latency", 50.0, "ms", now_low=48.0, now_high=52.0, before=25.0)],
        extra={"course": "step"})
    assert after(opened(slow), [], Shown(40, latency_ms=47.0)).told[0].status == "standing"
    assert after(opened(slow), [], Shown(40, latency_ms=26.0)).told[0].status == "ended"


def test_shorted_turns_stand_until_the_coil_draws_as_before():
    high = finding("latch-1", "coil-current-high", "now", 0.98, says=[], evidence=[
        Evidence("current-against-its-own-past-rail-s-change-taken-out", 130.0, "%", n=40,
                 now_low=126.0, now_high=134.0, before=100.0)])
    standing = lives((), [high], {KEY: Shown(40, 40, sag_volts=0.65)}, WEEK.plus(-1)).standing
    assert after(standing, [], Shown(40, 40, sag_volts=0.64)).told[0].status == "standing"
    assert after(standing, [], Shown(40, 0)).told[0].status == "unseen"
    assert after(standing, [], Shown(40, 40, sag_volts=0.5)).told[0].status == "ended"
    # The week of the work still shows the fault, of days before it; its last sags are mended ones.
    worked = after(standing, [high], Shown(10, 10, sag_volts=0.5, serviced=WEEK.monday))
    assert after(worked.standing, [], Shown(40, 40, sag_volts=0.5), WEEK.plus(1)).told[
        0].status == "ended"
    assert after(worked.standing, [], Shown(40, 40, sag_volts=0.64), WEEK.plus(1)).told[
        0].status == "standing"


def low_rail(since, **more):
    return finding("rail", "low-supply", "week", 0.99, since=since, subject_kind="supply",
                   says=(), evidence=(), **more)


def test_a_rail_that_fails_hides_what_a_lock_does_until_somebody_works_on_it():
    standing = opened(failing(condition="loaded-catch"))
    on_rail = {KEY: Shown(60, latency_ms=90.0, supply="rail"), ("supply", "rail"): Shown(7)}
    for ahead in range(3):
        made = lives(standing, [low_rail(date(2026, 7, 20))], on_rail, WEEK.plus(ahead))
        standing = made.standing
        assert ("loaded-catch", "unseen", "week") in statuses(made)
    on_rail[KEY] = replace(on_rail[KEY], serviced=date(2026, 8, 12))
    made = lives(standing, [low_rail(date(2026, 7, 20))], on_rail, WEEK.plus(3))
    assert ("loaded-catch", "ended", "week") in statuses(made)


@pytest.mark.parametrize(("since", "kept"), [(date(2026, 6, 20), False), (date(2026, 7, 20), True)])
def test_a_rail_takes_over_only_what_began_after_it(since, kept):
    rail = low_rail(since, extra={"accounts_for": ["latch-1"]})
    shown = {KEY: Shown(60, supply="rail"), ("supply", "rail"): Shown(7)}
    made = lives(opened(failing(condition="loaded-catch")), [rail], shown, WEEK)
    assert (("loaded-catch", "unseen", "week") in statuses(made)) == kept


def test_work_on_the_lock_ends_what_does_not_show_any_more():
    day = date(2026, 7, 22)
    made = after(opened(), [], Shown(3, serviced=day))
    assert (made.told[0].status, made.told[0].ended) == ("ended", day)
    assert after(opened(), [], Shown(30, unanswered=4, serviced=day)).told[0].status == "standing"


def test_what_was_seen_in_the_week_of_the_work_does_not_outlive_it_unseen():
    day = date(2026, 7, 16)
    told = lives((), [failing()], {KEY: Shown(30, serviced=day)}, WEEK.plus(-1)).standing
    made = after(told, [], Shown(0))
    assert (made.told[0].status, made.told[0].ended) == ("ended", day)
    assert after(told, [], Shown(30, unanswered=4)).told[0].status == "standing"
    # Known to have outlasted the work, or begun after it: a week without a reading ends nothing.
    for outlasted in (replace(failing(), extra={"service": {"date": day.isoformat()}}),
                      replace(failing(), since=date(2026, 7, 18))):
        told = lives((), [outlasted], {KEY: Shown(30, serviced=day)}, WEEK.plus(-1)).standing
        assert after(told, [], Shown(0)).told[0].status == "unseen"


@pytest.mark.parametrize(("item", "status"), [
    (failing("now"), "worse"), (failing("plan"), "easing"), (failing(), "standing"),
    (failing(now=60.0, low=50.0, high=70.0), "worse"), (failing(now=4.0, low=2.0, high=7.0),
                                                        "easing"),
])
def test_its_course_is_told_beyond_its_intervals(item, status):
    made = after(opened(), [item], Shown(40))
    assert made.told[0].status == status
    assert made.told[0].first_named == WEEK.plus(-1)


def test_one_that_is_less_sure_this_week_keeps_its_urgency():
    made = after(opened(), [replace(failing("watch"), score=0.6)], Shown(40))
    assert statuses(made) == [("no-release", "standing", "week")]


def test_its_cause_takes_it_over_with_the_week_it_was_first_named():
    made = after(opened(), [failing(condition="sticking-catch")], Shown(40))
    assert statuses(made) == [("sticking-catch", "standing", "week")]
    assert made.told[0].first_named == WEEK.plus(-1)
    rail = finding("rail", "low-supply", "week", 0.98, says=[], subject_kind="supply",
                   extra={"accounts_for": ["latch-1"]})
    assert [f.subject for f in after(opened(), [rail], Shown(40)).told] == ["rail"]


def test_a_rail_that_sags_is_not_cleared_by_days_without_a_load():
    sags = finding("rail", "supply-sag", "plan", 0.98, says=[], subject_kind="supply")
    stands = lives((), [sags], {("supply", "rail"): Shown(7, 6)}, WEEK.plus(-1)).standing
    told = [lives(stands, [], {("supply", "rail"): Shown(7, loaded)}, WEEK).told[0].status
            for loaded in (0, 6)]
    assert told == ["unseen", "ended"]
    locks = [lock("latch-1"), lock("latch-2")]
    rows = actuations(locks, weeks=3, seed=1).with_columns(sag_volts=0.3)
    played = what_was_shown(history_at(locks, rows, 1))["supply", "rail"]
    assert played.told_volts > 0
    assert what_was_shown(history_at(locks, rows, 4))["supply", "rail"].told_volts == 0


def test_what_was_only_watched_papers_and_a_week_s_events_do_not_go_on():
    for item in (failing("watch"), failing("now", condition="release-test-due")):
        assert opened(item) == ()
    gap = finding("north", "log-gap", "week", 0.97, says=[], subject_kind="controller")
    assert lives((), [gap], {}, WEEK).standing == ()


def test_a_lock_that_is_no_longer_there_is_forgotten():
    assert lives(opened(), [], {}, WEEK).told == ()


def test_what_stands_is_read_as_it_was_kept(tmp_path):
    item = replace(failing(), says=(say("x", day=date(2026, 7, 1), much=Amount(2.5, "ms"), n=3),),
                   not_excluded=("a", "b"), extra={"course": "step"}, first_named=WEEK)
    kept = (Standing(item, 0.5, 12, WEEK.monday), Standing(failing("now")))
    keep_findings(tmp_path, WEEK, [item], kept)
    assert standing_findings(tmp_path, WEEK.plus(2)) == (WEEK, kept)
    assert standing_findings(tmp_path, WEEK) == (None, ())


def test_what_a_week_shows_is_counted_after_its_last_work():
    locks = [lock("latch-0"), lock("latch-1")]
    rows = actuations(locks, weeks=4, seed=3, no_release=0.0)
    shown = what_was_shown(history_at(locks, rows, 3))
    assert shown[KEY].told > 20
    assert shown[KEY].latency_ms == pytest.approx(25, rel=0.6)
    assert what_was_shown(history_at(locks, rows.filter(rows["lock"] == "latch-0"), 3))[
        KEY] == Shown(supply="rail")


def test_a_week_too_thin_for_the_cause_keeps_its_name():
    cause = failing(condition="contact-stuck")
    made = after(opened(cause), [failing("now")], Shown(4, unanswered=4))
    assert statuses(made) == [("contact-stuck", "standing", "week")]
    assert [item.finding.condition for item in made.standing] == ["contact-stuck"]


def test_a_command_that_was_answered_takes_the_cause_away():
    cause = failing(condition="contact-stuck")
    made = after(opened(cause), [failing("now")], Shown(4, unanswered=3))
    assert statuses(made) == [("no-release", "standing", "now")]


def test_what_the_same_locks_share_is_one_story_whatever_it_is_called():
    """A part one week and the venue the next: neither new nor over."""
    def shared(kind, subject, slow):
        return finding(subject, "shared-slowing", "plan", 0.99, subject_kind=kind, says=[],
                       extra={"accounts_for": slow})

    slow = ["latch-1", "latch-2", "latch-3", "latch-4"]
    could = {("part", "latch"): Shown(7), ("venue", "here"): Shown(7)}
    first = lives((), [shared("part", "latch", slow)], could, WEEK)
    then = lives(first.standing, [shared("venue", "here", [*slow, "bolt-1"])], could, WEEK.plus(1))
    assert [(one.subject, one.status, one.first_named) for one in then.told] == [
        ("here", "standing", WEEK)]
    other = lives(first.standing, [shared("venue", "here", ["bolt-1", "bolt-2"])], could,
                  WEEK.plus(1))
    assert sorted((one.subject, one.status) for one in other.told) == [
        ("here", "new"), ("latch", "ended")]


def test_a_change_without_a_name_is_not_told_beside_one_that_stands_from_before():
    unnamed = finding("latch-1", "changed-unnamed", "plan", 0.99, says=())
    made = after(opened(), [unnamed], Shown(12, unanswered=1))
    assert statuses(made) == [("no-release", "standing", "week")]
    # The other way round, the name takes the place of what had none.
    made = after(opened(unnamed), [failing()], Shown(40, unanswered=8))
    assert statuses(made) == [("no-release", "new", "week")]
    assert [item.finding.condition for item in made.standing] == ["no-release"]


def test_a_contact_that_bounces_as_before_its_finding_ends_it_and_one_that_bounces_on_does_not():
    chatter = finding("latch-1", "contact-chatter", "plan", 0.95, since=date(2026, 7, 1), says=[
        say("switch-bounces", now=Amount(4.0, "edges"), before=Amount(0.2, "edges"))], evidence=[
        Evidence("further-edges-a-movement", 4.0, "edges", n=80, before=0.2)])
    standing = opened(chatter)
    assert after(standing, [], Shown(60, further_edges=3.1)).told[0].status == "standing"
    assert after(standing, [], Shown(60, further_edges=0.4)).told[0].status == "ended"


@pytest.mark.parametrize(("condition", "sign"), [
    ("stuck-energised", "unmoved"), ("stuck-energised", "outlasted"), ("coil-open", "unmoved")])
def test_one_cut_that_left_the_load_on_keeps_it_though_the_week_says_nothing_by_itself(
        condition, sign):
    standing = opened(failing("now", condition=condition))
    for ahead in range(3):
        made = after(standing, [], Shown(40, **{sign: 1}), WEEK.plus(ahead))
        assert statuses(made) == [(condition, "standing", "now")]
        standing = made.standing
    assert after(standing, [], Shown(60), WEEK.plus(3)).told[0].status == "ended"


def test_a_slow_magnet_that_more_openings_put_down_to_people_is_over():
    slow = finding("latch-1", "slow-drop", "week", 0.95, since=date(2026, 7, 1),
                   says=[say("time-from-door")], extra={"course": "step"},
                   evidence=[Evidence("median-latency", 1700.0, "ms", before=1200.0)])
    standing = opened(slow)
    assert after(standing, [], Shown(40, latency_ms=1700.0)).told[0].status == "standing"
    made = after(standing, [], Shown(40, latency_ms=1700.0, late_by_people=True))
    assert (made.told[0].status, made.standing) == ("ended", ())


@pytest.mark.parametrize(("rail_since", "course"), [
    (date(2026, 6, 20), ["easing", "ended"]), (date(2026, 7, 20), ["unseen", "unseen"])])
def test_a_rail_that_had_failed_before_does_not_keep_what_a_lock_no_longer_shows(
        rail_since, course):
    standing = opened(failing(condition="loaded-catch"))
    on_rail = {KEY: Shown(12, supply="rail"), ("supply", "rail"): Shown(7)}
    told = []
    for ahead in range(2):
        made = lives(standing, [low_rail(rail_since)], on_rail, WEEK.plus(ahead))
        on_rail[KEY] = Shown(60, supply="rail")
        standing = made.standing
        told.append(next(f.status for f in made.told if f.subject == "latch-1"))
    assert told == course


def test_bounce_that_turns_out_to_be_its_controller_s_is_not_told_of_the_lock_too():
    def chatter(subject, **more):
        return finding(subject, "contact-chatter", "plan", 0.95, says=[], evidence=[
            Evidence("further-edges-a-movement", 4.0, "edges", n=80, before=0.2)], **more)

    first = opened(chatter("latch-1"))
    shared = chatter("north", subject_kind="controller", extra={"accounts_for": ["latch-1"]})
    could = {("lock", "latch-1"): Shown(60, further_edges=4.0), ("controller", "north"): Shown(7)}
    then = lives(first, [shared], could, WEEK.plus(1))
    assert [one.subject for one in then.told] == ["north"]
    other = replace(shared, extra={"accounts_for": ["latch-2"]})
    then = lives(first, [other], could, WEEK.plus(1))
    assert sorted(one.subject for one in then.told) == ["latch-1", "north"]
