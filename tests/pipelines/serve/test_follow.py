"""This morning's log, followed beside the store: the same pairing, nothing kept."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.serve.follow import Morning, follow, round_start
from remanence.pipelines.sheets.load import load_table
from remanence.pipelines.sheets.refresh import load_venue, take_in
from remanence.shared.venue_file import parse_venue
from tests.conftest import HARBOUR
from tests.pipelines.serve.house import LiveLog, venue


def early(text: str) -> str:
    """A venue whose round began long ago, whatever the hour at which the tests run."""
    return text + "\n[limits]\nmorning_from_hour = 0\n"


def states(morning: Morning) -> dict[str, str]:
    morning.take_in()
    return {lock["lock"]: lock["state"] for lock in morning.told(datetime.now(UTC))["locks"]}


def started(folder, tmp_path) -> Morning:
    # A minute past midnight the lines of the tests are still of this round.
    return Morning(folder, tmp_path / "memory", datetime.now(UTC) - timedelta(minutes=2))


def test_the_round_follows_the_log_as_it_comes(tmp_path, monkeypatch):
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    folder = venue(tmp_path / "harbour")
    log = LiveLog(folder)
    log.at_rest()
    morning = started(folder, tmp_path)
    assert states(morning) == {"chart-drawer": "not-cycled", "store-door": "not-cycled"}
    log.cycle_drawer()
    assert states(morning) == {"chart-drawer": "released", "store-door": "not-cycled"}
    assert morning.take_in() is False, "nothing new"
    log.cycle_door(opens=False)
    assert states(morning)["store-door"] == "no-answer"
    log.cycle_door(ago_s=3.0)
    found = morning
    assert states(found) == {"chart-drawer": "released", "store-door": "slower"}
    assert found.last is not None
    assert datetime.now(UTC) - found.last < timedelta(seconds=20)
    assert not (folder / "store").exists(), "ingest stays the one way into the store"


def test_what_it_shows_is_what_ingest_keeps(tmp_path, monkeypatch):
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    folder = venue(tmp_path / "harbour")
    log = LiveLog(folder)
    log.at_rest()
    log.cycle_drawer(latency_ms=120.0)
    log.cycle_door()
    morning = started(folder, tmp_path)
    states(morning)
    told = {lock["lock"]: lock["latency_ms"] for lock in morning.told(datetime.now(UTC))["locks"]}
    take_in(folder)
    house, path = load_venue(folder)
    rows = load_table(house, path, "actuations")
    assert dict(rows.select("lock", "latency_ms").iter_rows()) == told
    assert states(morning)["chart-drawer"] == "slower"


def test_a_contact_of_unknown_sense_is_read_as_the_whole_log_taught(tmp_path, monkeypatch):
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    text = HARBOUR.replace('contact_closed_when = "locked"\ncontact_senses = "catch"',
                           'contact_closed_when = "unknown"\ncontact_senses = "catch"')
    folder = venue(tmp_path / "harbour", text=text)
    (folder / "logs").mkdir()
    day = datetime.now(UTC) - timedelta(days=9)
    rows = ["time,channel,quantity,value"]
    for minute in range(60):
        at = day + timedelta(minutes=minute)
        for offset, channel, quantity, value in (
                (0, "north/q1", "command", 1), (60, "north/i1", "contact", 0),
                (300, "north/q1", "command", 0), (20_000, "north/i1", "contact", 1)):
            time = (at + timedelta(milliseconds=offset)).isoformat(timespec="milliseconds")
            rows.append(f"{time},{channel},{quantity},{value}")
    old = folder / "logs" / "old.csv"
    old.write_text("\n".join(rows) + "\n", encoding="utf-8")
    house, path = load_venue(folder)
    ingest(house, path)
    take_in(folder)
    morning = started(folder, tmp_path)
    assert morning.known.locks_by_id["chart-drawer"].contact_closed_when == "locked"
    assert morning.known.locks_by_id["store-door"].contact is None, "it never came in any log"
    morning.take_in()
    assert not morning.marks, "a file that the store has whole, and that is old, is passed over"
    at = datetime.now(UTC) - timedelta(seconds=20)
    rows = [(0, "north/q2", "command", 1), (1, "north/i2", "contact", 1),
            (2, "north/q2", "command", 0), (2.06, "north/i2", "contact", 0),
            (5, "north/q2", "command", 1)]
    (folder / "logs" / "today.csv").write_text("time,channel,quantity,value\n" + "".join(
        f"{(at + timedelta(seconds=second)).isoformat()},{channel},{quantity},{value}\n"
        for second, channel, quantity, value in rows), encoding="utf-8")
    assert states(morning)["store-door"] == "released", "a contact that came today is a contact"


def test_the_round_begins_at_the_venues_own_hour():
    house = parse_venue(HARBOUR)  # Lisbon: UTC in winter, an hour ahead in summer
    at = datetime(2026, 11, 3, 4, 59, tzinfo=UTC)
    assert round_start(house, at) == datetime(2026, 11, 2, 5, tzinfo=UTC)
    assert round_start(house, at + timedelta(minutes=1)) == datetime(2026, 11, 3, 5, tzinfo=UTC)
    summer = datetime(2026, 7, 3, 12, tzinfo=UTC)
    assert round_start(house, summer) == datetime(2026, 7, 3, 4, tzinfo=UTC)
    half = parse_venue(HARBOUR + "\n[limits]\nmorning_from_hour = 6.5\n")
    assert round_start(half, at + timedelta(hours=3)) == datetime(2026, 11, 3, 6, 30, tzinfo=UTC)


def test_a_fault_of_the_venue_file_is_told_and_ends_nothing(tmp_path):
    folder = venue(tmp_path / "harbour", text="[venue]\n")
    with (tmp_path / "nothing").open("w+") as ended:
        (told,) = follow(folder, tmp_path, ended)
    assert "time_zone" in told["fault"]
    assert isinstance(ended, io.TextIOBase)
