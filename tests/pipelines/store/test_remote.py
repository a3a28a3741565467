"""A store in a bucket: two writers, a kill at any step, lost writes, no network."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.sheets.verify import verify
from remanence.pipelines.store import bucket as bucket_module
from remanence.pipelines.store import remote
from remanence.pipelines.store.bucket import Bucket, UnknownOutcomeError
from remanence.pipelines.store.kept import keep, kept_file
from remanence.pipelines.store.manifest import NAME, read_manifest
from remanence.pipelines.store.store import Store
from remanence.shared.errors import StoreError
from tests.pipelines.ingest.house import HEADER, VENUE
from tests.pipelines.ingest.log_examples import ROOT

pytest.importorskip("obstore")
pytest.importorskip("moto")
from tests.pipelines.store.bucket_server import BucketServer, once


@pytest.fixture(scope="module")
def running():
    server = BucketServer()
    yield server
    server.stop()


@pytest.fixture
def server(running, monkeypatch):
    for name in [name for name in os.environ if name.startswith("AWS_")]:
        monkeypatch.delenv(name)
    for name, value in running.keys.items():
        monkeypatch.setenv(name, value)
    remote.forget_buckets()
    monkeypatch.setattr(remote, "REFRESH_S", 0.0)
    running.faults.clear()
    running.seen.clear()
    yield running
    running.faults.clear()
    remote.forget_buckets()


class Machine:
    """A venue's folder on one of several machines."""

    def __init__(self, folder, address):
        folder.mkdir()
        (folder / "logs").mkdir()
        self.folder = folder
        (folder / "venue.toml").write_text(
            VENUE.replace("[venue]\n", f'[venue]\nstore = "{address}"\n', 1))

    def log(self, name, *seconds):
        lines = [f"2026-11-02T18:03:{s:02d}.000Z,north/q1,command,{s % 2}" for s in seconds]
        (self.folder / "logs" / name).write_text(HEADER + "".join(f"{x}\n" for x in lines))
        return self

    def ingest(self):
        venue, path = load_venue(self.folder)
        return ingest(venue, path, progress=Silent())

    def store(self):
        return Store.open(*load_venue(self.folder))

    def seconds(self):
        return self.store().scan_signals().collect()["time"].dt.second().to_list()


@pytest.fixture
def two(server, tmp_path):
    address = f"s3://{server.bucket()}/venues/harbour"
    return Machine(tmp_path / "one", address), Machine(tmp_path / "two", address)


def objects(server, machine):
    address = load_venue(machine.folder)[0].store
    return Bucket(address).changed()


# Writers.


def logs(folder):
    """Files that overlap and hold bad lines; what must come out of them."""
    (folder / "logs").mkdir()
    (folder / "venue.toml").write_text(VENUE)
    start = datetime(2026, 11, 1, 23, 50, tzinfo=UTC)
    expected, rejects = [], []
    for i in range(1000):
        at = start + timedelta(seconds=i)
        channel, quantity, value = ("rail-a", "volts", 12 + i % 7 / 100) if i % 5 else (
            "north/q1", "command", i // 5 % 2)
        expected.append((f"{at:%Y-%m-%dT%H:%M:%S}Z,{channel},{quantity},{value}\n",
                         [channel, quantity, float(value), int(at.timestamp() * 1000)]))
    for name, first, last in (("a.csv", 0, 500), ("b.csv", 400, 1000)):
        lines = [line for line, _ in expected[first:last]]
        (folder / "logs" / name).write_text(HEADER + "".join([*lines, "rubbish\n"]))
        rejects.append([f"logs/{name}", len(lines) + 2])
    return sorted((row for _, row in expected), key=lambda row: (row[3], row[0])), rejects


def run(server, what, folder):
    out = folder / "out"
    out.mkdir()
    worker = Path(__file__).with_name("remote_worker.py")
    subprocess.run(
        [sys.executable, str(worker), what, str(folder), server.bucket(), str(out)],
        check=True, timeout=300, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "POLARS_MAX_THREADS": "1"})
    return {path.stem: json.loads(path.read_text()) for path in out.iterdir()}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize(("what", "least"), [("kill", 20), ("several", 1)])
def test_every_record_is_there_once_whoever_writes_and_dies(server, tmp_path, what, least):
    expected, rejects = logs(tmp_path)
    looks = run(server, what, tmp_path)
    assert len(looks) >= least
    for step, seen in looks.items():
        assert sorted(seen["rows"], key=lambda row: (row[3], row[0])) == expected, step
        assert sorted(seen["rejects"]) == rejects, step


