from datetime import timedelta
from functools import lru_cache

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.contact_chatter import contact_chatter, opened_unpowered
from remanence.analytics.conditions.contact_wiring import (
    contact_inverted,
    contact_stuck,
    crossed_channels,
)
from remanence.analytics.history import History
from remanence.shared.tables import CONTACT_CHANGES, OPENINGS
from remanence.shared.weeks import Week
from tests.analytics.conditions.said import ids
from tests.analytics.physics.rail_rows import (
    MONDAY,
    actuations,
    at_week,
    latch,
    magnet,
    service,
    venue,
)

LOCKS = [latch(name) for name in "abc"] + [magnet("m")]
HOUSE = venue(*LOCKS)


def ms(value):
    return timedelta(microseconds=round(value * 1000))


@lru_cache
def sound(lock, weeks, seed):
    return actuations(lock, weeks, seed=seed)


def played(weeks, faults=None, seed=1, bounce=lambda lock, day, rng: rng.poisson(1.0), locks=LOCKS,
           lean=0.002, by_hand=0.03):
    """Tables of a venue: commands, what the contacts did, openings without a command.

    ``faults`` maps a lock to a function of (row, day, moves, opened), which may alter the row,
    the list of (time, open) and that of openings (time, row of the table) after it.
    """
    rng = np.random.default_rng(seed)
    acts, changes, openings = [], [], []
    for lock in locks:
        frame = sound(lock, weeks, seed)
        rows = frame.to_dicts()
        for row in rows:
            day = (row["command_time"].date() - MONDAY).days
            at = row["command_time"]
            opens = at + ms(row["latency_ms"])
            moves = [(opens, True), (at + timedelta(minutes=2), False)]
            opened = []
            if rng.random() < lean:
                row.update(outcome="no-release", latency_ms=None, waited_ms=1300.0)
                moves = [(at + timedelta(seconds=20), True), (at + timedelta(minutes=2), False)]
                opened = [(at + timedelta(seconds=20), "no-release", None, None)]
            elif rng.random() < by_hand:
                moves += [(at + timedelta(minutes=2, seconds=30), True),
                          (at + timedelta(minutes=2, seconds=40), False)]
                opened = [(at + timedelta(minutes=2, seconds=30), "released", None, None)]
            if faults and lock.id in faults:
                faults[lock.id](row, day, moves, opened)
            changes += [(lock.id, time, open_, int(bounce(lock, day, rng)))
                        for time, open_ in moves]
            openings += [(lock.id, time, lock.is_magnet, (time - at) / ms(1), last, other, after,
                          10_000.0) for time, last, other, after in opened]
        acts.append(pl.DataFrame(rows, schema=frame.schema))
    utc = pl.Datetime("us", "UTC")
    return {
        "actuations": pl.concat(acts),
        "contact_changes": CONTACT_CHANGES.conform(pl.DataFrame(changes, schema={
            "lock": pl.String, "time": utc, "open": pl.Boolean, "bounces": pl.Int64},
            orient="row")),
        "openings": OPENINGS.conform(pl.DataFrame(openings, schema={
            "lock": pl.String, "time": utc, "energised": pl.Boolean,
            "since_command_ms": pl.Float64, "last_outcome": pl.String, "other_lock": pl.String,
            "other_ms": pl.Float64, "open_ms": pl.Float64}, orient="row")),
    }


JUDGES = (contact_inverted, contact_stuck, crossed_channels, contact_chatter, opened_unpowered)


def judged(frames, week=5, where=HOUSE, judges=JUDGES, **more):
    history = at_week(where, week, **frames, **more)
    return [finding for judge in judges for finding in judge(history)]


def names(findings):
    return [(f.subject, f.condition) for f in findings]


@pytest.mark.parametrize("seed", [1, 2])
def test_a_sound_house_is_left_alone(seed):
    frames = played(8, seed=seed)
    assert [names(judged(frames, week)) for week in (0, 1, 4, 7)] == [[]] * 4


# Inverted.


