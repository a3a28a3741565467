"""Items worked out ahead come in order, with their errors, and stop when nobody wants them."""

from __future__ import annotations

import threading

import pytest

from remanence.pipelines.ingest.prefetch import Prefetch


def test_items_come_in_order_and_only_so_many_ahead():
    made = []

    def count():
        for i in range(100):
            made.append(i)
            yield i

    for i in Prefetch(count(), depth=2):
        assert len(made) <= i + 5
        assert made[i] == i
    assert made == list(range(100))
    assert list(Prefetch(x for x in ())) == []


def test_an_error_comes_where_its_item_would_have():
    def broken():
        yield 1
        raise ValueError("second")

    series = Prefetch(broken())
    assert next(series) == 1
    with pytest.raises(ValueError, match="second"):
        next(series)


def test_who_stops_early_leaves_nothing_running():
    closed = []

    def endless():
        try:
            while True:
                yield 1
        finally:
            closed.append(threading.current_thread().name)

    series = Prefetch(endless())
    assert next(series) == 1
    series.close()
    assert closed == ["read-ahead"]
    assert not any(t.name == "read-ahead" for t in threading.enumerate())


def test_a_series_after_another_begins_when_that_one_is_worked_out():
    made = []

    def told(name, count):
        for i in range(count):
            made.append((name, i))
            yield i

    first = Prefetch(told("first", 3), depth=2)
    second = Prefetch(told("second", 2), depth=2, after=first)
    assert not any(name == "second" for name, _ in made[:3])
    assert list(first) == [0, 1, 2]
    assert list(second) == [0, 1]
    assert made == [("first", 0), ("first", 1), ("first", 2), ("second", 0), ("second", 1)]


def test_a_series_that_nobody_wants_never_begins():
    def endless():
        while True:
            yield 1

    made = []
    first = Prefetch(endless())
    second = Prefetch((made.append(i) or i for i in range(3)), after=first)
    second.close()
    first.close()
    assert made == []
    assert not any(t.name == "read-ahead" for t in threading.enumerate())