def test_what_one_machine_commits_another_reads_and_goes_on_from(two, server):
    one, other = two
    assert one.log("a.csv", 1, 2, 3).ingest().taken == 3
    assert other.seconds() == [1, 2, 3]
    assert other.log("b.csv", 3, 4).ingest().taken == 1
    assert one.seconds() == [1, 2, 3, 4]
    manifest = read_manifest(one.store().folder)
    assert manifest.named() | {NAME} <= objects(server, one).keys()


def test_a_lost_conditional_write_is_done_again_on_the_others_state(two, monkeypatch):
    one, other = two
    one.log("a.csv", 1, 2).ingest()
    other.log("b.csv", 2, 3)
    whole = Bucket.put_if
    calls = []

    def put_if(self, path, data, version):
        calls.append(path)
        if len(calls) == 1:
            other.ingest()
        return whole(self, path, data, version)

    monkeypatch.setattr(Bucket, "put_if", put_if)
    one.log("c.csv", 4, 5)
    assert one.ingest().taken == 2
    assert len(calls) >= 3
    assert one.seconds() == other.seconds() == [1, 2, 3, 4, 5]
    assert sum(one.store().files()["taken"]) == 5


def test_a_commit_whose_answer_was_lost_is_not_done_twice(two, server):
    one, other = two
    one.log("a.csv", 1, 2).ingest()
    done = []

    def lose(method, path, environ, carry_out):
        if method == "PUT" and path.endswith(NAME) and not done:
            done.append(path)
            carry_out(environ)
            return "503 Slow Down", b"<Error><Code>SlowDown</Code></Error>"
        return None

    server.faults.append(lose)
    assert one.log("b.csv", 3, 4, 5).ingest().taken == 3
    assert done
    assert other.seconds() == [1, 2, 3, 4, 5]
    assert dict(other.store().files().select("file", "taken").rows())["logs/b.csv"] == 3


def test_a_commit_that_was_overtaken_before_it_was_heard_of_undoes_nothing(two, monkeypatch):
    one, other = two
    whole = Bucket.put_if
    calls = []

    def put_if(self, path, data, version):
        if path != NAME or calls:
            return whole(self, path, data, version)
        calls.append(path)
        whole(self, path, data, version)
        other.log("b.csv", 3).ingest()
        raise UnknownOutcomeError("no answer")

    monkeypatch.setattr(Bucket, "put_if", put_if)
    assert one.log("a.csv", 1, 2).ingest().taken == 2
    assert one.seconds() == other.seconds() == [1, 2, 3]


@pytest.mark.parametrize(("method", "ends"), [
    ("GET", NAME), ("PUT", NAME), ("PUT", ".parquet"), ("GET", ".parquet")])
def test_a_server_that_fails_once_is_asked_again(two, server, method, ends):
    one, other = two
    server.faults.append(once("500 Internal Server Error", method, ends))
    one.log("a.csv", 1, 2).ingest()
    assert other.seconds() == [1, 2]


def test_findings_and_forecasts_go_to_the_bucket(two):
    one, other = two
    one.log("a.csv", 1).ingest()
    folder = one.store().folder
    keep(folder, "findings/2026-W45", ".json", b'{"said": []}', 0)
    keep(folder, "findings/2026-W45", ".json", b'{"said": [1]}', 1)
    generation = (folder / NAME).read_bytes()
    keep(folder, "findings/2026-W45", ".json", b'{"said": [1]}', 1)
    assert (folder / NAME).read_bytes() == generation
    there = kept_file(other.store().folder, "findings/2026-W45", ".json")
    assert there is not None
    assert there.read_bytes() == b'{"said": [1]}'


# What is removed.


def test_what_belongs_to_nothing_for_a_week_is_removed_and_nothing_younger(
        two, server, monkeypatch):
    one, _ = two
    one.log("a.csv", 1).ingest()
    address = load_venue(one.folder)[0].store
    for name in ("files/old.parquet", "files/young.parquet"):
        Bucket(address).put(name, b"left behind")
    whole = Bucket.changed

    def changed(self, most=None):
        # All is old by now but one file left behind, and the manifest.
        return {path: at - timedelta(days=0 if path in (NAME, "files/young.parquet") else 8)
                for path, at in whole(self, most).items()}

    monkeypatch.setattr(Bucket, "changed", changed)
    remote.forget_buckets()
    one.log("b.csv", 2).ingest()
    there = objects(server, one).keys()
    assert "files/old.parquet" not in there
    assert "files/young.parquet" in there
    manifest = read_manifest(one.store().folder)
    assert manifest.named() | {path for path, _ in manifest.retired} <= there


