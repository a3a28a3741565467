"""What counts as the release, and what does not: small logs written by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.analytics.pairing.rules import pair
from remanence.analytics.pairing.tables import contact_changes
from remanence.shared.errors import TableError
from remanence.shared.limits import Limits
from remanence.shared.tables import SIGNALS, TABLES
from remanence.shared.venue import Lock, Supply, Venue

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
LATCH = Lock(
    id="latch", guards="container", mechanism="latch", released_by="power-on", supply="rail",
    command="north/q1", contact="north/i1", contact_closed_when="locked")
MAGNET = Lock(
    id="magnet", guards="doorway", mechanism="magnet", released_by="power-off", supply="rail",
    command="north/q2", contact="north/i2", contact_closed_when="locked",
    contact_senses="armature")


def venue(*locks: Lock, **limits: float) -> Venue:
    return Venue(id="v", name="V", time_zone="Europe/Lisbon", locks=locks,
                 supplies=(Supply("rail", 12.0, channel="rail"),), limits=Limits(**limits))


def log(*records: tuple[float, str, str, float], run: int = 0) -> pl.DataFrame:
    """SIGNALS from (seconds after noon, channel, quantity, value)."""
    return pl.DataFrame(
        [(NOON + timedelta(seconds=s), c, q, float(v), run, "a.csv", i + 2, 0, 0)
         for i, (s, c, q, v) in enumerate(records)], schema=SIGNALS.schema, orient="row")


def pulse(start: float, end: float, channel: str = "north/q1", on: int = 1):
    return [(start, channel, "command", on), (end, channel, "command", 1 - on)]


END = (3600.0, "north/q9", "command", 0.0)
"""A later record, so that no wait is cut short by the log's end."""
SPARE = replace(LATCH, id="spare", command="north/q9", contact=None)


def rows(signals: pl.DataFrame, *locks: Lock, **limits: float) -> list[dict]:
    paired = pair(signals, venue(*locks, SPARE, **limits))
    return paired.actuations.filter(pl.col("lock") != "spare").to_dicts()


def test_a_release_is_timed_to_its_first_edge_and_bounce_is_counted():
    [row] = rows(log(
        *pulse(0, 0.3), (0.061, "north/i1", "contact", 0), (0.063, "north/i1", "contact", 1),
        (0.064, "north/i1", "contact", 0), (5.0, "north/i1", "contact", 1), END), LATCH)
    assert (row["outcome"], row["latency_ms"], row["waited_ms"]) == ("released", 61.0, 61.0)
    assert (row["bounces"], row["contact_edges"], row["relock_ms"]) == (2, 3, 4939.0)
    assert (row["pulse_ms"], row["latency_from"], row["attempt"]) == (300.0, "catch", 1)


def test_an_unanswered_command_is_censored_at_the_end_of_its_wait():
    [row] = rows(log(*pulse(0, 0.3), END), LATCH, coast_ms=700)
    assert (row["outcome"], row["latency_ms"], row["waited_ms"]) == ("no-release", None, 1000.0)
    assert row["bounces"] is None


def test_an_edge_after_the_wait_is_an_opening_not_a_release():
    paired = pair(log(*pulse(0, 0.3), (1.4, "north/i1", "contact", 0), END), venue(LATCH, SPARE))
    assert paired.actuations["outcome"].to_list() == ["no-release"]
    [opening] = paired.openings.to_dicts()
    assert opening["since_command_ms"] == pytest.approx(1400.0)
    assert (opening["last_outcome"], opening["energised"]) == ("no-release", False)
    inside = pair(log(*pulse(0, 0.3), (1.3, "north/i1", "contact", 0), END), venue(LATCH, SPARE))
    assert inside.actuations["latency_ms"].to_list() == [1300.0]
    assert inside.openings.is_empty()


def test_a_twitch_that_settles_locked_is_no_release():
    [row] = rows(log(
        *pulse(0, 0.3), (0.05, "north/i1", "contact", 0), (0.06, "north/i1", "contact", 1), END),
        LATCH)
    assert (row["outcome"], row["contact_edges"]) == ("no-release", 2)


def test_bounce_of_the_last_closing_is_not_taken_for_the_answer():
    # The catch bounces shut 20 ms before the next command; its release comes 25 ms after it.
    signals = log(
        *pulse(0, 0.3), (0.05, "north/i1", "contact", 0),
        (9.97, "north/i1", "contact", 1), (9.975, "north/i1", "contact", 0),
        (9.98, "north/i1", "contact", 1), *pulse(10, 10.3), (10.025, "north/i1", "contact", 0),
        END)
    assert [row["latency_ms"] for row in rows(signals, LATCH)] == [50.0, 25.0]


