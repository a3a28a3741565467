"""A process that dies, a task that fails for a while."""

from __future__ import annotations

from collections import Counter

import pytest

from remanence.pipelines.chain import workers
from remanence.pipelines.chain.task import VenueTask
from remanence.pipelines.chain.workers import by_processes
from tests.pipelines.chain.deadly import work


def tasks(*paths: str) -> list[VenueTask]:
    return [VenueTask(path) for path in paths]


def told(ends) -> dict[int, tuple[bool, str]]:
    seen: dict[int, tuple[bool, str]] = {}
    for number, done in ends:
        assert number not in seen
        seen[number] = (done.kept is not None, " ".join(done.faults))
    return seen


def test_a_process_that_dies_takes_no_other_venue_with_it():
    every = tasks("good 1", "die", "good 2", "good 3", "good 4")
    found = told(by_processes(every, jobs=2, retries=1, work=work))
    assert [found[number][0] for number in range(5)] == [True, False, True, True, True]
    assert "killed each time" in found[1][1]


def test_what_fails_for_a_while_is_tried_again(tmp_path):
    every = tasks(f"fail 2 {tmp_path / 'a'}", f"fail 3 {tmp_path / 'b'}", "good")
    found = told(by_processes(every, jobs=2, retries=2, work=work))
    assert [found[number][0] for number in range(3)] == [True, False, True]
    assert (tmp_path / "b").read_text() == "3"


@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.timeout(60)
def test_more_venues_than_a_process_does(monkeypatch, tmp_path, jobs):
    # The pool used to replace its processes by itself, and waited for ever after the first one.
    monkeypatch.setattr(workers, "VENUES_A_PROCESS", 2)
    every = tasks(*(f"who {tmp_path}" for _ in range(5)))
    found = told(by_processes(every, jobs=jobs, retries=0, work=work))
    assert [found[number][0] for number in range(5)] == [True] * 5
    done = Counter(path.suffix for path in tmp_path.iterdir())
    assert len(done) >= 3
    assert max(done.values()) <= 2


def test_a_process_that_dies_loses_no_venue_of_another():
    every = tasks("die", "good 1", "die", "good 2", "good 3", "die")
    found = told(by_processes(every, jobs=2, retries=0, work=work))
    assert [found[number][0] for number in range(6)] == [False, True, False, True, True, False]