def test_a_name_is_never_given_twice(two):
    one, _ = two
    folder = one.log("a.csv", 1).store().folder
    keep(folder, "findings/2026-W45", ".json", b"[]", 0)
    first = read_manifest(folder).kept["findings/2026-W45"].path
    keep(folder, "findings/2026-W45", ".json", b"[1]", 1)
    keep(folder, "findings/2026-W45", ".json", b"[]", 0)
    assert read_manifest(folder).kept["findings/2026-W45"].path != first


# Refusals.


def refused(machine, monkeypatch=None):
    with pytest.raises(StoreError) as told:
        machine.ingest()
    text = str(told.value)
    assert "-of-the-tests" not in text
    assert "s3://" in text
    return text


def test_no_network_is_told_in_plain_words(two, monkeypatch):
    one, _ = two
    monkeypatch.setattr(bucket_module, "RETRIES", 1)
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    assert "cannot be reached; look at the network" in refused(one.log("a.csv", 1))


def test_refused_access_is_told_without_the_keys(two, server):
    one, _ = two
    server.faults.append(lambda *_: (
        "403 Forbidden", b"<Error><Code>InvalidAccessKeyId</Code>"
        b"<AWSAccessKeyId>key-of-the-tests</AWSAccessKeyId></Error>"))
    assert "refuses access (403, InvalidAccessKeyId)" in refused(one.log("a.csv", 1))


def test_a_network_that_goes_away_before_the_manifest_changes_nothing(two, server, monkeypatch):
    one, other = two
    one.log("a.csv", 1).ingest()
    monkeypatch.setattr(bucket_module, "RETRIES", 1)
    remote.forget_buckets()
    server.faults.append(lambda method, path, *_: (
        ("503 Slow Down", b"") if method == "PUT" and path.endswith(NAME) else None))
    assert "answered with an error (503)" in refused(one.log("b.csv", 2))
    server.faults.clear()
    assert other.seconds() == [1]
    assert one.ingest().taken == 1
    assert other.seconds() == [1, 2]


def test_a_server_without_conditional_writes_is_refused(two, server):
    one, _ = two

    def careless(_method, _path, environ, _do):
        environ.pop("HTTP_IF_NONE_MATCH", None)
        environ.pop("HTTP_IF_MATCH", None)

    server.faults.append(careless)
    assert "knows conditional writes" in refused(one.log("a.csv", 1))
    assert NAME not in objects(server, one)


def test_a_place_in_use_and_a_missing_bucket_are_refused(two, server, tmp_path):
    one, _ = two
    Bucket(load_venue(one.folder)[0].store).put("notes.txt", b"mine")
    assert "is not empty (found 'notes.txt')" in refused(one.log("a.csv", 1))
    nowhere = Machine(tmp_path / "nowhere", "s3://no-such-bucket/harbour")
    assert "there is no such bucket" in refused(nowhere.log("a.csv", 1))


def test_a_store_that_another_machine_begins_at_the_same_moment_is_no_place_in_use(
    two, monkeypatch
):
    one, other = two
    ask, came = Bucket.something_else, []

    def meanwhile(bucket):
        if not came:
            came.append(True)
            other.log("b.csv", 2, 3).ingest()
        return ask(bucket)
    monkeypatch.setattr(Bucket, "something_else", meanwhile)
    one.log("a.csv", 1).ingest()
    assert came
    assert sorted(one.seconds()) == [1, 2, 3]


def test_a_store_that_is_gone_from_the_bucket_is_not_begun_anew(two, server):
    one, _ = two
    one.log("a.csv", 1).ingest()
    Bucket(load_venue(one.folder)[0].store).remove([NAME])
    assert "put the bucket back from a copy" in refused(one.log("b.csv", 2))


def test_the_missing_package_is_named(two, monkeypatch):
    one, _ = two
    monkeypatch.setitem(sys.modules, "obstore", None)
    assert 'pip install "remanence-locks[cloud]"' in refused(one.log("a.csv", 1))


# Damage.


def test_verify_fetches_what_is_damaged_here_and_sends_what_the_bucket_lacks(two, server):
    one, other = two
    one.log("a.csv", 1).ingest()
    folder = one.store().folder
    path = next(iter(read_manifest(folder).days.values())).segments[0].path
    (folder / path).write_bytes(b"rubbish")
    text, sound = verify(one.folder)
    assert "1 damaged files of the copy were fetched again" in text
    assert sound
    Bucket(load_venue(one.folder)[0].store).remove([path])
    with pytest.raises(StoreError, match=f"{path} is not there"):
        other.seconds()
    text, sound = verify(one.folder)
    assert "1 files that" in text
    assert sound
    assert other.seconds() == [1]


