"""A worker that dies, a task that fails for a while: by processes and on a cluster."""

from __future__ import annotations

import pytest
from distributed import LocalCluster

from remanence.pipelines.chain.task import VenueTask
from remanence.pipelines.chain.workers import by_cluster, by_processes
from remanence.shared.errors import RemanenceError
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


def test_the_same_on_a_cluster(tmp_path):
    every = tasks("good 1", "die", f"fail 2 {tmp_path / 'a'}", "good 2")
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None,
                      host="127.0.0.1") as cluster:
        found = told(by_cluster(every, cluster.scheduler_address, retries=2, work=work))
    assert [found[number][0] for number in range(4)] == [True, False, True, True]
    assert "each worker that took it was killed" in found[1][1]


def test_a_scheduler_that_does_not_answer_is_named():
    with pytest.raises(RemanenceError, match=r"no Dask scheduler answers under tcp://127\.0\.0\.1"):
        list(by_cluster(tasks("good"), "tcp://127.0.0.1:9", retries=0, work=work))