def turned(since):
    def fault(row, day, moves, opened):
        if day < since:
            return
        moves[:] = [(time, not open_) for time, open_ in moves]
        row.update(outcome="already-open", latency_ms=None, waited_ms=1300.0)
        opened[:] = [(time, "already-open", None, None) for time, open_ in moves if open_]
    return fault


@pytest.mark.parametrize("name", ["a", "m"])
def test_feedback_turned_round_on_a_day(name):
    frames = played(6, {name: turned(33)})
    found = judged(frames, judges=[contact_inverted])
    assert names(found) == [(name, "contact-inverted")]
    assert found[0].since == MONDAY + timedelta(days=33)
    usual = 300 if name == "m" else 30
    assert found[0].evidence[1].now == pytest.approx(usual, rel=0.2)
    assert found[0].evidence[1].before == pytest.approx(usual, rel=0.2)


def test_feedback_wrong_from_the_first_day():
    found = judged(played(1, {"a": turned(0)}), week=0, judges=[contact_inverted])
    assert names(found) == [("a", "contact-inverted")]


def test_left_open_every_time_is_not_inverted():
    def left(row, day, moves, opened):
        row.update(outcome="already-open", latency_ms=None)
        moves[:] = [(row["command_time"] + timedelta(seconds=70), False),
                    (row["command_time"] + timedelta(seconds=170), True)]
    assert judged(played(4, {"a": left}), week=3, judges=[contact_inverted, contact_stuck]) == []


def test_put_right_again():
    def fault(row, day, moves, opened):
        if 20 <= day <= 36:
            turned(0)(row, day, moves, opened)
    frames = played(6, {"a": fault})
    assert judged(frames, judges=[contact_inverted]) == []
    assert judged(frames, judges=[contact_inverted], service=service((36, "a", "rewired"))) == []


# Stuck.


def frozen(since, outcome="no-release"):
    def fault(row, day, moves, opened):
        if day >= since:
            moves.clear()
            opened.clear()
            row.update(outcome=outcome, latency_ms=None, waited_ms=1300.0)
    return fault


def test_a_contact_that_never_moves_though_the_coil_draws():
    found = judged(played(6, {"a": frozen(33)}))
    assert names(found) == [("a", "contact-stuck")]
    assert found[0].score > 0.9
    assert found[0].since == MONDAY + timedelta(days=33)
    assert "coil-works" in ids(found[0])


def test_without_volts_days_count_and_not_commands_and_it_says_what_else_it_may_be():
    def without_volts(first):
        frames = played(6, {"a": frozen(first)})
        frames["actuations"] = frames["actuations"].with_columns(
            sag_volts=pl.lit(None, dtype=pl.Float64))
        found = judged(frames)
        assert names(found) == [("a", "contact-stuck")]
        assert set(found[0].not_excluded) == {"no-release", "coil-open"}
        return found[0].score

    # Two days on which nobody opened it may be chance; nine are none.
    assert 0.5 < without_volts(40) < 0.97 < without_volts(33)


def test_a_contact_without_any_record_is_not_called_stuck():
    frames = played(6, {"a": frozen(0)})
    own = pl.col("lock") == "a"
    frames["contact_changes"] = frames["contact_changes"].filter(~own)
    assert judged(frames, judges=[contact_stuck]) == []


def test_a_jammed_catch_is_opened_by_hand_and_moves_its_contact():
    def jam(row, day, moves, opened):
        if day >= 33:
            row.update(outcome="no-release", latency_ms=None)
            moves[0] = (row["command_time"] + timedelta(seconds=25), True)
            opened[:] = [(moves[0][0], "no-release", None, None)]
    assert judged(played(6, {"a": jam})) == []


def test_an_open_coil_is_not_a_stuck_contact():
    def dead(row, day, moves, opened):
        if day >= 33:
            frozen(0)(row, day, moves, opened)
            row.update(sag_volts=0.0, volts_min=row["volts_before"] - 0.04)
    assert judged(played(6, {"a": dead})) == []


