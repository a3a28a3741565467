"""On a Dask cluster: workers that die, tasks that are lost, a cluster that is gone."""

from __future__ import annotations

import pytest

from remanence.pipelines.chain import cluster as cluster_module
from remanence.pipelines.chain.cluster import by_cluster, nobodys
from remanence.shared.errors import RemanenceError
from tests.pipelines.chain.deadly import work
from tests.pipelines.chain.real_cluster import cluster
from tests.pipelines.chain.test_workers import tasks, told


@pytest.fixture
def impatient(monkeypatch):
    """A machine that starts anew is not waited for."""
    for name, seconds in (("LOOK_S", 0.5), ("LOST_AFTER_S", 2.0), ("GONE_AFTER_S", 12.0),
                          ("ANSWER_S", 10.0), ("CONNECT_S", 30.0)):
        monkeypatch.setattr(cluster_module, name, seconds)


def test_a_worker_that_dies_takes_no_other_venue_with_it(tmp_path):
    every = tasks("good 1", "die", f"fail 2 {tmp_path / 'a'}", "good 2")
    with cluster(workers=2) as running:
        found = told(by_cluster(every, running.address, retries=2, work=work))
    assert [found[number][0] for number in range(4)] == [True, False, True, True]
    assert "each worker that took it was killed" in found[1][1]


def test_it_ends_where_no_worker_is_left(impatient):
    # The only worker dies, and nobody starts it again.
    with cluster(workers=1, starts=1) as running:
        found = told(by_cluster(tasks("die", "good"), running.address, retries=2, work=work))
    assert found.keys() == {0, 1}
    assert not found[0][0]
    assert "has had no worker for 12 s; run the same again" in found[0][1]


def test_it_ends_where_the_scheduler_is_killed(impatient):
    with cluster(workers=1) as running:
        ends = by_cluster(tasks("good", "wait 600"), running.address, retries=2, work=work)
        assert next(ends)[1].kept
        running.scheduler.kill()
        found = told(ends)
    assert not found[1][0]
    assert "scheduler" in found[1][1]


def test_a_task_that_the_cluster_forgot_is_given_out_again_so_often(impatient, monkeypatch):
    told_of = {"processing": {"tcp://worker": []}, "call_stack": {}}
    monkeypatch.setattr(cluster_module._Watch, "_asked", lambda self, what: told_of[what])
    with cluster(workers=1) as running:
        found = told(by_cluster(tasks("wait 600"), running.address, retries=1, work=work))
    assert found == {0: (False, "the cluster lost it each time; look at the logs of its workers")}


def test_what_a_worker_does_or_will_do_is_not_lost():
    out = {"done", "next", "given to one that does nothing", "given to none"}
    waits = {"a": ["done", "next"], "b": ["given to one that does nothing"]}
    assert nobodys(out, waits, {"a": ["done"]}) == {"given to one that does nothing"}
    assert nobodys(out, waits, {"a": ["of another client"], "b": ["x"]}) == set()
    assert nobodys(out, waits, {"a": [], "b": []}) == out


def test_a_scheduler_that_does_not_answer_is_named(monkeypatch):
    monkeypatch.setattr(cluster_module, "CONNECT_S", 2.0)
    with pytest.raises(RemanenceError, match=r"no Dask scheduler answers under tcp://127\.0\.0\.1"):
        list(by_cluster(tasks("good"), "tcp://127.0.0.1:9", retries=0, work=work))