def test_found_open_when_commanded():
    signals = log(*pulse(0, 0.3), (0.05, "north/i1", "contact", 0), *pulse(60, 60.3), END)
    assert [row["outcome"] for row in rows(signals, LATCH)] == ["released", "already-open"]


def test_retries_are_numbered_until_the_lock_opens():
    signals = log(*pulse(0, 0.3), *pulse(5, 5.3), *pulse(10, 10.3),
                  (10.05, "north/i1", "contact", 0), (12, "north/i1", "contact", 1),
                  *pulse(20, 20.3), *pulse(1000, 1000.3), END)
    assert [(r["outcome"], r["attempt"]) for r in rows(signals, LATCH)] == [
        ("no-release", 1), ("no-release", 2), ("released", 3), ("no-release", 1),
        ("no-release", 1)]


def test_opened_by_hand_in_between_is_no_retry():
    signals = log(*pulse(0, 0.3), (3, "north/i1", "contact", 0), (4, "north/i1", "contact", 1),
                  *pulse(8, 8.3), END)
    assert [r["attempt"] for r in rows(signals, LATCH)] == [1, 1]


def test_a_magnet_releases_when_de_energised_and_waits_until_re_energised():
    signals = log(
        *pulse(0, 4, "north/q2", on=0), (0.4, "north/i2", "contact", 0),
        (4.2, "north/i2", "contact", 1), *pulse(60, 60.2, "north/q2", on=0),
        (60.3, "north/i2", "contact", 0), END)
    paired = pair(signals, venue(MAGNET, SPARE))
    first, second = paired.actuations.to_dicts()
    assert (first["latency_ms"], first["pulse_ms"]) == (400.0, 4000.0)
    assert (second["outcome"], second["waited_ms"]) == ("no-release", 200.0)
    [opening] = paired.openings.to_dicts()
    assert opening["energised"]


@pytest.mark.parametrize("sense", ["locked", "open"])
@pytest.mark.parametrize("active", [0, 1])
def test_wired_the_other_way_round_gives_the_same_row(sense, active):
    lock = replace(LATCH, contact_closed_when=sense, command_energised=active)
    opened, shut = (0, 1) if sense == "locked" else (1, 0)
    [row] = rows(log(*pulse(0, 0.3, on=active), (0.06, "north/i1", "contact", opened),
                     (3, "north/i1", "contact", shut), END), lock)
    assert (row["outcome"], row["latency_ms"]) == ("released", 60.0)


def test_a_door_contact_is_waited_for_longer():
    lock = replace(LATCH, contact_senses="door")
    [row] = rows(log(*pulse(0, 0.3), (30, "north/i1", "contact", 0), END), lock)
    assert (row["outcome"], row["latency_from"], row["latency_ms"]) == ("released", "door", 30e3)


def test_where_the_log_breaks_off_the_wait_ends():
    cut = log(*pulse(0, 0.3))
    [row] = rows(cut, LATCH)
    assert (row["outcome"], row["waited_ms"]) == ("no-release", 300.0)
    [row] = rows(log((0, "north/q1", "command", 1)), LATCH)
    assert (row["outcome"], row["pulse_ms"]) == ("unobserved", None)
    restarted = pl.concat([cut, log((0.5, "north/i1", "contact", 0), END, run=1)])
    [row] = rows(restarted, LATCH)
    assert (row["outcome"], row["waited_ms"]) == ("no-release", 300.0)


def test_repeats_and_order_carry_nothing():
    signals = log(
        *pulse(0, 0.3), (0.1, "north/q1", "command", 1), (0.061, "north/i1", "contact", 0),
        (0.2, "north/i1", "contact", 0), (5.0, "north/i1", "contact", 1), END)
    mixed = pl.concat([signals, signals]).sample(fraction=1, shuffle=True, seed=3)
    for name, frame in pair(mixed, venue(LATCH, SPARE)).tables().items():
        if name not in ("activity",):
            assert_frame_equal(frame, getattr(pair(signals, venue(LATCH, SPARE)), name))


def test_both_values_at_one_instant_turn_the_state_over():
    signals = log(*pulse(0, 0.3), (0.05, "north/i1", "contact", 1),
                  (0.05, "north/i1", "contact", 0), END)
    assert rows(signals, LATCH)[0]["latency_ms"] == 50.0