def test_a_contact_whose_controller_logged_nothing_is_a_gap():
    apart = latch("a", contact="south/a-in")
    frames = played(6, {"a": frozen(33)})
    hours = pl.DataFrame({
        "controller": ["south"], "hour": [frames["actuations"]["command_time"].min()]})
    assert judged(frames, where=venue(apart, *LOCKS[1:]), activity=hours) == []


def test_moves_again_at_the_end_of_the_week():
    def fault(row, day, moves, opened):
        if 30 <= day < 41:
            frozen(0)(row, day, moves, opened)
    assert judged(played(6, {"a": fault})) == []


# Crossed.


def crossed(frames, since, pair=("a", "b")):
    """From a day on each one's command moves the other."""
    acts, changes = frames["actuations"], frames["contact_changes"]
    from_then = pl.col("command_time").dt.date() >= MONDAY + timedelta(days=since)
    swapped = acts.filter(
        from_then & pl.col("lock").is_in(pair) & (pl.col("outcome") == "released"))
    partner = dict(zip(pair, pair[::-1], strict=True))
    openings = swapped.select(
        lock=pl.col("lock").replace_strict(partner),
        time=pl.col("command_time") + pl.duration(microseconds=pl.col("latency_ms") * 1000),
        energised=pl.lit(False), since_command_ms=pl.lit(9e6), last_outcome=pl.lit("no-release"),
        other_lock=pl.col("lock"), other_ms=pl.col("latency_ms"), open_ms=pl.lit(60_000.0))
    hit = from_then & pl.col("lock").is_in(pair)
    acts = acts.with_columns(
        outcome=pl.when(hit).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(hit).then(None).otherwise("latency_ms"))
    time = pl.col("time").dt.date() >= MONDAY + timedelta(days=since)
    changes = changes.with_columns(lock=pl.when(time).then(
        pl.col("lock").replace(partner)).otherwise("lock")).sort("lock", "time")
    kept = frames["openings"].filter(~(time & pl.col("lock").is_in(pair)))
    return {"actuations": acts, "contact_changes": changes,
            "openings": OPENINGS.conform(pl.concat([kept, OPENINGS.conform(openings)]))}


def test_two_locks_whose_plugs_were_swapped():
    frames = crossed(played(6), 33)
    found = judged(frames)
    assert sorted(names(found)) == [("a", "crossed-channels"), ("b", "crossed-channels")]
    assert {f.since for f in found} == {MONDAY + timedelta(days=33)}
    assert {f.extra["other"] for f in found} == {"a", "b"}


def test_one_command_that_opens_two():
    frames = played(6)
    late = frames["actuations"].filter(
        (pl.col("lock") == "a") & (pl.col("command_time").dt.date() >= MONDAY + timedelta(days=33)))
    extra = late.select(
        lock=pl.lit("b"), time=pl.col("command_time") + pl.duration(milliseconds=28),
        energised=pl.lit(False), since_command_ms=pl.lit(9e6), last_outcome=pl.lit("released"),
        other_lock=pl.lit("a"), other_ms=pl.lit(28.0), open_ms=pl.lit(9000.0))
    frames["openings"] = OPENINGS.conform(pl.concat([frames["openings"], OPENINGS.conform(extra)]))
    found = judged(frames)
    assert sorted(names(found)) == [("a", "crossed-channels"), ("b", "crossed-channels")]
    assert "does-not-open-itself" not in ids(found[0])


def test_chance_openings_near_another_s_command_are_not_crossed():
    rng = np.random.default_rng(8)
    frames = played(6)
    some = frames["actuations"].filter(pl.col("lock") == "a").sample(fraction=0.1, seed=3)
    delay = pl.Series(rng.uniform(10, 2000, some.height))
    extra = some.select(
        lock=pl.lit("b"), energised=pl.lit(False), since_command_ms=pl.lit(9e6),
        last_outcome=pl.lit("released"), other_lock=pl.lit("a"), other_ms=delay,
        time=pl.col("command_time") + pl.duration(milliseconds=1) * delay, open_ms=pl.lit(9000.0))
    frames["openings"] = OPENINGS.conform(pl.concat([frames["openings"], OPENINGS.conform(extra)]))
    assert judged(frames, judges=[crossed_channels]) == []


