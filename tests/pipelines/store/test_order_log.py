"""What was ordered and what arrived: noted once, counted where it lies."""

from __future__ import annotations

import os
from datetime import date

import pytest

from remanence.pipelines.commands import AT_FAULT, DONE, main
from remanence.pipelines.store.order_log import add_order, on_the_shelf, order_path, read_orders
from remanence.shared.errors import RemanenceError
from remanence.shared.venue_file import parse_venue

DAY = date(2026, 11, 10)


@pytest.fixture
def house(tmp_path, harbour_text):
    path = tmp_path / "venue.toml"
    path.write_text(harbour_text, encoding="utf-8")
    return path


def venue_of(path, **of_part):
    text = path.read_text(encoding="utf-8")
    for key, value in of_part.items():
        text = text.replace("[[part]]\n", f"[[part]]\n{key} = {value}\n", 1)
    return parse_venue(text, str(path))


def part_of(venue):
    return venue.parts[0]


def test_ordered_is_on_the_way_and_arrived_lies_on_the_shelf(house):
    venue = venue_of(house)
    part, before = part_of(venue).id, part_of(venue).in_stock
    for event, count in (("ordered", 3), ("arrived", 2)):
        add_order(venue, house, part, event, count, day=DAY, today=DAY)
    now = part_of(on_the_shelf(venue, house))
    assert (now.in_stock, now.on_order) == (before + 2, 1)


def test_after_a_count_only_what_came_and_went_since_changes_the_stock(house):
    venue = venue_of(house, counted="2026-11-10")
    part, before = part_of(venue).id, part_of(venue).in_stock
    assert before
    lock = next(lock.id for lock in venue.locks if lock.part == part)
    add_order(venue, house, part, "arrived", 5, day=DAY, today=DAY)  # in the count already
    assert part_of(on_the_shelf(venue, house)).in_stock == before
    log = house.parent / venue.service_log
    log.write_text(f"date,lock,action,part,note\n2026-11-09,{lock},replaced,,\n"
                   f"2026-11-12,{lock},replaced,,\n", encoding="utf-8")
    assert part_of(on_the_shelf(venue, house)).in_stock == before - 1


@pytest.mark.parametrize(("part", "event", "count", "told"), [
    ("latch-x", "ordered", 1, "part: found"), (None, "lost", 1, "event: found"),
    (None, "ordered", 0, "count: found"), (None, "ordered", -2, "count: found"),
])
def test_what_cannot_be_is_refused_and_nothing_is_written(house, part, event, count, told):
    venue = venue_of(house)
    with pytest.raises(RemanenceError, match=told):
        add_order(venue, house, part or part_of(venue).id, event, count, day=DAY, today=DAY)
    assert not order_path(venue, house).exists()


def test_a_line_that_makes_no_sense_is_set_aside_with_its_reason(house):
    venue = venue_of(house)
    part = part_of(venue).id
    order_path(venue, house).write_text(
        f"date,part,event,count,note\n2026-11-10,{part},ordered,2,by mail\n"
        f"10.11.2026,{part},ordered,2,\n2026-11-10,{part},ordered,two,\n", encoding="utf-8")
    found = read_orders(venue, house)
    assert [entry.count for entry in found.entries] == [2]
    assert [text.split(":")[0] for text in found.set_aside] == [
        "orders.csv, line 3", "orders.csv, line 4"]


def test_another_file_is_never_written_to(house):
    venue = venue_of(house)
    order_path(venue, house).write_text("what,ever\n1,2\n", encoding="utf-8")
    with pytest.raises(RemanenceError, match="header"):
        add_order(venue, house, part_of(venue).id, "ordered", 1, day=DAY, today=DAY)
    assert order_path(venue, house).read_text(encoding="utf-8") == "what,ever\n1,2\n"


def test_the_command_notes_a_line(house, capsys):
    part = part_of(venue_of(house)).id
    assert main(["order", str(house), part, "2", "--date", "2026-11-10"]) == DONE
    # (A long path makes the line wrap.)
    assert f"added 2026-11-10,{part},ordered,2," in " ".join(capsys.readouterr().out.split())
    assert main(["order", str(house), "no-such", "2"]) == AT_FAULT


def test_an_order_that_cannot_be_written_whole_leaves_the_file_as_it_was(house, monkeypatch):
    venue = venue_of(house)
    part = part_of(venue).id
    add_order(venue, house, part, "ordered", 3, day=DAY, today=DAY)
    before = order_path(venue, house).read_bytes()

    def full(_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(RemanenceError, match="nothing was added"):
            add_order(venue, house, part, "arrived", 3, day=DAY, today=DAY)
    assert order_path(venue, house).read_bytes() == before
    add_order(venue, house, part, "arrived", 3, day=DAY, today=DAY)
    assert len(read_orders(venue, house).entries) == 2