def test_a_file_damaged_in_the_bucket_is_told_and_sent_again_by_who_has_it(two):
    one, other = two
    one.log("a.csv", 1).ingest()
    path = next(iter(read_manifest(one.store().folder).days.values())).segments[0].path
    Bucket(load_venue(one.folder)[0].store).put(path, b"rubbish")
    with pytest.raises(StoreError, match=r"not what was written; put it back .* --repair"):
        other.seconds()
    text, sound = verify(one.folder)
    assert "1 files that" in text
    assert sound
    assert other.seconds() == [1]


@pytest.mark.parametrize("gone", [True, False])
def test_a_file_that_is_sound_nowhere_comes_back_from_the_logs_or_is_told_as_lost(two, gone):
    one, other = two
    one.log("a.csv", 1).ingest()
    one.log("b.csv", 2).ingest()
    first, second = (read_manifest(one.store().folder).days["2026-11-02"].segments[0].path,
                     Bucket(load_venue(one.folder)[0].store))
    before = other.seconds()
    for machine in (one, other):
        folder = machine.store().folder
        for path in folder.glob("signals/*/*"):
            path.unlink()
    for path in [path for path in second.changed() if path.startswith("signals/")]:
        second.remove([path]) if gone else second.put(path, b"rubbish")
    with pytest.raises(StoreError, match="remanence verify VENUE --repair"):
        other.seconds()
    (one.folder / "logs" / "b.csv").unlink()  # the other log is still there
    text, whole = verify(one.folder, mend=True)
    assert f"{first} is" in text
    assert "and no sound copy is here" in text
    assert "LOST for good: 1 records of 2026-11-02" in text
    assert not whole
    assert before == [1, 2]
    assert other.seconds() == one.seconds() == [1]
    assert verify(other.folder)[1]
    one.log("b.csv", 2).ingest()
    assert other.seconds() == [1, 2]


def test_what_was_replaced_within_a_week_brings_its_records_back(two):
    one, other = two
    one.log("a.csv", 1, 5).ingest()
    one.log("b.csv", 3).ingest()  # between these: all of it is written anew
    address, folder = load_venue(one.folder)[0].store, one.store().folder
    path = read_manifest(folder).days["2026-11-02"].segments[0].path
    Bucket(address).put(path, b"rubbish")
    for name in folder.glob("signals/*/*"):
        name.unlink()
    for log in (one.folder / "logs").iterdir():
        log.unlink()
    text, whole = verify(one.folder, mend=True)
    assert "LOST for good: 1 records of 2026-11-02" in text
    assert not whole
    assert other.seconds() == [1, 5]


@pytest.mark.parametrize("how", ["cut", "gone", "flipped"])
def test_a_manifest_damaged_in_the_bucket_is_made_anew_from_its_files(two, how, tmp_path):
    one, other = two
    one.log("a.csv", 1, 5).ingest()
    keep(one.store().folder, "findings/2026-W45", ".json", b'{"said": [1]}', 1)
    assert other.seconds() == [1, 5]
    one.log("b.csv", 3).ingest()  # the other machine's copy does not know of it
    for log in (one.folder / "logs").iterdir():
        log.unlink()
    address = load_venue(one.folder)[0].store
    bucket = Bucket(address)
    data = bucket.read(NAME)[0]
    if how == "gone":
        bucket.remove([NAME])
    else:
        bucket.put(NAME, data[:-40] if how == "cut" else data.replace(b"edges", b"Edges", 1))
    with pytest.raises(StoreError, match="remanence verify VENUE --repair"):
        verify(other.folder)
    text, whole = verify(other.folder, mend=True)
    assert "the store is made of all sound files and logs that are there" in text
    assert whole
    for machine in (other, one, Machine(tmp_path / "third", address)):
        assert machine.seconds() == [1, 3, 5]
        kept = kept_file(machine.store().folder, "findings/2026-W45", ".json")
        assert kept.read_bytes() == b'{"said": [1]}'
    assert verify(one.folder)[1]
    one.log("c.csv", 7).ingest()
    assert other.seconds() == [1, 3, 5, 7]


def test_a_manifest_that_another_machine_made_anew_first_is_taken_as_it_is(two, monkeypatch):
    one, other = two
    one.log("a.csv", 1, 5).ingest()
    assert other.seconds() == [1, 5]
    Bucket(load_venue(one.folder)[0].store).put(NAME, b"{}x")
    publish, beside = remote._Session.publish, [other]

    def overtaken(session, manifest):
        if beside:
            machine = beside.pop()
            assert verify(machine.folder, mend=True)[1]
        publish(session, manifest)

    monkeypatch.setattr(remote._Session, "publish", overtaken)
    assert verify(one.folder, mend=True)[1]
    assert one.seconds() == other.seconds() == [1, 5]
    assert verify(other.folder)[1]