# Chatter.


def test_a_switch_that_bounces_ever_more():
    def bounce(lock, day, rng):
        more = max(0.0, day - 21) * 0.4 if lock.id == "a" else 0.0
        return rng.poisson(1.0 + more)
    frames = played(7, bounce=bounce)
    assert names(judged(frames, 6)) == [("a", "contact-chatter")]
    found = judged(frames, 5)[0]
    # Dated by its start, not by the middle of its growth.
    began = MONDAY + timedelta(days=21)
    assert abs((found.since - began).days) <= 10
    assert found.since_low <= began <= found.since_high
    assert found.evidence[0].before < 2 < found.evidence[0].now_low


def test_a_polled_contact_shows_none():
    frames = played(6, bounce=lambda lock, day, rng: 0)
    assert judged(frames, judges=[contact_chatter]) == []


def test_a_switch_that_has_always_bounced_is_as_it_was():
    frames = played(6, bounce=lambda lock, day, rng: rng.negative_binomial(2, 0.25))
    assert judged(frames, judges=[contact_chatter]) == []


def bouncing(since, wired=LOCKS, week=5, more=6.0):
    """Findings of a venue whose contacts bounce more from a day on, each from its own."""
    def bounce(lock, day, rng):
        return rng.poisson(1.0 + more * (day >= since.get(lock.id, 1000)))
    frames = played(week + 1, bounce=bounce, locks=wired)
    return judged(frames, week, where=venue(*wired), judges=[contact_chatter])


SIX = [latch(name) for name in "abcdef"]


def test_switches_that_bounce_from_one_day_on_are_their_controller_s():
    found = bouncing(dict.fromkeys("abcdef", 28), SIX)
    assert [(f.subject_kind, *names([f])[0], f.urgency) for f in found] == [
        ("controller", "north", "contact-chatter", "plan")]
    assert found[0].score > 0.9
    assert found[0].extra["accounts_for"] == list("abcdef")
    began = MONDAY + timedelta(days=28)
    assert found[0].since_low <= began <= found[0].since_high
    assert abs((found[0].since - began).days) <= 3
    assert found[0].evidence[0].before == pytest.approx(1.0, abs=0.2)
    assert found[0].evidence[0].now == pytest.approx(7.0, abs=0.5)


def test_a_switch_that_bounced_before_the_others_keeps_its_own():
    found = bouncing({**dict.fromkeys("abcde", 49), "f": 21}, SIX, week=8)
    assert names(found) == [("north", "contact-chatter"), ("f", "contact-chatter")]
    assert [f.urgency for f in found] == ["plan", "plan"]
    assert found[0].extra["accounts_for"] == list("abcde")
    assert abs((found[1].since - MONDAY).days - 21) <= 7


def test_two_of_many_switches_are_each_their_own():
    found = bouncing({"a": 28, "d": 28}, SIX)
    assert names(found) == [("a", "contact-chatter"), ("d", "contact-chatter")]
    assert [f.urgency for f in found] == ["plan", "plan"]


def test_switches_that_began_at_different_times_are_each_their_own():
    found = bouncing({name: 14 + 14 * place for place, name in enumerate("abcd")},
                     SIX[:4], week=9)
    assert names(found) == [(name, "contact-chatter") for name in "abcd"]


def test_only_the_controller_whose_switches_bounce_is_told():
    wired = SIX[:3] + [latch(name, contact=f"south/{name}-in") for name in "defg"]
    assert names(bouncing(dict.fromkeys("defg", 28), wired)) == [("south", "contact-chatter")]


def test_where_all_controllers_changed_it_is_said_of_each():
    wired = SIX[:2] + [latch(name, contact=f"south/{name}-in") for name in "cd"]
    assert sorted(names(bouncing(dict.fromkeys("abcd", 28), wired))) == [
        ("north", "contact-chatter"), ("south", "contact-chatter")]


