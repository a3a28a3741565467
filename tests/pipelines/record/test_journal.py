"""The journal: nothing that was synced is lost or torn, whatever stands at its end."""

from __future__ import annotations

import errno
import json
import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remanence.pipelines.record.identity import Identities, content_of
from remanence.pipelines.record.journal import Journal, JournalError


def row(second: int, day: str = "2026-11-02", **more) -> dict:
    received = f"{day}T18:03:{second:02}.000000Z"
    return {"received": received, "id": f"{second}", "payload": "1", **more}


def lines(folder, day: str = "2026-11-02") -> list[dict]:
    text = (folder / f"{day}.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


@settings(max_examples=60, deadline=None)
@given(torn=st.one_of(
    st.binary(max_size=40),
    st.integers(0, 60).map(lambda cut: json.dumps(row(9)).encode()[:cut]),
    st.integers(1, 200_000).map(lambda size: b"\0" * size + b"\n")))
def test_what_a_kill_left_at_the_end_is_cut_off(torn, tmp_path_factory):
    folder = tmp_path_factory.mktemp("journal") / "mqtt"
    journal = Journal(folder)
    journal.append([row(1), row(2)])
    journal.close()
    with (folder / "2026-11-02.jsonl").open("ab") as file:
        file.write(torn)
    journal = Journal(folder)
    assert [r["id"] for r in journal.tail()] == ["1", "2"]
    journal.append([row(3)])
    journal.close()
    assert [r["id"] for r in lines(folder)] == ["1", "2", "3"]


def test_a_day_of_utc_has_a_file(tmp_path):
    journal = Journal(tmp_path / "mqtt")
    journal.append([row(1), row(2, "2026-11-03"), row(3, "2026-11-02")])
    assert [r["id"] for r in lines(tmp_path / "mqtt")] == ["1"]
    # A clock that was set back goes on in the newest file: files are only ever added to at the end.
    assert [r["id"] for r in lines(tmp_path / "mqtt", "2026-11-03")] == ["2", "3"]


def test_a_full_disk_leaves_whole_lines_and_says_how_many_are_kept(tmp_path, monkeypatch):
    folder = tmp_path / "mqtt"
    journal = Journal(folder)
    journal.append([row(1)])
    real = os.write

    def full(handle, data):
        real(handle, bytes(data)[:30])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(JournalError, match="No space left") as error:
        journal.append([row(2), row(3)])
    assert error.value.kept == 0
    assert [r["id"] for r in lines(folder)] == ["1"]
    monkeypatch.undo()
    journal.append([row(2), row(3)])
    assert [r["id"] for r in lines(folder)] == ["1", "2", "3"]


def test_a_failed_sync_is_no_success(tmp_path, monkeypatch):
    journal = Journal(tmp_path / "mqtt")
    journal.append([row(1)])

    def broken(handle):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(JournalError):
        journal.append([row(2)])
    monkeypatch.undo()
    assert [r["id"] for r in lines(tmp_path / "mqtt")] == ["1"]


def test_a_repeat_is_told_by_own_time_or_by_packet_and_flag():
    known = Identities()
    timed, plain = content_of("rail-a", b'{"time": 1}'), content_of("north/q1", b"1")
    known.remember(timed, True, 7)
    known.remember(plain, False, 8)
    assert known.is_repeat(timed, True, 99, False)  # published again under another packet id
    assert known.is_repeat(plain, False, 8, True)
    assert not known.is_repeat(plain, False, 8, False)  # the broker says that it is new
    assert not known.is_repeat(plain, False, 9, True)  # one that never came, and is sent again
    assert not known.is_repeat(content_of("north/q1", b"0"), False, 8, True)
    for number in range(10_000):
        known.remember(content_of("north/q2", b"%d" % number), False, 100 + number % 1000)
    assert not known.is_repeat(plain, False, 8, True)  # long acknowledged: the id came round
