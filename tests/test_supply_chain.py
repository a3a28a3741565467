"""What is installed: every file by its hash, the list of it, and what may be newer or older."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import start

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
EXTRAS = PROJECT["project"]["optional-dependencies"]
BUILD = PROJECT["build-system"]["requires"]
RUN = [*PROJECT["project"]["dependencies"], *EXTRAS["live"], *EXTRAS["serve"], *EXTRAS["tell"]]
ASKED = {
    "run": RUN,
    "test": [*RUN, *EXTRAS["chain"], *EXTRAS["test"][1:]],
    "oldest": [*RUN, *EXTRAS["chain"], *EXTRAS["test"][1:]],
    "release": EXTRAS["release"],
}
COMPILED = ("numpy", "polars-runtime-32", "pyarrow", "scipy")


def locked(name):
    """From each package of a list to its releases: requirement and hashes."""
    text = (start.LOCKED / f"{name}.txt").read_text("utf-8").replace("\\\n", " ")
    found = {}
    for line in text.splitlines():
        words, *hashes = line.split("--hash=")
        release = Requirement(words)
        found.setdefault(canonicalize_name(release.name), []).append(
            (release, [one.strip() for one in hashes]))
    return found


@pytest.mark.parametrize("name", start.LOCKS)
def test_every_package_is_one_release_with_the_hashes_of_its_files(name):
    packages = locked(name)
    for releases in packages.values():
        for release, hashes in releases:
            assert re.fullmatch(r"==[0-9][\w.+]*", str(release.specifier)), release
            assert hashes, release
            assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", one) for one in hashes), release
            # A wheel for each system and each Python.
            assert release.name not in COMPILED or len(hashes) > 5, release
    text = (start.LOCKED / f"{name}.txt").read_text("utf-8")
    assert "://" not in text
    assert "\n-" not in text  # no option, so no index


@pytest.mark.parametrize("name", start.LOCKS)
def test_the_lists_are_what_the_project_asks_for(name):
    packages = locked(name)
    for text in (*ASKED[name], *BUILD):
        asked = Requirement(text)
        releases = packages[canonicalize_name(asked.name)]
        assert all(asked.specifier.contains(str(release.specifier).removeprefix("=="))
                   for release, _ in releases), text


def test_what_a_venue_runs_is_what_is_tested():
    tested = locked("test")
    for name, releases in locked("run").items():
        assert ([(release.specifier, hashes) for release, hashes in releases]
                == [(release.specifier, hashes) for release, hashes in tested[name]])


def test_whatever_start_py_installs_is_held_to_its_hash(monkeypatch, tmp_path):
    said = []
    monkeypatch.setattr(start, "environment", lambda folder: tmp_path / "python")
    monkeypatch.setattr(start, "ROOT", tmp_path)
    monkeypatch.setattr(start, "pip", lambda python, *words: said.append(words))
    monkeypatch.setattr(start, "run", lambda *words: 0)
    monkeypatch.setattr(start, "typed_tree", lambda: None)
    for folder in (".venv", ".venv-oldest"):
        (tmp_path / folder).mkdir()
    (tmp_path / "pyproject.toml").write_text("")
    for job in (start.demo, start.tests, start.oldest):
        job([])
    assert len(said) == 6
    for first, second in zip(said[::2], said[1::2], strict=True):
        assert first[:2] == ("install", "--require-hashes")
        assert {"--no-deps", "--no-build-isolation"} < set(second)
    start.tests([])
    assert len(said) == 6  # once


def test_the_sbom_names_all_that_a_venue_runs():
    text = (start.LOCKED / "sbom.cdx.json").read_text("utf-8")
    sbom = json.loads(text)
    assert (sbom["bomFormat"], sbom["metadata"]["component"]["name"]) == (
        "CycloneDX", PROJECT["project"]["name"])
    assert sbom["metadata"]["component"]["version"] == PROJECT["project"]["version"]
    there = {canonicalize_name(part["name"]): part for part in sbom["components"]}
    run = locked("run")
    needed = {name for name, releases in run.items()
              if any(not release.marker or release.marker.evaluate({"python_version": "3.11"})
                     for release, _ in releases)} - {"setuptools"}
    assert needed <= set(there) <= set(run)
    for name, part in there.items():
        assert f"=={part['version']}" in {str(release.specifier) for release, _ in run[name]}
        assert part["licenses"]
        assert part["purl"] == f"pkg:pypi/{name}@{part['version']}"
    refs = {part["bom-ref"] for part in sbom["components"]} | {"root-component"}
    assert {node["ref"] for node in sbom["dependencies"]} == refs
    assert set(re.findall(r"https?://[^\"]*", text)) == {sbom["$schema"]}


def test_an_upper_bound_stands_with_its_reason():
    lines = (ROOT / "pyproject.toml").read_text("utf-8").splitlines()
    bounded = [line for line in lines
               if re.match(r'\s*"[A-Za-z][^;]*(<|==|~=)', line) and "#" not in line]
    assert bounded == []
