"""A process that dies, a task that fails for a while."""

from __future__ import annotations

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
