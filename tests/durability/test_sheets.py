"""A sheet's folder: nothing of others is touched, and it is the old sheet or the new one."""

from __future__ import annotations

import os
import signal
import time

import pytest

from remanence.pipelines.commands import main
from remanence.pipelines.sheets.write_files import LIST, write_files
from remanence.shared.errors import RemanenceError

KILLS = int(os.environ.get("REMANENCE_SHEET_KILLS", "20"))
OLD = {"index.html": b"old", "locks/a.html": b"old", "locks/b.html": b"old"}
NEW = {"index.html": b"new", "locks/a.html": b"new", "assets/s.css": b"new"}


def held(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes()
            for path in folder.rglob("*") if path.is_file() and path.name != LIST}


def test_a_sheet_takes_the_place_of_the_one_before(tmp_path):
    folder = tmp_path / "out"
    write_files(folder, OLD)
    write_files(folder, NEW)
    assert held(folder) == NEW
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_files_of_others_stay_and_are_never_replaced(tmp_path):
    folder = tmp_path / "out"
    (folder / "locks").mkdir(parents=True)
    (folder / "locks" / "mine.html").write_text("mine")
    write_files(folder, OLD)
    write_files(folder, NEW)
    assert held(folder) == {**NEW, "locks/mine.html": b"mine"}
    (folder / "parts.csv").write_text("mine")
    with pytest.raises(RemanenceError, match=r"found parts\.csv, which Remanence did not write"):
        write_files(folder, {**NEW, "parts.csv": b"new"})
    assert held(folder) == {**NEW, "locks/mine.html": b"mine", "parts.csv": b"mine"}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_the_sheet_of_an_older_program_is_taken_over(tmp_path):
    (tmp_path / "index.html").write_text("old")
    (tmp_path / "findings.json").write_text('{"remanence": "0.1.0"}')
    (tmp_path / "notes.txt").write_text("mine")
    write_files(tmp_path, {"index.html": b"new", "findings.json": b"{}"})
    assert held(tmp_path) == {"index.html": b"new", "findings.json": b"{}", "notes.txt": b"mine"}


def test_the_folder_one_stands_in_can_be_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_files(tmp_path, OLD)
    write_files(tmp_path, NEW)
    assert held(tmp_path) == NEW
    assert (tmp_path / "index.html").samefile("index.html")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_killed_run_leaves_the_old_sheet_or_the_new_one(tmp_path):
    folder = tmp_path / "out"
    sheets = [{f"{name}/{i}.html": bytes([n]) * 5000 for name in ("", "locks") for i in range(20)}
              for n in (1, 2)]
    sheets = [{name.lstrip("/"): data for name, data in sheet.items()} for sheet in sheets]
    began = time.monotonic()
    write_files(folder, sheets[0])
    whole = time.monotonic() - began
    for number in range(KILLS):
        child = os.fork()
        if not child:
            try:
                while True:
                    write_files(folder, sheets[number % 2])
                    write_files(folder, sheets[1 - number % 2])
            finally:
                os._exit(0)
        time.sleep(whole * (0.3 + number / KILLS))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        assert held(folder) in sheets, number


@pytest.fixture
def small_demo(monkeypatch):
    """The demo's own steps, on a demo venue of two weeks."""
    from remanence.sample_data import generate

    whole = generate.write_demo
    monkeypatch.setattr(generate, "write_demo", lambda out, **seed: whole(out, weeks=2, **seed))
    return lambda folder: main(["demo", "--out", str(folder)])


def test_a_demo_is_replaced_only_where_nothing_else_came_to_it(small_demo, tmp_path, capsys):
    out = tmp_path / "demo"
    assert small_demo(out) == 0
    assert small_demo(out) == 0  # nothing new in it
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    for name, said in (("holiday.jpg", "found holiday.jpg"),
                       ("store/notes.txt", "found store/notes.txt"),
                       ("service.csv", "found service.csv")):
        path = out / name
        was = path.read_bytes() if path.exists() else None
        path.write_bytes((was or b"") + b"mine\n")
        capsys.readouterr()
        assert small_demo(out) == 1
        assert said in capsys.readouterr().err
        assert path.read_bytes().endswith(b"mine\n")
        path.unlink() if was is None else path.write_bytes(was)
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before
