"""Who may import whom: between the rooms, and between the packages of ``analytics``."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MAY = {
    "shared": set(),
    "analytics": {"shared"},
    "dashboards": {"shared", "analytics"},
    "sample_data": {"shared"},
    "pipelines": {"shared", "analytics", "dashboards", "sample_data"},
}
ORDER = (
    {"statistics"}, {"clocks"}, {"history"}, {"pairing", "physics"}, {"drift"},
    {"conditions"}, {"timing", "parts"}, {"health"}, {"chain"},
)
"""Packages of ``analytics``: each imports only what stands before it, or itself."""


def imported(path: Path) -> set[str]:
    """Every module that a file imports, by its full name."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {name for node in ast.walk(tree) for name in names_of(node)}


def names_of(node: ast.AST) -> set[str]:
    """What one statement imports, by full names; nothing where it is no import."""
    if isinstance(node, ast.Import):
        return {alias.name for alias in node.names}
    if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
        return {f"{node.module}.{alias.name}" for alias in node.names}
    return set()


def ours(path: Path, depth: int) -> set[str]:
    """The words at that depth of what a file imports of ``remanence``."""
    split = [name.split(".") for name in imported(path)]
    return {words[depth] for words in split if words[0] == "remanence" and len(words) > depth}


@pytest.mark.parametrize("room", MAY)
def test_a_room_imports_only_whom_it_may(room):
    files = sorted((ROOT / room).rglob("*.py"))
    assert files
    assert any(ours(path, 1) for path in files)
    wrong = {
        str(path.relative_to(ROOT)): sorted(found)
        for path in files
        if (found := (ours(path, 1) & set(MAY)) - MAY[room] - {room})
    }
    assert not wrong


def test_every_file_can_be_read_in_one_sitting():
    lines = {str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
             for room in (*MAY, "tests") for path in (ROOT / room).rglob("*.py")}
    assert len(lines) > 300
    assert {name: count for name, count in lines.items() if count > 500} == {}


def test_every_package_of_analytics_has_its_place():
    found = {path.stem for path in (ROOT / "analytics").iterdir()
             if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert found - {"__init__"} == set().union(*ORDER)


@pytest.mark.parametrize("package", sorted(set().union(*ORDER)))
def test_a_package_of_analytics_imports_only_what_stands_before_it(package):
    place = next(number for number, names in enumerate(ORDER) if package in names)
    may = {package}.union(*ORDER[:place])
    folder = ROOT / "analytics" / package
    files = sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]
    wrong = {}
    for path in files:
        words = [name.split(".") for name in imported(path)]
        found = {name[2] for name in words if name[:2] == ["remanence", "analytics"]} - may
        if found:
            wrong[str(path.relative_to(ROOT))] = sorted(found)
    assert not wrong


OFFERING = tuple(sorted(
    f"{room}/{path.parent.name}" for room in ("analytics", "pipelines")
    for path in (ROOT / room).glob("*/__init__.py")
))
"""Every package of the two rooms that have packages."""


@pytest.mark.parametrize("package", OFFERING)
def test_what_others_take_of_a_package_it_offers(package):
    name = f"remanence.{package.replace('/', '.')}"
    offered = set(importlib.import_module(name).__all__)
    files = [path for room in MAY for path in (ROOT / room).rglob("*.py")
             if ROOT / package not in path.parents]
    wrong = {}
    for path in files:
        for word in imported(path):
            module, _, taken = word.rpartition(".")
            # A module about one function may be taken by that function's name.
            if f"{module}.".startswith(f"{name}.") and (
                    taken not in offered | {module.split(".")[-1]}
                    and not (ROOT / package / f"{taken}.py").exists()):
                wrong.setdefault(path.name, []).append(word)
    assert not wrong


@pytest.mark.parametrize("package", OFFERING)
def test_a_package_has_all_that_it_offers(package):
    module = importlib.import_module(f"remanence.{package.replace('/', '.')}")
    for name in module.__all__:
        assert getattr(module, name) is not None


def test_analytics_touches_no_disk_no_clock_no_screen():
    forbidden = {"os", "pathlib", "shutil", "subprocess", "time", "logging", "tqdm"}
    wrong = {}
    for path in sorted((ROOT / "analytics").rglob("*.py")):
        calls = {
            node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute)
        }
        found = ({name.split(".")[0] for name in imported(path)} & forbidden) | (
            calls & {"open", "print", "read_csv", "read_parquet", "scan_parquet", "now", "today"}
        )
        if found:
            wrong[path.name] = sorted(found)
    assert not wrong


def test_no_module_loads_a_large_package_with_itself():
    """They take half a second and 40 MB; who needs one asks for it inside a function."""
    large = {"scipy.stats", "scipy.optimize", "sklearn", "pandas", "plotly", "pyarrow"}
    only_when_asked_for = {ROOT / "pipelines/readers/parquet_reader.py",
                           ROOT / "pipelines/sniff/who_answers.py"}
    wrong = {}
    for room in ("analytics", "dashboards", "shared", "pipelines"):
        for path in sorted(set((ROOT / room).rglob("*.py")) - only_when_asked_for):
            body = ast.parse(path.read_text(encoding="utf-8")).body
            named = {name for node in body for name in names_of(node)}
            if found := {name for name in named if name.startswith(tuple(large))}:
                wrong[str(path.relative_to(ROOT))] = sorted(found)
    assert not wrong