# Opened by itself.


def falls_open(share, since, last="released", stays=lambda: 9000.0, hours=None):
    rng = np.random.default_rng(6)

    def fault(row, day, moves, opened):
        if day >= since and rng.random() < share:
            at = row["command_time"] + timedelta(minutes=3)
            moves += [(at, True), (at + timedelta(seconds=9), False)]
            opened.append((at, last, None, None))
    return fault


@pytest.mark.parametrize("share", [0.2, 0.4])
def test_a_worn_catch_falls_open(share):
    frames = played(7, {"a": falls_open(share, 30)})
    found = judged(frames, 5 if share > 0.3 else 6)
    assert names(found) == [("a", "opened-unpowered")]
    assert found[0].urgency in ("plan", "week")
    assert abs((found[0].since - MONDAY).days - 30) <= 7


def test_openings_by_hand_after_failed_tries_are_not_forced():
    def fault(row, day, moves, opened):
        if day >= 30 and row["command_time"].microsecond % 3 == 0:
            row.update(outcome="no-release", latency_ms=None)
            at = row["command_time"] + timedelta(seconds=15)
            moves[0] = (at, True)
            opened[:] = [(at, "no-release", None, None)]
    assert judged(played(6, {"a": fault}), judges=[opened_unpowered]) == []


def test_a_cleaning_day_is_not_a_break_in():
    def fault(row, day, moves, opened):
        if day == 38:
            falls_open(1.0, 0)(row, day, moves, opened)
    assert judged(played(6, {"a": fault}), judges=[opened_unpowered]) == []


def test_a_lock_that_staff_open_by_hand_ever_so_often_is_as_it_was():
    frames = played(8, by_hand=0.05)
    for week in (0, 2, 5, 7):
        assert judged(frames, week, judges=[opened_unpowered]) == []


def test_a_magnet_is_not_said_to_open_unpowered():
    frames = played(6, {"m": falls_open(0.4, 30)})
    assert judged(frames, judges=[opened_unpowered]) == []


def test_a_habit_of_the_staff_is_no_fault_of_each_lock():
    latches = [latch(name) for name in "abcdef"]
    frames = played(6, {lock.id: falls_open(0.3, 30) for lock in latches[:4]}, locks=latches)
    found = judged(frames, where=venue(*latches), judges=[opened_unpowered])
    assert {f.urgency for f in found} <= {"watch"}
    assert "many-open" in ids(found[0])


def test_a_door_that_is_often_released_and_left_shut_is_not_stuck():
    rng = np.random.default_rng(2)

    def idle(row, day, moves, opened):
        if rng.random() < 0.8 or day > 38:
            frozen(0)(row, day, moves, opened)
    door = magnet("m", contact_senses="door")
    frames = played(6, {"m": idle}, locks=[*LOCKS[:3], door])
    assert judged(frames, where=venue(*LOCKS[:3], door), judges=[contact_stuck]) == []


def test_a_magnet_that_may_itself_be_stuck_is_not_put_down_to_its_contact():
    frames = played(6, {"m": frozen(33)})
    frames["actuations"] = frames["actuations"].with_columns(
        sag_volts=pl.lit(None, dtype=pl.Float64))
    found = judged(frames, judges=[contact_stuck])
    # Below one half nothing else is withheld for it: that it does not let go comes first.
    assert [f.score < 0.5 for f in found] == [True]


def test_releases_told_by_the_contact_are_movements_though_its_changes_are_not_at_hand():
    frames = [sound(lock, 8, 1) for lock in LOCKS]
    assert set(frames[0]["outcome"]) == {"released"}
    assert contact_stuck(at_week(HOUSE, 7, actuations=pl.concat(frames))) == []


def test_a_history_refuses_a_table_that_it_does_not_have():
    with pytest.raises(TypeError, match="actuation; known: actuations, openings"):
        History.of(HOUSE, Week.parse("2026-W47"), actuation=pl.DataFrame())