def test_a_contact_of_unknown_sense_is_learned_and_said():
    lock = replace(LATCH, contact_closed_when="unknown")
    few, records = [], []
    for k in range(5):
        s = 60 * k
        records += [*pulse(s, s + 0.3), (s + 0.05, "north/i1", "contact", 1),
                    (s + 9, "north/i1", "contact", 0)]
        few = few or list(records)
    assert pair(log(*few, END), venue(lock, SPARE)).actuations["outcome"].to_list() == [
        "unobserved"]
    # Before the switch was fitted there was nothing that could tell.
    early = [record for k in (1, 2) for record in pulse(-600 * k, -600 * k + 0.3)]
    paired = pair(log(*early, *records, END), venue(lock, SPARE))
    assert paired.learned == {"latch": "open"}
    assert paired.actuations["outcome"].to_list() == ["unobserved"] * 2 + ["released"] * 5


def test_a_sense_that_is_stated_is_believed_though_it_looks_inverted():
    lock = replace(LATCH, contact_closed_when="open")
    records = [record for k in range(6) for record in (
        *pulse(60 * k, 60 * k + 0.3), (60 * k + 0.05, "north/i1", "contact", 0),
        (60 * k + 9, "north/i1", "contact", 1))]
    paired = pair(log((-1, "north/i1", "contact", 1), *records, END), venue(lock, SPARE))
    assert set(paired.actuations["outcome"]) == {"already-open"}
    changes = paired.contact_changes.filter("commanded")
    assert changes.height == 6
    assert not changes["open"].any()


def test_another_locks_command_is_named_beside_an_opening():
    other = replace(LATCH, id="other", command="south/q1", contact=None)
    paired = pair(log(*pulse(0, 0.3, "south/q1"), (0.04, "north/i1", "contact", 0), END),
                  venue(LATCH, other, SPARE))
    [opening] = paired.openings.to_dicts()
    assert (opening["lock"], opening["other_lock"], opening["other_ms"]) == ("latch", "other", 40.0)


def test_others_on_counts_what_loads_the_rail_at_that_instant():
    signals = log(*pulse(0, 0.3), *pulse(0, 9, "north/q2", on=0), *pulse(5, 5.3),
                  (5, "north/q9", "command", 1), END)
    paired = pair(signals, venue(LATCH, MAGNET, SPARE))
    found = {(r["lock"], r["command_time"]): r["others_on"]
             for r in paired.actuations.to_dicts()}
    later = NOON + timedelta(seconds=5)
    assert found == {("latch", NOON): 0, ("magnet", NOON): 1, ("latch", later): 1,
                     ("spare", later): 1}


def test_energisings_end_where_the_log_broke_off():
    signals = pl.concat([log((0, "north/q1", "command", 1)),
                         log((9, "north/q1", "command", 0), *pulse(20, 21), END, run=1)])
    found = pair(signals, venue(LATCH, SPARE)).energisings.filter(pl.col("lock") == "latch")
    assert found["on_ms"].to_list() == [None, 1000.0]


def test_empty_and_unusable_tables():
    nothing = pair(SIGNALS.empty(), venue(LATCH))
    for name, frame in nothing.tables().items():
        assert frame.is_empty()
        assert frame.schema == TABLES[name].schema
    with pytest.raises(TableError, match=r"column time is missing.*column value is missing"):
        pair(pl.DataFrame({"channel": ["a"], "quantity": ["command"], "run": [0]}), venue(LATCH))


def test_each_lock_alone_gives_its_own_rows():
    records = [*pulse(0, 0.3), (0.06, "north/i1", "contact", 0), (3, "north/i1", "contact", 1),
               *pulse(1, 5, "north/q2", on=0), (1.4, "north/i2", "contact", 0), END]
    both = pair(log(*records), venue(LATCH, MAGNET, SPARE)).actuations
    for lock in (LATCH, MAGNET):
        alone = pair(log(*records), venue(lock, SPARE)).actuations
        assert_frame_equal(alone.drop("others_on"), both.filter(
            pl.col("lock") == lock.id).drop("others_on"))


def test_a_row_s_milliseconds_do_not_hang_on_how_many_rows_there_are():
    """The open end of the records is a table of a few rows, or of one."""
    moves = pl.DataFrame({
        "lock": ["latch", "latch"], "first_edge": [1, 10**15],
        "last_edge": [50_054, 10**15 + 50_053], "edges": [1, 1], "opens": [True, False],
        "shuts": [False, True], "commanded": [True, True]})
    alone, together = contact_changes(moves[:1]), contact_changes(moves)
    assert together["settle_ms"].unique().to_list() == alone["settle_ms"].to_list()
