"""Items worked out ahead come in order, with their errors, and stop when nobody wants them."""

from __future__ import annotations

import threading

import pytest

from remanence.pipelines.ingest.prefetch import prefetch


def test_items_come_in_order_and_only_so_many_ahead():
    made = []

    def count():
        for i in range(100):
            made.append(i)
            yield i

    for i in prefetch(count(), depth=2):
        assert len(made) <= i + 5
        assert made[i] == i
    assert made == list(range(100))
    assert list(prefetch(x for x in ())) == []


def test_an_error_comes_where_its_item_would_have():
    def broken():
        yield 1
        raise ValueError("second")

    series = prefetch(broken())
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

    series = prefetch(endless())
    assert next(series) == 1
    series.close()
    assert closed == ["read-ahead"]
    assert not any(t.name == "read-ahead" for t in threading.enumerate())
