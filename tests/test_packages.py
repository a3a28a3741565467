"""Source archive and wheel: built, installed by itself, and run from somewhere else."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("shared", "analytics", "pipelines", "dashboards", "sample_data")


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """The source archive of this tree, and the wheel made from that archive alone."""
    folder = tmp_path_factory.mktemp("dist")
    done = subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)],
        capture_output=True, text=True, check=False,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return folder


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory) -> Path:
    """An environment with the wheel in it, and this environment's packages beside it."""
    folder = tmp_path_factory.mktemp("installed")
    subprocess.run([sys.executable, "-m", "venv", str(folder)], check=True)
    python = folder / "bin" / "python"
    (wheel,) = built.glob("*.whl")
    subprocess.run(
        [str(python), "-m", "pip", "--disable-pip-version-check", "-q", "install", "--no-deps",
         str(wheel)], check=True,
    )
    places = "import site; print(site.getsitepackages()[0])"
    theirs, ours = (
        subprocess.run([name, "-c", places], capture_output=True, text=True, check=True)
        .stdout.strip() for name in (str(python), sys.executable)
    )
    # Only a path: what is installed there as a link to this tree is not followed.
    Path(theirs, "beside.pth").write_text(ours + "\n", encoding="utf-8")
    return python


def test_the_source_archive_holds_what_is_kept_and_nothing_else(built):
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as tar:
        names = {item.name.partition("/")[2] for item in tar.getmembers() if item.isfile()}
    # Files that git does not know and does not ignore are on their way in.
    kept = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )
    if kept.returncode:
        pytest.skip("not a git checkout")
    wanted = {name for name in kept.stdout.splitlines() if (ROOT / name).exists()}
    assert wanted - names == set()
    made = {"PKG-INFO", "setup.cfg"}
    assert {name for name in names - wanted if "egg-info" not in name} <= made


def test_the_wheel_holds_the_rooms_with_their_data_and_types(built):
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    assert {name.split("/")[0] for name in names if ".dist-info" not in name} == {"remanence"}
    assert "remanence/py.typed" in names
    for room in ROOMS:
        for path in (ROOT / room).rglob("*"):
            inside = path.relative_to(ROOT).as_posix()
            if path.is_file() and "__pycache__" not in inside:
                assert f"remanence/{inside}" in names


def test_the_installed_program_runs_from_anywhere(installed, tmp_path):
    command = installed.parent / "remanence"
    helped = subprocess.run([str(command), "--help"], cwd=tmp_path, capture_output=True, text=True,
                            check=False)
    assert helped.returncode == 0, helped.stderr
    where = subprocess.run(
        [str(installed), "-c", "import remanence.shared\nfrom remanence.dashboards import page\n"
         "page.environment().get_template('base.html.jinja')\nprint(remanence.shared.__file__)"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )
    assert str(ROOT) not in where.stdout
    venue = ROOT / "sample_data" / "by_hand"
    checked = subprocess.run([str(command), "check", str(venue)], cwd=tmp_path,
                             capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr


CALLER = """
from datetime import date
import pandas as pd
import polars as pl
from remanence.analytics.physics.latency import release_latency
from remanence.pipelines.toolkit import open_venue

house = open_venue("demo")
rows: pl.DataFrame = house.table("findings", date(2026, 11, 2))
frame: pd.DataFrame = house.table("wear", as_pandas=True)
lazy: pl.LazyFrame = house.signals()
latency: pl.DataFrame = release_latency(house.actuations(), by=("lock",))
"""


def test_a_callers_types_are_checked(installed, tmp_path):
    caller = tmp_path / "caller.py"

    def mypy(text: str) -> str:
        caller.write_text(text, encoding="utf-8")
        return subprocess.run(
            [sys.executable, "-m", "mypy", "--strict", "--ignore-missing-imports",
             "--python-executable", str(installed), "--cache-dir", str(tmp_path / "cache"),
             str(caller)], cwd=tmp_path, capture_output=True, text=True, check=False,
        ).stdout

    assert "Success" in (said := mypy(CALLER)), said
    assert 'matches argument type "int"' in mypy(CALLER + "house.table(3)\n")
