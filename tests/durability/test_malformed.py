"""Whatever stands in a manifest, a list of files or a venue file: plain words, no traceback."""

from __future__ import annotations

import copy
import json
import os
import random
import shutil
from pathlib import Path

import pytest

from remanence.pipelines.commands import main
from remanence.pipelines.store import disk
from tests.conftest import HARBOUR
from tests.durability.small_venue import make

COUNT = int(os.environ.get("REMANENCE_MALFORMED", "120"))
ODD = [None, True, -1, 0, 10**400, 2**63, 1e308, -0.5, "", "x" * 300, "../../etc/passwd", "/etc",
       "\x1b[31m", "a\x00b", [], {}, [[[[]]]], {"a": {"b": []}}, "\ud800", "２０２６", [1, "a"]]


def mutated(value, rng):
    """The same JSON with one thing in it made odd, taken out, or put in."""
    value = copy.deepcopy(value)
    at, path = value, []
    while isinstance(at, dict | list) and at and (not path or rng.random() < 0.85):
        key = rng.choice(list(at)) if isinstance(at, dict) else rng.randrange(len(at))
        path.append((at, key))
        at = at[key]
    if not path:
        return rng.choice(ODD)
    home, key = path[-1]
    act = rng.randrange(4)
    if act == 0:
        del home[key]
    elif act == 1 and isinstance(home, dict):
        home[rng.choice(["", "extra", "sha256", "../x"])] = home.pop(key)
    else:
        home[key] = copy.deepcopy(rng.choice(ODD))
    return value


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    folder = tmp_path_factory.mktemp("malformed") / "house"
    make(folder, days=3)
    assert main(["weekly", str(folder)]) == 0
    return folder


def ends_plainly(words, capsys):
    disk.forget_checks()
    status = main(words)
    said = capsys.readouterr()
    assert status in (0, 1), said
    assert status == 0 or said.err.startswith(("error: ", "note: ")) or said.out, said
    assert "\x1b" not in said.out + said.err
    return status


@pytest.mark.parametrize("where", ["manifest.json", "derived/manifest.json"])
@pytest.mark.parametrize("seal", [True, False])
def test_a_mutated_manifest_is_plain_words(house, tmp_path, where, seal, capsys):
    """With a seal that holds, as if a program had written it so, and without one."""
    rng = random.Random(f"{where}{seal}")
    path = house / "store" / where
    good = path.read_text()
    raw = json.loads(good)
    del raw["sha256"]
    before = files(house)
    try:
        for number in range(COUNT // 4):
            odd = dict(raw)
            if not seal and where == "manifest.json":
                odd = as_version_3(raw)
            text = json.dumps(mutated(odd, rng))
            path.write_text(disk.sealed(text) if seal and text[0] == "{" else text)
            words = ["export", str(house), rng.choice(["signals", "actuations", "rejects"]),
                     str(tmp_path / "out.csv")] if number % 3 else ["verify", str(house)]
            ends_plainly(words, capsys)
            for lost in before - files(house):
                pytest.fail(f"{lost} was removed")
    finally:
        path.write_text(good)


def files(house):
    return set((house / "store").rglob("*.parquet"))


def as_version_3(raw):
    kept = raw["kept"]
    old = {name: value for name, value in raw.items() if name not in ("kept", "venue")}
    return old | {"version": 3, **{name: kept[name]["path"] if name in kept else None
                                   for name in ("files", "clock_events")}}


@pytest.mark.parametrize("text", [
    "{" * 100_000, "[" * 100_000, '{"format": ' + "9" * 10_000 + "}", "", "\ufeff{}", "null",
    "1e999",
])
@pytest.mark.parametrize("where", ["manifest.json", "derived/manifest.json",
                                   "../timing/.remanence-files.json"])
def test_nesting_and_huge_numbers_are_plain_words(house, tmp_path, where, text, capsys):
    copied = Path(shutil.copytree(house, tmp_path / "house"))
    (copied / "store" / where).write_text(text)
    ends_plainly(["timing", str(copied)], capsys)


@pytest.mark.parametrize("value", [
    "[" * 5_000, "9" * 5_000, "-1", "1e400", "nan", "[[1]]", '{a = 1}', "true", '""', '"\\u0000"',
    "1979-05-27", '"../.."', '"\\u001B[31m"',
])
def test_any_value_of_a_venue_file_is_plain_words(tmp_path, value, capsys):
    lines = HARBOUR.split("\n")
    for number, line in enumerate(lines):
        if " = " in line:
            key = line.split(" = ")[0]
            text = "\n".join([*lines[:number], f"{key} = {value}", *lines[number + 1:]])
            (tmp_path / "venue.toml").write_text(text)
            assert ends_plainly(["check", str(tmp_path)], capsys) in (0, 1)


@pytest.mark.parametrize("store", [".", "..", "logs", "logs/store", "./", "logs/../logs"])
def test_the_store_lies_in_a_folder_of_its_own(tmp_path, store, capsys):
    (tmp_path / "venue.toml").write_text(
        HARBOUR.replace('store = "store"', f'store = "{store}"'))
    assert main(["check", str(tmp_path)]) == 1
    assert "a folder of its own" in capsys.readouterr().err
